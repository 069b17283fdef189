"""Error frames gathered while a log is read: counted exactly, and kept as runs of those that say the same.

A bus in trouble sends thousands of error frames a second that all look alike; a run of them takes one row, and what
changes between runs (class, details, the state by the error counters) is what matters. The runs are bounded all the
same; the counts are not.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from logscope.bus.error_frames import BURST_NS, counted_rows, level_of
from logscope.bus.facts import ErrorFrames
from logscope.capture.frames import Flag, Frames

_MOST_RUNS = 20_000  # more than anyone looks at: half an hour of ten changes a second
_BYTES = 8
_Run = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8]]


class ErrorRuns:
    """The error frames of one bus."""

    def __init__(self) -> None:
        self._alike: Counter[tuple[int, int, int]] = Counter()
        self._runs: list[_Run] = []
        self._kept = 0
        self._until_ns: int | None = None
        self._highest: tuple[int, int] | None = None

    def add(self, time_ns: NDArray[np.int64], kinds: NDArray[np.int64], data: NDArray[np.uint8]) -> None:
        """Take up the next error frames; shapes (n,), (n,) and (n, 8)."""
        counted = counted_rows(kinds, data)
        if counted.any():
            transmit, receive = data[counted, 6:8].max(axis=0).tolist()
            before = self._highest or (0, 0)
            self._highest = max(transmit, before[0]), max(receive, before[1])
        says = kinds << 20 | data[:, 1].astype(np.int64) << 12 | data[:, 2].astype(np.int64) << 4
        for value, count in zip(*np.unique(says, return_counts=True), strict=True):
            self._alike[int(value) >> 20, int(value) >> 12 & 0xFF, int(value) >> 4 & 0xFF] += int(count)
        if self._until_ns is not None:
            return
        says |= level_of(kinds, data)
        apart = np.abs(np.diff(time_ns)) > BURST_NS
        begins = np.flatnonzero(np.concatenate(([True], (says[1:] != says[:-1]) | apart)))
        room = max(_MOST_RUNS - self._kept, 0)
        ends = np.append(begins[1:], time_ns.size)
        highest = data.copy()
        highest[begins, 6:8] = np.maximum.reduceat(data[:, 6:8], begins, axis=0)
        runs = (
            np.minimum.reduceat(time_ns, begins),
            np.maximum.reduceat(time_ns, begins),
            ends - begins,
            kinds[begins],
            highest[begins],
        )
        self._runs.append(tuple(column[:room] for column in runs))  # type: ignore[arg-type]
        self._kept += min(begins.size, room)
        if begins.size > room:
            self._until_ns = max(int(run[1].max()) for run in self._runs if run[1].size)

    def frames(self) -> ErrorFrames:
        """What was gathered."""
        columns = [np.concatenate(each) for each in zip(*self._runs, strict=True)] if self._runs else []
        transmit, receive = self._highest or (None, None)
        return ErrorFrames(
            sum(self._alike.values()), dict(sorted(self._alike.items())), transmit, receive, self._until_ns, *columns
        )


def error_rows(frames: Frames) -> dict[str, tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8]]]:
    """The error frames of a block by bus: stamps, class bits and payloads, filled up with zeros to 8 bytes."""
    rows = np.flatnonzero(frames.flags & np.uint8(Flag.ERROR))
    return {
        frames.buses[number]: _columns(frames, rows[frames.bus[rows] == number])
        for number in np.unique(frames.bus[rows]).tolist()
    }


def _columns(frames: Frames, rows: NDArray[np.intp]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.uint8]]:
    data = np.zeros((rows.size, _BYTES), np.uint8)
    for k in range(_BYTES):
        there = frames.length[rows] > k
        data[there, k] = frames.payload[frames.offset[rows[there]] + k]
    return frames.time_ns[rows].copy(), frames.identifier[rows].astype(np.int64), data
