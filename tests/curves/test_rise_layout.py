"""The parameters of a rising curve, one by one: by hand, and where its posterior ends."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest

from logscope.curves.rise_likelihood import Problem, Rest
from logscope.curves.rise_shapes import Layout, Shape
from logscope.curves.timestamps import Timestamps

TAU, RISE, START, ONSET = 0.2, 300.0, 10.0, 1.5
COMMON = (START, log(RISE / TAU), log(TAU), log(0.5), log(1e-3))
T = np.linspace(1.0, 3.0, 81)

# shape, its own parameters, and the lag that they say
SHAPES = {
    Shape.EXPONENTIAL: ((), None),
    Shape.LAGGED: ((log(0.05),), 0.05),
    Shape.TWICE_LAGGED: ((log(0.06), log(0.02)), 0.06),
    Shape.AVERAGED: ((log(0.1),), 0.05),  # an average lags by half of its length
    Shape.HEATING: ((log(0.3),), None),
    Shape.CONSTANT_POWER: ((log(0.1), 0.5), None),
}


def theta(shape: Shape, *, fits_onset: bool = True) -> np.ndarray:
    return np.array([[*COMMON, *([ONSET] if fits_onset else []), *SHAPES[shape][0]]])


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("fits_onset", [True, False])
def test_a_curve_begins_at_its_onset_and_ends_after_its_rise(shape: Shape, fits_onset: bool) -> None:
    layout, free = Layout(ONSET, fits_onset, shape), theta(shape, fits_onset=fits_onset)
    assert layout.size == free.shape[1]
    assert layout.rise(free) == pytest.approx([RISE])
    assert layout.onset(free) == pytest.approx([ONSET])
    lag = layout.lag(free)
    assert (None if lag is None else lag[0]) == (None if SHAPES[shape][1] is None else pytest.approx(SHAPES[shape][1]))
    (volts,) = layout.curve(free, T)
    assert volts[T <= ONSET] == pytest.approx(START)
    assert np.all(np.diff(volts) > -1e-6)
    (late,) = layout.curve(free, np.array([ONSET + 20 * TAU]))
    assert late == pytest.approx([START + RISE], abs=0.01)


def test_an_exponential_has_its_constant_and_its_first_slope() -> None:
    layout = Layout(ONSET, False, Shape.EXPONENTIAL)
    found = layout.curve(theta(Shape.EXPONENTIAL, fits_onset=False), ONSET + np.array([1e-6, TAU, 3 * TAU]))[0]
    assert (found[0] - START) / 1e-6 == pytest.approx(RISE / TAU, rel=1e-3)
    assert found[1:] == pytest.approx([START + RISE * 0.632121, START + RISE * 0.950213], abs=1e-3)


@pytest.mark.parametrize("shape", [Shape.EXPONENTIAL, Shape.LAGGED, Shape.TWICE_LAGGED, Shape.AVERAGED, Shape.HEATING])
def test_a_curve_on_longer_times_is_the_same_curve(shape: Shape) -> None:
    layout, free = Layout(0.0, False, shape), theta(shape, fits_onset=False)
    longer = layout.stretched(free, np.array([log(3.0)]))
    assert layout.curve(longer, 3.0 * T)[0] == pytest.approx(layout.curve(free, T)[0])
    assert layout.rise(longer) == pytest.approx([RISE])


def problem(shape: Shape, highest_v: float = 400.0) -> Problem:
    layout = Layout(ONSET, True, shape)
    volts = np.round(layout.curve(theta(shape), T)[0], 1)
    return Problem(T, volts, 0.1, layout, Rest(0.5, 0.5, Timestamps(1e-3)), cut_off=False, highest_v=highest_v)


def moved(shape: Shape, place: int, value: float) -> bool:
    """Whether the curve is still possible with one of its parameters changed."""
    free = theta(shape)
    free[0, place] = value
    return bool(np.isfinite(problem(shape).log_density(free)[0]))


@pytest.mark.parametrize(
    ("shape", "place", "inside", "outside"),
    [
        (Shape.LAGGED, 6, log(TAU * 0.99), log(TAU * 1.01)),  # the slower constant is the link's
        (Shape.TWICE_LAGGED, 6, log(TAU * 0.99), log(TAU * 1.01)),
        (Shape.TWICE_LAGGED, 7, log(0.0599), log(0.0601)),
        (Shape.EXPONENTIAL, 1, log(0.21 * 300.0 / TAU), log(0.19 * 299.0 / TAU)),  # a fifth of what the log shows
        (Shape.EXPONENTIAL, 5, 0.98, 0.97),  # a period of 25 ms before the first reading
        (Shape.EXPONENTIAL, 4, log(0.59 * 0.025), log(0.61 * 0.025)),  # stamps off by more than half a period
        (Shape.EXPONENTIAL, 3, log(29.0), log(31.0)),  # noise of more than a tenth of the span
        # 10 V and 300 V: half of the rise is 160 V, and the load's lower resting point a share of 310 V
        (Shape.CONSTANT_POWER, 6, log(160.0 / 310.0 / 1.06), log(160.0 / 310.0 / 1.04)),
    ],
)
def test_where_a_curve_is_no_longer_possible(shape: Shape, place: int, inside: float, outside: float) -> None:
    assert moved(shape, place, inside)
    assert not moved(shape, place, outside)


@pytest.mark.parametrize(("highest_v", "possible"), [(310.5, True), (309.5, False)])
def test_no_curve_leads_above_the_highest_voltage(highest_v: float, possible: bool) -> None:
    found = problem(Shape.EXPONENTIAL, highest_v).log_density(theta(Shape.EXPONENTIAL))
    assert bool(np.isfinite(found[0])) is possible


def test_the_last_reading_before_a_closing_may_follow_neither() -> None:
    one = problem(Shape.EXPONENTIAL)
    cut = Problem(one.time_s, one.volts, one.step_v, one.layout, one.rest, cut_off=True)
    assert one.outlier_share.tolist() == [1e-3] * 81
    assert cut.outlier_share.tolist() == [1e-3] * 80 + [0.1]
    assert (one.period_s, one.span_v) == pytest.approx((0.025, float(np.ptp(one.volts))))


@pytest.mark.parametrize(
    ("floor_v", "step_v", "start_v"),
    [(-np.inf, 0.1, 10.0 - 50.0), (10.0, 0.1, 10.0 - 2 * 0.5), (10.0, 0.7, 10.0 - 2 * 0.7), (9.9, 0.1, 10.0 - 50.0)],
)
def test_a_start_lies_little_below_the_floor_of_the_readings(floor_v: float, step_v: float, start_v: float) -> None:
    volts = np.array([10.0, 10.0, 30.0, 60.0])
    found = Problem(
        0.1 * np.arange(4), volts, step_v, Layout(0.0, False, Shape.EXPONENTIAL),
        Rest(0.5, 0.4, Timestamps(1e-3), floor_v), cut_off=False,
    )  # fmt: skip
    assert found.least_start_v == pytest.approx(start_v)
    assert exp(found.ranges()[0][2]) == pytest.approx(0.1 / 30)
    assert exp(found.ranges()[1][2]) == pytest.approx(3.0)
