"""Where a curve breaks off into a level, or settles to one behind a lag: made voltages, each moment and level known.

Oracles: numpy's lstsq and var for the misfits; for what a reading shows of a link behind a lag the closed form of the
linear first-order equation (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import exp
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import link_of, part
from precharge_pieces import ATTEMPT, about, fitted

from logscope.checks.precharge import breakpoint as breaks
from logscope.checks.precharge import contactor_closing as closings
from logscope.checks.precharge import lagged_closing as lagged
from logscope.checks.precharge.breakpoint import Break, find_break
from logscope.checks.precharge.contactor_closing import Closing, closing_of
from logscope.checks.precharge.lagged_closing import Settling, Start, find_settling

AT = 0.01 * np.arange(60)
TAU_S, PACK_V = 0.15, 350.0


def rising(closed_at: int | None, ripple_v: float = 0.0) -> np.ndarray:
    """From 0 V at 0.05 s on towards 350 V, every 10 ms; from the sample `closed_at` on at the pack."""
    volts = PACK_V * (1 - np.exp(-np.maximum(AT - 0.05, 0.0) / TAU_S))
    if closed_at is not None:
        volts[closed_at:] = PACK_V
    return np.asarray(volts + ripple_v * np.where(np.arange(AT.size) % 2, 1.0, -1.0))


@pytest.mark.parametrize("closed_at", [20, 30, 57, 58])
def test_a_break_is_found_at_its_last_sample_with_its_step(closed_at: int) -> None:
    """By 57 of 60 samples two make the level, by 58 too; the step is what was left of 350 V."""
    volts = rising(closed_at)
    found = find_break(AT, volts, 0.5)
    assert found is not None
    assert found.last == closed_at - 1
    assert found.level_v == pytest.approx(PACK_V)
    assert found.step_v == pytest.approx(PACK_V - volts[closed_at - 1])
    assert found.visible


def test_one_curve_has_no_break_unless_a_state_says_so() -> None:
    volts = rising(None, 0.5)
    assert find_break(AT, volts, 0.5) is None
    found = find_break(AT, volts, 0.5, (0.30, 0.40))
    assert found is not None
    assert not found.visible
    assert 29 <= found.last <= 40
    assert find_break(AT, volts, 0.5, (0.70, 0.80)) is None
    assert find_break(AT, volts, 0.5, (0.20, 0.20)) == find_break(AT, volts, 0.5, (0.195, 0.2049))


def test_a_break_at_a_reported_moment_is_looked_for_in_there_alone() -> None:
    """It is between the samples of 0.29 and 0.30 s."""
    volts = rising(30)
    for reported, last in (((0.25, 0.35), 29), ((0.30, 0.35), 29), ((0.25, 0.29), 29)):
        found = find_break(AT, volts, 0.5, reported)
        assert found is not None
        assert (found.last, found.visible) == (last, True)


@pytest.mark.parametrize(("count", "enough"), [(5, False), (6, True)])
def test_four_samples_make_a_curve_and_two_a_level(count: int, enough: bool) -> None:
    volts = np.array([0.0, 100.0, 180.0, 240.0, 350.0, 350.0])[:count]
    assert (find_break(AT[:count], volts, 0.1, (0.0, 1.0)) is not None) is enough
    assert find_break(np.zeros(6), volts, 0.1, (0.0, 1.0)) is None
    assert enough or find_break(AT[:count], volts, 0.1) is None


def test_a_restart_breaks_off_like_a_rise_from_zero() -> None:
    volts = 200.0 + rising(30) * 150.0 / PACK_V
    found = find_break(AT, volts, 0.5)
    assert found is not None
    assert (found.last, found.level_v) == (29, pytest.approx(350.0))


@pytest.mark.parametrize(("ripple_v", "visible"), [(6.8, True), (7.2, False)])
def test_what_scatters_more_than_its_noise_hides_a_step(ripple_v: float, visible: bool) -> None:
    """Of 60 readings 54 are free, so the deviation is √(60/54) of the ripple. The step, 36.3 V less the ripple, must
    reach four deviations: 29.5 against 28.7 V, and 29.1 against 30.4 V."""
    found = find_break(AT, rising(40, ripple_v), 0.1, (0.3, 0.5))
    assert found is not None
    assert (found.last, found.visible) == (39, visible)


@pytest.mark.parametrize(("step_noises", "visible"), [(3.5, False), (4.5, True)])
def test_a_step_stands_out_of_the_noise_by_a_factor_of_four(step_noises: float, visible: bool) -> None:
    """The step behind the sample 39 is 350 V · exp(−0.34/0.15) = 36.3 V."""
    found = find_break(AT, rising(40), 36.3 / step_noises, (0.3, 0.5))
    assert found is not None
    assert found.visible is visible


def test_misfits_of_levels_and_curves_are_those_of_least_squares() -> None:
    rng = np.random.default_rng(3)
    volts = rising(30) + rng.normal(0.0, 2.0, AT.size)
    level = breaks._level_misfit(volts)
    assert level == pytest.approx([np.var(volts[k:]) * (AT.size - k) for k in range(AT.size)], abs=1e-6)
    onset, tau, share = np.array([0.04, 0.06]), np.array([0.12, 0.2]), np.array([0.0, 0.35])
    misfit = breaks._curve_misfit(AT, volts, onset, tau, share)
    for row in (0, 1):
        after = np.maximum(AT - onset[row], 0.0)
        lag = share[row] * tau[row]
        slow, fast = (np.exp(-after / constant) if constant else 0.0 * after for constant in (tau[row], lag))
        shape = 1 - (tau[row] * slow - lag * fast) / (tau[row] - lag)
        for k in (12, 25, 59):
            basis = np.column_stack([np.ones(k + 1), shape[: k + 1]])
            left = volts[: k + 1] - basis @ np.linalg.lstsq(basis, volts[: k + 1], rcond=None)[0]
            assert misfit[row, k] == pytest.approx(float(left @ left), rel=1e-6)


def test_a_falling_voltage_is_explained_by_no_charging_curve() -> None:
    falling = rising(None)[::-1] / 100  # some square volts of misfit
    misfit = breaks._curve_misfit(AT, falling, np.array([0.05]), np.array([0.15]), np.array([0.0]))
    assert misfit[0, -1] == pytest.approx(np.var(falling) * AT.size)


def test_a_finer_look_covers_three_grid_spacings_about_the_best() -> None:
    assert breaks._narrow((0.0, 12.0), 4.0, 13) == pytest.approx((2.5, 5.5))


def behind(lag_s: float, closed_s: float | None, at: np.ndarray, tau_s: float = TAU_S) -> np.ndarray:
    """The reading with a lag of a link that charges from 0.05 s on and is joined to its pack at `closed_s`."""

    def charging(t: Any) -> Any:
        after = np.maximum(t - 0.05, 0.0)
        share = 1 - (tau_s * np.exp(-after / tau_s) - lag_s * np.exp(-after / lag_s)) / (tau_s - lag_s)
        return PACK_V * share

    if closed_s is None:
        return np.asarray(charging(at))
    left_v = PACK_V - charging(closed_s)
    return np.where(at < closed_s, charging(at), PACK_V - left_v * np.exp(-np.maximum(at - closed_s, 0.0) / lag_s))


@pytest.fixture
def few_starts(monkeypatch: pytest.MonkeyPatch) -> None:
    """The made curves have one minimum: the search needs few places to start from."""
    monkeypatch.setattr(lagged, "_STARTS", 3)


@pytest.mark.usefixtures("few_starts")
def test_a_settling_is_placed_and_its_constant_is_the_lag() -> None:
    """Link 150 ms, lag 20 ms, closed at 0.253 s: the link was at 350 V · (1 − exp(−0.203/0.15)) = 259.5 V."""
    at = 0.01 * np.arange(45)
    volts = behind(0.02, 0.253, at) + np.where(np.arange(at.size) % 2, 0.1, -0.1)
    found = find_settling(at, volts, Start(0.05, 0.15, 0.02), 0.1, None)
    assert found is not None
    assert found.visible
    assert found.by_faster is True
    assert found.start_s <= 0.253 <= found.end_s
    assert found.end_s - found.start_s < 0.004
    assert found.curve_end_s == pytest.approx(found.start_s, abs=1e-9)
    assert found.level_v == pytest.approx(350.0, abs=0.2)
    assert found.link_v == pytest.approx(350 * (1 - exp(-0.203 / 0.15)), abs=1.0)
    later_v = 350 * (1 - exp(-0.213 / 0.15))  # a reading's period later
    assert found.latest_v == pytest.approx(later_v, abs=1.0)


@pytest.mark.usefixtures("few_starts")
def test_a_curve_alone_shows_no_settling() -> None:
    at = 0.01 * np.arange(45)
    volts = behind(0.02, None, at) + np.where(np.arange(at.size) % 2, 0.1, -0.1)
    assert find_settling(at, volts, Start(0.05, 0.15, 0.02), 0.1, None) is None
    assert find_settling(at[:9], volts[:9], Start(0.05, 0.15, 0.02), 0.1, (0.0, 1.0)) is None
    assert find_settling(at, volts, Start(0.05, 0.15, 0.02), 0.1, (0.0, 0.03)) is None  # the curve needs six samples


def test_what_no_sensing_is_as_slow_as_is_never_taken_for_a_lag() -> None:
    """Both constants are beyond 150 ms: there is no order that a sensing could have."""
    at = 0.02 * np.arange(110)
    assert find_settling(at, behind(0.2, 0.9, at, 0.4), Start(0.05, 0.4, 0.2), 0.1, (0.7, 1.1)) is None


def test_levels_before_and_after_a_closing_follow_by_regression() -> None:
    at = 0.01 * np.arange(55)
    free = np.array([0.05, np.log(0.15), np.log(0.02), 0.253])
    left, levels = lagged._residuals(free, at, behind(0.02, 0.253, at))
    assert left == pytest.approx(0.0, abs=1e-6)
    assert levels == pytest.approx([0.0, 350.0, 350.0], abs=1e-6)
    up = lagged._residuals(free, at, behind(0.02, 0.253, at) + np.where(at > 0.253, 0.0, 0.0) + 20.0)[1]
    assert up == pytest.approx([20.0, 370.0, 370.0], abs=1e-6)


@pytest.mark.parametrize(("below_noises", "falls"), [(3.5, False), (4.5, True)])
def test_a_link_above_the_level_it_is_joined_to_is_no_closing(below_noises: float, falls: bool) -> None:
    """The link is at 259.5 V when it closes; the level lies 3.5 or 4.5 noises of 1 V below."""
    at = 0.01 * np.arange(55)
    link_v = 350 * (1 - exp(-0.203 / 0.15))
    before = behind(0.02, None, at)
    level_v, at_close = link_v - below_noises, float(behind(0.02, None, np.array([0.253]))[0])
    settles = level_v - (level_v - at_close) * np.exp(-(at - 0.253) / 0.02)
    volts = np.where(at < 0.253, before, settles)
    free = np.array([0.05, np.log(0.15), np.log(0.02), 0.253])
    assert lagged._falls_to_level(free, at, volts, 1.0) is falls


# --- the closing itself, of breaks, settlings and states

LINK = link_of(part("dc_link_voltage", AT, rising(30)), noise_v=0.5)


def curve(low_v: float = 270.0, high_v: float = 290.0, at_v: float = 300.0) -> Any:
    """Limits that rise by a volt every 10 ms from 1.0 s on, and a voltage that is level."""

    def limits(time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return low_v + 100 * time_s, high_v + 100 * time_s

    return fitted(voltage_limits=limits, voltage=lambda t: np.full(np.shape(t), at_v), lag=None)


@pytest.mark.parametrize(
    ("step", "contactor_s", "fit", "found"),
    [
        # a visible break above the curve, beyond four noises of 0.5 V
        (Break(19, 30.0, 302.1, True), None, curve(), (0.29, 0.30, 299.0, 320.0, 30.0, 302.1)),
        (Break(19, 30.0, 301.9, True), None, curve(), None),
        (Break(19, 30.0, 302.1, False), None, curve(), None),
        # a state says it: no step is stated where none stands out
        (Break(19, 30.0, 301.9, True), 0.31, curve(), (0.29, 0.30, 299.0, 320.0, None, None)),
        (Break(19, 30.0, 302.1, False), 0.31, None, (0.29, 0.30, None, None, None, None)),
        (Break(19, 30.0, 302.1, True), None, None, (0.29, 0.30, None, None, 30.0, 302.1)),
        (None, None, curve(), None),
        # by the state alone: it may lag by 0.15 s
        (None, 0.31, curve(), (0.14, 0.31, 284.0, 321.0, None, None)),
        (None, 0.31, None, None),
    ],
)  # fmt: skip
def test_a_closing_is_that_of_what_shows_it(step: Any, contactor_s: Any, fit: Any, found: Any) -> None:
    """The break is at 0.29 s, 19 samples after the onset; the link is no lower than its reading there less 0.98 V."""
    attempt = replace(ATTEMPT, contactor_s=contactor_s, contactor_after_s=None if contactor_s is None else 0.29)
    closing = closing_of(LINK, attempt, fit, step, None)
    if found is None:
        assert closing is None
        return
    assert closing is not None
    start_s, end_s, low_v, high_v, step_v, level_v = found
    assert (closing.start_s, closing.end_s) == pytest.approx((start_s, end_s))
    assert (closing.step_v, closing.level_v) == (step_v, level_v)
    reading_v = float(LINK.part.value[29])
    if low_v is None:
        assert (closing.low_v, closing.high_v) == pytest.approx((reading_v - 0.98, reading_v + 0.98), abs=1e-3)
    else:
        assert (closing.low_v, closing.high_v) == pytest.approx((low_v, high_v))


def test_a_state_without_the_one_before_it_places_no_closing() -> None:
    for known in ({"contactor_s": 0.31}, {"contactor_after_s": 0.29}):
        assert closing_of(LINK, replace(ATTEMPT, **known), curve(), None, None) is None  # type: ignore[arg-type]


def test_a_link_is_no_lower_than_its_reading_whatever_the_curve_says() -> None:
    reading_v = float(LINK.part.value[29])
    low = closing_of(LINK, ATTEMPT, curve(100.0, 110.0, 150.0), Break(19, 30.0, 302.1, True), None)
    assert low is not None
    assert (low.low_v, low.high_v) == pytest.approx((reading_v - 0.98, reading_v - 0.98), abs=1e-3)


def test_stamps_that_jitter_widen_a_closing() -> None:
    """10 ms of jitter are 19.6 ms with 95 %: 1.96 V of this curve to either side."""
    found = closings._between(replace(LINK, jitter_s=0.01), curve(), 0.3, 0.4)
    assert found == pytest.approx((300.0 - 1.96, 330.0 + 1.96), abs=1e-3)


def settled(**fields: Any) -> Settling:
    usual = {
        "start_s": 0.29, "end_s": 0.31, "curve_end_s": 0.29, "level_v": 349.0, "link_v": 300.0, "latest_v": 310.0,
        "visible": True, "by_faster": True,
    }  # fmt: skip
    return Settling(**{**usual, **fields})


@pytest.mark.parametrize(
    ("fields", "step_v"),
    [
        ({}, 49.0),
        ({"visible": False}, None),
        ({"latest_v": 346.9}, 49.0),  # four noises of 0.5 V
        ({"latest_v": 347.1}, None),
    ],
)
def test_a_settling_steps_where_even_the_latest_link_stands_out(fields: Any, step_v: float | None) -> None:
    assert closings._step(LINK, settled(**fields)) == step_v


def test_a_closing_behind_a_lag_has_the_links_own_voltage_with_either_constant() -> None:
    def limits(at_s: float, *, faster: bool) -> tuple[float, float]:
        return (100 if faster else 200) + 10 * at_s, (150 if faster else 250) + 10 * at_s

    for lag, low_v, high_v in ((None, 202.9, 253.1), (about(0.02), 102.9, 253.1)):
        found = closing_of(LINK, ATTEMPT, fitted(lag=lag, link_voltage_limits=limits), None, settled())
        assert isinstance(found, Closing)
        assert (found.start_s, found.end_s, found.step_v, found.level_v) == (0.29, 0.31, 49.0, 349.0)
        assert (found.low_v, found.high_v) == pytest.approx((low_v, high_v))
    assert closing_of(LINK, ATTEMPT, None, None, settled()) is None
    assert closing_of(LINK, ATTEMPT, fitted(link_voltage_limits=limits), None, settled(visible=False)) is None
    told = replace(ATTEMPT, contactor_s=0.31)
    found = closing_of(LINK, told, fitted(link_voltage_limits=limits), None, settled(visible=False))
    assert found is not None
    assert (found.step_v, found.level_v) == (None, None)


@pytest.mark.parametrize(
    ("orders", "left_v", "costs", "tells"),
    [
        (1, {True: 4.1}, {True: 9.0}, True),  # four noises of 1 V
        (1, {True: -4.1}, {True: 9.0}, True),
        (1, {True: 3.9}, {True: 9.0}, False),
        (2, {True: 9.0}, {True: 9.0}, False),  # the other order was not found
        (2, {True: 4.1, False: -4.1}, {True: 10.0, False: 40.2}, True),  # thirty variances of 2 V²: 60 V² apart
        (2, {True: 4.1, False: -4.1}, {True: 40.2, False: 10.0}, True),
        (2, {True: 4.1, False: -4.1}, {True: 10.0, False: 39.8}, False),
        (2, {True: 4.1, False: 3.9}, {True: 10.0, False: 90.0}, False),
        (2, {True: 3.9, False: 4.1}, {True: 10.0, False: 90.0}, False),
    ],
)
def test_a_settling_tells_its_lag_where_something_was_left_with_either_and_one_fits(
    orders: int, left_v: Any, costs: Any, tells: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lagged, "_left", lambda free, *_: left_v[free])
    bests = {order: SimpleNamespace(x=order, cost=cost) for order, cost in costs.items()}
    assert lagged._tells(bests, orders, AT, AT, 1.0, 2.0) is tells


def test_what_is_left_at_a_closing_is_from_the_reading_to_the_level() -> None:
    """The reading of 0.253 s behind 20 ms of a link of 150 ms, on its way to 350 V; the misfit is what noise makes."""
    at = 0.01 * np.arange(55)
    free = np.array([0.05, np.log(0.15), np.log(0.02), 0.253])
    reading_v = float(behind(0.02, None, np.array([0.253]))[0])
    assert lagged._left(free, at, behind(0.02, 0.253, at)) == pytest.approx(PACK_V - reading_v, abs=1e-6)
    off = np.where(np.arange(55) % 2, 0.5, -0.5)
    exact = behind(0.02, None, at) + off
    shape = lagged.settled_fraction_two_pole
    found = lagged._misfit(shape, 0.05, (0.15, 0.02), at, exact)
    assert found == pytest.approx(55 * 0.25, rel=0.1)
    three, averaged = lagged._unbroken(0.05, (0.15, 0.02), at, exact)
    assert three == pytest.approx(55 * 0.25, rel=0.1)  # a third pole may be as short as none
    assert averaged >= three


def test_the_other_order_has_its_constants_exchanged() -> None:
    at = 0.01 * np.arange(55)
    volts = behind(0.02, 0.253, at)
    for first, second in ((0.15, 0.02), (0.02, 0.15)):
        free = np.array([0.05, np.log(first), np.log(second), 0.253])
        found = lagged._other_order(free, at, volts, (0.1, 0.5))
        assert bool(found.x[1] < found.x[2]) is (first > second)
        assert found.x[2] <= np.log(0.15) + 1e-6
        between = np.log((first * second) ** 0.5)  # what each is on the other side of
        faster, slower = sorted((float(found.x[1]), float(found.x[2])))
        assert faster - 1e-6 <= between <= slower + 1e-6
        assert 0.1 <= found.x[3] <= 0.5


@pytest.mark.parametrize(
    ("later", "level_v"),
    [((340.0, 345.0), 349.0), ((340.0, 345.0, 341.0), 345.98), ((340.0, 348.5, 341.0), 349.0)],
)
def test_a_settling_leads_no_higher_than_three_later_readings_show(later: Any, level_v: float) -> None:
    """1.96 noises of 0.5 V above the highest of them, in the 0.6 s after it: four of the slowest sensing's lags."""
    at = np.array([0.2, 0.25, *(0.32 + 0.1 * k for k in range(len(later))), 0.93, 1.2])
    made = link_of(part("dc_link_voltage", at, [0.0, 300.0, *later, 399.0, 399.0]), noise_v=0.5)
    assert closings._no_higher_than_read(made, settled()).level_v == pytest.approx(level_v, abs=1e-3)
