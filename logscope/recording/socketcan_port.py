"""socketcan without an object a frame: many frames a system call, with the kernel's stamps.

`recvmmsg` fills arrays, which are the columns after a few operations on all of them. Layouts: `struct can_frame` and
`struct canfd_frame` of Linux's `can.h`, `struct mmsghdr` of recvmmsg(2), control messages of cmsg(3); on 64-bit systems
alone, where a `timespec` has 16 bytes. Elsewhere python-can reads the socket.
"""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import struct
import sys
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.capture.frames import Flag, Frames
from logscope.errors import RequestError
from logscope.recording.clock import RecordingClock
from logscope.recording.listen_only import listening
from logscope.recording.port import CanBatch, UnpluggedError
from logscope.recording.specs import CanSpec

WAIT_S = 0.2
# Frames are fetched so often, not one by one as they come: a tenth of the processor time, and far within what the
# socket holds (some 270 frames unless it may be made larger, 30 ms of a full bus at 1 Mbit/s).
_GATHER_S = 0.004
_FRAMES_A_CALL = 512
_CLASSIC_BYTES, _FD_BYTES = 16, 72  # of the two structures
_CONTROL_BYTES = 64  # room for both control messages
_STAMP_MESSAGE_BYTES = 32  # cmsghdr and timespec

_SO_TIMESTAMPNS, _SO_RXQ_OVFL, _SO_RCVBUFFORCE = 35, 40, 33  # Linux's asm-generic/socket.h
_ROOM_BYTES = 8 << 20
_SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, _CAN_RAW_FD_FRAMES, _EVERY_ERROR = 101, 2, 5, 0x1FFFFFFF
_EFF, _RTR, _ERR = 0x80000000, 0x40000000, 0x20000000
_BRS, _ESI = 1, 2
_MSG_DONTROUTE, _MSG_WAITFORONE = 0x4, 0x10000
_GONE = (errno.ENETDOWN, errno.ENODEV, errno.ENXIO, errno.EBADF)

_HEADER = np.dtype(
    {  # struct mmsghdr: a msghdr of 56 bytes, and the length of what was received
        "names": ["name", "name_size", "parts", "part_count", "control", "control_size", "flags", "size"],
        "formats": ["u8", "u4", "u8", "u8", "u8", "u8", "i4", "u4"],
        "offsets": [0, 8, 16, 24, 32, 40, 48, 56],
        "itemsize": 64,
    }
)


def is_possible() -> bool:
    """Whether this system has what is needed."""
    return (
        sys.platform == "linux"
        and struct.calcsize("P") == 8
        and sys.byteorder == "little"
        and hasattr(socket, "AF_CAN")
    )


def open_socketcan(spec: CanSpec, clock: RecordingClock) -> SocketCanPort:
    """A CAN link of the system. Raises RequestError where there is none of that name, or it is down."""
    try:
        link = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)  # type: ignore[attr-defined,unused-ignore]
    except OSError as error:
        raise RequestError(
            f"{spec.text}: this system has no CAN sockets ({error.strerror})",
            do="Load the kernel's module “can”, or use another interface of python-can.",
        ) from None
    try:
        link.setsockopt(_SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, struct.pack("I", _EVERY_ERROR))
        link.setsockopt(_SOL_CAN_RAW, _CAN_RAW_FD_FRAMES, 1)
        link.bind((spec.channel,))
    except OSError as error:
        link.close()
        raise RequestError(
            f"{spec.text}: the link cannot be opened ({error.strerror})",
            do=f"Set it up: ip link set {spec.channel} up type can bitrate 500000 listen-only on.",
        ) from None
    return SocketCanPort(link, spec.bus, clock, listening("socketcan", spec.channel).text)


class SocketCanPort:
    """A bound CAN socket, or in tests any socket of datagrams that holds the same structures."""

    def __init__(self, link: socket.socket, bus: str, clock: RecordingClock, text: str) -> None:
        self._link, self._bus, self._clock, self._text = link, bus, clock, text
        link.settimeout(WAIT_S)
        link.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        link.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
        for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):  # the first asks for a right that few have
            try:
                link.setsockopt(socket.SOL_SOCKET, option, _ROOM_BYTES)
                break
            except OSError:
                continue
        self._receive = ctypes.CDLL(None, use_errno=True).recvmmsg
        self._data = np.zeros((_FRAMES_A_CALL, _FD_BYTES), np.uint8)
        self._control = np.zeros((_FRAMES_A_CALL, _CONTROL_BYTES), np.uint8)
        self._parts = np.zeros((_FRAMES_A_CALL, 2), np.uint64)
        self._headers = np.zeros(_FRAMES_A_CALL, _HEADER)
        rows = np.arange(_FRAMES_A_CALL, dtype=np.uint64)
        self._parts[:, 0] = self._data.ctypes.data + rows * np.uint64(_FD_BYTES)
        self._parts[:, 1] = _FD_BYTES
        self._headers["parts"] = self._parts.ctypes.data + rows * np.uint64(16)
        self._headers["part_count"] = 1
        self._headers["control"] = self._control.ctypes.data + rows * np.uint64(_CONTROL_BYTES)
        self._dropped = 0
        self._latest_ns = 0

    def read(self) -> CanBatch | None:
        """The frames that have arrived since the last call."""
        try:
            if not self._link.recv(1, socket.MSG_PEEK):  # waits, and says why where it cannot
                return None
        except TimeoutError:
            return None
        except OSError as error:
            raise UnpluggedError(error.strerror or str(error)) from None
        time.sleep(_GATHER_S)
        self._headers["control_size"] = _CONTROL_BYTES
        count = self._receive(
            self._link.fileno(), ctypes.c_void_p(self._headers.ctypes.data), _FRAMES_A_CALL, _MSG_WAITFORONE, None
        )
        if count <= 0:
            number = ctypes.get_errno()
            if count < 0 and number in _GONE:
                raise UnpluggedError(os.strerror(number))
            return None
        stamps = self._stamps(count)
        dropped = self._drops(count)
        return CanBatch(_frames(self._data[:count], self._headers[:count], stamps, self._bus), dropped)

    def _stamps(self, count: int) -> NDArray[np.int64]:
        """The kernel's stamps, which are on the computer's clock, on the recording's."""
        now_ns = self._clock.now_ns()
        parts = self._control[:count, 16:_STAMP_MESSAGE_BYTES].copy().view(np.int64)
        on_wall = parts[:, 0] * 1_000_000_000 + parts[:, 1]
        unstamped = self._headers["control_size"][:count] < _STAMP_MESSAGE_BYTES
        moved_ns = self._clock.wall_moved_ns()
        stamps = on_recording(np.where(unstamped, now_ns + moved_ns, on_wall), moved_ns, self._latest_ns, now_ns)
        self._latest_ns = int(stamps[-1])
        return stamps

    def _drops(self, count: int) -> int:
        """Frames that the socket had no room for since the last batch; the last frame says how many there were ever."""
        control = self._control[count - 1]
        if self._headers["control_size"][count - 1] <= _STAMP_MESSAGE_BYTES:
            return 0
        total = int(control[_STAMP_MESSAGE_BYTES + 16 : _STAMP_MESSAGE_BYTES + 20].view(np.uint32)[0])
        new = (total - self._dropped) % (1 << 32)
        self._dropped = total
        return new

    def close(self) -> None:
        """Close the socket."""
        self._link.close()

    @property
    def stamps(self) -> str:
        """Where the stamps come from."""
        return "by the kernel"

    @property
    def listening(self) -> str:
        """How it is kept from taking part in the bus."""
        return self._text


def on_recording(on_wall_ns: NDArray[np.int64], moved_ns: int, latest_ns: int, now_ns: int) -> NDArray[np.int64]:
    """Stamps on the computer's clock as stamps on the recording's, shape (n,).

    moved_ns : how far the one is ahead of the other now; asked for each batch, so that a setting of the computer's
        clock moves at most the frames that were waiting just then, and those stay between the last batch and now
    latest_ns : the last stamp before; now_ns : the recording's clock
    """
    kept = np.clip(on_wall_ns - moved_ns, min(latest_ns, now_ns), now_ns)
    return np.asarray(np.maximum.accumulate(kept))


def _frames(data: NDArray[np.uint8], headers: NDArray[Any], time_ns: NDArray[np.int64], bus: str) -> Frames:
    """The columns of frames as they lie in memory, shape (n, 72)."""
    word = data[:, :4].copy().view(np.uint32)[:, 0]
    error, remote = word & _ERR != 0, word & _RTR != 0
    extended = (word & _EFF != 0) & ~error
    fd = headers["size"] == _FD_BYTES
    flags = np.where(error, Flag.ERROR, 0) | np.where(extended, Flag.EXTENDED, 0)
    flags |= np.where(remote & ~error & ~fd, Flag.REMOTE, 0) | np.where(fd, Flag.FD, 0)
    flags |= np.where(fd & (data[:, 5] & _BRS != 0), Flag.BITRATE_SWITCH, 0)
    flags |= np.where(fd & (data[:, 5] & _ESI != 0), Flag.ERROR_STATE, 0)
    flags |= np.where(headers["flags"] & _MSG_DONTROUTE != 0, Flag.TRANSMITTED, 0)
    length = np.minimum(data[:, 4], np.where(fd, 64, 8)).astype(np.uint8)
    stored = np.where(flags & Flag.REMOTE != 0, 0, length).astype(np.int64)
    inside = np.arange(64) < stored[:, None]
    return Frames(
        time_ns=time_ns,
        bus=np.zeros(len(data), np.uint8),
        identifier=np.where(extended | error, word & 0x1FFFFFFF, word & 0x7FF).astype(np.uint32),
        flags=flags.astype(np.uint8),
        length=length,
        offset=np.cumsum(stored) - stored,
        payload=data[:, 8:72][inside],
        buses=(bus,),
    )
