"""Changes of levels and the power of a comparison, against statsmodels, scipy and simulation."""

from __future__ import annotations

from math import inf, log

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.rates import power_poisson_ratio_2indep

from logscope.statistics.change import change_in_cells, change_of_repeats
from logscope.statistics.detectability import minimum_detectable_ratio, more_exposure_for
from logscope.statistics.rates import rate_ratio


def test_one_side_is_pooled_as_in_a_random_effects_meta_analysis() -> None:
    """statsmodels: combine_effects, DerSimonian–Laird. A second side of one value adds nothing to the scatter."""
    rng = np.random.default_rng(8)
    value, deviation = rng.normal(0, 0.3, 9), rng.uniform(0.05, 0.2, 9)
    theirs = combine_effects(value, deviation**2, method_re="chi2").summary_frame().loc["random effect"]
    ours = change_of_repeats(value, deviation, np.array([5.0]), np.array([0.1]), repeatability=0.0, margin=0.0).first
    assert (ours.value, ours.low, ours.high) == pytest.approx((theirs["eff"], theirs["ci_low"], theirs["ci_upp"]))


def test_a_margin_that_does_not_matter_raises_the_p_value() -> None:
    one, other, deviation = np.array([0.0]), np.array([0.05]), np.array([0.005])
    strict, lenient = (
        change_of_repeats(one, deviation, other, deviation, repeatability=0.0, margin=margin).change.p_value
        for margin in (0.0, 0.06)
    )
    assert strict < 1e-6
    assert lenient == 1.0


def test_the_change_within_cells_is_that_of_a_regression_with_a_level_a_cell() -> None:
    """statsmodels: WLS with a level a cell; its clustered errors (HC1-like) agree with ours to some 10 %."""
    rng = np.random.default_rng(21)
    value = [rng.normal(0, 0.2, (12, 4)) + np.arange(4) + rng.normal(0, 0.1, (12, 1)) + 0.3 * k for k in (0, 1)]
    weight = [rng.uniform(20, 90, (12, 4)) * (rng.uniform(size=(12, 4)) < 0.8) for _ in (0, 1)]
    found = change_in_cells(value[0], weight[0], value[1], weight[1], margin=0.0)
    y, w = np.concatenate(value).ravel(), np.concatenate(weight).ravel()
    design = np.column_stack([np.tile(np.eye(4), (24, 1)), np.repeat([0, 1], 48)])
    seen = w > 0
    fit = sm.WLS(y[seen], design[seen], weights=w[seen]).fit(
        cov_type="cluster", cov_kwds={"groups": np.repeat(np.arange(24), 4)[seen]}
    )
    assert found is not None
    assert found.change.value == pytest.approx(fit.params[-1], rel=1e-9)
    assert (found.change.high - found.change.low) / 2 / 2.07 == pytest.approx(fit.bse[-1], rel=0.1)


def test_no_shared_cell_gives_no_change() -> None:
    nothing = np.zeros((3, 2))
    seen = np.array([[1.0, 0.0]] * 3)
    assert change_in_cells(nothing, seen, nothing, seen[:, ::-1], margin=0.0) is None


def test_the_smallest_fall_shown_has_the_power_it_claims() -> None:
    """statsmodels: power of the Wald test of log rates."""
    ratio = minimum_detectable_ratio(60, 60, 1.0)
    assert ratio is not None
    theirs = power_poisson_ratio_2indep(
        1.0, ratio, nobs1=60, value=1, alpha=0.05, alternative="two-sided", method_var="alt", return_results=False
    )
    assert theirs == pytest.approx(0.9, abs=0.02)


@pytest.mark.parametrize("events", [40, 200])
def test_as_much_more_driving_as_said_shows_a_halving_in_nine_of_ten(events: int) -> None:
    """Simulation against the exact test of two Poisson rates."""
    more = 1.0 + more_exposure_for(0.5, events, 10.0, 1.0)
    if more == inf:
        return
    rng = np.random.default_rng(4)
    after, before = rng.poisson(0.5 * 10.0 * more, 400), rng.poisson(events, 400)
    shown = np.mean(
        [rate_ratio(int(a), 10.0 * more, int(b), events).p_value < 0.05 for a, b in zip(after, before, strict=True)]
    )
    assert shown == pytest.approx(0.9, abs=0.06)


def test_too_few_events_before_can_show_nothing() -> None:
    assert minimum_detectable_ratio(0, 5, 1.0) is None
    assert minimum_detectable_ratio(2, 5, 1.0) is None
    assert more_exposure_for(0.5, 4, 5.0, 1.0) == inf
    assert more_exposure_for(0.5, 1000, 1000.0, 1.0) == 0
    assert more_exposure_for(0.5, 100, 10.0, 1.0, margin=0.1) > more_exposure_for(0.5, 100, 10.0, 1.0)
    assert log(minimum_detectable_ratio(1000, 1000, 4.0) or 1.0) == pytest.approx(
        2 * log(minimum_detectable_ratio(1000, 1000, 1.0) or 1.0), rel=0.1
    )
