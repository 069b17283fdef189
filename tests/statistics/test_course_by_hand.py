"""The pieces of a course over time, by hand and by numpy's and statsmodels' least squares."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.optimize import brentq

from logscope.arrays import FloatArray
from logscope.statistics.course import (
    _best,
    _chance,
    _column,
    _evened,
    _fit,
    _held,
    _is_sharp,
    _lasting,
    _misfit,
    _places,
    _profile,
    _replaced,
    _Series,
    _step,
    _surroundings,
    _within_reach,
    course,
)
from logscope.statistics.partition import drawn_in, partition, scatter

ONE = np.ones(12)
INDEX = np.arange(12)


def series(y: FloatArray, deviation: float = 1.0, *groupings: np.ndarray) -> _Series:
    x = np.linspace(-0.5, 0.5, y.size)
    return _Series(x, y, np.full(y.size, deviation), groupings)


@pytest.mark.parametrize(
    ("groups", "evened"),
    [
        # four changes between the two: those of 1 come down by the median of theirs
        ([0, 0, 1, 0, 1, 0], True), ([0, 0, 0, 1, 1, 0], False), ([0, 1, 0, 1, 1, 0, 0], True),
        ([1, 1, 0, 1, 0, 1], True), ([0, 0, 0, 1, 0, 2], False),
    ],
)  # fmt: skip
def test_groups_by_turns_are_brought_onto_the_level_of_the_largest(groups: list[int], evened: bool) -> None:
    own = np.array(groups)
    largest = int(np.argmax(np.bincount(own)))
    y = np.where(own == largest, 10.0, 13.0)
    assert _evened(y, own).tolist() == ([10.0] * len(groups) if evened else y.tolist())


def test_one_step_in_the_vehicle_does_not_move_a_group() -> None:
    own = np.array([0, 1, 0, 1, 0, 1, 0, 0])
    y = 3.0 * own + np.where(np.arange(8) >= 3, 20.0, 0.0)  # falls together with one of six changes
    assert _evened(y, own).tolist() == [0.0] * 3 + [20.0] * 5


@pytest.mark.parametrize(("number", "around"), [(0, slice(0, 7)), (1, slice(3, 9)), (2, slice(7, 12))])
def test_the_surroundings_of_a_step_reach_to_its_neighbours(number: int, around: slice) -> None:
    assert _surroundings((3, 7, 9), number, 12) == around


def test_places_are_one_of_all_or_a_beginning_and_an_end() -> None:
    flat = series(np.zeros(12))
    assert (_places(flat, ()), _places(flat, (5,)), _places(flat, (3, 7))) == (11, 11, 66)


@pytest.mark.parametrize("sloped", [False, True])
def test_a_fit_is_statsmodels_weighted_least_squares(sloped: bool) -> None:
    """statsmodels WLS; its covariance for a scale that is what the residuals show, no smaller than stated."""
    rng = np.random.default_rng(3)
    deviation = rng.uniform(0.5, 2.0, 12)
    x = np.linspace(-0.5, 0.5, 12)
    group = (INDEX % 3 == 0).astype(np.intp)
    y = 1.0 + 4.0 * (INDEX >= 5) + 2.0 * x + 3.0 * group + 4.0 * deviation * rng.standard_normal(12)
    own = _Series(x, y, deviation, (np.zeros(12, dtype=np.intp), group))
    columns = [ONE, INDEX >= 5, *([x] if sloped else []), group]
    fit = sm.WLS(y, np.column_stack(columns).astype(float), weights=deviation**-2.0).fit()
    found = _fit(own, (5,), sloped, (1,))
    assert found.value == pytest.approx(fit.params)
    assert found.residual == pytest.approx(fit.resid)
    assert found.misfit == pytest.approx(float(np.sum((fit.resid / deviation) ** 2)))
    assert found.freedom == 12 - len(columns) - 1  # the place is fitted, too
    lasting = _lasting(found.residual / deviation)
    assert found.excess == pytest.approx(found.misfit / found.freedom * lasting)
    assert found.covariance == pytest.approx(fit.normalized_cov_params * found.excess)
    estimate = found.estimate(_column(found, 1), places=3)
    error = found.covariance[1, 1] ** 0.5
    assert estimate is not None
    assert (estimate.low, estimate.high) == pytest.approx(stats.t.interval(0.95, found.freedom, fit.params[1], error))
    chance = 2.0 * stats.t.sf(abs(fit.params[1]) / error, found.freedom)
    assert estimate.p_value == pytest.approx(min(1.0, 3.0 * chance))
    assert _chance(own, found, (5,), 0) == pytest.approx(min(1.0, 11.0 * chance))
    calm = _fit(series(np.tile([0.1, -0.1], 6)), (), False, ())
    assert calm.excess == 1.0


def test_what_a_design_does_not_determine_has_no_estimate() -> None:
    """A step that always comes with another group."""
    own = series(np.where(INDEX >= 6, 5.0, 0.0) + 0.1 * (-1.0) ** INDEX, 1.0, (INDEX >= 6).astype(np.intp))
    fit = _fit(own, (6,), False, (0,))
    assert fit.estimate(_column(fit, 1)) is None
    assert _chance(own, fit, (6,), 0) == 1.0
    assert fit.estimate(_column(fit, 0)) is not None


@pytest.mark.parametrize(
    ("residual", "factor"),
    [
        # r of a run of 16: products of neighbours over squares
        (np.repeat([1.0, -1.0], 8), (1 + 13 / 16) / (1 - 13 / 16)), (np.tile([1.0, -1.0], 8), 1.0), (np.zeros(5), 1.0),
        # 1.645 standard errors of 1/√n: 7/16 is 1.75 of them, 5/16 1.25
        (np.array([1, 1, 1, 1, -1, -1, -1, -1, 1, 1, 1, 1, -1, -1, 1, 1.0]), 23 / 9),
        (np.array([1, 1, 1, 1, -1, -1, -1, -1, 1, 1, 1, 1, -1, -1, 1, -1.0]), 1.0),
        (np.ones(200), (1 + 0.95) / (1 - 0.95)),
    ],
)  # fmt: skip
def test_what_lasts_from_item_to_item_widens_as_a_series_of_first_order_does(
    residual: FloatArray, factor: float
) -> None:
    """Bayley and Hammersley (1946), by hand."""
    assert _lasting(residual) == pytest.approx(factor)


def test_a_misfit_is_numpys_least_squares_in_deviations() -> None:
    rng = np.random.default_rng(5)
    y, deviation = rng.normal(size=12), rng.uniform(0.5, 2.0, 12)
    design = np.column_stack([ONE, INDEX])
    left = y - design @ np.polyfit(INDEX, y, 1, w=1 / deviation)[::-1]
    assert _misfit(design, y, deviation) == pytest.approx(float(np.sum((left / deviation) ** 2)))


def test_far_items_are_drawn_to_three_and_a_half_deviations_of_the_course() -> None:
    own = series(np.zeros(12))
    fit = _fit(own, (), False, ())
    y = np.where(INDEX == 4, 9.0, np.where(INDEX == 7, -3.0, 0.0))
    assert _within_reach(y, fit, own.deviation).tolist() == np.clip(y, -3.5, 3.5).tolist()


def test_the_profile_of_a_step_is_the_misfit_of_two_levels_at_each_place() -> None:
    y = np.where(INDEX >= 5, 4.0, 0.0) + 0.3 * np.sin(INDEX)
    own = series(y, 0.5)
    fit = _fit(own, (5,), False, ())
    first, misfit = _profile(own, fit, (5,), 0)
    assert first == 1
    by_hand = [4.0 * (np.sum((y[:k] - y[:k].mean()) ** 2) + np.sum((y[k:] - y[k:].mean()) ** 2)) for k in range(1, 12)]
    np.testing.assert_allclose(misfit, by_hand, atol=1e-9)
    assert _replaced(own, (7,), False) == (5,)
    assert _replaced(series(np.where(INDEX >= 10, 9.0, 0.0)), (7,), False) == (9,)  # each level lasts three items


@pytest.mark.parametrize(
    ("y", "step", "sharp"),
    [
        (np.where(INDEX >= 6, 5.0, 0.0), 6, True), (np.where(INDEX >= 6, -5.0, 0.0), 6, True),
        (np.where(INDEX >= 6, 105.0, 100.0), 6, True), (np.where(INDEX >= 6, -105.0, -100.0), 6, True),
        (INDEX / 1.5, 6, False),  # a ramp
        (np.where(INDEX >= 6, 1.0, 0.0), 6, False),  # gains no more than a parameter costs
        (5.0 * np.sin(INDEX / 3.5), 6, False),  # a bend
        (np.where((INDEX >= 6) & (INDEX < 8), 30.0, 0.0), 6, False),  # two items draw a level along
        (np.where((INDEX >= 6) & (INDEX < 9), 30.0, np.where(INDEX >= 6, 29.0, 0.0)), 6, True),
    ],
)  # fmt: skip
def test_a_step_is_sharp_where_two_levels_explain_it_better_than_a_ramp_or_a_bend(
    y: FloatArray, step: int, sharp: bool
) -> None:
    own = series(y + 0.2 * (-1.0) ** INDEX)
    assert _is_sharp(own, _fit(own, (step,), False, ()), (step,), 0) is sharp


@pytest.mark.parametrize("scatter_of", [0.0, 2.0])
@pytest.mark.parametrize(("times", "sharp"), [(1.08, True), (0.92, False)])
def test_a_step_gains_what_a_parameter_costs_over_a_ramp(scatter_of: float, times: float, sharp: bool) -> None:
    """numpy.polyfit: by log(12), times the mean square that the best of step, ramp and cubic leaves, 1 at least."""
    noise = scatter_of * np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0] * 2)

    def gain(size: float) -> float:
        y = np.where(INDEX >= 6, size, 0.0) + noise
        levels = float(sum(np.sum((half - half.mean()) ** 2) for half in (y[:6], y[6:])))
        ramp, bend = (float(np.sum((y - np.polyval(np.polyfit(INDEX, y, k), INDEX)) ** 2)) for k in (1, 3))
        return (ramp - levels) / max(1.0, min(levels, bend) / 8.0)

    size = brentq(lambda x: gain(x) - times * np.log(12.0), 0.1 + scatter_of, 9.0)
    own = series(np.where(INDEX >= 6, size, 0.0) + noise)
    assert _is_sharp(own, _fit(own, (6,), False, ()), (6,), 0) is sharp


@pytest.mark.parametrize("scatter_of", [0.0, 2.0])
@pytest.mark.parametrize(("times", "sharp"), [(0.92, True), (1.08, False)])
def test_a_bend_takes_a_step_away_by_what_a_parameter_costs(scatter_of: float, times: float, sharp: bool) -> None:
    """numpy.polyfit: a cubic that leaves less than two levels by log(12) times the mean square, 1 at least."""
    noise = scatter_of * np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0] * 2)
    step = np.where(INDEX >= 6, 1.0, 0.0)
    shape = 0.3 * step + 0.7 * np.polyval(np.polyfit(INDEX, step, 3), INDEX)  # nearer to a cubic than to a step

    def made(size: float) -> FloatArray:
        return np.asarray(size * shape + noise)

    def gain(size: float) -> float:
        y = made(size)
        levels = float(sum(np.sum((half - half.mean()) ** 2) for half in (y[:6], y[6:])))
        ramp, bend = (float(np.sum((y - np.polyval(np.polyfit(INDEX, y, k), INDEX)) ** 2)) for k in (1, 3))
        return (levels - bend) / max(1.0, min(levels, ramp, bend) / 8.0)

    own = series(made(brentq(lambda x: gain(x) - times * np.log(12.0), 0.5, 60.0)))
    assert _is_sharp(own, _fit(own, (6,), False, ()), (6,), 0) is sharp


@pytest.mark.parametrize("steps", [(3, 8), (4, 9), (5, 7), (4, 8)])
def test_each_of_two_steps_moves_to_its_place_and_the_other_stays(steps: tuple[int, int]) -> None:
    made = series(np.where((INDEX >= 4) & (INDEX < 8), 9.0, 0.0))
    assert _replaced(made, steps, False) == (4, 8)


@pytest.mark.parametrize("scatter_of", [0.0, 0.8, 2.0])
def test_the_place_of_a_step_is_open_where_the_misfit_falls_by_less(scatter_of: float) -> None:
    """numpy: two levels at each place; −2·ln(1 − √0.95) times what the series scatters more than stated."""
    y = np.where(INDEX >= 6, 5.0, 0.0) + scatter_of * np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0] * 2)
    made = series(y)
    misfit = np.array([sum(np.sum((half - half.mean()) ** 2) for half in (y[:k], y[k:])) for k in range(1, 12)])
    fall = -2.0 * np.log(1.0 - 0.95**0.5) * _fit(made, (6,), False, ()).excess
    near = 1 + np.flatnonzero(misfit - misfit.min() <= fall)
    found = _step(made, (6,), False, 0)
    assert (found.at, found.earliest, found.latest) == (6, near[0], near[-1])


@pytest.mark.parametrize(("times", "sloped"), [(1.08, True), (0.92, False)])
def test_a_slope_is_taken_where_it_gains_what_it_costs(times: float, sloped: bool) -> None:
    """Schwarz: a line without scatter whose squares about their mean are log(12) times that."""
    y = INDEX - 5.5
    y = y * np.sqrt(times * np.log(12.0) / np.sum(y**2))
    assert _best(series(y), np.ones(12)) == ((), sloped)


def test_steps_and_slopes_that_do_not_hold_are_taken_away() -> None:
    y = np.where(INDEX >= 6, 8.0, 0.0) + 0.3 * (-1.0) ** INDEX
    assert _held(series(y), (3, 6), False) == ((6,), False)
    assert _held(series(y), (6,), True) == ((6,), False)
    assert _held(series(0.3 * (-1.0) ** INDEX), (6,), False) == ((), False)
    assert _held(series(INDEX + 0.3 * (-1.0) ** INDEX), (), True) == ((), True)


def test_a_course_has_its_slope_in_the_unit_of_x_and_its_level() -> None:
    """numpy's line: 0.7 a unit."""
    x = np.linspace(100.0, 160.0, 30)
    y = 0.7 * x + 0.4 * (-1.0) ** np.arange(30)
    found = course(x, y, np.full(30, 0.5))
    assert found is not None
    assert found.slope is not None
    line = np.polyfit(x, y, 1)
    assert found.slope.value == pytest.approx(line[0])
    assert found.slope.low < line[0] < found.slope.high
    assert (found.slope.high - found.slope.low) / 2 == pytest.approx(
        stats.t.ppf(0.975, 28) * 0.5 / np.sqrt(np.sum((x - x.mean()) ** 2)), rel=0.01
    )
    assert found.level == pytest.approx(np.polyval(line, x))
    assert found.steps == ()


@pytest.mark.parametrize(
    ("y", "steps"),
    [
        ([0, 0, 0, 9, 9, 9], (3,)), ([0, 0, 9, 9, 9, 9], (3,)), ([0, 0, 0, 9, 9], ()),
        ([0, 0, 0, 9, 9, 9, 0, 0, 0], (3, 6)), ([0, 0, 0, 3, 3, 3], (3,)), ([0, 0, 0, 2, 2, 2], ()),
    ],
)  # fmt: skip
def test_levels_last_three_items_and_gain_more_than_their_penalty(y: list[float], steps: tuple[int, ...]) -> None:
    """A step of 3 over two levels of three items saves 13.5, one of 2 saves 6; a step costs 8."""
    assert partition(np.array(y, dtype=float), np.ones(len(y)), 8.0) == steps
    assert partition(2.0 * np.array(y), np.full(len(y), 2.0), 8.0) == steps


def test_scatter_is_of_neighbours_and_outliers_are_drawn_in() -> None:
    """Neighbours 3 apart of deviations 1: 3/√2 · 1.4826; the median of five plus 3.5 deviations."""
    assert scatter(np.tile([0.0, 3.0], 6), ONE) == pytest.approx(3.0 / 2**0.5 * 1.482602218505602)
    assert scatter(np.tile([0.0, 0.5], 6), ONE) == 1.0
    y = np.where(INDEX == 5, 9.0, 0.0)
    assert drawn_in(y, ONE)[5] == 3.5
    assert drawn_in(y, 2.0 * ONE)[5] == 7.0
    assert drawn_in(np.where(INDEX < 2, 9.0, 0.0), ONE)[:3].tolist() == [9.0, 8.0, 0.0]  # of 9, 9, 0 and 0 it is 4.5


def test_five_items_have_no_step_and_a_slope_at_most() -> None:
    found = course(np.arange(5.0), np.array([0.0, 0.0, 9.0, 9.0, 9.0]), np.full(5, 0.1))
    assert found is not None
    assert found.steps == ()
    six = course(np.arange(8.0), np.array([0.0, 0.01, 0.0, 0.01, 9.0, 9.01, 9.0, 9.01]), np.full(8, 0.1))
    assert six is not None
    assert [(step.at, step.earliest, step.latest) for step in six.steps] == [(4, 4, 4)]
    assert six.steps[0].change.value == pytest.approx(9.0)
    assert (six.steps[0].before.value, six.steps[0].after.value) == pytest.approx((0.005, 9.005))
