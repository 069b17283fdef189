"""Rates of rare events, and the ratio of two rates, with exact limits."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.distributions import beta_quantile, binomial_at_least, chi_squared_quantile

_TAIL = 0.025  # each side of 95 % limits


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with 95 % limits; `p_value` against no difference, where two things are compared."""

    value: float
    low: float
    high: float
    p_value: float = nan


def poisson_rate(count: float, exposure: float) -> Estimate:
    """Events per unit of exposure with exact limits: Garwood, Biometrika 28 (1936).

    count : events seen [1]; a fraction where events count less for coming in bursts
    exposure : time, or whatever they are counted over, above zero; the rate is per its unit
    """
    if count < 0 or not exposure > 0:
        raise ValueError("a rate needs a count of zero or more and an exposure above zero")
    low = chi_squared_quantile(_TAIL, 2 * count) / 2.0 if count else 0.0
    high = chi_squared_quantile(1.0 - _TAIL, 2 * count + 2) / 2.0
    return Estimate(count / exposure, low / exposure, high / exposure)


def clustered_rate(counts: FloatArray, exposures: FloatArray) -> Estimate:
    """Events per unit of exposure where they may come in bursts, from units longer than a burst.

    The count is divided by the units' dispersion, Pearson's chi-squared over its degrees of freedom and at least 1:
    McCullagh and Nelder, Generalized Linear Models, 2nd ed. (1989), section 4.5.

    counts, exposures : events and exposure of each unit, shape (units,), at least one exposure above zero
    """
    seen = exposures > 0
    total, whole = float(counts[seen].sum()), float(exposures[seen].sum())
    dispersion = 1.0
    if total > 0 and np.count_nonzero(seen) > 1:
        mean = exposures[seen] * total / whole
        dispersion = max(1.0, float(np.sum((counts[seen] - mean) ** 2 / mean)) / (np.count_nonzero(seen) - 1))
    return poisson_rate(total / dispersion, whole / dispersion)


def rate_ratio(count: int, exposure: float, other_count: int, other_exposure: float) -> Estimate:
    """The first rate over the second, with exact limits [1].

    Given their sum, one of two Poisson counts is binomial; Clopper–Pearson limits of its share give
    those of the ratio. The p-value is twice the smaller tail, so it agrees with the limits. With no
    event in the second the ratio is infinite and has a lower limit only; with none at all it is NaN.

    count, other_count : events seen [1]
    exposure, other_exposure : time or other exposure, above zero, both in one unit
    """
    if min(count, other_count) < 0 or not (exposure > 0 and other_exposure > 0):
        raise ValueError("a rate needs a count of zero or more and an exposure above zero")
    total = count + other_count
    if total == 0:
        return Estimate(nan, 0.0, inf, 1.0)
    low = beta_quantile(_TAIL, count, other_count + 1) if count else 0.0
    high = beta_quantile(1.0 - _TAIL, count + 1, other_count) if other_count else 1.0
    even = exposure / (exposure + other_exposure)
    tails = binomial_at_least(total - count, total, 1.0 - even), binomial_at_least(count, total, even)
    value = (count / exposure) / (other_count / other_exposure) if other_count else inf
    scale = other_exposure / exposure
    return Estimate(
        value,
        scale * low / (1.0 - low),
        scale * high / (1.0 - high) if high < 1.0 else inf,
        min(1.0, 2.0 * float(min(tails))),
    )
