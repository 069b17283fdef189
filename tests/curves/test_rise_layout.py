"""The parameters of a rising curve, one by one: by hand, and where its posterior ends."""

from __future__ import annotations

from math import exp, log

import numpy as np
import pytest

from logscope.curves import rise_likelihood
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


def test_a_load_that_starts_later_leaves_the_curve_as_it_was_until_then() -> None:
    """At 0.3 or 0.5 of the rise: from 10 V on, up to 100 V both are one curve, and then the sooner one is lower."""
    layout = Layout(ONSET, True, Shape.CONSTANT_POWER)
    sooner, later = (theta(Shape.CONSTANT_POWER) for _ in range(2))
    sooner[0, -1], later[0, -1] = 0.3, 0.5
    at = np.linspace(ONSET, ONSET + 4 * TAU, 400)
    one, other = layout.curve(sooner, at)[0], layout.curve(later, at)[0]
    before = other < 99.0
    assert one[before] == pytest.approx(other[before], abs=1e-6)
    after = (other > 105.0) & (other < 158.0)
    assert np.all(one[after] < other[after] - 0.1)


@pytest.mark.parametrize(
    ("shape", "own"),
    [
        (Shape.EXPONENTIAL, []),
        (Shape.LAGGED, [(log(0.1 / 20), log(30.0))]),
        (Shape.HEATING, [(log(0.02), log(3.0))]),
        (Shape.CONSTANT_POWER, [(log(0.005), log(0.8)), (0.0, 0.98)]),
    ],
)
def test_the_ranges_of_a_rise_follow_its_readings(shape: Shape, own: list[tuple[float, float]]) -> None:
    """From 10 to 60 V in 3 s, every 0.1 s, in steps of 0.5 V: slopes of 50 V in 30 s to 50 V in 0.1 s/30."""
    at = 2.0 + 0.1 * np.arange(31)
    volts = np.linspace(10.0, 60.0, 31)
    low, high = Problem(at, volts, 0.5, Layout(2.0, True, shape), None, cut_off=False).ranges()
    ends = [
        (10.0 - 50.0, 60.0 + 50.0),
        (log(50.0 / 30.0) - 2, log(50.0 * 300.0) + 2),
        (log(0.1 / 30), log(30.0)),
        (log(0.5 * 0.02), log(5.0)),
        (log(1e-4), log(0.06)),
        (1.9, 5.0),
        *own,
    ]
    assert np.column_stack([low, high]) == pytest.approx(np.array(ends))
    fixed = Problem(at, volts, 0.0, Layout(2.0, False, shape), None, cut_off=False)
    assert fixed.ranges()[0].size == 5 + len(own)
    assert fixed.ranges()[0][3] == pytest.approx(log(50.0 * 1e-5))  # without a step by the span alone


@pytest.mark.parametrize(("random_v", "step_v", "usual_v"), [(0.7, 1.0, 0.7), (0.1, 1.0, 0.2), (0.0, 0.0, 0.0005)])
def test_the_density_of_a_curve_is_its_likelihood_over_its_range_and_what_the_rest_of_the_log_shows(
    random_v: float, step_v: float, usual_v: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Noise as at rest, no less than a fifth of a step, and no less than is possible."""
    handed: list[tuple[float, ...]] = []

    def noise(logs: np.ndarray, usual: float, ends: tuple[float, float]) -> np.ndarray:
        handed.append((float(logs[0]), usual, *ends))
        return np.full(logs.size, 5.0)

    def stamps(logs: np.ndarray, known: Timestamps, ends: tuple[float, float]) -> np.ndarray:
        handed.append((float(logs[0]), known.error_s, *ends))
        return np.full(logs.size, 7.0)

    monkeypatch.setattr(rise_likelihood, "log_prior_of_noise", noise)
    monkeypatch.setattr(rise_likelihood, "log_prior_of_stamps", stamps)
    monkeypatch.setattr(
        rise_likelihood, "rounded_normal_log_likelihood", lambda volts, mean, *_: np.full(len(mean), -30.0)
    )
    at = 2.0 + 0.1 * np.arange(31)
    rest = Rest(0.9, random_v, Timestamps(0.003))
    layout = Layout(2.0, False, Shape.EXPONENTIAL)
    one = Problem(at, np.linspace(10.0, 60.0, 31), step_v, layout, rest, cut_off=False)
    low, high = one.ranges()
    inside, outside = np.array([10.0, log(60.0), log(1.0), log(0.4), log(1e-3)]), np.array([9e9, 0.0, 0.0, 0.0, 0.0])
    found = one.log_density(np.array([inside, outside]))
    assert found[0] == pytest.approx(-30.0 - np.log(high - low).sum() + 5.0 + 7.0)
    assert found[1] == -np.inf
    assert handed[0] == pytest.approx((log(0.4), usual_v, low[3], high[3]))
    assert handed[1] == pytest.approx((log(1e-3), 0.003, low[4], high[4]))
    alone = Problem(at, one.volts, step_v, layout, None, cut_off=False).log_density(inside[None, :])
    assert alone == pytest.approx([-30.0 - np.log(high - low).sum()])


def test_a_reading_is_known_by_its_noise_its_step_its_span_and_its_floor(monkeypatch: pytest.MonkeyPatch) -> None:
    handed: list[tuple[object, ...]] = []

    def likelihood(volts: np.ndarray, mean: np.ndarray, *more: object) -> np.ndarray:
        handed.append((volts, mean, *more))
        return np.zeros(len(mean))

    monkeypatch.setattr(rise_likelihood, "rounded_normal_log_likelihood", likelihood)
    at, volts = 0.1 * np.arange(31), np.linspace(0.0, 50.0, 31)
    rest = Rest(0.9, 0.7, Timestamps(0.003), floor_v=0.0)
    one = Problem(at, volts, 0.5, Layout(0.0, False, Shape.EXPONENTIAL), rest, cut_off=True)
    free = np.array([[0.0, log(60.0), log(1.0), log(0.4), log(2e-4)]])
    one.log_density(free)
    given, mean, noise, step_v, span_v, outliers, floor_v = handed[0]
    assert given is volts
    assert np.asarray(mean)[0] == pytest.approx(60 * (1 - np.exp(-at)), abs=5e-3)
    assert np.asarray(noise)[0] == pytest.approx(0.4, rel=1e-3)
    assert (step_v, span_v, floor_v) == (0.5, 50.0, 0.0)
    assert np.asarray(outliers)[-2:].tolist() == [1e-3, 0.1]
