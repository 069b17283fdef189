"""Quantiles and tails agree with scipy.stats, to as many digits as it gives."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logscope.statistics import distributions as own
from logscope.statistics.holm import holm

SHARES = st.floats(1e-6, 1 - 1e-6)
FREEDOMS = st.floats(1.0, 1e5)
ABOVE = st.floats(0.0, 40.0)
CHANCES = st.floats(1e-6, 1 - 1e-6)


def close(value: float) -> object:
    return pytest.approx(value, rel=1e-6, abs=1e-12)


@given(SHARES, FREEDOMS, FREEDOMS)
def test_quantiles(share: float, freedom: float, other: float) -> None:
    assert own.normal_quantile(share) == close(stats.norm.ppf(share))
    assert own.student_quantile(share, freedom) == close(stats.t.ppf(share, freedom))
    assert own.chi_squared_quantile(share, freedom) == close(stats.chi2.ppf(share, freedom))
    assert own.beta_quantile(share, freedom, 2.5) == close(stats.beta.ppf(share, freedom, 2.5))
    assert own.f_tail(own.f_quantile(share, freedom, other), freedom, other) == pytest.approx(1 - share, abs=1e-6)


@given(ABOVE, FREEDOMS, FREEDOMS)
def test_tails(above: float, freedom: float, other: float) -> None:
    assert own.normal_tail(above) == close(stats.norm.sf(above))
    assert own.student_tail(above, freedom) == close(stats.t.sf(above, freedom))
    assert own.chi_squared_tail(above, freedom) == close(stats.chi2.sf(above, freedom))
    assert own.f_tail(above, freedom, other) == close(stats.f.sf(above, freedom, other))


@given(st.integers(0, 60), st.integers(0, 50), CHANCES, st.floats(0.1, 500.0))
def test_chances_of_as_many_or_more(count: int, total: int, chance: float, size: float) -> None:
    assert own.binomial_at_least(count, total, chance) == close(stats.binom.sf(count - 1, total, chance))
    assert own.negative_binomial_at_least(count, size, chance) == close(stats.nbinom.sf(count - 1, size, chance))


def test_without_a_degree_of_freedom_nothing_is_known() -> None:
    assert math.isnan(own.student_quantile(0.975, 0.0))


@pytest.mark.parametrize("above", [-3.0, 0.0, 0.4, 0.9, 5.0])
def test_tails_begin_at_certainty(above: float) -> None:
    assert own.chi_squared_tail(above, 3.0) == close(stats.chi2.sf(above, 3))
    assert own.binomial_at_least(0, 4, 0.5) == own.negative_binomial_at_least(0, 2.0, 0.5) == 1.0
    assert own.binomial_at_least(5, 4, 0.5) == 0.0
    assert own.binomial_at_least(4, 4, 0.5) == close(0.0625)
    assert own.correlation_chance(1.0, 5) == 0.0
    assert own.correlation_chance(-0.5, 12) == close(2.0 * stats.t.sf(0.5 * (10 / 0.75) ** 0.5, 10))


@pytest.mark.parametrize("p_values", [(0.9, 0.8), (0.4,), (0.01, 0.01, 0.9), (0.5, 0.001), ()])
def test_adjusted_chances_rise_with_the_others_to_certainty_at_most(p_values: tuple[float, ...]) -> None:
    """Holm by hand: each times how many are no smaller, never below the one before, never above 1."""
    expected: dict[int, float] = {}
    last = 0.0
    for place, number in enumerate(sorted(range(len(p_values)), key=lambda k: p_values[k])):
        last = min(1.0, max(last, (len(p_values) - place) * p_values[number]))
        expected[number] = last
    assert holm(p_values) == pytest.approx([expected[k] for k in range(len(p_values))])
