"""The clock of a recording: it begins at the time of day, then only counts, however the computer's clock is set."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

_BOOTTIME = getattr(time, "CLOCK_BOOTTIME", None)
# Where there is one, a counter that goes on while the computer sleeps: the silence then has its true length.
steady_ns: Callable[[], int] = time.monotonic_ns if _BOOTTIME is None else partial(time.clock_gettime_ns, _BOOTTIME)


class RecordingClock:
    """Nanoseconds since 1970 (UTC) as they were at the start, counted on by a clock that is never set.

    steady, wall : where the time comes from [ns]; exchanged in tests
    """

    def __init__(self, steady: Callable[[], int] = steady_ns, wall: Callable[[], int] = time.time_ns) -> None:
        self._steady, self._wall = steady, wall
        self.start_ns = wall()
        self._offset_ns = self.start_ns - steady()

    def now_ns(self) -> int:
        """Now, on this clock."""
        return self._steady() + self._offset_ns

    def wall_moved_ns(self) -> int:
        """By how much the computer's clock was set since the start; positive where it was set forward."""
        return self._wall() - self.now_ns()
