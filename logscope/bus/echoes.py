"""Requests for transmission that a logger lists besides the frames they became: a request and its echo are one frame.

A logger that sends lists what it asks its controller to send, and many list the frame once more when it was on the
bus. Frames of one identifier are sent in the order in which they were asked for, so an echo has the payload of the
oldest request that is still open. A received frame with another payload comes from another sender: then no echoes are
listed. A request without an echo is the only trace of its frame, and counts as one.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from logscope.arrays import BoolArray
from logscope.capture.frames import Flag, Frames

_WITHIN_NS = 100_000_000  # a request waits no longer for the bus, or its controller gives up (practice)
_OPEN = 8  # requests of one identifier at a time: more than the mailboxes of most controllers
_BYTES = 64
_SENT, _EXTENDED, _NO_DATA = int(Flag.TRANSMITTED), int(Flag.EXTENDED), int(Flag.ERROR | Flag.REMOTE)


class Echoes:
    """Follows the blocks of one log; only identifiers that the logger sends itself take any time or memory."""

    def __init__(self) -> None:
        self._places: dict[tuple[str, int, bool], int] = {}
        self._count = np.zeros(0, np.int64)
        self._time_ns = np.zeros((0, _OPEN), np.int64)
        self._size = np.zeros((0, _OPEN), np.uint8)
        self._data = np.zeros((0, _OPEN, _BYTES), np.uint8)

    def of(self, frames: Frames) -> BoolArray:
        """Which frames of the next block are echoes of requests that are listed already, shape (n,)."""
        echo = np.zeros(len(frames), np.bool_)
        sent = (frames.flags & np.uint8(_SENT)) != 0
        if not self._places and not sent.any():
            return echo
        code = (
            frames.bus.astype(np.int64) << 33
            | (frames.flags & np.uint8(_EXTENDED)).astype(np.int64) << 32
            | frames.identifier
        )
        for value in np.unique(code[sent]).tolist():
            key = frames.buses[value >> 33], value & 0xFFFFFFFF, bool(value >> 32 & 1)
            self._places.setdefault(key, len(self._places))
        self._grow()
        here = {name: number for number, name in enumerate(frames.buses)}
        own = [
            (here[bus] << 33 | extended << 32 | identifier, place)
            for (bus, identifier, extended), place in self._places.items()
            if bus in here
        ]
        if not own:
            return echo
        codes, places = np.array(sorted(own), np.int64).T
        at = np.minimum(np.searchsorted(codes, code), codes.size - 1)
        place = np.where((codes[at] == code) & ((frames.flags & np.uint8(_NO_DATA)) == 0), places[at], -1)
        rows = np.flatnonzero(place >= 0)
        _follow(
            rows, place, sent, frames.time_ns, frames.length, frames.offset, frames.payload, self._count,
            self._time_ns, self._size, self._data, echo,
        )  # fmt: skip
        return echo

    def _grow(self) -> None:
        """Make room for the open requests of every identifier."""
        more = len(self._places) - self._count.size
        if more:
            self._count = np.pad(self._count, (0, more))
            self._time_ns = np.pad(self._time_ns, ((0, more), (0, 0)))
            self._size = np.pad(self._size, ((0, more), (0, 0)))
            self._data = np.pad(self._data, ((0, more), (0, 0), (0, 0)))


@njit(cache=True, nogil=True)
def _follow(rows, place, sent, time_ns, length, offset, payload, count, asked_ns, asked_size, asked, echo):  # type: ignore[no-untyped-def]
    """Go through the frames of these rows: requests are noted, the frames that answer the oldest of them marked."""
    for i in rows:
        of, now, size, start = place[i], time_ns[i], length[i], offset[i]
        if sent[i]:
            if count[of] == _OPEN:
                _drop(of, count, asked_ns, asked_size, asked)
            at = count[of]
            asked_ns[of, at], asked_size[of, at] = now, size
            for j in range(size):
                asked[of, at, j] = payload[start + j]
            count[of] += 1
            continue
        while count[of] and now - asked_ns[of, 0] > _WITHIN_NS:
            _drop(of, count, asked_ns, asked_size, asked)
        if count[of] == 0:
            continue
        same = asked_size[of, 0] == size
        for j in range(size):
            same = same and asked[of, 0, j] == payload[start + j]
        if same:
            echo[i] = True
            _drop(of, count, asked_ns, asked_size, asked)
        else:
            count[of] = 0


@njit(cache=True, nogil=True)
def _drop(of, count, asked_ns, asked_size, asked):  # type: ignore[no-untyped-def]
    """Take away the oldest request."""
    for k in range(1, count[of]):
        asked_ns[of, k - 1], asked_size[of, k - 1] = asked_ns[of, k], asked_size[of, k]
        for j in range(asked_size[of, k]):
            asked[of, k - 1, j] = asked[of, k, j]
    count[of] -= 1
