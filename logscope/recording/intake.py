"""What the threads that read hand to the one that writes: a queue with a bound, which never makes a reader wait."""

from __future__ import annotations

from collections import deque
from threading import Condition
from typing import NamedTuple

from logscope.recording.port import Batch

# Twelve seconds of two full buses at 1 Mbit/s, some 20 MB: a disk that hangs longer costs frames, which are counted.
MOST_FRAMES = 200_000


class Arrived(NamedTuple):
    """A batch, and the number of the source that it comes from."""

    source: int
    batch: Batch


class Intake:
    """Batches in the order of their coming. `put` never waits: what has no room is counted as lost."""

    def __init__(self, sources: int, most_frames: int = MOST_FRAMES) -> None:
        self._most = most_frames
        self._waiting: deque[Arrived] = deque()
        self._size = 0
        self._filled = Condition()
        self.lost = [0] * sources

    def put(self, source: int, batch: Batch) -> None:
        """Hand over a batch."""
        with self._filled:
            if self._size + batch.size > self._most:
                self.lost[source] += batch.size
                return
            self._waiting.append(Arrived(source, batch))
            self._size += batch.size
            self._filled.notify()

    def take(self, wait_s: float) -> list[Arrived]:
        """All that is there; waits so long for the first."""
        with self._filled:
            if not self._waiting:
                self._filled.wait(wait_s)
            taken = list(self._waiting)
            self._waiting.clear()
            self._size = 0
            return taken
