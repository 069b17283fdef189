"""Scale, noise and quantum of a signal, measured so that a few wild samples do not matter."""

from __future__ import annotations

from math import nan, sqrt

import numpy as np

from logscope.arrays import BoolArray, FloatArray

NORMAL_95 = 1.96  # standard deviations to either side that hold 95 % of a normal distribution
MAD_TO_SIGMA = 1.482602218505602  # 1/(√2·erfinv(½)): MAD to standard deviation, normal distribution
_SECOND_DIFFERENCE_GAIN = sqrt(6.0)  # 1² + 2² + 1²: white noise through x[i−1] − 2·x[i] + x[i+1]
_LEVELS_NEEDED = 5  # fewer occupied levels may be a rest position and a few repeated disturbances
_SAMPLES_PER_LEVEL = 5  # a level that single samples hit by chance says nothing of the quantum
_JUDGED_AT_MOST = 500_000  # second differences: their scale is then known to 0.2 %
_SORTED_AT_MOST = 500_000  # samples sorted to find the levels; more costs time and adds nothing


def mad_scale(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation, in the unit of `values`; NaN if empty.

    Half of the values may be wrong without moving it far: Hampel, J. Am. Stat. Assoc. 69 (1974).

    values : any numbers, shape (n,)
    """
    if values.size == 0:
        return nan
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def noise_floor(values: FloatArray, where: BoolArray | None = None, quantum: float = 0.0) -> float:
    """Standard deviation of the white noise on a smooth signal, in the unit of `values`.

    Second differences take out level and slope; their scale by MAD, over √6. NaN with fewer than three
    samples. The rounding to a quantum counts as noise. A median of multiples of a quantum would itself
    be one; so each value is first moved by a random part of its quantum, whose variance is taken off.

    values : evenly sampled signal, shape (n,)
    where : which samples to judge by, shape (n,); all if not given
    quantum : resolution of the values, in their unit; 0 for a continuous signal
    """
    if values.size < 3:
        return nan
    middle = np.arange(1, values.size - 1, -(-values.size // _JUDGED_AT_MOST))
    middle = middle if where is None else middle[where[middle]]
    around = np.array([values[middle - 1], values[middle], values[middle + 1]])
    if quantum:
        around += np.random.default_rng(0).uniform(-quantum / 2.0, quantum / 2.0, around.shape)
    scatter = mad_scale(around[0] - 2.0 * around[1] + around[2]) / _SECOND_DIFFERENCE_GAIN
    return sqrt(max(scatter**2 - quantum**2 / 12.0, 0.0))


def level_spacing(values: FloatArray) -> float | None:
    """Distance between the levels a quantised signal rests on, in its unit; None if it shows none.

    Only levels that several samples share count, so that disturbances between the levels do not
    hide them; the lower tenth of the distances, since a level may happen to be skipped.

    values : the samples, shape (n,)
    """
    stride = -(-values.size // _SORTED_AT_MOST) or 1
    levels, counts = np.unique(values[::stride], return_counts=True)
    levels = levels[counts >= _SAMPLES_PER_LEVEL]
    if levels.size < _LEVELS_NEEDED:
        return None
    return float(np.quantile(np.diff(levels), 0.1))
