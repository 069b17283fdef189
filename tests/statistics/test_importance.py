"""Posterior sampling against distributions whose quantiles are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logscope.statistics.importance import sample_posterior


def test_a_correlated_normal_comes_back_with_its_quantiles_and_evidence() -> None:
    """scipy.stats.multivariate_normal; its density integrates to 1, so the log evidence is 0."""
    covariance = np.array([[1.0, 0.9], [0.9, 2.0]])
    target = stats.multivariate_normal([3.0, -1.0], covariance)
    posterior = sample_posterior(target.logpdf, np.array([0.0, 0.0]), np.diag([0.1, 9.0]))
    low, middle, high = posterior.quantiles(posterior.draws[:, 0], 0.025, 0.5, 0.975)
    assert [low, middle, high] == pytest.approx(stats.norm(3.0, 1.0).ppf([0.025, 0.5, 0.975]), abs=0.12)
    assert posterior.log_evidence == pytest.approx(0.0, abs=0.05)


def test_a_mean_of_unknown_variance_gets_the_t_distributions_limits() -> None:
    """Student's t: flat in the mean and in log σ, the posterior of the mean is t with n − 1 degrees of freedom."""
    data = np.array([4.9, 5.3, 5.1, 4.6, 5.5, 5.2])

    def log_density(theta: np.ndarray) -> np.ndarray:
        sigma = np.exp(theta[:, 1])[:, None]
        return stats.norm.logpdf(data, theta[:, 0][:, None], sigma).sum(axis=1)

    posterior = sample_posterior(log_density, np.array([5.0, -1.0]), np.diag([0.1, 0.3]))
    limits = stats.t(data.size - 1, data.mean(), stats.sem(data)).ppf([0.025, 0.975])
    assert posterior.quantiles(posterior.draws[:, 0], 0.025, 0.975) == pytest.approx(limits, abs=0.03)


def test_the_same_seed_gives_the_same_answer() -> None:
    first, second = (sample_posterior(_standard, np.zeros(1), np.eye(1)) for _ in range(2))
    assert np.array_equal(first.draws, second.draws)


def _standard(theta: np.ndarray) -> np.ndarray:
    return np.asarray(stats.norm.logpdf(theta[:, 0]))


def test_a_rough_covariance_that_rounding_has_spoilt_serves_all_the_same() -> None:
    """An inverse of a curvature of many scales: not symmetric, with a direction of slightly negative spread."""
    spoilt = np.array([[8.4e-4, -3.4436e-7, 3.0e-9], [-3.4435e-7, 2.59, 1.6389], [3.1e-9, 1.6389, 1.0370]])
    assert np.linalg.eigvalsh(spoilt).min() < 0
    posterior = sample_posterior(lambda x: -0.5 * (x**2).sum(axis=1), np.zeros(3), spoilt)
    assert posterior is not None
    assert np.sqrt(posterior.weights @ posterior.draws**2) == pytest.approx(np.ones(3), rel=0.15)


def test_a_density_that_is_possible_near_the_start_alone_is_found_and_one_that_is_nowhere_gives_none() -> None:
    """A uniform one on a thousandth of the rough deviation, whose middle quantile is 0."""
    narrow = lambda x: np.where(np.abs(x[:, 0]) < 1e-3, 0.0, -np.inf)  # noqa: E731 - a density in one line
    posterior = sample_posterior(narrow, np.zeros(1), np.eye(1) * 1e6)
    assert posterior is not None
    assert posterior.quantiles(posterior.draws[:, 0], 0.5)[0] == pytest.approx(0.0, abs=3e-4)
    assert sample_posterior(lambda x: np.full(len(x), -np.inf), np.zeros(1), np.eye(1)) is None


def _bent_ridge(x: np.ndarray, width: float) -> np.ndarray:
    """x₀ of a standard normal, x₁ about x₀², the rest standard normal: no ellipse holds it, its marginals are known."""
    return -0.5 * x[:, 0] ** 2 - 0.5 * ((x[:, 1] - x[:, 0] ** 2) / width) ** 2 - 0.5 * (x[:, 2:] ** 2).sum(axis=1)


@pytest.mark.parametrize("seed", range(4))
def test_a_density_that_no_ellipse_holds_is_not_known_too_narrow(seed: int) -> None:
    """A ridge that bends by as much as it is wide: its first marginal is a standard normal, its evidence exact."""
    posterior = sample_posterior(lambda x: _bent_ridge(x, 0.5), np.full(6, 0.5), np.eye(6) * 0.04, seed)
    assert posterior is not None
    assert posterior.sure
    low, middle, high = posterior.quantiles(posterior.draws[:, 0], 0.025, 0.5, 0.975)
    assert low < 0.7 * stats.norm.ppf(0.025)
    assert high > 0.7 * stats.norm.ppf(0.975)
    assert middle == pytest.approx(0.0, abs=0.2)
    assert posterior.log_evidence == pytest.approx(3 * np.log(2 * np.pi) + np.log(0.5), abs=0.3)


def test_evidence_of_a_single_draw_is_not_sure_and_its_weight_is_shared() -> None:
    """A needle in twelve dimensions far from the start: a first draw that hits it would outweigh all others."""
    rng = np.random.default_rng(5)
    place = rng.normal(0.0, 1.0, 12)
    posterior = sample_posterior(
        lambda x: -0.5 * np.minimum(((x - place) ** 2).sum(axis=1) / 1e-3, 1e4) - 0.5 * (x**2).sum(axis=1),
        np.zeros(12),
        np.eye(12),
    )
    assert posterior is not None
    assert float(posterior.weights.max()) < 0.05
