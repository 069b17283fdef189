"""Where the level of a series changes: the best division into stretches of one level each."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.robust import MAD_TO_SIGMA

FEWEST = 3  # items a level must last: one or two that stand apart are outliers, whatever they mean
_WINDOW = 5  # the longest in whose median every level of `FEWEST` items survives
OUTLYING = 3.5  # deviations (Iglewicz and Hoaglin, How to detect and handle outliers, 1993)


def scatter(y: FloatArray, deviation: FloatArray) -> float:
    """How much more neighbours scatter than their deviations say, 1 at least; steps between them do not count.

    y, deviation : shape (n,) with n >= 2, in order of time
    """
    apart = np.abs(np.diff(y)) / np.hypot(deviation[1:], deviation[:-1])
    return max(1.0, MAD_TO_SIGMA * float(np.median(apart)))


def drawn_in(y: FloatArray, deviation: FloatArray) -> FloatArray:
    """The series with what stands far from the median of its neighbours drawn in (Hampel's filter), shape (n,)."""
    around = np.pad(y, _WINDOW // 2, constant_values=np.nan)
    middle = np.nanmedian(np.lib.stride_tricks.sliding_window_view(around, _WINDOW), axis=1)
    reach = OUTLYING * deviation
    return np.clip(y, middle - reach, middle + reach)


def partition(y: FloatArray, deviation: FloatArray, penalty: float) -> tuple[int, ...]:
    """The first item of each level but the first, for the smallest misfit plus `penalty` a step.

    Exact, by dynamic programming over the last step (Jackson et al., IEEE Signal Process. Lett. 12, 2005). Misfit is
    the sum of squared residuals over the squared deviations; a level lasts `FEWEST` items at least.

    y, deviation : shape (n,), in order of time
    """
    size = y.size
    weight = 1.0 / deviation**2
    sums = [np.concatenate(([0.0], np.cumsum(each))) for each in (weight, weight * y, weight * y * y)]
    best = np.full(size + 1, np.inf)  # of the first so many items
    best[0] = 0.0
    last = np.zeros(size + 1, dtype=np.intp)  # where the last of their levels begins
    for end in range(FEWEST, size + 1):
        begin = slice(0, end - FEWEST + 1)
        w, wy, wyy = (each[end] - each[begin] for each in sums)
        total = best[begin] + (wyy - wy**2 / w) + penalty
        last[end] = int(np.argmin(total))
        best[end] = total[last[end]]
    steps: list[int] = []
    end = size
    while (end := int(last[end])) > 0:
        steps.append(end)
    return tuple(reversed(steps))
