"""Many frames a call off a socket. python-can builds the structures; a socket pair stands in for the bus."""

from __future__ import annotations

import errno
import os
import socket
import struct
import sys
import time
from collections.abc import Iterator
from types import SimpleNamespace

import can
import numpy as np
import pytest

from logscope.capture.library import frames_of
from logscope.recording.clock import RecordingClock

if sys.platform != "linux" or struct.calcsize("P") != 8:
    pytest.skip("socketcan is part of Linux, and read in this way on 64 bits", allow_module_level=True)

from can.interfaces.socketcan.socketcan import build_can_frame

from logscope.recording.port import UnpluggedError
from logscope.recording.socketcan_port import SocketCanPort, on_recording


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, SocketCanPort, RecordingClock]]:
    bus, ours = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    clock = RecordingClock()
    port = SocketCanPort(ours, "can0", clock, "listens")
    yield bus, port, clock
    port.close()
    bus.close()


def _messages() -> list[can.Message]:
    common = {"channel": "can0", "timestamp": 0.0}
    return [
        can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes(range(8)), **common),
        can.Message(arbitration_id=0x7FF, is_extended_id=False, data=b"", **common),
        can.Message(arbitration_id=0x1ABCDEF0, data=b"\x01\x02", **common),
        can.Message(arbitration_id=0x321, is_extended_id=False, is_remote_frame=True, dlc=4, **common),
        can.Message(arbitration_id=0x80, is_error_frame=True, is_extended_id=False, data=bytes(8), **common),
        can.Message(arbitration_id=0x18FF0102, is_fd=True, bitrate_switch=True, data=bytes(range(64)), **common),
        can.Message(arbitration_id=0x55, is_extended_id=False, is_fd=True, data=bytes(12), **common),
    ]


def test_frames_are_those_that_were_put_in(pair) -> None:  # type: ignore[no-untyped-def]
    bus, port, _ = pair
    messages = _messages()
    for message in messages:
        bus.send(bytes(build_can_frame(message)))
    frames, wanted = port.read().frames, frames_of(messages, "made")
    for column in ("identifier", "flags", "length"):
        assert getattr(frames, column).tolist() == getattr(wanted, column).tolist(), column
    assert [frames.data(k) for k in range(len(frames))] == [wanted.data(k) for k in range(len(wanted))]


def test_stamps_are_those_of_the_kernel_on_the_clock_of_the_recording(pair) -> None:  # type: ignore[no-untyped-def]
    bus, port, clock = pair
    frame, sent = bytes(build_can_frame(_messages()[0])), []
    for _ in range(5):
        sent.append(clock.now_ns())
        bus.send(frame)
        time.sleep(0.02)
    stamps = port.read().frames.time_ns  # all at once, long after most of them
    assert np.abs(stamps - np.array(sent)).max() < 1_000_000


def test_a_clock_that_is_set_moves_no_stamp_out_of_its_batch() -> None:
    """A hundred settings by up to an hour, each while frames wait: those are placed between the last batch and now."""
    random = np.random.default_rng(5)
    latest, now, moved = 0, 0, 0
    for setting in random.integers(-3600 * 10**9, 3600 * 10**9, 100).tolist():
        truth = now + np.sort(random.integers(0, 50_000_000, 20))
        now += 60_000_000
        stamped = truth + moved  # some of these before the setting, some after it
        stamped[10:] += setting
        moved += setting
        placed = on_recording(stamped, moved, latest, now)
        assert np.all(np.diff(placed) >= 0)
        assert np.all((placed >= latest) & (placed <= now))
        latest = int(placed[-1])
        truth = now + np.sort(random.integers(0, 50_000_000, 20))
        now += 60_000_000
        assert np.array_equal(on_recording(truth + moved, moved, latest, now), truth)
        latest = int(truth[-1])


def test_nothing_to_read_is_no_fault_and_a_socket_that_is_gone_is(pair) -> None:  # type: ignore[no-untyped-def]
    _, port, _ = pair
    assert port.read() is None
    port.close()
    with pytest.raises(UnpluggedError):
        port.read()


def _controls(port: SocketCanPort, frames: int, dropped: int | None) -> None:
    """What the kernel says beside some frames: a stamp with each, and with each how many were ever dropped.

    The layout of control messages is that of Python's own socket.CMSG_LEN and CMSG_SPACE.
    """

    def message(kind: int, data: bytes) -> bytes:
        head = struct.pack("@Nii", socket.CMSG_LEN(len(data)), socket.SOL_SOCKET, kind)
        return (head + data).ljust(socket.CMSG_SPACE(len(data)), b"\0")

    said = message(35, struct.pack("@qq", 1, 0)) + (b"" if dropped is None else message(40, struct.pack("@I", dropped)))
    for row in range(frames):
        port._control[row, : len(said)] = np.frombuffer(said, np.uint8)
    port._headers["control_size"][:frames] = len(said)


def test_frames_that_the_socket_dropped_are_counted_once(pair) -> None:  # type: ignore[no-untyped-def]
    """The kernel counts from the socket's opening, in 32 bits (socket(7), SO_RXQ_OVFL); nothing is said before the
    first drop."""
    _, port, _ = pair
    ever = [None, 3, 3, 10, 500, 500, 2**32 - 2, 1]
    lost = []
    for frames, total in enumerate(ever, start=1):
        _controls(port, frames, total)
        lost.append(port._drops(frames))
    assert lost == [0, 3, 0, 7, 490, 0, 2**32 - 2 - 500, 3]


@pytest.mark.parametrize(
    ("count", "number", "gone"),
    [(-1, errno.ENODEV, True), (-1, errno.ENETDOWN, True), (-1, errno.EAGAIN, False), (0, errno.ENODEV, False)],
)
def test_a_link_that_is_gone_is_told_from_one_that_has_nothing(
    pair, monkeypatch: pytest.MonkeyPatch, count: int, number: int, gone: bool
) -> None:  # type: ignore[no-untyped-def]
    bus, port, _ = pair
    bus.send(bytes(16))
    port._receive = lambda *_: count
    monkeypatch.setattr("logscope.recording.socketcan_port.ctypes.get_errno", lambda: number)
    if gone:
        with pytest.raises(UnpluggedError, match=os.strerror(number)):
            port.read()
    else:
        assert port.read() is None
    assert (port.stamps, port.listening) == ("by the kernel", "listens")


@pytest.mark.parametrize("moved_s", [0, 5, -5])
def test_a_frame_without_a_stamp_came_now_whatever_the_computers_clock_was_set_to(pair, moved_s: int) -> None:  # type: ignore[no-untyped-def]
    """Stamps of the kernel are on the computer's clock, which is ahead of the recording's by so much."""
    _, port, _ = pair
    now_ns, moved_ns = 100 * 10**9, moved_s * 10**9
    port._clock = SimpleNamespace(now_ns=lambda: now_ns, wall_moved_ns=lambda: moved_ns)
    for row, stamp_s in enumerate((98, 99)):
        stamp = struct.pack("@Nii", socket.CMSG_LEN(16), socket.SOL_SOCKET, 35) + struct.pack(
            "@qq", stamp_s + moved_s, 7
        )
        port._control[row, :32] = np.frombuffer(stamp, np.uint8)
    port._headers["control_size"][:3] = (32, 32, 0)
    assert port._stamps(3).tolist() == [98 * 10**9 + 7, 99 * 10**9 + 7, now_ns]
