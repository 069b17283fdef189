"""The integral of a sampled quantity over time, and how well the samples bear it out."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.sampling import gap_threshold_s

_BLOCK_S = 10.0  # errors of the trapezium rule are independent from block to block
_NORMAL_95 = 1.96


@dataclass(frozen=True, slots=True)
class Integral:
    """Value with 95 % limits, in the quantity's unit times s; time covered by samples [s]."""

    value: float
    low: float
    high: float
    covered_s: float

    def scaled(self, factor: float) -> Integral:
        """In another unit; the factor is above zero."""
        return Integral(factor * self.value, factor * self.low, factor * self.high, self.covered_s)


def integrate(time_s: FloatArray, value: FloatArray) -> Integral:
    """Trapezium rule, gaps left out. The limits come from doing it again with every other sample.

    Their difference, block by block, is what leaving out half of the samples costs; the whole set is off by less. An
    error that all samples share, such as a current sensor's offset, is not in the limits.

    time_s, value : shape (n,); fewer than two cover nothing
    """
    if time_s.size < 2:
        return Integral(0.0, 0.0, 0.0, 0.0)
    step_s = np.diff(time_s)
    whole: BoolArray = np.asarray(step_s <= gap_threshold_s(time_s))
    area = np.where(whole, step_s * (value[:-1] + value[1:]) / 2, 0.0)
    total = float(area.sum())
    reach = _NORMAL_95 * sqrt(float(np.sum(_without_every_other(time_s, value, whole, area) ** 2)))
    return Integral(total, total - reach, total + reach, float(np.sum(step_s[whole])))


def _without_every_other(time_s: FloatArray, value: FloatArray, whole: BoolArray, area: FloatArray) -> FloatArray:
    """What each block changes by where every other sample is left out, shape (blocks,).

    Each pair of steps is compared with the one that takes its place, so that a steady level changes nothing however the
    pairs lie in the blocks.
    """
    pairs = area.size // 2
    if not pairs:
        return np.zeros(1)
    begin, end = np.arange(pairs) * 2, np.arange(pairs) * 2 + 2
    both = whole[begin] & whole[begin + 1]
    longer = (time_s[end] - time_s[begin]) * (value[begin] + value[end]) / 2
    apart = np.where(both, area[begin] + area[begin + 1] - longer, 0.0)
    block = ((time_s[begin] - time_s[0]) / _BLOCK_S).astype(np.int64)
    return np.asarray(np.bincount(block, apart), dtype=np.float64)
