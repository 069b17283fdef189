"""CAN adapters as they are opened and read, with stand-ins that answer by hand; no thread, no waiting."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import can
import numpy as np
import pytest

from logscope.capture.frames import Flag
from logscope.errors import RequestError
from logscope.recording import can_port
from logscope.recording.can_port import PythonCanPort, open_can
from logscope.recording.clock import RecordingClock
from logscope.recording.listen_only import (
    ACKNOWLEDGES,
    LISTENS,
    NO_WIRE,
    UNKNOWN,
    listening,
    socketcan_listening,
)
from logscope.recording.port import CanBatch, UnpluggedError
from logscope.recording.specs import CanSpec

S, MS = 1_000_000_000, 1_000_000


def clock_of(*moments_ns: int) -> RecordingClock:
    """A clock that shows these moments, one after the other, and then the last one."""
    left = list(moments_ns)
    return cast(RecordingClock, SimpleNamespace(now_ns=lambda: left.pop(0) if len(left) > 1 else left[0]))


# -- CAN adapters -----------------------------------------------------------------------------------


def arguments_of(spec: CanSpec) -> tuple[dict[str, Any], PythonCanPort]:
    """What an adapter is opened with, and the port."""
    given: dict[str, Any] = {}
    port = open_can(spec, clock_of(0), lambda **arguments: given.update(arguments))
    return given, port


@pytest.mark.parametrize(
    ("spec", "arguments", "listens", "stamps"),
    [
        (CanSpec("can0", "slcan", "7", 500), {"channel": "7", "bitrate": 500, "listen_only": True}, LISTENS, ""),
        (CanSpec("can0", "vector", "1", 500), {"channel": 1, "bitrate": 500, "listen_only": True}, LISTENS, "a"),
        (CanSpec("can0", "pcan", "PCAN_USBBUS1", 250_000),
         {"channel": "PCAN_USBBUS1", "bitrate": 250_000, "state": can.BusState.PASSIVE}, LISTENS, "a"),
        (CanSpec("can0", "canalystii", "0", 250_000), {"channel": 0, "bitrate": 250_000}, ACKNOWLEDGES, "a"),
        (CanSpec("can0", "virtual", "7"), {"channel": "7"}, NO_WIRE, ""),
        (CanSpec("can0", "virtual", "7", 500_000), {"channel": "7"}, NO_WIRE, ""),
        (CanSpec("can0", "udp_multicast", "ff15::1"), {"channel": "ff15::1"}, NO_WIRE, ""),
        (CanSpec("can0", "socketcand", "can0", 5), {"channel": "can0"}, UNKNOWN, ""),
    ],
)  # fmt: skip
def test_an_adapter_is_opened_quietly_and_at_the_stated_rate(
    spec: CanSpec, arguments: dict[str, Any], listens: str, stamps: str
) -> None:
    given, port = arguments_of(spec)
    assert given == {"interface": spec.interface} | arguments
    assert port.listening == listens
    assert port.stamps == ("by the adapter, aligned to the arrival" if stamps else "arrival")


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        (CanSpec("can0", "nonsense", "1", 5), "python-can has no interface “nonsense”. There are: "),
        (
            CanSpec("can0", "slcan", "COM3"),
            "slcan:COM3: no bit rate is given, and a wrong one disturbs the bus. Write --can slcan:COM3@500000, or "
            "bit_rate under [[can]] in the vehicle file.",
        ),
    ],
)
def test_what_cannot_be_opened_safely_is_refused(spec: CanSpec, said: str) -> None:
    with pytest.raises(RequestError) as refused:
        open_can(spec, clock_of(0), lambda **_: pytest.fail("it was opened"))
    assert str(refused.value).startswith(said)


@pytest.mark.parametrize(
    ("error", "text"),
    [(OSError("no\n such  port"), "no such port"), (ValueError(), "ValueError"), (OSError("x" * 300), "x" * 200 + "…")],
)
def test_why_an_adapter_cannot_be_opened_is_said_in_one_short_line(error: Exception, text: str) -> None:
    def fails(**_: object) -> None:
        raise error

    with pytest.raises(RequestError) as refused:
        open_can(CanSpec("can0", "slcan", "COM3", 5), clock_of(0), fails)
    assert str(refused.value).startswith(f"slcan:COM3@5: the adapter cannot be opened ({text}). Check that ")
    assert can_port._short(OSError("x" * 200)) == "x" * 200


def port_of(
    answers: Sequence[object], clock: RecordingClock, interface: str = "slcan"
) -> tuple[PythonCanPort, list[float]]:
    """A port whose bus answers so; and how long it was asked to wait each time."""
    left, waits = list(answers), []

    def receive(wait_s: float) -> object:
        waits.append(wait_s)
        answer = left.pop(0) if left else None
        if isinstance(answer, Exception):
            raise answer
        return answer

    return PythonCanPort(SimpleNamespace(recv=receive), CanSpec("body", interface, "x"), clock, "t"), waits


def message(stamp_s: float, channel: object = None) -> can.Message:
    return can.Message(timestamp=stamp_s, arbitration_id=0x100, is_extended_id=False, data=[5], channel=channel)


def test_only_the_first_frame_is_waited_for_and_each_is_stamped_at_its_arrival() -> None:
    port, waits = port_of([message(1.0, "x"), message(2.0, 3)], clock_of(10 * S, 11 * S, 12 * S - MS, 12 * S))
    batch = port.read()
    assert batch is not None
    assert batch.frames.time_ns.tolist() == [11 * S, 12 * S - MS]
    assert (batch.frames.buses, batch.frames.bus.tolist(), batch.lost) == (("body",), [0, 0], 0)
    assert waits == [0.2, 0.0]
    assert port_of([], clock_of(0))[0].read() is None


def test_stamps_of_an_adapter_are_put_onto_the_arrivals() -> None:
    """The adapter counts from 100 s; the second frame was read 3 ms after it was stamped, the first at once."""
    port, _ = port_of(
        [message(100.0), message(100.010), None, message(100.020)],
        clock_of(9 * S, 10 * S, 10 * S + 13 * MS, 10 * S, 10 * S + 25 * MS),
        "pcan",
    )
    first, second = port.read(), port.read()
    assert first is not None
    assert second is not None
    assert ((first.frames.time_ns - 10 * S) / MS).tolist() == pytest.approx([0, 10], abs=0.01)
    assert ((second.frames.time_ns - 10 * S) / MS).tolist() == pytest.approx([20], abs=0.01)


@pytest.mark.parametrize(("second_ns", "sizes"), [(50 * MS, 3), (50 * MS + 1, 2)])
def test_a_batch_ends_a_twentieth_of_a_second_after_its_first_frame(second_ns: int, sizes: int) -> None:
    """Waiting for the first takes time of its own, which does not count."""
    port, _ = port_of([message(1.0)] * 3, clock_of(0, 10 * S, 10 * S + second_ns))
    batch = port.read()
    assert batch is not None
    assert len(batch.frames) == sizes


def test_a_batch_holds_two_thousand_frames_at_most() -> None:
    port, _ = port_of([message(1.0)] * 2001, clock_of(S))
    sizes = [len(batch.frames) for batch in (port.read(), port.read()) if batch is not None]
    assert sizes == [2000, 1]


def test_what_came_before_an_adapter_went_is_kept() -> None:
    port, _ = port_of([message(1.0), OSError("gone\naway"), OSError("gone\naway")], clock_of(S))
    batch = port.read()
    assert batch is not None
    assert len(batch.frames) == 1
    with pytest.raises(UnpluggedError, match=r"^gone away$"):
        port.read()


def test_how_quiet_each_interface_is() -> None:
    assert listening("cantact", "0").arguments == {"monitor": True}
    assert listening("kvaser", "0").arguments == {"driver_mode": False}
    assert listening("seeedstudio", "0").arguments == {"operation_mode": "silent"}
    assert [listening(each, "0").arguments for each in ("nixnet", "systec")] == [
        {"listen_only": True}, {"state": "PASSIVE"},
    ]  # fmt: skip
    assert [listening(each, "0").text for each in ("virtual", "socketcand", "etas")] == [NO_WIRE, UNKNOWN, ACKNOWLEDGES]


def test_what_a_link_of_the_system_says_of_itself() -> None:
    def said(kind: str, **data: object) -> str:
        return socketcan_listening("can1", {"linkinfo": {"info_kind": kind, "info_data": data}})

    assert said("vxcan") == NO_WIRE
    assert said("can", ctrlmode=["LOOPBACK", "LISTEN-ONLY"]) == LISTENS
    assert said("can") == (
        "acknowledges frames. To stop that, where another node acknowledges: ip link set can1 down; ip link set can1 "
        "type can bitrate 500000 listen-only on; ip link set can1 up"
    )
    assert said("vlan") == ("may acknowledge frames: whether can1 only listens cannot be seen; it never transmits")


def test_a_batch_of_frames_has_its_size_and_its_last_stamp() -> None:
    port, _ = port_of([message(1.0), message(2.0)], clock_of(S, 2 * S, 2 * S + MS))
    frames = port.read()
    assert isinstance(frames, CanBatch)
    assert (frames.size, frames.last_ns) == (2, 2 * S + MS)
    empty = CanBatch(can_port.frames_of([], "x"))
    assert (empty.size, empty.last_ns) == (0, None)


# -- frames as the kernel hands them over -----------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "length", "fd_flags", "fd", "said", "expected"),
    [
        # can.h: bit 31 extended, 30 remote, 29 error; canfd_frame: flags BRS 1, ESI 2
        (0x7FF, 3, 0, False, 0, (0x7FF, 0, 3, 3)),
        (0xFFFF, 0, 0, False, 0, (0x7FF, 0, 0, 0)),  # above 11 bits without the mark
        (0x80000000 | 0x1ABCDEF0, 8, 3, False, 0, (0x1ABCDEF0, Flag.EXTENDED, 8, 8)),
        (0x40000123, 4, 0, False, 0, (0x123, Flag.REMOTE, 4, 0)),
        (0x20000080, 8, 0, False, 0, (0x80, Flag.ERROR, 8, 8)),
        (0xE0001080, 8, 0, False, 0, (0x1080, Flag.ERROR, 8, 8)),
        (0x123, 64, 1, True, 0, (0x123, Flag.FD | Flag.BITRATE_SWITCH, 64, 64)),
        (0x123, 64, 2, True, 0, (0x123, Flag.FD | Flag.ERROR_STATE, 64, 64)),
        (0x40000123, 2, 0, True, 0, (0x123, Flag.FD, 2, 2)),  # CAN FD has no remote frames
        (0x123, 12, 0, False, 0, (0x123, 0, 8, 8)),  # no classic frame is longer
        (0x123, 1, 0, False, 4, (0x123, Flag.TRANSMITTED, 1, 1)),  # MSG_DONTROUTE: sent by this computer
        (0x123, 1, 0, False, 8, (0x123, 0, 1, 1)),
    ],
)
def test_frames_lie_in_memory_as_the_kernel_defines_them(
    word: int, length: int, fd_flags: int, fd: bool, said: int, expected: tuple[int, int, int, int]
) -> None:
    socketcan = pytest.importorskip("logscope.recording.socketcan_port")
    data = np.zeros((2, 72), np.uint8)
    data[:, :4] = np.frombuffer(word.to_bytes(4, "little"), np.uint8)
    data[:, 4], data[:, 5], data[:, 8:] = length, fd_flags, np.arange(64)
    headers = np.zeros(2, socketcan._HEADER)
    headers["size"], headers["flags"] = (72 if fd else 16), said
    frames = socketcan._frames(data, headers, np.array([5, 6], np.int64), "body")
    identifier, flags, size, stored = expected
    assert frames.identifier.tolist() == [identifier] * 2
    assert frames.flags.tolist() == [int(flags)] * 2
    assert frames.length.tolist() == [size] * 2
    assert frames.payload.tolist() == [*range(stored), *range(stored)]
    assert (frames.offset.tolist(), frames.time_ns.tolist()) == ([0, stored], [5, 6])
    assert (frames.bus.tolist(), frames.buses) == ([0, 0], ("body",))


@pytest.mark.parametrize(
    ("on_wall", "moved", "latest", "now", "placed"),
    [
        ([10, 20, 30], 0, 5, 40, [10, 20, 30]),
        ([110, 120], 100, 5, 40, [10, 20]),
        ([1, 20], 0, 5, 40, [5, 20]),  # never before the batch before
        ([10, 50], 0, 5, 40, [10, 40]),  # nor after now
        ([20, 10, 30], 0, 5, 40, [20, 20, 30]),
        ([10, 20], 0, 60, 40, [40, 40]),
    ],
)
def test_stamps_stay_between_the_batch_before_and_now(
    on_wall: list[int], moved: int, latest: int, now: int, placed: list[int]
) -> None:
    socketcan = pytest.importorskip("logscope.recording.socketcan_port")
    assert socketcan.on_recording(np.array(on_wall), moved, latest, now).tolist() == placed
