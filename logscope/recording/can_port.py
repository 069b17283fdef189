"""A CAN adapter through python-can, read only."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np

from logscope.capture.arrival import Envelope
from logscope.capture.library import frames_of
from logscope.errors import RequestError
from logscope.recording.clock import RecordingClock
from logscope.recording.listen_only import OF_THE_SYSTEM, listening
from logscope.recording.port import CanBatch, UnpluggedError
from logscope.recording.specs import CanSpec

WAIT_S = 0.2  # for the first frame; so long may a stop take
# A batch is closed after so many frames or so much time, whichever comes first: what is not yet written is lost with
# the process.
_MOST_FRAMES = 2000
_LONGEST_NS = 50_000_000
# Interfaces whose stamps come from a clock of the adapter or its driver (python-can 4.6). All others stamp with the
# computer's clock when the frame is read, which is no better than the arrival here, and follows every setting of it.
_STAMPED_BY_ADAPTER = frozenset(
    (
        "pcan",
        "kvaser",
        "vector",
        "ixxat",
        "systec",
        "gs_usb",
        "canalystii",
        "etas",
        "nixnet",
        "nican",
        "neovi",
        "serial",
    )
)

OpenBus = Callable[..., Any]


def open_can(spec: CanSpec, clock: RecordingClock, open_bus: OpenBus | None = None) -> PythonCanPort:
    """An adapter, opened to listen only where the interface has that.

    open_bus : python-can's, exchanged in tests

    Raises RequestError where it cannot be opened.
    """
    import can

    if open_bus is None:
        open_bus = can.Bus
    if spec.interface not in can.VALID_INTERFACES:
        raise RequestError(
            f"python-can has no interface “{spec.interface}”",
            do=f"There are: {', '.join(sorted(map(str, can.VALID_INTERFACES)))}.",
        )
    if spec.bit_rate is None and spec.interface not in OF_THE_SYSTEM:
        raise RequestError(
            f"{spec.text}: no bit rate is given, and a wrong one disturbs the bus",
            do=f"Write --can {spec.text}@500000, or bit_rate under [[can]] in the vehicle file.",
        )
    how = listening(spec.interface, spec.channel)
    arguments: dict[str, Any] = dict(how.arguments)
    if isinstance(arguments.get("state"), str):
        arguments["state"] = can.BusState[arguments["state"]]
    if spec.bit_rate is not None and spec.interface not in OF_THE_SYSTEM:
        arguments["bitrate"] = spec.bit_rate
    channel: int | str = int(spec.channel) if spec.channel.isdecimal() else spec.channel
    if spec.interface in ("virtual", "udp_multicast", "slcan", "socketcan"):
        channel = spec.channel
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of packages that an interface could use, and of Python's own changes
            bus = open_bus(interface=spec.interface, channel=channel, **arguments)
    except Exception as error:  # each interface raises what its driver does
        raise RequestError(
            f"{spec.text}: the adapter cannot be opened ({_short(error)})",
            do="Check that it is plugged in, that its driver and python-can's package for it are installed, and that "
            "no other program holds it.",
        ) from None
    return PythonCanPort(bus, spec, clock, how.text)


class PythonCanPort:
    """An open bus of python-can. Only `recv` and `shutdown` of it are called."""

    def __init__(self, bus: Any, spec: CanSpec, clock: RecordingClock, text: str) -> None:
        self._bus, self._spec, self._clock, self._text = bus, spec, clock, text
        self._envelope = Envelope() if spec.interface in _STAMPED_BY_ADAPTER else None

    def read(self) -> CanBatch | None:
        """The frames that have arrived."""
        messages: list[Any] = []
        arrivals: list[int] = []
        wait_s, began_ns = WAIT_S, self._clock.now_ns()
        try:
            while len(messages) < _MOST_FRAMES:
                message = self._bus.recv(wait_s)
                if message is None:
                    break
                arrivals.append(self._clock.now_ns())
                if not messages:
                    began_ns = arrivals[0]
                messages.append(message)
                wait_s = 0.0
                if arrivals[-1] - began_ns > _LONGEST_NS:
                    break
        except Exception as error:  # each interface raises what its driver does
            if not messages:
                raise UnpluggedError(_short(error)) from None
            # what came before is kept; the next read meets the same error
        if not messages:
            return None
        return CanBatch(self._frames(messages, np.array(arrivals, np.int64)))

    def _frames(self, messages: list[Any], arrival_ns: np.ndarray) -> Any:
        for message in messages:
            message.channel = self._spec.bus
        frames = frames_of(messages, self._spec.text)
        if self._envelope is None:
            return replace(frames, time_ns=arrival_ns)
        stamps, self._envelope = self._envelope.onto(frames.time_ns, arrival_ns)
        return replace(frames, time_ns=stamps)

    def close(self) -> None:
        """Shut it down."""
        with suppress(Exception):  # of an adapter that is gone
            self._bus.shutdown()

    @property
    def stamps(self) -> str:
        """Where the stamps come from."""
        return "arrival" if self._envelope is None else "by the adapter, aligned to the arrival"

    @property
    def listening(self) -> str:
        """How it is kept from taking part in the bus."""
        return self._text


def _short(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text if len(text) <= 200 else text[:200] + "…"
