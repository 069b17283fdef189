"""The period of an identifier, from the times between its frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray

# A message repeats with a period when half of its intervals lie within this share of their median.
PERIODIC_SHARE = 0.25
_FEWEST = 3  # intervals, for their spread to mean anything


@dataclass(frozen=True, slots=True)
class Pace:
    """How an identifier repeats [s].

    typical_s : median time from frame to frame; spread_s : half the width of the middle half of these times
    low_s, high_s : between which nine of ten of them lie
    """

    typical_s: float
    spread_s: float
    low_s: float
    high_s: float

    @property
    def periodic(self) -> bool:
        """Whether it repeats with a period, rather than on events."""
        return self.typical_s > 0 and self.spread_s <= PERIODIC_SHARE * self.typical_s


def pace_of(intervals_s: FloatArray) -> Pace | None:
    """The pace of intervals, shape (n,) [s]; None for fewer than two."""
    if intervals_s.size < _FEWEST - 1:
        return None
    low, quarter, middle, three_quarters, high = np.quantile(intervals_s, (0.05, 0.25, 0.5, 0.75, 0.95)).tolist()
    return Pace(middle, (three_quarters - quarter) / 2, low, high)


def period_of(intervals_s: FloatArray) -> float | None:
    """The period [s], the mean of the intervals near their median; None where there is none."""
    pace = pace_of(intervals_s)
    if pace is None or not pace.periodic:
        return None
    near = np.abs(intervals_s - pace.typical_s) <= PERIODIC_SHARE * pace.typical_s
    return float(intervals_s[near].mean())
