"""Quantiles and tails of the usual distributions.

By the functions of scipy.special that scipy.stats itself rests on: to import scipy.stats takes as long as to read a
million frames.
"""

from __future__ import annotations

from math import sqrt

from scipy import special


def normal_quantile(share: float) -> float:
    """Below which this share of a standard normal distribution lies.

    >>> round(normal_quantile(0.975), 3)
    1.96
    """
    return float(special.ndtri(share))


def normal_tail(above: float) -> float:
    """Share of a standard normal distribution above this."""
    return float(special.ndtr(-above))


def student_quantile(share: float, freedom: float) -> float:
    """Below which this share of Student's distribution lies; NaN without a degree of freedom.

    >>> round(student_quantile(0.975, 10), 3)
    2.228
    """
    return float(special.stdtrit(freedom, share)) if freedom > 0 else float("nan")


def student_tail(above: float, freedom: float) -> float:
    """Share of Student's distribution above this."""
    return float(special.stdtr(freedom, -above))


def correlation_chance(correlation: float, count: int) -> float:
    """Chance of a correlation that far from zero or farther, either way, where pairs of normal values have none.

    By Student's distribution of r·√((n − 2)/(1 − r²)) with n − 2 degrees of freedom.

    >>> round(correlation_chance(0.632, 10), 3)
    0.05
    """
    left = 1.0 - correlation**2
    return 2.0 * student_tail(abs(correlation) * sqrt((count - 2) / left), count - 2) if left > 0 else 0.0


def chi_squared_quantile(share: float, freedom: float) -> float:
    """Below which this share of a chi-squared distribution lies.

    >>> round(chi_squared_quantile(0.95, 3), 3)
    7.815
    """
    return 2.0 * float(special.gammaincinv(freedom / 2.0, share))


def chi_squared_tail(above: float, freedom: float) -> float:
    """Share of a chi-squared distribution above this."""
    return float(special.gammaincc(freedom / 2.0, max(above, 0.0) / 2.0))


def beta_quantile(share: float, first: float, second: float) -> float:
    """Below which this share of a beta distribution lies."""
    return float(special.betaincinv(first, second, share))


def f_quantile(share: float, first: float, second: float) -> float:
    """Below which this share of an F distribution lies, of so many degrees of freedom above and below the line."""
    return float(special.fdtri(first, second, share))


def f_tail(above: float, first: float, second: float) -> float:
    """Share of an F distribution above this."""
    return float(special.fdtrc(first, second, above))


def binomial_at_least(count: int, total: int, chance: float) -> float:
    """Chance of so many or more of a total.

    >>> round(binomial_at_least(8, 10, 0.5), 4)
    0.0547
    """
    if count <= 0:
        return 1.0
    return float(special.betainc(count, total - count + 1, chance)) if count <= total else 0.0


def negative_binomial_at_least(count: int, size: float, chance: float) -> float:
    """Chance of so many or more, of a negative binomial of mean size·(1 − chance)/chance."""
    return float(special.betainc(count, size, 1.0 - chance)) if count > 0 else 1.0
