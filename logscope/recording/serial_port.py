"""A serial console through pyserial, read only."""

from __future__ import annotations

import time
from contextlib import suppress
from typing import Any

from logscope.errors import RequestError
from logscope.recording.clock import RecordingClock
from logscope.recording.port import SerialBatch, UnpluggedError
from logscope.recording.specs import SerialSpec

WAIT_S = 0.2
# After the first byte, what follows within this time is one batch: 11 bytes at 115,200 baud. It bounds how far the
# stamp of a line within a batch can be off.
_GATHER_S = 0.001
_BITS_A_BYTE = 10  # with start and stop bit, without parity


def open_serial(spec: SerialSpec, clock: RecordingClock) -> SerialPort:
    """A port by its name or pyserial's address of one. Raises RequestError where it cannot be opened."""
    import serial

    try:
        port = serial.serial_for_url(spec.port, baudrate=spec.baud, timeout=WAIT_S)
    except (OSError, ValueError) as error:  # pyserial's own error is an OSError
        raise RequestError(
            f"{spec.text}: the serial port cannot be opened ({' '.join(str(error).split())})",
            do="Check its name, that it is plugged in, and that no other program holds it.",
        ) from None
    return SerialPort(port, spec.baud, clock)


class SerialPort:
    """An open port of pyserial."""

    def __init__(self, port: Any, baud: int, clock: RecordingClock) -> None:
        self._port, self._clock = port, clock
        self._byte_ns = round(_BITS_A_BYTE * 1e9 / baud)

    def read(self) -> SerialBatch | None:
        """The bytes that have arrived, with the time at which the first of them was there."""
        try:
            first = self._port.read(1)
            arrival_ns = self._clock.now_ns()
            if not first:
                return None
            time.sleep(_GATHER_S)
            return SerialBatch(first + self._port.read(self._port.in_waiting or 0), arrival_ns, self._byte_ns)
        except (OSError, TypeError) as error:  # pyserial meets a port that is closed meanwhile with a TypeError
            raise UnpluggedError(" ".join(str(error).split()) or type(error).__name__) from None

    def ask_once(self, text: bytes) -> None:
        """Send a text to a console that is silent until it is asked. Raises UnpluggedError where that fails."""
        try:
            self._port.write(text)
            self._port.flush()
        except OSError as error:
            raise UnpluggedError(" ".join(str(error).split())) from None

    def close(self) -> None:
        """Close the port."""
        with suppress(Exception):  # of an adapter that is gone
            self._port.close()

    @property
    def stamps(self) -> str:
        """Where the stamps come from."""
        return "arrival"

    @property
    def listening(self) -> str:
        """What is sent."""
        return "only read"
