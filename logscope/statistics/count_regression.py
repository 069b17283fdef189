"""Regression of event counts: how a rate changes with what is measured beside it, bursts allowed for.

Poisson and negative-binomial (variance µ + α·µ²) regression with a logarithmic link and exposure, fitted by
Fisher scoring: McCullagh and Nelder, Generalized Linear Models, 2nd ed. (1989), chapters 2 and 6; the
negative binomial after Lawless, Canadian J. Statistics 15 (1987). Limits are those of the profile likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp, inf, isfinite, log

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammaln

from logscope.arrays import FloatArray
from logscope.statistics.information import covariance_of, variance_of
from logscope.statistics.rates import Estimate
from logscope.statistics.robust import NORMAL_95

_ROUNDS = 60
_CONVERGED = 1e-9  # change of the log-likelihood, relative to its size
_LARGEST_STEP = 2.0  # of the linear predictor's coefficients in one round: farther, Fisher scoring may overshoot
_LIMIT_95 = 3.841458820694124  # 95 % quantile of chi-squared, one degree of freedom: twice the log-likelihood's fall
_OVERDISPERSED = 2.705543454095404  # its 90 % quantile: one-sided 5 %, since the dispersion cannot be negative
_ALPHA_RANGE = (-7.0, 4.0)  # natural logarithms of dispersions that matter
_FARTHEST = 20.0  # coefficients beyond it are no estimate: factors of 10⁸


@dataclass(frozen=True, slots=True, eq=False)
class CountFit:
    """A fitted rate, log(rate) = coefficients · covariates.

    coefficients : shape (k,), natural logarithms per unit of each covariate
    covariance : of the coefficients, shape (k, k), the inverse of Fisher's information, infinite where undetermined
    log_likelihood : natural logarithm; alpha : dispersion, 0 for Poisson
    """

    coefficients: FloatArray
    covariance: FloatArray
    log_likelihood: float
    alpha: float

    def rates(self, covariates: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The fitted rate at rows of covariates, shape (m, k), and its 95 % limits there (Wald), each of shape (m,)."""
        middle = covariates @ self.coefficients
        reach = NORMAL_95 * np.sqrt([variance_of(row, self.covariance) for row in covariates])
        return np.exp(middle), np.exp(middle - reach), np.exp(middle + reach)

    def widened(self, variance_ratio: FloatArray) -> CountFit:
        """The same with each coefficient's variance multiplied by its ratio, shape (k,)."""
        root = np.sqrt(variance_ratio)
        return replace(self, covariance=self.covariance * np.outer(root, root))

    def factor(self, index: int, low: float, high: float) -> Estimate:
        """What the rate is multiplied by for each unit of a covariate, from its coefficient's limits."""
        return Estimate(exp(self.coefficients[index]), exp(low), exp(high) if isfinite(high) else inf)


def fit_counts(counts: FloatArray, exposure: FloatArray, covariates: FloatArray, alpha: float = 0.0) -> CountFit:
    """Fit a rate to counts with a given dispersion.

    counts : events in each bin, shape (n,); exposure : time or other exposure of each, above zero, shape (n,)
    covariates : shape (n, k), with a column of ones for the level; alpha : 0 for Poisson

    Raises ValueError where there is no event, or the covariates do not determine the coefficients.
    """
    if not np.any(counts > 0):
        raise ValueError("a rate that changes needs events")
    offset = np.log(exposure)
    beta = np.linalg.lstsq(covariates, np.full(counts.size, log(counts.sum() / exposure.sum())), rcond=None)[0]
    reached = _log_likelihood(counts, covariates @ beta + offset, alpha)
    for _ in range(_ROUNDS):
        mean = np.exp(np.clip(covariates @ beta + offset, -700.0, 700.0))
        weight = mean / (1.0 + alpha * mean)
        information = covariates.T @ (covariates * weight[:, np.newaxis])
        score = covariates.T @ ((counts - mean) / (1.0 + alpha * mean))
        try:
            step = np.linalg.solve(information, score)
        except np.linalg.LinAlgError:
            raise ValueError("the covariates do not determine the coefficients") from None
        step *= min(1.0, _LARGEST_STEP / max(float(np.max(np.abs(step))), 1e-300))
        after = _log_likelihood(counts, covariates @ (beta + step) + offset, alpha)
        while after < reached - _CONVERGED and float(np.max(np.abs(step))) > _CONVERGED:
            step = step / 2.0
            after = _log_likelihood(counts, covariates @ (beta + step) + offset, alpha)
        beta, gained, reached = beta + step, after - reached, after
        if abs(gained) <= _CONVERGED * (1.0 + abs(reached)) or float(np.max(np.abs(beta))) > _FARTHEST:
            break
    mean = np.exp(np.clip(covariates @ beta + offset, -700.0, 700.0))
    information = covariates.T @ (covariates * (mean / (1.0 + alpha * mean))[:, np.newaxis])
    covariance = covariance_of(information)
    if np.isinf(covariance).any() and np.linalg.matrix_rank(covariates) < covariates.shape[1]:
        raise ValueError("the covariates do not determine the coefficients")
    return CountFit(beta, covariance, reached, alpha)


def fit_dispersed(counts: FloatArray, exposure: FloatArray, covariates: FloatArray) -> CountFit:
    """Poisson, or negative binomial with the likeliest dispersion where the counts scatter more than Poisson's.

    Arguments and errors as for `fit_counts`.
    """
    plain = fit_counts(counts, exposure, covariates)
    best = minimize_scalar(
        lambda log_alpha: -fit_counts(counts, exposure, covariates, exp(log_alpha)).log_likelihood,
        bounds=_ALPHA_RANGE,
        method="bounded",
        options={"xatol": 0.05},
    )
    if -2.0 * float(best.fun) - 2.0 * plain.log_likelihood <= _OVERDISPERSED:
        return plain
    return fit_counts(counts, exposure, covariates, exp(float(best.x)))


def hac_variance_ratio(
    counts: FloatArray, exposure: FloatArray, covariates: FloatArray, fit: CountFit, lags: int
) -> FloatArray:
    """By how much each coefficient's variance is larger than the fit gives, since bins near one another are alike.

    At least 1; shape (k,). The variance is the sandwich of Newey and West (Econometrica 55, 1987), which holds
    whatever ties bins up to `lags` apart. Bins in order of time; others as for `fit_counts`, `fit` its result.
    """
    mean = np.exp(np.clip(covariates @ fit.coefficients + np.log(exposure), -700.0, 700.0))
    scores = covariates * ((counts - mean) / (1.0 + fit.alpha * mean))[:, np.newaxis]
    meat = scores.T @ scores
    for lag in range(1, min(lags, counts.size - 1) + 1):
        both = scores[lag:].T @ scores[:-lag]
        meat += (1.0 - lag / (lags + 1.0)) * (both + both.T)
    bread = np.where(np.isfinite(fit.covariance), fit.covariance, 0.0)  # what is not determined stays so
    return np.asarray(np.maximum(np.diag(bread @ meat @ bread) / np.maximum(np.diag(bread), 1e-300), 1.0))


def profile_limits(
    counts: FloatArray,
    exposure: FloatArray,
    covariates: FloatArray,
    fit: CountFit,
    index: int,
    variance_ratio: float = 1.0,
) -> tuple[float, float]:
    """95 % limits of one coefficient by its profile likelihood, its dispersion kept; ±∞ where there is none.

    index : which of at least two coefficients; variance_ratio : by how much its variance is larger than the fit gives;
        others as for `fit_counts`, `fit` its result
    """
    rest = np.delete(covariates, index, axis=1)

    def above(value: float) -> float:
        fixed = np.exp(np.clip(value * covariates[:, index], -700.0, 700.0))
        return (
            2.0 * (fit.log_likelihood - _refit(counts, exposure * fixed, rest, fit.alpha)) - _LIMIT_95 * variance_ratio
        )

    middle = float(fit.coefficients[index])
    farthest = _FARTHEST + abs(middle)
    low = middle - _crossing(lambda away: above(middle - away), farthest)
    return low, middle + _crossing(lambda away: above(middle + away), farthest)


def _refit(counts: FloatArray, exposure: FloatArray, rest: FloatArray, alpha: float) -> float:
    return fit_counts(counts, exposure, rest, alpha).log_likelihood


def _crossing(above: Callable[[float], float], farthest: float) -> float:
    """The distance at which a rising function crosses zero; ∞ where it does not by `farthest`."""
    far = 0.05
    while above(far) < 0.0:
        far *= 2.0
        if far > 2.0 * farthest:
            return inf
    return float(brentq(above, 0.0, far, xtol=1e-4))


def _log_likelihood(counts: FloatArray, predictor: FloatArray, alpha: float) -> float:
    predictor = np.clip(predictor, -700.0, 700.0)
    mean = np.exp(predictor)
    if alpha == 0.0:
        return float(np.sum(counts * predictor - mean - gammaln(counts + 1.0)))
    size = 1.0 / alpha
    return float(
        np.sum(
            gammaln(counts + size)
            - gammaln(size)
            - gammaln(counts + 1.0)
            + counts * (predictor + log(alpha))
            - (counts + size) * np.log1p(alpha * mean)
        )
    )
