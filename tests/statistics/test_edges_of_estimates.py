"""Estimates from few events, few values and small units, where a rule begins or ends: by hand, numpy and scipy."""

from __future__ import annotations

from math import inf, log

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from logscope.statistics.change import change_in_cells, change_of_repeats, levels_of_sets
from logscope.statistics.clustering import INDEPENDENT, Recorded, clustering, spread_of_units
from logscope.statistics.count_regression import fit_counts, profile_limits
from logscope.statistics.detectability import minimum_detectable_ratio, more_exposure_for
from logscope.statistics.integral import Integral, integrate
from logscope.statistics.rate_change import Observed, _efficient_variance, _tails, fit_law, rate_change
from logscope.statistics.robust import noise_floor

SECOND = np.array([False, False, True, True])


def test_a_side_without_an_event_has_garwoods_limit_for_its_dispersion() -> None:
    """exp(−λ) = 2.5 %, for an exposure that counts half."""
    two = SECOND[1:3]
    found = rate_change(Observed(np.array([0.0, 9.0]), np.array([40.0, 20.0]), two, np.zeros((2, 0))), 2.0)
    assert (found.first.value, found.first.low) == (0.0, 0.0)
    assert found.first.high == pytest.approx(-log(0.025) / 20.0)
    own = stats.chi2.ppf([0.025, 0.975], [9.0, 11.0]) / 2.0 / 10.0  # 4.5 events over 10
    assert (found.second.low, found.second.high) == pytest.approx(tuple(own), rel=1e-4)
    turned = rate_change(Observed(np.array([9.0, 0.0]), np.array([40.0, 20.0]), two, np.zeros((2, 0))), 2.0)
    assert turned.second.high == pytest.approx(-log(0.025) / 10.0)
    assert (turned.ratio.value, turned.ratio.low) == (0.0, 0.0)
    assert (found.ratio.value, found.ratio.high) == (inf, inf)
    alike = rate_change(Observed(np.array([9.0, 9.0]), np.array([20.0, 20.0]), two, np.zeros((2, 0))), 1.0, 3.0)
    assert alike.ratio.p_value == 1.0  # far within a margin of three


def test_the_efficient_variance_is_that_beside_level_and_slope() -> None:
    """numpy: one over the element of the inverse of the whole information, a slope's deviation of 5 in it."""
    covariates = np.array([[0.0], [0.7], [0.4], [1.0]])
    mean = np.array([0.3, 0.2, 0.4, 0.9])
    design = np.column_stack([SECOND, np.ones(4), covariates])
    information = design.T @ (design * mean[:, None]) + np.diag([0.0, 0.0, 1 / 25.0])
    made = Observed(np.ones(4), np.ones(4), SECOND, covariates)
    assert _efficient_variance(made, mean) == pytest.approx(1.0 / np.linalg.inv(information)[0, 0])


def test_two_events_are_binomial_once_scaled_to_the_efficient_variance() -> None:
    """scipy.stats.binom: a dispersion that undoes the scaling leaves one of two events, at an even share."""
    made = Observed(np.array([1.0, 0.0, 0.0, 1.0]), np.ones(4), SECOND, np.array([[0.0], [0.2], [0.8], [1.0]]))
    law = fit_law(made)
    mean = law.rate(made.covariates, SECOND)
    assert mean[2:].sum() == pytest.approx(1.0)
    narrower = _efficient_variance(made, mean) / (2.0 * 0.5 * 0.5)
    assert narrower < 0.9
    found = _tails(made, law.log_ratio, 1.0 / narrower)
    assert found == pytest.approx((stats.binom.cdf(1, 2, 0.5), stats.binom.sf(0, 2, 0.5)), abs=1e-3)


def test_the_exposure_that_is_missing_scales_with_what_there_is() -> None:
    """Twenty times fewer events expected: twenty times as much exposure until the same number."""
    for ratio in (0.5, 0.2):
        whole, part = (1.0 + more_exposure_for(ratio, 200.0, expected, 1.0) for expected in (10.0, 0.5))
        assert part == pytest.approx(20.0 * whole)
    assert more_exposure_for(0.5, 0.0, 5.0, 1.0) == more_exposure_for(0.5, 50.0, 0.0, 1.0) == inf
    assert minimum_detectable_ratio(50.0, 0.0, 1.0) is None
    assert minimum_detectable_ratio(0.0, 50.0, 1.0) is None
    assert more_exposure_for(0.5, 200.0, 10.0, 1.0) == more_exposure_for(0.5, 200.0, 10.0, 1.0, 0.05, 0.0)
    assert minimum_detectable_ratio(50.0, 50.0, 1.0) == minimum_detectable_ratio(50.0, 50.0, 1.0, 0.05, 0.0)
    assert more_exposure_for(0.01, 1.0, 0.1, 1.0) < inf  # a fall to a hundredth shows even after one event
    assert minimum_detectable_ratio(1.0, 1e9, 0.1) is not None


def test_two_events_in_a_window_are_a_pair_and_alone_are_none() -> None:
    """Two, with 0.1 expected within the window: 1 + 2 · (1 − 0.1 · ½ · 2)/2."""
    edges, until = np.array([0.0, 100.0]), np.array([0.0, 10.0])
    assert clustering([Recorded(np.array([5.0, 5.5]), edges, until)], 1.0).dispersion == pytest.approx(1.9)
    apart = [Recorded(np.array([at]), edges, until) for at in (5.0, 5.5)]
    assert clustering(apart, 1.0).dispersion == 1.0  # of two recordings
    assert clustering(apart[:1], 1.0) == clustering([], 1.0) == INDEPENDENT
    none = Recorded(np.array([]), edges, until)
    assert clustering([none, Recorded(np.array([5.0, 5.5]), edges, until)], 1.0).dispersion == pytest.approx(1.9)


@pytest.mark.parametrize(("expected", "clusters"), [(0.05, True), (0.056, False)])
def test_a_pair_that_chance_gives_in_one_of_twenty_is_a_cluster(expected: float, clusters: bool) -> None:
    """Each of two events expects half of what is expected within the window to follow it: by scipy.stats.nbinom a pair
    comes by chance in 4.8 and in 5.4 % of logs."""
    edges, until = np.array([0.0, 100.0]), np.array([0.0, 100.0 * expected])
    assert stats.nbinom.sf(0, 2, 1.0 / (1.0 + expected / 2.0)) == pytest.approx(
        0.0482 if clusters else 0.0538, abs=1e-4
    )
    found = clustering([Recorded(np.array([5.0, 5.5]), edges, until)], 1.0)
    assert (found.clusters is not None) is clusters


def test_where_nothing_is_expected_any_pair_is_a_cluster() -> None:
    edges, until = np.array([0.0, 100.0]), np.zeros(2)
    assert clustering([Recorded(np.array([5.0, 5.5]), edges, until)], 1.0).clusters == pytest.approx(1.0)
    assert clustering([Recorded(np.array([5.0, 9.5]), edges, until)], 1.0) == INDEPENDENT


def test_many_units_differ_by_little() -> None:
    """Twenty-one units of which χ² is 26, for 20 degrees of freedom: by chance in 17 of 100."""
    counts = 10.0 + 13.0**0.5 * np.array([*np.tile([1.0, -1.0], 10), 0.0])
    widening = (stats.t.ppf(0.975, 20) / stats.norm.ppf(0.975)) ** 2
    assert spread_of_units(counts.tolist(), [10.0] * 21, 1.0, 1, 0.05) == pytest.approx(1.3 * widening)


def test_a_change_well_within_the_margin_has_a_chance_of_one() -> None:
    value, ones = np.array([[0.0], [0.2]]), np.ones((2, 1))
    found = change_in_cells(value, ones, value + 0.1, ones, margin=5.0)
    assert found is not None
    assert found.change.p_value == 1.0
    assert found.change.value == pytest.approx(0.1)
    single = np.array([1.0])
    assert change_of_repeats(single, single, single, single, repeatability=0.0, margin=9.0).change.p_value == 1.0


def test_a_set_of_one_value_shows_nothing_of_what_differs_from_time_to_time() -> None:
    one, four = np.array([3.0]), np.array([0.5])
    assert levels_of_sets([(one, four)]) == [pytest.approx((3.0, 0.5))]
    far = levels_of_sets([(one, four), (np.array([90.0]), four)])  # neither with a degree of freedom
    assert far == [pytest.approx((3.0, 0.5)), pytest.approx((90.0, 0.5))]


def test_an_integral_in_another_unit_and_of_nothing() -> None:
    found = Integral(3.0, 1.0, 7.0, 9.0).scaled(0.25)
    assert (found.value, found.low, found.high, found.covered_s) == (0.75, 0.25, 1.75, 9.0)
    assert integrate(np.array([4.0]), np.array([7.0])) == Integral(0.0, 0.0, 0.0, 0.0)
    assert integrate(np.array([]), np.array([])) == Integral(0.0, 0.0, 0.0, 0.0)


def test_two_second_differences_count_as_one() -> None:
    """To and fro by turns over 21 samples: every one leaves its neighbours by 2, and none those two away.

    That is noise of 4/1.5 in each of twenty steps, with Student's quantile of half of nineteen.
    """
    found = integrate(np.arange(21.0), (-1.0) ** np.arange(21))
    half = stats.t.ppf(0.975, 9.5) * (4.0 / 1.5 * 20.0) ** 0.5
    assert (found.value - found.low, found.high - found.value) == pytest.approx((half, half))


def test_profile_limits_of_a_ratio_are_those_of_a_binomial_share() -> None:
    """scipy.stats.binom: of 2 and 10 events, ten of twelve; twice the log-likelihood falls by chi-squared's 95 %."""
    counts, ones = np.array([2.0, 10.0]), np.ones(2)
    columns = np.column_stack([ones, [0.0, 1.0]])

    def above(log_ratio: float) -> float:
        share = 1.0 / (1.0 + np.exp(-log_ratio))
        fall = stats.binom.logpmf(10, 12, 10 / 12) - stats.binom.logpmf(10, 12, share)
        return float(2.0 * fall - stats.chi2.ppf(0.95, 1))

    expected = brentq(above, -3.0, log(5.0)), brentq(above, log(5.0), 6.0)
    found = profile_limits(counts, ones, columns, fit_counts(counts, ones, columns), 1)
    assert found == pytest.approx(expected, abs=1e-3)
    assert found[1] - log(5.0) > 1.1 * (log(5.0) - found[0])  # not alike


def test_three_values_have_a_noise_and_two_have_none() -> None:
    assert noise_floor(np.array([1.0, 2.0, 4.0])) == 0.0  # a single second difference has no scatter
    assert np.isnan(noise_floor(np.array([1.0, 2.0])))
