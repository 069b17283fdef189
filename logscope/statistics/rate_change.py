"""The ratio of two rates that follow one smooth law: how often something happens, by what it happens under.

The logarithm of the rate is a smooth function of covariates such as current and speed, the same before and after, plus
the logarithm of the ratio θ for the second side: a Poisson regression with a weak penalty on its slopes. The test
of a given θ is the score test with the law fitted at that θ (Cox and Hinkley, Theoretical Statistics, 1974, section
9.3): the events of the second side against their expectation, with the efficient variance, which allows for slopes
that are only estimated. Given all events, those of the second side are binomial where there is no covariate, so the
tails are taken as binomial ones (Clopper and Pearson, Biometrika 26, 1934), with the counts scaled to the efficient
variance and divided by the dispersion: the quasi-likelihood rule, McCullagh and Nelder, Generalized Linear Models, 2nd
ed. 1989, section 4.5.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, inf, log, log1p, nan

import numpy as np
from scipy.optimize import brentq
from scipy.special import betainc

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.rates import Estimate, poisson_rate

_TAIL = 0.025  # each side of 95 % limits
_FARTHEST = 16.0  # logarithms of ratios beyond it are zero or infinite: a factor of 10⁷
# Slopes are logarithms of the rate's change over the whole range of a covariate. A rate that changes by a factor of
# e⁵ = 150 over the range of the driving is common for interference (judgement); the penalty only keeps few events from
# being explained by an infinite slope.
_SLOPE_DEVIATION = 5.0
_ROUNDS = 50
_CONVERGED = 1e-9  # of the coefficients
_LARGEST_STEP = 3.0  # of the linear predictor in one round: farther, Newton's method may overshoot


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """Events and exposure by cell of alike conditions, both sides in one column.

    events, exposure : shape (n,), exposure above zero; second : whether a row is the second side's, shape (n,)
    covariates : what the rate may follow, each scaled to about 0 … 1 over its range, shape (n, k), k may be 0
    """

    events: FloatArray
    exposure: FloatArray
    second: BoolArray
    covariates: FloatArray


@dataclass(frozen=True, slots=True)
class RateChange:
    """The second rate over the first, with what it rests on.

    ratio : with 95 % limits and the p-value of a change no larger than the margin
    first, second : both rates at the shared mix of exposures, with 95 % limits
    events, exposure : of each side; expected : events that the second side would show without a change
    dispersion : what the counts are divided by, 1 for independent events
    """

    ratio: Estimate
    first: Estimate
    second: Estimate
    events: tuple[float, float]
    exposure: tuple[float, float]
    expected: float
    dispersion: float


@dataclass(frozen=True, slots=True, eq=False)
class Law:
    """A fitted law at one ratio. coefficients : level, then slopes, shape (k + 1,); log_ratio : of the second side."""

    coefficients: FloatArray
    log_ratio: float

    def rate(self, covariates: FloatArray, second: BoolArray | bool) -> FloatArray:
        """Events per unit of exposure at rows of covariates, shape (m, k); shape (m,)."""
        level, slopes = self.coefficients[0], self.coefficients[1:]
        predictor = level + covariates @ slopes + self.log_ratio * np.asarray(second, dtype=np.float64)
        return np.asarray(np.exp(np.clip(predictor, -700.0, 700.0)))


def fit_law(observed: Observed) -> Law:
    """The likeliest law and ratio. Raises ValueError where there is no event."""
    if not observed.events.sum() > 0:
        raise ValueError("a law needs events")
    ratio = _estimate(observed)
    return _law(observed, log(ratio) if 0.0 < ratio < inf else (_FARTHEST if ratio else -_FARTHEST))


def rate_change(observed: Observed, dispersion: float = 1.0, margin: float = 0.0) -> RateChange:
    """Compare the rates of both sides.

    dispersion : variance of the counts over that of independent events, at least 1
    margin : change that would not matter, as a fraction; the p-value is against ratios up to 1 + margin either way
    """
    sides = [~observed.second, observed.second]
    counts = float(observed.events[sides[0]].sum()), float(observed.events[sides[1]].sum())
    exposures = float(observed.exposure[sides[0]].sum()), float(observed.exposure[sides[1]].sum())
    if sum(counts) == 0:
        nothing = Estimate(nan, 0.0, inf, 1.0)
        first, second = (poisson_rate(0.0, exposure / dispersion) for exposure in exposures)
        return RateChange(nothing, first, second, counts, exposures, 0.0, dispersion)
    ratio = _estimate(observed)
    at_most = _tails(observed, -log1p(margin), dispersion)[0]
    at_least = _tails(observed, log1p(margin), dispersion)[1]
    low = 0.0 if counts[1] == 0 else _crossing(lambda x: _tails(observed, x, dispersion)[1] - _TAIL)
    high = inf if counts[0] == 0 else _crossing(lambda x: _TAIL - _tails(observed, x, dispersion)[0])
    law = fit_law(observed)
    level = float(np.average(law.rate(observed.covariates, False), weights=observed.exposure))
    levels = (0.0 if ratio == inf else level, level * exp(law.log_ratio) if ratio else 0.0)
    first, second = (
        _with_limits(value, count, exposure, dispersion)
        for value, count, exposure in zip(levels, counts, exposures, strict=True)
    )
    return RateChange(
        Estimate(ratio, low, high, min(1.0, 2.0 * min(at_most, at_least))),
        first,
        second,
        counts,
        exposures,
        expected=float(_expected(observed, _law(observed, 0.0))[observed.second].sum()),
        dispersion=dispersion,
    )


def _law(observed: Observed, log_ratio: float) -> Law:
    """The law at a given ratio: penalised Poisson regression by Newton's method."""
    columns = np.column_stack([np.ones(observed.events.size), observed.covariates])
    offset = np.log(observed.exposure) + log_ratio * observed.second
    penalty = np.full(columns.shape[1], _SLOPE_DEVIATION**-2)
    penalty[0] = 0.0
    beta = np.zeros(columns.shape[1])
    beta[0] = log(observed.events.sum()) - float(np.logaddexp.reduce(offset))
    for _ in range(_ROUNDS):
        mean = np.exp(np.clip(columns @ beta + offset, -700.0, 700.0))
        information = columns.T @ (columns * mean[:, np.newaxis]) + np.diag(penalty)
        step = np.linalg.lstsq(information, columns.T @ (observed.events - mean) - penalty * beta, rcond=None)[0]
        step *= min(1.0, _LARGEST_STEP / max(float(np.max(np.abs(columns @ step))), 1e-300))
        beta = beta + step
        if float(np.max(np.abs(step))) < _CONVERGED:
            break
    return Law(beta, log_ratio)


def _expected(observed: Observed, law: Law) -> FloatArray:
    return law.rate(observed.covariates, observed.second) * observed.exposure


def _estimate(observed: Observed) -> float:
    """The ratio at which as many events are expected on the second side as there are."""
    seen = float(observed.events[observed.second].sum())
    if seen == 0:
        return 0.0
    if seen == observed.events.sum():
        return inf
    return _crossing(lambda x: float(_expected(observed, _law(observed, x))[observed.second].sum()) - seen)


def _tails(observed: Observed, log_ratio: float, dispersion: float) -> tuple[float, float]:
    """Chance of at most, and of at least, the second side's events at a ratio."""
    mean = _expected(observed, _law(observed, log_ratio))
    everything, seen = float(mean.sum()), float(observed.events[observed.second].sum())
    share = min(max(float(mean[observed.second].sum()) / everything, 1e-300), 1.0 - 1e-16)
    spread = everything * share * (1.0 - share)
    narrower = min(max(_efficient_variance(observed, mean) / spread, 1e-9), 1.0) if spread > 0 else 1.0
    k, n = (each / (dispersion * narrower) for each in (seen, everything))
    at_most = float(betainc(n - k, k + 1.0, 1.0 - share)) if seen < everything * (1.0 - 1e-12) else 1.0
    at_least = float(betainc(k, n - k + 1.0, share)) if seen > 0 else 1.0
    return at_most, at_least


def _efficient_variance(observed: Observed, mean: FloatArray) -> float:
    """Variance of the second side's events about their expectation, where level and slopes are fitted."""
    columns = np.column_stack([np.ones(mean.size), observed.covariates])
    penalty = np.full(columns.shape[1], _SLOPE_DEVIATION**-2)
    penalty[0] = 0.0
    nuisance = columns.T @ (columns * mean[:, np.newaxis]) + np.diag(penalty)
    both = columns.T @ (mean * observed.second)
    return float(mean[observed.second].sum() - both @ np.linalg.lstsq(nuisance, both, rcond=None)[0])


def _crossing(rising: Callable[[float], float]) -> float:
    """The ratio at which a function that rises with its logarithm crosses zero; 0 or ∞ where it does not."""
    if rising(-_FARTHEST) >= 0:
        return 0.0
    if rising(_FARTHEST) <= 0:
        return inf
    return exp(brentq(rising, -_FARTHEST, _FARTHEST, xtol=1e-6))


def _with_limits(value: float, count: float, exposure: float, dispersion: float) -> Estimate:
    """A rate with the relative limits of its own count."""
    plain = poisson_rate(count / dispersion, exposure / dispersion)
    scale = value / plain.value if plain.value > 0 else 1.0
    return Estimate(value, scale * plain.low, scale * plain.high)
