"""A straight trend through estimates that each have limits of their own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.distributions import student_quantile, student_tail


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
    freedom = x.size - 2
    reach = student_quantile(0.975, freedom) * error
    p_value = 2 * student_tail(abs(slope) / error, freedom)
    level_reach = student_quantile(0.975, freedom) * float(np.sqrt(excess / weight.sum()))
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
