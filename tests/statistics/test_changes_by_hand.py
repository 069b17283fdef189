"""Changes, levels, clusters and what could be shown: worked figures by hand, scipy and statsmodels."""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.rates import power_poisson_ratio_2indep

from logscope.statistics.change import change_in_cells, change_of_repeats, level_of_repeats, levels_of_sets
from logscope.statistics.clustering import Recorded, clustering, spread_of_units
from logscope.statistics.detectability import minimum_detectable_ratio, more_exposure_for
from logscope.statistics.distributions import correlation_chance
from logscope.statistics.rates import clustered_rate
from logscope.statistics.trend import weighted_trend

ONE = np.ones(2)
FIRST, SECOND = np.array([0.0, 2.0]), np.array([1.0, 5.0])


@pytest.mark.parametrize(
    ("repeatability", "between"),
    [
        # with deviations of 1, Cochran's Q is 2 and 8 for one degree of freedom each: (1 + 7)/(1 + 1) = 4
        (0.0, 4.0), (1.9, 4.0), (3.0, 9.0),
    ],
)  # fmt: skip
def test_what_differs_from_time_to_time_is_pooled_over_both_sides(repeatability: float, between: float) -> None:
    """DerSimonian and Laird by hand; chances and limits by scipy.stats.norm."""
    found = change_of_repeats(FIRST, ONE, SECOND, ONE, repeatability=repeatability, margin=0.5)
    own, error = sqrt((1.0 + between) / 2.0), sqrt(1.0 + between)
    for estimate, value, deviation in ((found.first, 1.0, own), (found.second, 3.0, own), (found.change, 2.0, error)):
        limits = stats.norm.ppf([0.5, 0.025, 0.975], value, deviation)
        assert (estimate.value, estimate.low, estimate.high) == pytest.approx(tuple(limits))
    assert found.change.p_value == pytest.approx(2.0 * stats.norm.sf(1.5 / error))
    turned = change_of_repeats(SECOND, ONE, FIRST, ONE, repeatability=repeatability, margin=0.5).change
    assert (turned.value, turned.p_value) == pytest.approx((-2.0, found.change.p_value))


def test_levels_of_one_set_and_of_several() -> None:
    found = level_of_repeats(FIRST, ONE, repeatability=0.0)  # Q of 2 leaves a variance of 1 beside the own 1
    assert (found.value, found.low, found.high) == pytest.approx((1.0, 1.0 - 1.95996, 1.0 + 1.95996), abs=1e-4)
    assert level_of_repeats(FIRST, ONE, repeatability=2.0).high == pytest.approx(1.0 + 1.95996 * sqrt(2.5), abs=1e-4)
    sets = levels_of_sets([(FIRST, ONE), (SECOND, ONE)])
    assert sets == [pytest.approx((1.0, sqrt(2.5))), pytest.approx((3.0, sqrt(2.5)))]
    assert levels_of_sets([(FIRST, ONE)], repeatability=3.0) == [pytest.approx((1.0, sqrt(5.0)))]


def test_units_of_unlike_deviation_weigh_by_their_variance() -> None:
    """Weights 1 and 1/9 about a Q below its degree of freedom."""
    found = level_of_repeats(np.array([0.0, 1.0]), np.array([1.0, 3.0]), repeatability=0.0)
    assert found.value == pytest.approx(0.1)
    assert found.high - found.value == pytest.approx(1.95996 / sqrt(10.0 / 9.0), abs=1e-4)


@pytest.mark.parametrize("margin", [0.0, 0.4])
@pytest.mark.parametrize("lone", [0, 1])
def test_one_cell_is_students_test_of_two_samples(margin: float, lone: int) -> None:
    """scipy.stats.ttest_ind; a cell that one unit alone saw on a side bears on nothing."""
    first, second = np.array([0.1, 0.9, 0.4]), np.array([1.9, 3.4, 2.3])
    values = [np.column_stack([each, [50.0, -70.0, 20.0]]) for each in (first, second)]
    seen = [[1.0, 0.0, 0.0] if side == lone else [1.0, 1.0, 1.0] for side in (0, 1)]
    weights = [np.column_stack([np.ones(3), each]) for each in seen]
    found = change_in_cells(values[0], weights[0], values[1], weights[1], margin=margin)
    assert found is not None
    expected = stats.ttest_ind(second - margin, first)
    assert found.change.p_value == pytest.approx(expected.pvalue)
    interval = stats.ttest_ind(second, first).confidence_interval(0.95)
    assert (found.change.low, found.change.high) == pytest.approx((interval.low, interval.high))
    assert found.change.value == pytest.approx(second.mean() - first.mean())
    for level, of in ((found.first, first), (found.second, second)):
        reach = stats.t.ppf(0.975, 4) * of.std(ddof=1) / sqrt(3.0)
        assert (level.low, level.value, level.high) == pytest.approx((of.mean() - reach, of.mean(), of.mean() + reach))


def test_cells_weigh_as_both_sides_saw_them() -> None:
    """Precision of a difference, w₁·w₂/(w₁ + w₂): 2·6/8 = 1.5 and 4·4/8 = 2, so 3/7 and 4/7."""
    first, second = np.array([[0.0, 0.0], [0.1, 0.1]]), np.array([[7.0, 14.0], [7.1, 14.1]])
    found = change_in_cells(first, np.array([[1.0, 2.0]] * 2), second, np.array([[3.0, 2.0]] * 2), margin=0.0)
    assert found is not None
    assert found.change.value == pytest.approx(7.0 * 3 / 7 + 14.0 * 4 / 7)


def test_values_without_any_scatter_give_no_error_to_judge_by() -> None:
    assert change_in_cells(np.zeros((3, 1)), np.ones((3, 1)), np.ones((3, 1)), np.ones((3, 1)), margin=0.0) is None


@pytest.mark.parametrize(
    ("first", "expected", "dispersion", "level", "margin"),
    [(60.0, 60.0, 1.0, 0.05, 0.0), (60.0, 150.0, 1.0, 0.01, 0.0), (200.0, 90.0, 2.5, 0.05, 0.0),
     (120.0, 120.0, 1.0, 0.05, 0.15)],
)  # fmt: skip
def test_a_fall_that_is_shown_in_nine_of_ten_is_statsmodels_power(
    first: float, expected: float, dispersion: float, level: float, margin: float
) -> None:
    """statsmodels' power of the Wald test of log rates, against a ratio of 1 + margin."""

    def power(ratio: float, after: float) -> float:
        return float(
            power_poisson_ratio_2indep(
                1.0, ratio, nobs1=first, nobs_ratio=after / first, value=1.0 + margin, alpha=level / 2.0,
                dispersion=dispersion, alternative="larger", method_var="alt", return_results=False,
            )
        )  # fmt: skip

    ratio = minimum_detectable_ratio(first, expected, dispersion, level, margin)
    assert ratio is not None
    assert power(ratio, expected) == pytest.approx(0.9, abs=1e-3)
    more = more_exposure_for(0.5, first, 10.0, dispersion, level, margin)
    assert more > 0
    assert power(0.5, 10.0 * (1.0 + more)) == pytest.approx(0.9, abs=1e-3)


def recorded(*events_s: float) -> Recorded:
    """Three events expected in 20 s, evenly."""
    return Recorded(np.array(events_s), np.array([0.0, 20.0]), np.array([0.0, 3.0]))


@pytest.mark.parametrize(
    ("events_s", "window_s", "dispersion"),
    [
        # a pair beyond the 3 · 0.15 · 2/3 expected ones: 1 + 2 · (1 − 0.3)/3
        ((2.0, 2.5, 10.0), 1.0, 1.0 + 1.4 / 3),
        ((2.0, 3.0, 10.0), 1.0, 1.0 + 1.4 / 3), ((2.0, 3.01, 10.0), 1.0, 1.0),
        ((2.0, 2.5, 3.0), 1.0, 1.0 + 5.4 / 3),  # three pairs
        ((2.0, 19.9, 20.0), 1.0, 1.0 + 2 * (1 - 0.1 - 0.01) / 3),  # nothing is expected after the end
        ((2.0,), 1.0, 1.0),
    ],
)  # fmt: skip
def test_pairs_beyond_the_expected_ones_disperse_the_counts(
    events_s: tuple[float, ...], window_s: float, dispersion: float
) -> None:
    """Cox and Isham, Point Processes, section 2.5, by hand."""
    assert clustering([recorded(*events_s)], window_s).dispersion == pytest.approx(dispersion)


def test_pairs_that_chance_gives_are_no_clusters_and_many_are() -> None:
    assert clustering([recorded(2.0, 2.5, 10.0)], 1.0).clusters is None
    found = clustering([recorded(2.0, 2.1, 2.2, 2.3, 2.4, 2.5)], 1.0)
    assert found.clusters == pytest.approx(6.0 / found.dispersion)


@pytest.mark.parametrize(
    ("counts", "fitted", "spread"),
    [
        # expected 10 each: χ² = 2 · 36/10 = 7.2 for one degree of freedom, 3.6 for two
        ([16.0, 4.0, 10.0], 2, 7.2 * (stats.t.ppf(0.975, 1) / stats.norm.ppf(0.975)) ** 2),
        ([16.0, 4.0, 10.0], 1, 3.6 * (stats.t.ppf(0.975, 2) / stats.norm.ppf(0.975)) ** 2),
        ([16.0, 4.0, 10.0], 3, 1.0),
        ([13.0, 7.0, 10.0], 2, 1.8 * (stats.t.ppf(0.975, 1) / stats.norm.ppf(0.975)) ** 2),  # χ² 1.8: 18 of 100
        ([12.8, 7.2, 10.0], 2, 1.0),  # χ² 1.568: 21 of 100 by chance
    ],
)
def test_whole_units_differ_by_pearsons_chi_squared(counts: list[float], fitted: int, spread: float) -> None:
    """scipy.stats: chi-squared and Student's distributions."""
    assert spread_of_units(counts, [10.0] * 3, 1.0, fitted, 0.05) == pytest.approx(spread)


def test_what_is_dispersed_within_units_is_no_difference_between_them() -> None:
    assert spread_of_units([16.0, 4.0, 10.0], [10.0] * 3, 5.0, 1, 0.05) == 1.0


def test_counts_in_bursts_are_worth_fewer_by_pearsons_dispersion() -> None:
    """0 and 4 of 2 expected: χ² = 4. Garwood's limits of one event, 0.0253 to 5.572, over half of the exposure."""
    found = clustered_rate(np.array([0.0, 4.0, 9.0]), np.array([1.0, 1.0, 0.0]))
    assert (found.value, found.low, found.high) == pytest.approx((2.0, 0.0253 / 0.5, 5.5716 / 0.5), rel=1e-3)
    even = clustered_rate(np.array([2.0, 2.0]), np.array([1.0, 1.0]))  # never taken as less than chance
    assert (even.low, even.high) == pytest.approx((1.0899 / 2.0, 10.2416 / 2.0), rel=1e-3)


@pytest.mark.parametrize("count", [3, 8, 40])
def test_the_chance_of_a_correlation_is_that_of_scipy(count: int) -> None:
    x, y = np.random.default_rng(count).standard_normal((2, count))
    expected = stats.pearsonr(x, y)
    assert correlation_chance(expected.statistic, count) == pytest.approx(expected.pvalue)
    assert correlation_chance(1.0, count) == correlation_chance(-1.0, count) == 0.0


def test_the_level_of_a_trend_is_where_its_line_is_known_best() -> None:
    """statsmodels WLS: the mean of the prediction at the weighted centre, with its limits."""
    rng = np.random.default_rng(14)
    x, deviation = np.array([0.0, 1.0, 4.0, 6.0, 9.0]), np.array([1.0, 2.0, 0.5, 1.0, 3.0])
    y = 2.0 + 0.7 * x + 4.0 * rng.normal(0.0, deviation)
    trend = weighted_trend(x, y, deviation)
    assert trend is not None
    fit = sm.WLS(y, sm.add_constant(x), weights=deviation**-2.0).fit()
    assert trend.centre == pytest.approx(np.average(x, weights=deviation**-2.0))
    at = fit.get_prediction(np.array([[1.0, trend.centre]])).summary_frame(alpha=0.05).iloc[0]
    assert (trend.level, trend.level_low, trend.level_high) == pytest.approx(
        (at["mean"], at["mean_ci_lower"], at["mean_ci_upper"])
    )
    assert trend.at(x) == pytest.approx(fit.fittedvalues)
    assert trend.change == pytest.approx(9.0 * fit.params[1])
    assert log(trend.p_value) == pytest.approx(log(fit.pvalues[1]))
