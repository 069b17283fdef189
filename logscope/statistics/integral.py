"""The integral of a sampled quantity over time, and how well the samples bear it out."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from scipy.optimize import nnls

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.distributions import student_quantile
from logscope.statistics.sampling import gap_threshold_s

_LAGS = (1, 2, 3)  # samples to each side, from which noise, jumps and bends grow unlike
# Mean square by which the middle of three samples leaves the line through the outer two, `lag` samples to each side:
# of noise σ² it is 1.5·σ², of jumps it grows with the lag, of bends with its cube (by integration over all places).
_GROWTH = np.array([[1.0, lag, lag**3] for lag in _LAGS])
# What one step of the trapezium rule is off by, as a variance, for a unit of each at lag 1 [step²]: noise leaves σ²,
# a jump of J anywhere in a step J²/12, a bend of slope s in a step of h s²·h²/120 (by integration, too).
_STEP_VARIANCE = np.array([1 / 1.5, 1 / 6, 1 / 20])
_ROWS_A_FREEDOM = 2.0  # second differences of noise resemble their neighbours: 1.94 of them count as one


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

    def widened(self, reach: float) -> Integral:
        """With an independent error more, half the width of whose 95 % limits is `reach`."""
        half = hypot(self.high - self.value, reach)
        return Integral(self.value, self.value - half, self.value + half, self.covered_s)


def integrate(time_s: FloatArray, value: FloatArray) -> Integral:
    """Trapezium rule, gaps left out. The limits come from how the samples leave the lines between their neighbours.

    Noise leaves them by as much however far the neighbours are, jumps and bends the more the further they are; each
    has its own share in the error of the rule (after G. Matheron's estimation variance, Economic Geology 58, 1963, from
    memory). Between two samples a change counts as a jump unless wider lags show it to be smoother. An error that all
    samples share, such as a current sensor's offset, is not in the limits.

    time_s, value : shape (n,); fewer than two cover nothing
    """
    if time_s.size < 2:
        return Integral(0.0, 0.0, 0.0, 0.0)
    step_s = np.diff(time_s)
    whole: BoolArray = np.asarray(step_s <= gap_threshold_s(time_s))
    total = float(np.sum(np.where(whole, step_s * (value[:-1] + value[1:]) / 2, 0.0)))
    reach = _reach_of_a_step(time_s, value, whole) * sqrt(float(np.sum(step_s[whole] ** 2)))
    return Integral(total, total - reach, total + reach, float(np.sum(step_s[whole])))


def _reach_of_a_step(time_s: FloatArray, value: FloatArray, whole: BoolArray) -> float:
    """Half the width of the limits that one step of unit length would have, in the unit of the value."""
    squares = [_off_the_line(time_s, value, whole, lag) for lag in _LAGS]
    known = [each for each in squares if each.size]
    if not known:  # within the step it may have stood at either end
        return float(np.max(np.abs(np.diff(value))[whole], initial=0.0)) / 2
    reach = student_quantile(0.975, max(known[0].size / _ROWS_A_FREEDOM, 1.0))
    mean = np.array([float(each.mean()) for each in known])
    if len(known) < len(_LAGS) or not mean.min() > 0:
        return reach * sqrt(float(_STEP_VARIANCE[0] * mean[0]))
    shares, _ = nnls(_GROWTH / mean[:, np.newaxis], np.ones(mean.size))
    return reach * sqrt(float(_STEP_VARIANCE @ shares))


def _off_the_line(time_s: FloatArray, value: FloatArray, whole: BoolArray, lag: int) -> FloatArray:
    """Squares by which samples leave the line between those `lag` before and behind, shape (k,), none across a gap."""
    if value.size < 2 * lag + 1:
        return np.empty(0)
    gaps = np.concatenate(([0], np.cumsum(~whole)))
    middle = np.arange(lag, value.size - lag)
    before, behind = middle - lag, middle + lag
    kept = (gaps[before] == gaps[behind]) & (time_s[behind] > time_s[before])
    middle, before, behind = middle[kept], before[kept], behind[kept]
    share = (time_s[middle] - time_s[before]) / (time_s[behind] - time_s[before])
    return np.asarray((value[middle] - value[before] * (1 - share) - value[behind] * share) ** 2)
