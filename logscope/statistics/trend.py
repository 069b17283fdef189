"""A straight trend through estimates that each have limits of their own."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from scipy import stats

from logscope.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope per unit of x with 95 % limits; p_value of no slope; change over the whole span of x.

    centre : the x at which the line is known best; level : its y there, with 95 % limits
    """

    slope: float
    low: float
    high: float
    p_value: float
    change: float
    centre: float
    level: float
    level_low: float
    level_high: float

    def at(self, x: FloatArray) -> FloatArray:
        """The line's y."""
        return np.asarray(self.level + self.slope * (x - self.centre))


def weighted_trend(x: FloatArray, y: FloatArray, deviation: FloatArray) -> Trend | None:
    """Weighted least squares of y on x; None with fewer than three points or no spread in x.

    x, y, deviation : shape (n,); deviation is the standard deviation of each y. Where the points scatter more than
    their deviations say, the deviations are scaled up to the scatter (Birge ratio, as the Particle Data Group does);
    never down. Limits are Student's, with n − 2 degrees of freedom.
    """
    if x.size < 3 or np.ptp(x) <= 0:
        return None
    weight = 1.0 / np.maximum(deviation, 1e-12) ** 2
    centre = float(np.sum(weight * x) / weight.sum())
    power = float(np.sum(weight * (x - centre) ** 2))
    if power <= 0:
        return None
    level = float(np.sum(weight * y) / weight.sum())
    slope = float(np.sum(weight * (x - centre) * (y - level)) / power)
    left = y - level - slope * (x - centre)
    excess = max(1.0, float(np.sum(weight * left**2)) / (x.size - 2))
    error = float(np.sqrt(excess / power))
    student = stats.t(x.size - 2)
    reach = float(student.ppf(0.975)) * error
    p_value = float(2 * student.sf(abs(slope) / error))
    level_reach = float(student.ppf(0.975) * np.sqrt(excess / weight.sum()))
    return Trend(
        slope,
        slope - reach,
        slope + reach,
        p_value,
        slope * float(np.ptp(x)),
        centre,
        level,
        level - level_reach,
        level + level_reach,
    )


@dataclass(frozen=True, slots=True)
class Step:
    """The level changes before item `at`: from `before` to `after`, each (value, low, high) with 95 % limits.

    change : the same for their difference; p_value : of no step, wherever it might have been
    misfit : sum of squared residuals over the squared deviations, both levels fitted
    """

    at: int
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    change: tuple[float, float, float]
    p_value: float
    misfit: float


def weighted_step(y: FloatArray, deviation: FloatArray) -> Step | None:
    """The step that leaves the smallest misfit; None with fewer than four items.

    Where the items scatter about their levels more than their deviations say, these are scaled up to the scatter (Birge
    ratio). Limits are Student's with n − 3 degrees of freedom, for the place is fitted, too; the chance is multiplied
    by the number of places (Bonferroni).

    y, deviation : shape (n,), in order of time; deviation is the standard deviation of each y
    """
    size = y.size
    if size < 4:
        return None
    weight = 1.0 / np.maximum(deviation, 1e-12) ** 2
    terms = (weight, weight * y, weight * y * y)
    sums = [np.concatenate(([0.0], np.cumsum(each))) for each in terms]
    w1, wy1, wyy1 = (each[1:-1] for each in sums)
    w2, wy2, wyy2 = (each[-1] - each[1:-1] for each in sums)
    misfit: FloatArray = (wyy1 - wy1**2 / w1) + (wyy2 - wy2**2 / w2)
    best = int(np.argmin(misfit))
    excess = float(max(1.0, misfit[best] / (size - 3)))
    student = stats.t(size - 3)
    reach = float(student.ppf(0.975))
    errors = [float(np.sqrt(excess / w[best])) for w in (w1, w2)]
    levels = float(wy1[best] / w1[best]), float(wy2[best] / w2[best])
    change, error = levels[1] - levels[0], hypot(*errors)
    before, after = ((v, v - reach * e, v + reach * e) for v, e in zip(levels, errors, strict=True))
    p_value = min(1.0, (size - 1) * float(2 * student.sf(abs(change) / error)))
    whole = (change, change - reach * error, change + reach * error)
    return Step(best + 1, before, after, whole, p_value, max(float(misfit[best]), 0.0))
