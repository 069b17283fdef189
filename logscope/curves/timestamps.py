"""What the stamps of a link voltage are worth: a reading may be older than its stamp says, or the stamp coarse.

A sensor slower than its message has its readings repeated. Those are one reading, taken somewhere between the message
before and the first that carries it. Stamps on a grid as coarse as the message's period do not say when within a step
of the grid a message came, nor how old its value was; they say no more than that the error is at most so large.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.robust import noise_floor

_COARSE_SHARE = 0.3  # of a period: a finer grid shows how regular the messages are
_FINEST_S = 1e-4  # grids finer than this are no matter beside any message's period
_ON_GRID = 0.02  # of the finest grid: rounding of the numbers in a log


class Known(Enum):
    """How well the error of the stamps is known."""

    BY_SCATTER = "from how the stamps scatter about their period"
    SURELY = "readings repeat: the age of each is uniform over the message's period"
    AT_MOST = "the stamps lie on a coarse grid"


@dataclass(frozen=True, slots=True)
class Stamps:
    """The standard deviation of a stamp about when its reading was taken [s], and how well it is known."""

    error_s: float
    known: Known = Known.BY_SCATTER

    @property
    def range_s(self) -> float:
        """By how much a reading may be older or younger than another with the same stamp [s]: of a uniform error."""
        return float(np.sqrt(12) * self.error_s)

    @property
    def drift_s(self) -> float:
        """By how much the error may drift one way over a curve [s]: from one end of its range to the middle.

        Ages and grids come of two clocks that run past one another: their errors change slowly and do not average out.
        """
        return 0.0 if self.known is Known.BY_SCATTER else self.range_s / 2


def stamps_of(time_s: FloatArray, message_s: float, repeats: bool) -> Stamps:
    """The error of the stamps of a message.

    time_s : all stamps, shape (n,); message_s : its period; repeats : whether its readings are seen to repeat
    """
    grid_s = grid_of(time_s)
    coarse = grid_s >= _COARSE_SHARE * message_s
    if repeats:
        return Stamps(float(np.hypot(message_s, grid_s if coarse else 0.0) / np.sqrt(12)), Known.SURELY)
    if coarse:
        return Stamps(float(np.hypot(message_s, grid_s) / np.sqrt(12)), Known.AT_MOST)
    scatter = noise_floor(time_s) if time_s.size > 2 else 0.0
    return Stamps(max(scatter, grid_s / float(np.sqrt(12))), Known.BY_SCATTER)


def grid_of(time_s: FloatArray) -> float:
    """The coarsest grid that all times lie on [s], counted from the first; 0 where it is finer than a tenth of a ms.

    >>> round(grid_of(np.array([0.0, 0.05, 0.1, 0.3])), 6)
    0.05
    """
    ticks = (time_s - time_s[0]) / _FINEST_S if time_s.size else time_s
    whole = np.round(ticks)
    if ticks.size < 2 or np.any(np.abs(ticks - whole) > _ON_GRID):
        return 0.0
    grid = int(np.gcd.reduce(whole.astype(np.int64)))
    return grid * _FINEST_S if grid > 1 else 0.0
