"""The fall of a link, function by function, of draws made by hand: when it passes a level, and how well that is known.

Oracles: the closed forms of a capacitor that a resistor, a constant current or a constant power empties (Alexander &
Sadiku, Fundamentals of Electric Circuits, chapter 7; the others by i = C·dV/dt), scipy's quadrature, numpy's quantiles.
"""

from __future__ import annotations

from math import exp, log, sqrt
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from logscope.curves import discharge
from logscope.curves.discharge import DischargeFit, Readings, Shape, fit_discharge
from logscope.curves.timestamps import Known, Timestamps
from logscope.statistics.importance import Posterior

T = 0.5 * np.arange(100)
START_V, RATE = 350.0, 0.02


def theta(rate: float = RATE, start_v: float = START_V, *more: float) -> np.ndarray:
    return np.array([start_v, rate, log(0.5), log(1e-3), *more])


def draws(*rows: np.ndarray, evidence: float = 0.0, weights: Any = None) -> Posterior:
    count = len(rows)
    shares = np.full(count, 1 / count) if weights is None else np.asarray(weights)
    return Posterior(np.array(rows), shares, evidence)


def fit_of(shape: Shape, posterior: Posterior, *more: tuple[Shape, Posterior], begin_s: float = 2.0) -> DischargeFit:
    some: Any = None
    return DischargeFit(
        begin_s, shape, some, some, some, None, 0.0, False, posterior.weights @ posterior.draws, posterior,
        ((shape, posterior), *more),
    )  # fmt: skip


FALLS = {
    Shape.RESISTOR: ((), lambda s: START_V * exp(-RATE * s), log(START_V / 60) / RATE),
    # towards 0.1 of the start: with (1 − 0.1)/0.02 = 45 s
    Shape.RESTING: ((0.1,), lambda s: 35 + 315 * exp(-s / 45), 45 * log(315 / 25)),
    Shape.CURRENT: ((), lambda s: START_V * max(1 - RATE * s, 0), (1 - 60 / START_V) / RATE),
    Shape.POWER: ((), lambda s: START_V * sqrt(max(1 - 2 * RATE * s, 0)), (1 - (60 / START_V) ** 2) / (2 * RATE)),
    # current with the square of the voltage: dv/dt = −rate · v²/V0
    Shape.BENT: ((2.0,), lambda s: START_V / (1 + RATE * s), (START_V / 60 - 1) / RATE),
}


@pytest.mark.parametrize("shape", FALLS)
def test_each_fall_has_its_curve_and_passes_60_v_when_that_does(shape: Shape) -> None:
    own, volts, passed_s = FALLS[shape]
    free = theta(RATE, START_V, *own)[None, :]
    for at in (0.0, 7.0, 30.0, 60.0):
        assert discharge._curve(shape, free, np.array([[at]]))[0, 0] == pytest.approx(volts(at))
    assert discharge._crossing(shape, free, 60.0) == pytest.approx([passed_s])
    earlier = discharge._crossing(shape, free, 400.0)
    assert earlier[0] < 0.0 or (shape is Shape.CURRENT and earlier[0] == pytest.approx((1 - 400 / 350) / RATE))
    for rate in (0.0, -0.01):
        never = discharge._crossing(shape, theta(rate, START_V, *own)[None, :], 60.0)
        assert never.tolist() == [np.inf]
    one = fit_of(shape, draws(free[0]))
    assert one.voltage(np.array([2.0, 9.0])) == pytest.approx([START_V, volts(7.0)])
    assert one.crossing().value == pytest.approx(passed_s)
    assert one.crossing(100.0).value < passed_s


def test_a_link_that_rests_above_a_level_never_passes_it() -> None:
    held = theta(RATE, START_V, 0.2)[None, :]
    assert discharge._crossing(Shape.RESTING, held, 70.1).tolist() != [np.inf]
    assert discharge._crossing(Shape.RESTING, held, 69.9).tolist() == [np.inf]


def test_an_opening_within_a_bracket_moves_the_time_by_as_much() -> None:
    """One draw that is at 60 V 88.2 s after 2 s; opened evenly between 1.0 and 3.0 s, read up to 0.5 s late."""
    one = fit_of(Shape.RESISTOR, draws(*[theta()] * 4000))
    passed_s = log(START_V / 60) / RATE
    found = one.crossing_from(1.0, 3.0, 0.0)
    assert (found.value, found.low, found.high) == pytest.approx(
        (passed_s, passed_s + 2.0 - 2.95, passed_s + 2.0 - 1.05), abs=0.06
    )
    late = one.crossing_from(1.0, 3.0, 0.5)
    assert (late.value, late.high, late.claim_high) == (found.value, found.high, found.claim_high)
    # the sum of two even errors: the lowest 2.5 % of a trapezium are √(2 · 0.025 · 2 · 0.5) = 0.22 s wide
    assert late.low == pytest.approx(passed_s + 2.0 - 3.0 - 0.5 + 0.2236, abs=0.06)
    assert fit_of(Shape.RESISTOR, draws(*[theta()] * 9)).crossing_from(200.0, 200.0, 0.0).low == 0.0


def test_what_is_extrapolated_allows_for_every_shape_that_may_be() -> None:
    """A tenth of the probability says that it rests above 60 V: the upper limit is open, the lower one not."""
    plain = draws(*(theta(rate) for rate in np.linspace(0.019, 0.021, 201)), weights=np.full(201, 0.9 / 201))
    held = draws(theta(RATE, START_V, 0.5), weights=[0.1])
    alone, both = fit_of(Shape.RESISTOR, plain), fit_of(Shape.RESISTOR, plain, (Shape.RESTING, held))
    assert alone.crossing().high == pytest.approx(log(START_V / 60) / 0.01905, rel=0.06)
    assert (both.crossing().high, both.crossing().claim_high) == (np.inf, np.inf)
    assert both.crossing().low == pytest.approx(log(START_V / 60) / 0.021, rel=0.01)


def test_a_curve_carried_back_leaves_the_level_before_as_that_is_known() -> None:
    """360 V ± 7 V: ln(360/350)/0.02 s before it begins at 2 s."""
    found = fit_of(Shape.RESISTOR, draws(*[theta()] * 4000)).opening(360.0, 7.0)
    assert found.value == pytest.approx(2.0 - log(360 / 350) / RATE, abs=0.06)
    assert (found.low, found.high) == pytest.approx(
        (2.0 - log(366.65 / 350) / RATE, 2.0 - log(353.35 / 350) / RATE), abs=0.06
    )
    exact = fit_of(Shape.RESISTOR, draws(*[theta()] * 9)).opening(360.0, 0.0)
    assert exact.low == exact.high


def test_a_link_falls_where_even_the_lowest_rate_of_a_claim_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discharge, "wider_by_correlation", lambda _: 1.0)
    rates = np.linspace(-1e-6, 0.001, 2001)
    for shift, falls in ((1e-6, True), (-1e-6, False)):  # the lowest thousandth of them ends at 0
        posterior = draws(*(theta(rate + shift) for rate in rates))
        one = discharge._as_fit(problem(), Shape.RESISTOR, posterior, [(Shape.RESISTOR, posterior)], 2.0)
        assert one.falls is (one.rate.claim_low > 0)
        assert one.falls is falls
        assert (one.time_constant is not None) is falls


def problem(volts: Any = None, *, step_v: float = 0.0, noise_v: float = 0.5, **more: Any) -> Any:
    values = START_V * np.exp(-RATE * T) if volts is None else np.asarray(volts, dtype=float)
    return discharge._Problem(T[: values.size], values, Readings(step_v, noise_v, **more))


def test_the_prior_of_a_bend_is_a_distribution_about_a_plain_resistor() -> None:
    """Against one that is flat over ± 1: a normal of 0.16 (scipy.stats.norm); by scipy.integrate.quad 1 in all."""
    at = np.array([0.7, 1.0, 1.32])
    found = np.exp(discharge._log_prior_of_bend(at))
    assert found == pytest.approx(2 * stats.norm.pdf(at, 1.0, 0.16))
    assert quad(lambda q: np.exp(discharge._log_prior_of_bend(np.array([q]))[0]) / 2, 0.0, 2.0)[0] == pytest.approx(1.0)


def test_the_ranges_of_a_fall_follow_its_readings() -> None:
    """350 V over 49.5 s, every 0.5 s, in steps of 0.1 V."""
    one = problem(step_v=0.1)
    low, high = one.ranges(Shape.RESISTOR)
    assert (one.period_s, one.step_v) == (0.5, 0.1)
    assert one.span_v == pytest.approx(350 * (1 - exp(-0.99)))
    assert low == pytest.approx([175.0, -1 / 49.5, log(0.002), log(5e-4)])
    assert high == pytest.approx([525.0, 10.0, log(35.0), log(0.3)])
    for shape, ends in ((Shape.RESTING, (0.0, 0.999)), (Shape.BENT, (0.0, 2.0))):
        low, high = one.ranges(shape)
        assert (low[4], high[4]) == ends
    still = problem(np.full(20, 0.5))
    assert still.span_v == 1.0
    assert problem(np.full(20, 300.0), step_v=2.0).span_v == 20.0
    assert still.ranges(Shape.RESISTOR)[1][0] == pytest.approx(1.5)
    assert problem(np.full(20, 300.0)).ranges(Shape.RESISTOR)[0][2] == pytest.approx(log(3e-4))


def test_noise_and_stamps_of_the_rest_of_the_log_are_a_prior() -> None:
    """Noise as at rest, and no less than a fifth of a step: the density is highest there."""
    logs = np.linspace(log(0.01), log(10.0), 4001)
    rows = np.array([[350.0, 0.02, each, log(1e-3)] for each in logs])
    for random_v, step_v, at in ((0.5, 0.0, 0.5), (0.01, 1.0, 0.2)):
        one = problem(step_v=step_v, random_v=random_v)
        prior = one._from_rest(rows, *one.ranges(Shape.RESISTOR))
        assert exp(logs[int(np.argmax(prior))]) == pytest.approx(at, rel=0.01)
    jitters = np.linspace(log(6e-4), log(0.29), 4001)
    rows = np.array([[350.0, 0.02, log(0.5), each] for each in jitters])
    one = problem(stamps=Timestamps(0.02, Known.SURELY))
    prior = one._from_rest(rows, *one.ranges(Shape.RESISTOR))
    assert exp(jitters[int(np.argmax(prior))]) == pytest.approx(0.02, rel=0.01)
    assert not problem()._from_rest(rows, *one.ranges(Shape.RESISTOR)).any()


def test_a_reading_has_the_noise_and_what_its_stamp_makes_of_the_slope() -> None:
    """At 0 s: 350 V · 0.02/s · 0.1 s = 0.7 V beside 0.5 V."""
    free = np.array([[350.0, RATE, log(0.5), log(0.1)]])
    mean, deviation = problem().expected(Shape.RESISTOR, free)
    assert mean[0, [0, 50]] == pytest.approx([350.0, 350 * exp(-0.5)], rel=1e-4)
    assert deviation[0, 0] == pytest.approx(sqrt(0.25 + 0.49), rel=1e-3)


def test_scores_are_slopes_of_the_log_likelihood() -> None:
    """Of a normal one: residual / σ²."""
    off = np.where(np.arange(100) % 2, 0.3, -0.2)
    one = problem(START_V * np.exp(-RATE * T) + off)
    found = one.scores(Shape.RESISTOR, np.array([350.0, RATE, log(0.5), log(1e-6)]))
    assert found == pytest.approx(off / 0.25, abs=0.02)


@pytest.mark.parametrize(
    ("off_v", "half", "misfits"), [(0.83, 20, True), (0.77, 20, False), (0.83, 1, False), (5.0, 20, True)]
)
def test_a_fall_misfits_by_its_noise_and_what_follows_itself(off_v: float, half: int, misfits: bool) -> None:
    """1.6 times 0.5 V, in stretches of one sign or in turn."""
    signs = np.where((np.arange(100) // half) % 2, 1.0, -1.0)
    one = problem(START_V * np.exp(-RATE * T) + off_v * signs)
    assert discharge._misfits(one, Shape.RESISTOR, draws(theta())) is misfits
    few = problem((START_V * np.exp(-RATE * T) + off_v * signs)[:7])
    assert not discharge._misfits(few, Shape.RESISTOR, draws(theta()))


def test_limits_are_spread_by_the_length_that_stamps_leave_open(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discharge, "wider_by_correlation", lambda _: 3.0)
    rows = [theta(0.019), theta(0.021)] * 2000
    found = discharge._widened(problem(scale_error=0.0), Shape.RESISTOR, draws(*rows))
    assert found.draws[:2, 1] == pytest.approx([0.017, 0.023])
    monkeypatch.setattr(discharge, "wider_by_correlation", lambda _: 1.0)
    longer = discharge._widened(problem(scale_error=0.03), Shape.RESISTOR, draws(*[theta()] * 4000)).draws[:, 1]
    assert (longer.min(), longer.max()) == pytest.approx((RATE * 0.97, RATE * 1.03), rel=1e-4)


def test_a_fit_states_its_constant_and_its_rest() -> None:
    """(1 − 0.2)/0.02 = 40 s towards 70 V; odds of one to e for another shape."""
    resting = draws(*[theta(RATE, START_V, 0.2)] * 3, evidence=0.0)
    other = draws(*[theta()] * 3, evidence=-1.0)
    made = problem(70 + 280 * np.exp(-T / 40) + 0.1)
    found = discharge._as_fit(made, Shape.RESTING, resting, [(Shape.RESTING, resting), (Shape.RESISTOR, other)], 7.0)
    assert found.time_constant is not None
    assert found.rest is not None
    assert (found.time_constant.value, found.rest.value, found.start.value) == pytest.approx((40.0, 70.0, 350.0))
    assert (found.begin_s, found.shape, found.rate.value) == (7.0, Shape.RESTING, pytest.approx(0.02))
    assert found.residual_v == pytest.approx(0.1)
    assert [part.weights.sum() for _, part in found._onwards] == pytest.approx(
        [1 / (1 + exp(-1)), exp(-1) / (1 + exp(-1))]
    )
    plain = discharge._as_fit(made, Shape.RESISTOR, other, [(Shape.RESISTOR, other)], 7.0)
    assert plain.time_constant is not None
    assert (plain.time_constant.value, plain.rest, plain.misfit) == (pytest.approx(50.0), None, True)
    for shape, more in ((Shape.CURRENT, ()), (Shape.BENT, (1.5,))):
        posterior = draws(*[theta(RATE, START_V, *more)] * 3)
        assert discharge._as_fit(made, shape, posterior, [(shape, posterior)], 7.0).time_constant is None


@pytest.mark.parametrize(
    ("evidence", "misfits", "shape", "onwards"),
    [
        ({"RESISTOR": 0.0, "BENT": 2.9, "RESTING": 1.0}, False, Shape.RESISTOR, [0.0, 1.0 - log(50), 2.9]),
        ({"RESISTOR": 0.0, "BENT": 3.1, "RESTING": 1.0}, False, Shape.BENT, [0.0, 1.0 - log(50), 3.1]),
        ({"RESISTOR": 0.0, "RESTING": 2.9, "CURRENT": 2.0}, True, Shape.RESISTOR, [0.0, 2.9 - log(50)]),
        ({"RESISTOR": 0.0, "RESTING": 3.1, "CURRENT": 2.0}, True, Shape.RESTING, [3.1]),
        ({"RESISTOR": 0.0, "RESTING": 3.1, "CURRENT": 4.0, "POWER": 3.5}, True, Shape.CURRENT, [4.0]),
        ({"RESISTOR": 0.0, "CURRENT": 9.0}, False, Shape.RESISTOR, [0.0]),
    ],
)
def test_the_shape_of_a_fall_is_taken_by_strong_odds(
    evidence: Any, misfits: bool, shape: Shape, onwards: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty to one is 3.0; a level that a second source holds has odds of fifty to one against it beforehand."""

    def solve(_: Any, of: Shape) -> Any:
        return draws(theta(), evidence=evidence[of.name]) if of.name in evidence else None

    monkeypatch.setattr(discharge._Problem, "solve", solve)
    monkeypatch.setattr(discharge, "_misfits", lambda *_: misfits)
    monkeypatch.setattr(discharge, "_as_fit", lambda _, of, posterior, all_of, begin_s: (of, all_of, begin_s))
    found: Any = fit_discharge(T + 3.0, START_V * np.exp(-RATE * T), Readings(0.0, 0.5))
    assert (found[0], found[2]) == (shape, 3.0)
    assert [part.log_evidence for _, part in found[1]] == pytest.approx(onwards)


def test_too_few_readings_or_none_above_zero_show_no_fall(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []

    def solve(one: Any, _: Shape) -> None:
        seen.append(one)

    monkeypatch.setattr(discharge._Problem, "solve", solve)
    readings = Readings(0.0, 0.5)
    for time_s, volts in (
        (T[:4], np.full(4, 100.0)), (np.zeros(9), np.full(9, 100.0)), (T[:9], np.r_[-1.0, 0.0, 0.0, np.full(6, 9.0)]),
    ):  # fmt: skip
        assert fit_discharge(time_s, volts, readings) is None
    assert seen == []
    fit_discharge(T[:5] + 3.0, np.full(5, 100.0), readings)
    assert seen[0].elapsed_s == pytest.approx([0.0, 0.5, 1.0, 1.5, 2.0])
    for count, kept in ((600, 600), (601, 301), (1800, 600)):
        fit_discharge(np.arange(count) * 0.1, np.full(count, 100.0), readings)
        assert seen[-1].volts.size == kept


def test_the_search_starts_from_levels_and_times_of_the_readings() -> None:
    """350 V and exp(−0.02 · 49.5) of it: 0.02/s by its end, and by its middle as well."""
    guesses = problem()._guesses(Shape.RESISTOR)
    for guess in guesses:
        assert guess == pytest.approx([350.0, 0.02], rel=0.03)
    assert problem()._guesses(Shape.BENT)[0][2] == 1.0
    end = 350 * exp(-0.02 * 49.0)
    (current, _), share = problem()._guesses(Shape.CURRENT), end / (350 * exp(-0.01))
    assert current[1] == pytest.approx((1 - share) / 49.5, rel=1e-3)
    assert problem()._guesses(Shape.POWER)[0][1] == pytest.approx((1 - share**2) / 99.0, rel=1e-3)
    start, covariance = problem()._least_squares(Shape.RESISTOR)
    assert start[:2] == pytest.approx([350.0, 0.02], rel=1e-4)
    assert start[2] == pytest.approx(log(0.7 * 1e-5 * 350))  # of exact readings no less than a hundred-thousandth
    assert start[3] == pytest.approx(log(0.01))
    assert covariance[2, 2] == pytest.approx(0.64)
    assert covariance[3, 3] == pytest.approx(1.44)
