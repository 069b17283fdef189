"""The ratio of two rates, compared like with like: within cells of alike exposure, bursts allowed for.

Within each cell the events of both sides share one rate but for a common ratio θ. Given the events of a cell, those
of the second side are binomial; the cells together give θ by conditional likelihood (Breslow and Day, Statistical
Methods in Cancer Research II, IARC 1987, chapter 3), whose estimate is that of a Poisson regression with a level
for each cell. The sum over the cells has an exact distribution, which gives exact limits and an exact test, twice the
smaller tail; with one cell they are those of `rate_ratio`.

Events that come in bursts carry less than their number. How much less is measured from unit to unit (runs, or
stretches of time longer than a burst), as a dispersion; the counts are divided by it before binomial limits are
taken. That is the quasi-likelihood rule (McCullagh and Nelder, Generalized Linear Models, 2nd ed. 1989, section
4.5), with cluster sums as in the sandwich variance of Liang and Zeger, Biometrika 73 (1986). The wider limits hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, inf, log1p, nan

import numpy as np
from scipy import stats
from scipy.optimize import brentq
from scipy.special import betainc

from logscope.findings import FloatArray
from logscope.statistics.binomial_sum import sum_of_binomials
from logscope.statistics.rates import Estimate, poisson_rate

_TAIL = 0.025  # each side of 95 % limits
_FARTHEST = 40.0  # logarithms of ratios beyond it are zero or infinite


@dataclass(frozen=True, slots=True, eq=False)
class Exposed:
    """Events and exposure of one side, shape (units, cells) each."""

    events: FloatArray
    exposure: FloatArray


@dataclass(frozen=True, slots=True)
class RatioOfRates:
    """The second rate over the first, with what it rests on.

    ratio : with 95 % limits and the p-value of a change no larger than the margin
    first, second : both rates at the shared mix of exposures, with 95 % limits
    events : of each side, in shared cells; exposure : likewise
    expected : events that the second side would show without a change
    dispersion : what the counts are divided by for the limits, 1 for plain Poisson
    """

    ratio: Estimate
    first: Estimate
    second: Estimate
    events: tuple[float, float]
    exposure: tuple[float, float]
    expected: float
    dispersion: float


def stratified_rate_ratio(first: Exposed, second: Exposed, margin: float = 0.0) -> RatioOfRates | None:
    """Compare two rates within the cells in which both sides have exposure; None where there is no such cell.

    margin : change that would not matter, as a fraction; the p-value is against ratios up to 1 + margin either way
    """
    shared = (first.exposure.sum(axis=0) > 0) & (second.exposure.sum(axis=0) > 0)
    if not shared.any():
        return None
    sides = [Exposed(side.events[:, shared], side.exposure[:, shared]) for side in (first, second)]
    n = [side.events.sum(axis=0) for side in sides]
    t = [side.exposure.sum(axis=0) for side in sides]
    total = n[0] + n[1]
    told = total > 0  # a cell without an event says nothing about the ratio
    seconds = [each[told] for each in t]
    ratio = _ratio_of_share(float(n[1].sum()), total[told], seconds)
    kept = [Exposed(side.events[:, told], side.exposure[:, told]) for side in sides]
    # Without a change as well: a side with few bursts by chance would else make its own scatter look small.
    dispersion = max(_dispersion(kept, total[told], seconds, each) for each in (1.0, ratio))
    estimate = _limits(float(n[1].sum()), total[told], seconds, ratio, dispersion, margin)
    rates = _levels(n, t, ratio, dispersion)
    return RatioOfRates(
        estimate,
        *rates,
        events=(float(n[0].sum()), float(n[1].sum())),
        exposure=(float(t[0].sum()), float(t[1].sum())),
        expected=float(np.sum(total * _share(1.0, t))),
        dispersion=dispersion,
    )


def _share(ratio: float, t: list[FloatArray]) -> FloatArray:
    """Chance that an event of each cell is the second side's."""
    if ratio == inf:
        return np.ones_like(t[0])
    return np.asarray(ratio * t[1] / (ratio * t[1] + t[0]))


def _ratio_of_share(count: float, total: FloatArray, t: list[FloatArray]) -> float:
    """The ratio at which `count` of the events are expected on the second side."""
    everything = float(total.sum())
    if everything == 0:
        return nan
    if count <= 0:
        return 0.0
    if count >= everything:
        return inf

    return _crossing(lambda log_ratio: float(np.sum(total * _share(exp(log_ratio), t))) - count)


def _limits(
    count: float, total: FloatArray, t: list[FloatArray], ratio: float, dispersion: float, margin: float
) -> Estimate:
    if total.sum() == 0:
        return Estimate(nan, 0.0, inf, 1.0)
    exact = _exact(count, total, t, ratio, margin)
    if dispersion <= 1.0:
        return exact
    quasi = _quasi(count, total, t, dispersion, margin)
    return Estimate(ratio, min(exact.low, quasi.low), max(exact.high, quasi.high), max(exact.p_value, quasi.p_value))


def _exact(count: float, total: FloatArray, t: list[FloatArray], ratio: float, margin: float) -> Estimate:
    """Limits and test from the distribution of the second side's sum."""
    n, k = np.rint(total).astype(np.intp), round(count)

    def tails(log_ratio: float) -> tuple[float, float]:
        chances = sum_of_binomials(n, _share(exp(log_ratio), t))
        return float(chances[: k + 1].sum()), float(chances[k:].sum())

    at_most, at_least = tails(-log1p(margin))[0], tails(log1p(margin))[1]
    low = 0.0 if k == 0 else _crossing(lambda x: tails(x)[1] - _TAIL)
    high = inf if k == n.sum() else _crossing(lambda x: _TAIL - tails(x)[0])
    return Estimate(ratio, low, high, min(1.0, 2.0 * min(at_most, at_least)))


def _crossing(rising: Callable[[float], float]) -> float:
    """The ratio at which a function that rises with its logarithm crosses zero; 0 or ∞ where it does not."""
    if rising(-_FARTHEST) >= 0:
        return 0.0
    if rising(_FARTHEST) <= 0:
        return inf
    return exp(brentq(rising, -_FARTHEST, _FARTHEST, xtol=1e-6))


def _quasi(count: float, total: FloatArray, t: list[FloatArray], dispersion: float, margin: float) -> Estimate:
    """Clopper–Pearson limits of the second side's share, for counts divided by the dispersion.

    Cells that hold one side's driving almost alone make the sum scatter less than one binomial of as many events, which
    `narrower` allows for.
    """
    everything, share = float(total.sum()), _share(1.0, t)
    even = float(np.sum(total * share)) / everything
    narrower = float(np.sum(total * share * (1.0 - share))) / (everything * even * (1.0 - even))
    k, n = (each / (dispersion * narrower) for each in (count, everything))
    low = float(stats.beta.ppf(_TAIL, k, n - k + 1.0)) if count > 0 else 0.0
    high = float(stats.beta.ppf(1.0 - _TAIL, k + 1.0, n - k)) if count < everything else 1.0
    fewer, more = (float(np.sum(total * _share(edge, t))) / everything for edge in (1.0 / (1.0 + margin), 1.0 + margin))
    at_most = float(betainc(n - k, k + 1.0, 1.0 - fewer)) if count < everything else 1.0
    at_least = float(betainc(k, n - k + 1.0, more)) if count > 0 else 1.0
    return Estimate(
        nan,
        _ratio_of_share(low * everything, total, t),
        _ratio_of_share(high * everything, total, t),
        min(1.0, 2.0 * min(at_most, at_least)),
    )


def _levels(n: list[FloatArray], t: list[FloatArray], ratio: float, dispersion: float) -> tuple[Estimate, Estimate]:
    """Both rates over the mix of exposures of the two sides together, at the common ratio."""
    mix = (t[0] + t[1]) / float(np.sum(t[0] + t[1]))
    total = n[0] + n[1]
    if ratio == inf:
        values = (0.0, float(np.sum(mix * total / t[1])))
    elif ratio != ratio:
        values = (0.0, 0.0)
    else:
        level = float(np.sum(mix * total / (t[0] + ratio * t[1])))
        values = (level, ratio * level)
    return _level(values[0], n[0], t[0], dispersion), _level(values[1], n[1], t[1], dispersion)


def _level(value: float, n: FloatArray, t: FloatArray, dispersion: float) -> Estimate:
    """A rate with the relative limits of its own count."""
    plain = poisson_rate(float(n.sum()) / dispersion, float(t.sum()) / dispersion)
    scale = value / plain.value if plain.value > 0 else 1.0
    return Estimate(value, scale * plain.low, scale * plain.high)


def _dispersion(sides: list[Exposed], total: FloatArray, t: list[FloatArray], ratio: float) -> float:
    """Variance of the weighted counts from unit to unit over that of Poisson counts; at least 1.

    Each unit is held against the rates that all other units show, so that its own events do not explain themselves.
    What few or unequal bursts tell of the variance is uncertain, for which Student's distribution allows. A single
    unit on a side tells nothing of scatter; the counts are then taken as Poisson.
    """
    if min(np.count_nonzero(side.exposure.sum(axis=1)) for side in sides) < 2:
        return 1.0
    fitted = min(max(ratio, 1e-3), 1e3)  # with no event on one side, the other side's cells tell the rates
    share = _share(fitted, t)
    squares, expected = [], 0.0
    for side, relative, weight in zip(sides, (1.0, fitted), (share, 1.0 - share), strict=True):
        own = relative * side.exposure
        others = t[0] + fitted * t[1] - own
        weights = np.where(own <= others, weight, 0.0)  # where a unit is most of a cell, the others cannot tell
        others = np.maximum(others, 1e-300)
        mean = own * (total - side.events) / others
        level = own * total / (t[0] + fitted * t[1])
        squares.append(((side.events - mean) * weights).sum(axis=1) ** 2)
        expected += float(np.sum(weights**2 * level * (1.0 + own / others)))
    each = np.concatenate(squares)
    if not expected > 0 or each.sum() <= expected:
        return 1.0
    # The variance of a mean of squares, from the squares themselves.
    freedom = 2.0 / max(float(np.sum(each**2)) / float(each.sum()) ** 2 - 1.0 / each.size, 1e-6)
    heavy = float(stats.t.ppf(1.0 - _TAIL, max(freedom, 1.0)) / stats.norm.ppf(1.0 - _TAIL))
    return float(each.sum()) / expected * heavy**2
