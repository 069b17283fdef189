"""What a comparison of two rates could have shown, and how much more it would take, by normal limits of log rates."""

from __future__ import annotations

from math import exp, inf, log, log1p, sqrt

from scipy.optimize import brentq

from logscope.statistics.distributions import normal_quantile

POWER = 0.9  # a change of the size named is then shown in nine of ten comparisons
_SMALLEST = 1e-3


def _reach(level: float) -> float:
    """How far a change must lie from none, in standard deviations."""
    return normal_quantile(1.0 - level / 2.0) + normal_quantile(POWER)


def minimum_detectable_ratio(
    first: float, expected: float, dispersion: float, level: float = 0.05, margin: float = 0.0
) -> float | None:
    """The ratio of rates nearest to 1, below it, that would be shown; None where not even a fall to nothing.

    first : events of the first side; expected : of the second side without a change; dispersion : variance over
    Poisson's; level : chance of a wrong claim, two-sided; margin : change that would not matter, as a fraction
    """
    if first <= 0 or expected <= 0:
        return None

    reach = _reach(level)

    def spare(log_ratio: float) -> float:
        return -log_ratio - log1p(margin) - reach * sqrt(dispersion * (1.0 / first + 1.0 / (expected * exp(log_ratio))))

    # Towards zero the events of the second side vanish and the approximation ends; its best point is at the maximum.
    steps = [log(_SMALLEST) * k / 200.0 for k in range(1, 201)]
    shown = next((step for step in steps if spare(step) >= 0), None)
    if shown is None:
        return None
    return exp(brentq(spare, shown - log(_SMALLEST) / 200.0, shown))


def more_exposure_for(
    ratio: float, first: float, expected: float, dispersion: float, level: float = 0.05, margin: float = 0.0
) -> float:
    """Times the second side's exposure that is missing until a ratio of rates would be shown.

    0 where there is enough already, ∞ where the first side holds too few events for any length of the second.
    Arguments as for `minimum_detectable_ratio`.
    """
    if first <= 0 or expected <= 0:
        return inf
    allowed = ((abs(log(ratio)) - log1p(margin)) / _reach(level)) ** 2 / dispersion - 1.0 / first
    if allowed <= 0:
        return inf
    return max(0.0, 1.0 / (allowed * expected * ratio) - 1.0)
