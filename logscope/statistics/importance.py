"""Posterior distributions by adaptive importance sampling."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.special import gammaln, logsumexp

from logscope.arrays import FloatArray

DEGREES_OF_FREEDOM = 5.0  # proposals with tails heavier than the posterior's keep the weights bounded
ADAPTING_DRAWS = 1000
ADAPTING_ROUNDS = (4, 16)  # at least, and at most while few draws are effective
FINAL_DRAWS = 3000
_NEARER = 0.1  # of the covariance: where no draw is possible, the next are made nearer to the centre
_FLOOR = 1e-9  # of a parameter's variance: far below what thousands of draws can resolve
_LEAST_EFFECTIVE = 0.15  # share of effective draws from which adapting further gains little
_FEWEST_EFFECTIVE = 150.0  # draws: quantiles and evidence that rest on fewer are those of single draws
_TRIES, _WIDER = 3, 2.0  # times the covariance, from which a proposal that missed starts again


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Weighted draws. draws : shape (k, d); weights : shape (k,), summing to 1; log_evidence : of the model.

    sure : whether draws enough count for the evidence to be known
    densities : logarithm of the density that was drawn from at each draw, shape (k,); empty where none was
    """

    draws: FloatArray
    weights: FloatArray
    log_evidence: float
    sure: bool = True
    densities: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def likeliest(self) -> FloatArray:
        """The draw of the highest density, shape (d,)."""
        return np.asarray(self.draws[int(np.argmax(self.densities))])

    def quantiles(self, values: FloatArray, *levels: float) -> tuple[float, ...]:
        """Quantiles of a function of the parameters. values : its value at each draw, shape (k,)."""
        order = np.argsort(values)
        reached = np.cumsum(self.weights[order]) - 0.5 * self.weights[order]
        return tuple(float(np.interp(level, reached, values[order])) for level in levels)


def sample_posterior(
    log_density: Callable[[FloatArray], FloatArray], start: FloatArray, covariance: FloatArray, seed: int = 0
) -> Posterior | None:
    """Draws from a density known up to a factor, by a multivariate-t proposal adapted to it.

    log_density : (k, d) parameters → (k,) log prior + log likelihood, −inf where impossible
    start : shape (d,), near the mode; covariance : shape (d, d), a rough one
    seed : of the draws; a fixed one makes the result repeatable
    Returns None where no draw is possible, however near to the start.

    Source: adaptive importance sampling by matching moments (Cappé, Guillin, Marin, Robert, Population
    Monte Carlo, J. Comput. Graph. Stat. 13(4), 2004), with weights tempered while few draws are effective.
    """
    rng = np.random.default_rng(seed)
    centre, covariance = start.astype(float), _regular(covariance)
    best: tuple[float, FloatArray, FloatArray, FloatArray] | None = None
    for _ in range(_TRIES):
        centre, covariance = _adapted(log_density, centre, covariance, rng)
        draws, densities, log_weights = _weighted(log_density, centre, covariance, FINAL_DRAWS, rng)
        possible = log_weights > -np.inf  # functions of the parameters need not hold outside
        if not possible.any():
            continue
        draws, densities, log_weights = draws[possible], densities[possible], log_weights[possible]
        effective = _effective(log_weights)
        if best is None or effective > best[0]:
            best = effective, draws, densities, log_weights
        if effective >= _FEWEST_EFFECTIVE:
            break
        centre, covariance = _moments(draws, _tempered(log_weights)[0])
        covariance = _regular(_WIDER * covariance)
    if best is None:
        return None
    effective, draws, densities, log_weights = best
    total = logsumexp(log_weights)
    evidence, sure = float(total - np.log(FINAL_DRAWS)), effective >= _FEWEST_EFFECTIVE
    weights = np.exp(log_weights - total) if sure else _tempered(log_weights)[0]  # wide rather than one draw's
    return Posterior(draws, weights, evidence, sure, densities)


def _adapted(
    log_density: Callable[[FloatArray], FloatArray],
    centre: FloatArray,
    covariance: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """The proposal's centre and covariance, moved to where the density lies."""
    floor = np.diag(np.diag(covariance)) * _FLOOR  # keeps the matrix regular when few draws count
    for turn in range(ADAPTING_ROUNDS[1]):
        draws, _, log_weights = _weighted(log_density, centre, covariance, ADAPTING_DRAWS, rng)
        if not np.any(log_weights > -np.inf):
            covariance = covariance * _NEARER
            continue
        weights, share = _tempered(log_weights)
        centre, spread = _moments(draws, weights)
        covariance = spread * (1.2 if share >= _LEAST_EFFECTIVE else 1.6) + floor
        if share >= _LEAST_EFFECTIVE and turn + 1 >= ADAPTING_ROUNDS[0]:
            break
    return centre, covariance


def _moments(draws: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of weighted draws."""
    centre = weights @ draws
    away = draws - centre
    return centre, (weights * away.T) @ away


def _effective(log_weights: FloatArray) -> float:
    """How many equal draws would be worth as much (Kish, 1965)."""
    weights = np.exp(log_weights - log_weights.max())
    return float(weights.sum() ** 2 / np.sum(weights**2))


def _regular(covariance: FloatArray) -> FloatArray:
    """The nearest symmetric matrix without directions that have no spread, as rounding leaves them in an inverse."""
    scale = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(scale, scale)
    lengths, directions = np.linalg.eigh((correlation + correlation.T) / 2)
    regular: FloatArray = (directions * np.maximum(lengths, _FLOOR)) @ directions.T * np.outer(scale, scale)
    return regular


def _weighted(
    log_density: Callable[[FloatArray], FloatArray],
    centre: FloatArray,
    covariance: FloatArray,
    count: int,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draws from the proposal, the logarithm of the density at each, and of its weight."""
    size = centre.size
    root = np.linalg.cholesky(covariance)
    normal = rng.standard_normal((count, size))
    stretch = np.sqrt(rng.chisquare(DEGREES_OF_FREEDOM, (count, 1)) / DEGREES_OF_FREEDOM)
    unit = normal / stretch
    draws = centre + unit @ root.T
    log_proposal = (
        gammaln((DEGREES_OF_FREEDOM + size) / 2)
        - gammaln(DEGREES_OF_FREEDOM / 2)
        - 0.5 * size * np.log(DEGREES_OF_FREEDOM * np.pi)
        - np.log(np.diag(root)).sum()
        - 0.5 * (DEGREES_OF_FREEDOM + size) * np.log1p((unit**2).sum(axis=1) / DEGREES_OF_FREEDOM)
    )
    densities = log_density(draws)
    return draws, densities, densities - log_proposal


def _tempered(log_weights: FloatArray) -> tuple[FloatArray, float]:
    """Normalised weights, flattened until a tenth of the draws count; and the untempered effective share."""
    power, share = 1.0, 0.0
    while True:
        weights = np.exp(power * (log_weights - log_weights.max()))
        weights /= weights.sum()
        effective = 1.0 / np.sum(weights**2) / log_weights.size
        share = share or effective
        if effective >= 0.1 or power < 1e-3:
            return weights, share
        power *= 0.7
