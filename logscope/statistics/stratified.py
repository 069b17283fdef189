"""The ratio of two rates, compared like with like: within cells of alike exposure, bursts allowed for.

Within each cell the events of both sides share one rate but for a common ratio θ. Given the events of a cell, those
of the second side are binomial; the cells together give θ by conditional likelihood (Breslow and Day, Statistical
Methods in Cancer Research II, IARC 1987, chapter 3), whose estimate is that of a Poisson regression with a level
for each cell. Limits and test are Clopper–Pearson's for the share of the second side; with one cell they are those
of `rate_ratio`.

Events that come in bursts carry less than their number. How much less is measured from unit to unit (runs, or
stretches of time longer than a burst), as a dispersion; the counts are divided by it before limits are taken. That is
the quasi-likelihood rule (McCullagh and Nelder, Generalized Linear Models, 2nd ed. 1989, section 4.5), with cluster
sums as in the sandwich variance of Liang and Zeger, Biometrika 73 (1986).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, nan

import numpy as np
from scipy import stats
from scipy.optimize import brentq
from scipy.special import betainc

from logscope.findings import FloatArray
from logscope.statistics.rates import Estimate, poisson_rate

_TAIL = 0.025  # each side of 95 % limits
_FARTHEST = 40.0  # logarithms of ratios beyond it are zero or infinite
_DRAWS = 200  # of Poisson counts, to learn what dispersion they show by themselves in the same units and cells


@dataclass(frozen=True, slots=True, eq=False)
class Exposed:
    """Events and exposure of one side, shape (units, cells) each."""

    events: FloatArray
    exposure: FloatArray


@dataclass(frozen=True, slots=True)
class RatioOfRates:
    """The second rate over the first, with what it rests on.

    ratio : with 95 % limits and the p-value of no change
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


def stratified_rate_ratio(first: Exposed, second: Exposed) -> RatioOfRates | None:
    """Compare two rates within the cells in which both sides have exposure; None where there is no such cell."""
    shared = (first.exposure.sum(axis=0) > 0) & (second.exposure.sum(axis=0) > 0)
    if not shared.any():
        return None
    sides = [Exposed(side.events[:, shared], side.exposure[:, shared]) for side in (first, second)]
    n = [side.events.sum(axis=0) for side in sides]
    t = [side.exposure.sum(axis=0) for side in sides]
    total = n[0] + n[1]
    ratio = _ratio_of_share(float(n[1].sum()), total, t)
    dispersion = _dispersion(sides, total, t, ratio)
    estimate = _limits(float(n[1].sum()), total, t, ratio, dispersion)
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

    def missing(log_ratio: float) -> float:
        return float(np.sum(total * _share(exp(log_ratio), t))) - count

    if missing(-_FARTHEST) >= 0:
        return 0.0
    if missing(_FARTHEST) <= 0:
        return inf
    return exp(brentq(missing, -_FARTHEST, _FARTHEST, xtol=1e-12))


def _limits(count: float, total: FloatArray, t: list[FloatArray], ratio: float, dispersion: float) -> Estimate:
    everything = float(total.sum())
    if everything == 0:
        return Estimate(nan, 0.0, inf, 1.0)
    k, n = count / dispersion, everything / dispersion
    low = float(stats.beta.ppf(_TAIL, k, n - k + 1.0)) if k > 0 else 0.0
    high = float(stats.beta.ppf(1.0 - _TAIL, k + 1.0, n - k)) if k < n else 1.0
    even = float(np.sum(total * _share(1.0, t))) / everything
    at_most = float(betainc(n - k, k + 1.0, 1.0 - even)) if k < n else 1.0
    at_least = float(betainc(k, n - k + 1.0, even)) if k > 0 else 1.0
    return Estimate(
        ratio,
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
    """Variance of the weighted counts from unit to unit over what Poisson counts show; at least 1.

    Cells with few events leave little room for scatter; so the same is computed from Poisson counts drawn at the
    fitted rates, and the measured scatter is taken relative to theirs. A scatter known from few units may
    be larger than it seems, for which Student's distribution allows.
    """
    if total.sum() < 2:
        return 1.0
    fitted = min(max(ratio, 1e-3), 1e3)  # with no event on one side, the other side's cells tell the rates
    share = _share(fitted, t)
    rate = total / (t[0] + fitted * t[1])
    means = [sides[0].exposure * rate, sides[1].exposure * rate * fitted]
    weights = [share, 1.0 - share]
    seen = _scatter([side.events for side in sides], means, weights)
    rng = np.random.default_rng(0)
    alone = np.mean([_redrawn(rng, means, t) for _ in range(_DRAWS)])
    if not alone > 0:
        return 1.0
    excess = seen / float(alone)
    if excess <= 1.0:
        return 1.0
    spread = np.concatenate([(mean * weight**2).sum(axis=1) for mean, weight in zip(means, weights, strict=True)])
    units = float(spread.sum() ** 2 / np.sum(spread**2))  # as many as if all carried alike
    heavy = float(stats.t.ppf(1.0 - _TAIL, max(units - 2.0, 1.0)) / stats.norm.ppf(1.0 - _TAIL))
    return excess * heavy**2


def _redrawn(rng: np.random.Generator, means: list[FloatArray], t: list[FloatArray]) -> float:
    """The scatter of Poisson counts, their rates fitted again as those of the data were."""
    drawn = [rng.poisson(mean).astype(np.float64) for mean in means]
    total = drawn[0].sum(axis=0) + drawn[1].sum(axis=0)
    ratio = _ratio_of_share(float(drawn[1].sum()), total, t)
    fitted = 1.0 if ratio != ratio else min(max(ratio, 1e-3), 1e3)
    share = _share(fitted, t)
    level = [mean.sum(axis=0) for mean in means]
    shapes = [mean / np.where(all_of > 0, all_of, 1.0) for mean, all_of in zip(means, level, strict=True)]
    again = [shapes[0] * (total * (1.0 - share)), shapes[1] * (total * share)]
    return _scatter(drawn, again, [share, 1.0 - share])


def _scatter(events: list[FloatArray], means: list[FloatArray], weights: list[FloatArray]) -> float:
    """Sum of squares of the units' weighted surpluses over its expectation under Poisson."""
    squares, expected = 0.0, 0.0
    for count, mean, weight in zip(events, means, weights, strict=True):
        surplus = ((count - mean) * weight).sum(axis=1)
        squares += float(np.sum(surplus**2))
        expected += float(np.sum(mean * weight**2))
    return squares / expected if expected > 0 else 0.0
