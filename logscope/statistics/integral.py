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
    full, covered_s = _blocks(time_s, value, 1)
    half, _ = _blocks(time_s, value, 2)
    size = max(full.size, half.size)
    apart = np.resize(np.append(full, np.zeros(size - full.size)), size) - np.append(half, np.zeros(size - half.size))
    reach = _NORMAL_95 * sqrt(float(np.sum(apart**2)))
    total = float(full.sum())
    return Integral(total, total - reach, total + reach, covered_s)


def _blocks(time_s: FloatArray, value: FloatArray, stride: int) -> tuple[FloatArray, float]:
    step_s = np.diff(time_s)
    whole: BoolArray = np.asarray(step_s <= gap_threshold_s(time_s))
    if stride == 2:
        step_s = time_s[2::2] - time_s[:-2:2]
        pairs = whole[: 2 * step_s.size].reshape(-1, 2)
        whole, time_s, value = np.asarray(pairs.all(axis=1)), time_s[::2], value[::2]
    area = np.where(whole, step_s * (value[: step_s.size] + value[1 : step_s.size + 1]) / 2, 0.0)
    block = ((time_s[: area.size] - time_s[0]) / _BLOCK_S).astype(np.int64)
    return np.bincount(block, area).astype(np.float64), float(np.sum(step_s[whole]))
