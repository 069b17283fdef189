"""The hierarchical estimate against the eight schools, quadrature by scipy, and its own coverage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, optimize, stats
from statsmodels.stats.meta_analysis import combine_effects

from logscope.statistics.partial_pooling import partial_pooling

# Effects of coaching in eight schools, with standard errors: Rubin, J. Educ. Stat. 6 (1981).
EFFECT = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
ERROR = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
# Posterior medians, and limits of school A: Gelman et al., Bayesian Data Analysis, table 5.3, 200 draws (from memory).
MEDIAN = (10, 8, 7, 8, 5, 6, 10, 8)
LIMITS_OF_A = (-2, 31)


def test_the_eight_schools_are_drawn_together_as_published() -> None:
    pooled = partial_pooling(EFFECT, ERROR)
    units = [pooled.unit(school) for school in range(8)]
    assert [unit.value for unit in units] == pytest.approx(MEDIAN, abs=2.0)  # means, and 200 draws know no better
    assert (units[0].low, units[0].high) == pytest.approx(LIMITS_OF_A, abs=2.0)
    assert all(pooled.difference(school).p_value > 0.05 for school in range(8))


@pytest.mark.parametrize("scale", [None, 5.0])
def test_a_units_mean_and_its_difference_are_those_of_quadrature(scale: float | None) -> None:
    """scipy's Simpson rule over mean and scatter, with the likelihood of the data written down directly."""
    mean, scatter = np.meshgrid(np.linspace(-60.0, 80.0, 281), np.linspace(0.0, 150.0, 601))
    density = np.prod(
        [stats.norm.pdf(y, mean, np.hypot(error, scatter)) for y, error in zip(EFFECT, ERROR, strict=True)], axis=0
    )
    density = density if scale is None else density / (1.0 + (scatter / scale) ** 2)
    units = [
        (scatter**2 * y + error**2 * mean) / (scatter**2 + error**2) for y, error in zip(EFFECT, ERROR, strict=True)
    ]

    def average(of: np.ndarray) -> float:
        whole, weighed = (
            integrate.simpson(integrate.simpson(each, x=mean[0], axis=1), x=scatter[:, 0])
            for each in (density, density * of)
        )
        return float(weighed / whole)

    first, against = average(units[0]), average(units[0] - np.mean(units[1:], axis=0))
    pooled = partial_pooling(EFFECT, ERROR, scale)
    assert pooled.unit(0).value == pytest.approx(first, rel=0.02)
    assert pooled.difference(0).value == pytest.approx(against, rel=0.02)


def test_units_that_are_all_alike_have_the_mean_of_a_meta_analysis() -> None:
    """statsmodels' fixed-effect mean: with no scatter among units to be seen, all but that is drawn away."""
    error = np.array([1.0, 2.0, 0.5, 1.5, 1.0, 0.7, 1.2, 0.9, 1.0, 1.4])
    value = 20.0 + 0.01 * error
    expected = combine_effects(value, error**2).mean_effect_fe
    pooled = partial_pooling(value, error)
    assert pooled.average.value == pytest.approx(expected, abs=0.05)
    assert all(abs(pooled.unit(number).value - expected) < 0.05 for number in range(10))


def test_limits_hold_the_truth_as_often_as_they_say_and_few_logs_do_not_shout() -> None:
    rng = np.random.default_rng(3)
    held, claimed, wild = [], [], []
    for _ in range(150):
        truth, error = rng.normal(0.0, 1.0, 10), rng.uniform(0.2, 3.0, 10)
        value = truth + error * rng.standard_normal(10)
        pooled = partial_pooling(value, error)
        held += [
            found.low <= true <= found.high for found, true in zip(map(pooled.unit, range(10)), truth, strict=True)
        ]
        same = partial_pooling(error * rng.standard_normal(10), error)
        claimed.append(any(same.difference(number).p_value < 0.01 for number in range(10)))
        least = int(np.argmax(error))
        wild.append(abs(pooled.unit(least).value - pooled.average.value) < abs(value[least] - pooled.average.value))
    assert 0.92 < np.mean(held) < 0.98
    assert np.mean(claimed) < 0.03
    assert all(wild)


def test_one_that_differs_among_many_is_found() -> None:
    value, error = np.array([1.0, 1.1, 0.9, 1.05, 0.95, 3.0]), np.full(6, 0.1)
    pooled = partial_pooling(value, error, 1.0)
    found = pooled.difference(5, 0.5)
    assert found.value == pytest.approx(2.0, abs=0.05)
    assert found.p_value < 1e-4
    assert all(pooled.difference(number, 0.5).p_value > 0.05 for number in range(5))


@pytest.mark.parametrize(
    ("value", "error", "scale"),
    [([1.0, 2.0, 6.0, -1.0], [1.0, 0.5, 1.5, 0.8], None), ([5.0, 1.0], [0.5, 0.8], 2.0)],
)
def test_every_figure_is_that_of_joint_normal_distributions_over_the_scatter(
    value: list[float], error: list[float], scale: float | None
) -> None:
    """numpy: for each scatter the precision matrix of the units and their mean, inverted; mixtures by scipy."""
    y, precision, n = np.array(value), np.array(error) ** -2.0, len(value)
    scatter = (np.arange(2500) + 0.5) * (30.0 * (max(error) + np.ptp(y)) / 2500)
    joint = np.zeros((scatter.size, n + 1, n + 1))
    own, among = np.arange(n), scatter[:, np.newaxis] ** -2.0
    joint[:, own, own] = precision + among
    joint[:, own, n] = joint[:, n, own] = -among
    joint[:, n, n] = n * scatter**-2.0
    covariance = np.linalg.inv(joint)
    mean = covariance[:, :, :n] @ (precision * y)
    spread = scatter[:, np.newaxis] ** 2 + 1.0 / precision
    about = y - np.sum(y / spread, axis=1, keepdims=True) / np.sum(1.0 / spread, axis=1, keepdims=True)
    weight = np.exp(-0.5 * np.sum(about**2 / spread, axis=1)) / np.sqrt(
        np.prod(spread, axis=1) * np.sum(1.0 / spread, axis=1)
    )
    weight /= 1.0 if scale is None else 1.0 + (scatter / scale) ** 2
    weight /= weight.sum()

    def mixture(of: np.ndarray) -> tuple[float, ...]:
        middle, deviation = mean @ of, np.sqrt(np.einsum("i,kij,j->k", of, covariance, of))
        below = lambda x, share: weight @ stats.norm.cdf((x - middle) / deviation) - share  # noqa: E731
        return weight @ middle, *(
            optimize.brentq(below, -99.0, 99.0, args=(share,), xtol=1e-4) for share in (0.025, 0.975)
        )

    pooled = partial_pooling(y, np.array(error), scale)
    for number in range(n):
        unit, rest = np.zeros(n + 1), np.append(np.full(n, 1.0 / (n - 1)), 0.0)
        unit[number], rest[number] = 1.0, 0.0
        for found, of in ((pooled.unit(number), unit), (pooled.difference(number), unit - rest)):
            assert (found.value, found.low, found.high) == pytest.approx(mixture(of), rel=2e-3, abs=5e-3)
        others = pooled.others(number)
        half = 1.96 * np.sqrt(weight @ np.einsum("i,kij,j->k", rest, covariance, rest))
        expected = (weight @ mean @ rest, weight @ mean @ rest - half, weight @ mean @ rest + half)
        assert (others.value, others.low, others.high) == pytest.approx(expected, rel=2e-3, abs=5e-3)
        apart, deviation = mean @ (unit - rest), np.sqrt(np.einsum("i,kij,j->k", unit - rest, covariance, unit - rest))
        side = 1.0 if weight @ apart > 0 else -1.0
        for margin in (0.0, 0.4):
            chance = float(weight @ stats.norm.cdf((margin - side * apart) / deviation))
            assert pooled.difference(number, margin).p_value == pytest.approx(chance, rel=1e-2)
    average = pooled.average
    assert (average.value, average.low, average.high) == pytest.approx(mixture(np.eye(n + 1)[n]), rel=2e-3, abs=5e-3)
    expected = np.interp([0.5, 0.025, 0.975], np.cumsum(weight) - weight / 2.0, scatter)
    found = pooled.scatter
    assert (found.value, found.low, found.high) == pytest.approx(tuple(expected), rel=2e-2)
