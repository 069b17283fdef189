"""The weighted trend against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import linregress

from logscope.statistics.trend import weighted_trend


def test_scattered_points_give_what_weighted_least_squares_gives() -> None:
    """statsmodels WLS: slope, limits and p-value, where the scatter is larger than the deviations say."""
    rng = np.random.default_rng(4)
    x, deviation = np.arange(12.0), rng.uniform(0.5, 2.0, 12)
    y = 3 + 0.4 * x + rng.normal(0, 3 * deviation)
    reference = sm.WLS(y, sm.add_constant(x), weights=1 / deviation**2).fit()
    trend = weighted_trend(x, y, deviation)
    assert trend is not None
    assert trend.slope == pytest.approx(reference.params[1])
    assert (trend.low, trend.high) == pytest.approx(tuple(reference.conf_int()[1]))
    assert trend.p_value == pytest.approx(reference.pvalues[1])


def test_points_closer_than_their_deviations_do_not_shrink_the_limits() -> None:
    """statsmodels WLS with the scale fixed at 1."""
    x, deviation = np.arange(6.0), np.full(6, 2.0)
    y = 1 + 0.5 * x + 0.01 * np.array([1, -1, 1, -1, 1, -1])
    fixed = sm.WLS(y, sm.add_constant(x), weights=1 / deviation**2).fit(cov_type="fixed scale")
    trend = weighted_trend(x, y, deviation)
    assert trend is not None
    assert (trend.high - trend.low) / 2 == pytest.approx(2.776445 * fixed.bse[1], rel=1e-5)


def test_no_trend_is_claimed_where_there_is_none() -> None:
    """Nominal size of the test: 1 of 100 at p < 0.01."""
    rng = np.random.default_rng(5)
    x = np.arange(8.0)
    p = [t.p_value for _ in range(2000) if (t := weighted_trend(x, rng.normal(0, 1, 8), np.ones(8)))]
    assert np.mean(np.array(p) < 0.01) < 0.015


def test_too_few_points_have_no_trend() -> None:
    assert weighted_trend(np.array([0.0, 1.0]), np.array([1.0, 2.0]), np.ones(2)) is None
    assert weighted_trend(np.zeros(5), np.arange(5.0), np.ones(5)) is None


def test_three_points_close_together_are_enough() -> None:
    """scipy.stats.linregress; Student's quantile for one degree of freedom, 12.706."""
    x, y = np.array([0.0, 0.1, 0.3]), np.array([5.0, 9.0, 1.0])
    expected, trend = linregress(x, y), weighted_trend(x, y, np.ones(3))
    assert trend is not None
    assert trend.slope == pytest.approx(expected.slope)
    assert trend.high - trend.slope == pytest.approx(12.7062 * expected.stderr, rel=1e-5)
    assert trend.p_value == pytest.approx(expected.pvalue)
    assert trend.change == pytest.approx(0.3 * expected.slope)
    assert trend.at(np.array([0.2])) == pytest.approx([expected.intercept + 0.2 * expected.slope])


def test_a_single_point_of_known_deviation_has_no_trend() -> None:
    assert weighted_trend(np.arange(3.0), np.arange(3.0), np.array([1.0, np.inf, np.inf])) is None
