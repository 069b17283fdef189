"""Steps of a target and the loop that follows them: tables of made samples, expected by hand.

Responses are second-order loops in closed form (Ogata, Modern Control Engineering, chapter 5).
"""

from __future__ import annotations

from dataclasses import replace
from math import log, pi, sqrt
from typing import Any

import numpy as np
import pytest
from made_loops import PERIOD_S, T, answer, closed_form, levels, loop
from motor_traces import part, signals

from logscope.checks.current_control.check import current_control
from logscope.checks.current_control.loop import find_loop
from logscope.checks.current_control.pooled import delay, steady_error
from logscope.checks.current_control.response import _falls_short, _peak_share, _plain, _within, fit_step_response
from logscope.checks.current_control.steps import Step, find_steps, stamp_error_s
from logscope.findings import Measured, NothingToCheck
from logscope.signals import MissingPart
from logscope.vehicle import Limits, Motor, Vehicle

OWN = Vehicle(motor=Motor(max_torque_Nm=160, max_speed_rpm=9000), limits=Limits(motor_current_A=350))


def steps_of(value: np.ndarray, step: float | None = None) -> list[Step]:
    return find_steps(part("torque_target", T, value, step), value)


def test_a_step_lies_at_its_stamp_or_a_period_before() -> None:
    """From 0 to 80 between the samples at 2 s and 2.015625 s; levels are looked at from half-way on, 2 s at most."""
    (found,) = steps_of(levels((2.0, 80.0)))
    assert (found.before, found.after, found.height) == (0.0, 80.0, 80.0)
    assert (found.start_s, found.end_s) == (2.0 + PERIOD_S, 2.0 + PERIOD_S)
    assert (found.early_s, found.ramp_s, found.ramp_error_s) == (PERIOD_S, 0.0, 0.0)
    assert (found.low_s, found.until_s) == (pytest.approx(1.0, abs=PERIOD_S), 2.0 + PERIOD_S + 2.0)
    (late,) = steps_of(levels((7.0, -80.0)))
    assert late.height == -80.0
    assert late.low_s == pytest.approx(5.0, abs=2 * PERIOD_S)  # never more than 2 s before
    assert late.until_s == T[-1]


def test_a_ramp_begins_where_its_line_meets_the_level() -> None:
    (found,) = steps_of(levels((2.005, 80.0), ramp_s=0.2))
    assert (found.start_s, found.end_s) == pytest.approx((2.005, 2.205))
    assert (found.ramp_s, found.early_s) == (pytest.approx(0.2), 0.0)
    seen_s = 0.2 - 3 * PERIOD_S  # at least, between the samples that are surely on the way
    assert 0.0 < found.ramp_error_s <= 0.2 * sqrt(2.0) * 0.01 * PERIOD_S / seen_s


@pytest.mark.parametrize(
    ("changes", "ramp_s", "heights"),
    [
        (((2.0, 80.0), (4.0, 71.9)), 0.0, [80.0, -8.1]),  # a tenth of the range counts
        (((2.0, 80.0), (4.0, 72.1)), 0.0, [80.0]),
        (((2.0, 80.0),), 1.0, [80.0]),  # slower than a second is a manoeuvre
        (((2.0, 80.0),), 1.1, []),
        (((2.0, 80.0), (2.25, 0.0)), 0.0, [80.0, -80.0]),  # a level stands for 0.2 s, thirteen samples
        (((2.0, 80.0), (2.15, 0.0)), 0.0, []),
        (((2.0, 30.0), (4.0, -70.0)), 0.0, [-100.0, 30.0]),  # the largest first
    ],
)
def test_steps_are_changes_of_a_tenth_between_levels_that_stand(
    changes: tuple[tuple[float, float], ...], ramp_s: float, heights: list[float]
) -> None:
    assert [each.height for each in steps_of(levels(*changes, ramp_s=ramp_s))] == pytest.approx(heights)


def test_dither_of_a_hundredth_and_of_a_resolution_is_a_level() -> None:
    value = levels((2.0, 100.0))
    for size, step, found in ((0.9, None, 1), (1.3, None, 0), (1.9, 1.0, 1)):
        dithered = value + size * (np.arange(T.size) % 2)
        assert len(steps_of(dithered, step)) == found
    assert find_steps(part("torque_target", T[:19], value[:19]), value[:19]) == []


def test_a_change_that_turns_back_on_its_way_is_no_step() -> None:
    straight = np.interp(T, [2.0, 2.2], [0.0, 100.0])
    back = np.interp(T, [2.0, 2.1, 2.15, 2.3], [0.0, 60.0, 40.0, 100.0])
    assert len(steps_of(straight)) == 1
    assert steps_of(back) == []


def test_twenty_steps_are_looked_at() -> None:
    at = np.arange(0.0, 30.0, PERIOD_S)
    value = np.where((at // 0.5) % 2 == 1, 100.0, 0.0)
    assert len(find_steps(part("torque_target", at, value), value)) == 20


def test_stamps_are_known_by_how_unevenly_they_follow() -> None:
    """Alternately 2 ms too late: intervals 2 ms off, each of two stamps; even ones to a hundredth of a period."""
    even = np.arange(0.0, 4.0, 0.01)
    assert stamp_error_s(even, 0.01) == pytest.approx(1e-4)
    assert stamp_error_s(even + 0.002 * (np.arange(even.size) % 2), 0.01) == pytest.approx(
        1.4826 * 0.002 / sqrt(2.0), rel=1e-4
    )


def pair(kind: str, value: np.ndarray, target: np.ndarray) -> Any:
    return part(kind, T, value, 0.5), part(f"{kind}_target", T, target)


def test_the_loop_is_that_of_the_torque_or_else_of_the_currents_magnitude() -> None:
    torque, amps = pair("torque", -50.0 + 0 * T, -40.0 + 0 * T), pair("motor_current", -90.0 + 0 * T, -100.0 + 0 * T)
    found = find_loop(signals(*torque, *amps), OWN)
    assert (found.measured.name, found.target.name, found.unit, found.by_magnitude) == (
        "torque", "torque_target", "Nm", False,
    )  # fmt: skip
    assert found.error.tolist() == [-10.0] * T.size
    assert (found.full_scale, found.top_rpm, found.name) == (160.0, 9000.0, "torque")
    assert found.noise == pytest.approx(0.5 / sqrt(12.0))  # of its resolution
    found = find_loop(signals(torque[0], *amps), OWN)
    assert (found.measured.name, found.unit, found.by_magnitude) == ("motor_current", "A", True)
    assert found.error.tolist() == [-10.0] * T.size
    assert found.full_scale == 350.0
    bare = find_loop(signals(*amps), Vehicle())
    assert (bare.full_scale, bare.top_rpm) == (100.0, 1.0)
    still = find_loop(signals(part("torque", T, 0 * T), torque[1]), OWN)
    assert 0.0 < still.noise < 1e-6  # without a resolution, of a reading that never moves
    fast = find_loop(signals(*amps, part("motor_speed", T, -4000.0 + 0 * T)), Vehicle())
    assert fast.top_rpm == 4000.0
    for given, wanted in (((torque[0],), "torque_target"), ((amps[0],), "motor_current_target"),
                          ((torque[1],), "motor_current")):  # fmt: skip
        with pytest.raises(MissingPart) as missing:
            find_loop(signals(*given), OWN)
        assert missing.value.part == wanted


def test_a_band_is_a_third_of_the_speed_range() -> None:
    speed = part("motor_speed", T, np.interp(T, [0.0, 7.984375], [0.0, -9000.0]))
    one = loop(speed=speed)
    at = np.array([0.0, 2.6, 2.7, 5.3, 5.4, 7.9])
    assert one.band(at).tolist() == [0.0, 0.0, 1.0, 1.0, 2.0, 2.0]
    assert one.rpm(np.array([4.0]))[0] == pytest.approx(9000.0 * 4.0 / 7.984375)
    assert replace(one, top_rpm=3000.0).band(np.array([7.9])).tolist() == [2.0]
    assert np.isnan(loop().band(at)).all()
    assert loop().stamps_apart_s == 0.0
    assert replace(loop(), target=part("torque_target", T + 1e-3, T)).stamps_apart_s == pytest.approx(PERIOD_S)


def test_a_target_that_never_changes_asks_for_nothing() -> None:
    with pytest.raises(NothingToCheck, match="target of the torque never changes"):
        current_control(signals(*pair("torque", 1.0 + 0 * T, 2.0 + 0 * T)), Any, Vehicle())  # type: ignore[arg-type]
    one = part("torque", T[:1], T[:1]), part("torque_target", T, T)
    with pytest.raises(NothingToCheck, match="too few samples"):
        current_control(signals(*one), Any, Vehicle())  # type: ignore[arg-type]


FINE = np.arange(0.0, 4.0, 0.005)


def fitted(value: np.ndarray, *, after: float = 100.0, early_s: float = 0.0, noise: float = 0.3) -> Any:
    return fit_step_response(FINE, value, Step(2.0, 2.0, early_s, 0.0, 0.0, 0.0, 4.0, 20.0, after), 0.005, noise, 0.0)


@pytest.mark.parametrize(("natural", "damping", "delay_s"), [(40.0, 0.6, 0.02), (25.0, 0.3, 0.01), (60.0, 0.9, 0.03)])
def test_a_known_loop_is_found_with_its_delay_and_its_error(natural: float, damping: float, delay_s: float) -> None:
    noise = np.random.default_rng(2).normal(0.0, 0.3, FINE.size)
    value = 20.0 + 82.0 * closed_form(FINE - 2.0 - delay_s, natural, damping) + noise
    found = fitted(value)
    assert not found.fast
    for got, wanted, error in (
        (found.log_natural, log(natural), found.covariance[0, 0] ** 0.5),
        (found.log_damping, log(damping), found.covariance[1, 1] ** 0.5),
        (found.start_s, 2.0 + delay_s, found.start_error),
    ):
        assert abs(got - wanted) < 4.0 * error
        assert error < 0.05
    assert found.error == pytest.approx(2.0, abs=0.1)  # it settles at 102, where 100 was asked for
    assert found.error_reach == pytest.approx(1.97 * 0.3 / sqrt(160), rel=0.15)  # the last 0.8 s, 160 samples
    assert found.freedom == FINE.size - 3 - 4
    assert np.std(found.fitted - value) == pytest.approx(0.3, rel=0.1)


def test_what_the_loop_rings_by_from_before_is_no_part_of_its_answer() -> None:
    ring = 5.0 * np.exp(-0.2 * 40.0 * FINE) * np.cos(40.0 * sqrt(1 - 0.04) * FINE)
    noise = np.random.default_rng(3).normal(0.0, 0.1, FINE.size)
    found = fitted(20.0 + 80.0 * closed_form(FINE - 2.02, 40.0, 0.2) + ring + noise, noise=0.1)
    assert found.ring_before == pytest.approx(5.0, rel=0.1)
    assert np.exp(found.log_damping) == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize(
    ("made", "fast"),
    [
        (20.0 + 80.0 * closed_form(FINE - 2.02, 2 * pi / 0.030, 0.6), False),  # six samples a turn
        (20.0 + 80.0 * closed_form(FINE - 2.02, 2 * pi / 0.022, 0.6), True),  # less than five
        (20.0 + 80.0 * (FINE >= 2.02), True),  # at once
        # not of second order: a shape that no loop leaves
        (20.0 + 80.0 * closed_form(FINE - 2.02, 40.0, 0.6) + 6.0 * np.sin(13.0 * FINE) * (FINE > 2.0), True),
    ],
)
def test_an_answer_is_too_quick_where_its_samples_or_the_model_do_not_show_it(made: np.ndarray, fast: bool) -> None:
    found = fitted(made + np.random.default_rng(4).normal(0.0, 0.3, FINE.size))
    assert found.fast is fast


def test_an_answer_that_is_not_there_is_none() -> None:
    noise = np.random.default_rng(5).normal(0.0, 0.3, FINE.size)
    assert fitted(20.0 + noise) is None
    one = Step(2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 4.0, 20.0, 100.0)
    value = 20.0 + 80.0 * closed_form(FINE - 2.02, 40.0, 0.6)
    for rows, there in ((slice(395, 406), False), (slice(0, 406), False), (slice(380, 420), True)):
        got = fit_step_response(FINE[rows], value[rows], one, 0.005, 0.3, 0.0)
        assert (got is not None) is there


@pytest.mark.parametrize(("settled", "short"), [(91.9, True), (92.1, False), (100.0, False)])
def test_an_answer_falls_short_by_a_tenth_of_its_step(settled: float, short: bool) -> None:
    """From 20 to 100, or the other way from −20 to −100."""
    up = Step(2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 4.0, 20.0, 100.0)
    assert _falls_short(settled, up) is short
    assert _falls_short(-settled, replace(up, before=-20.0, after=-100.0)) is short
    assert _peak_share(np.array([]), 1.0, up) == 0.0
    assert _peak_share(np.array([110.0]), float("nan"), up) == 0.0
    assert _peak_share(np.array([110.0]), 90.0, up) == pytest.approx(10.0 / 80.0)
    assert _peak_share(np.array([110.0]), 104.0, up) == pytest.approx(6.0 / 80.0)


def test_nine_tenths_of_the_way_bound_the_rise() -> None:
    """Of a ramp of 0.1 s, 90 ms belong to the target; a period may be open at either end."""
    t = np.array([-0.02, 0.0, 0.02, 0.04, 0.06, 0.08])
    value = np.array([0.0, 0.0, 50.0, 89.0, 90.0, 100.0])
    one = Step(2.0, 2.0, 0.01, 0.0, 0.0, 0.0, 4.0, 0.0, 100.0)
    assert _within(t, value, np.array([0.0, 100.0]), one, 0.02) == pytest.approx(0.06 + 0.01 + 0.02)
    assert _within(t, value, np.array([0.0, 100.0]), replace(one, ramp_s=0.05), 0.02) == pytest.approx(0.015 + 0.03)
    assert _within(t, value, np.array([0.0, 100.0]), replace(one, ramp_s=0.1), 0.02) == pytest.approx(0.03)
    assert _within(t, value, np.array([0.0, 200.0]), one, 0.02) == float("inf")


def test_following_at_once_leaves_nothing_of_a_delayed_step() -> None:
    t = FINE - 2.0
    one = Step(2.0, 2.0, 0.0, 0.0, 0.0, 0.0, 4.0, 20.0, 100.0)
    assert _plain(t, 20.0 + 80.0 * (t > 0.0101), one, 0.005) < 1.0
    assert _plain(t, 20.0 + 80.0 * closed_form(t, 20.0, 0.7), one, 0.005) > 1000.0


@pytest.mark.parametrize(
    ("starts", "wanted"),
    [
        ((2.02, 2.05, 2.03), (0.028, 0.035, 0.042)),  # the middle one
        ((2.001,), (None, None, PERIOD_S)),  # may follow at once
        ((2.003,), (0.001, 0.008, 0.015)),
        ((1.985,), (None, None, PERIOD_S)),
    ],
)
def test_a_delay_is_the_middle_one_or_a_bound(starts: tuple[float, ...], wanted: tuple[float | None, ...]) -> None:
    found = delay([replace(answer(), start_s=each) for each in starts], PERIOD_S)
    assert (found.low, found.value, found.high) == pytest.approx(wanted)


def test_a_single_steady_error_has_the_reach_of_its_own_samples() -> None:
    assert steady_error([answer()], "Nm") == Measured(1.0, "Nm", 0.5, 1.5)
    alike = steady_error([answer(), answer()], "Nm")  # no scatter: each is known to 0.5
    assert (alike.low, alike.high) == pytest.approx((1.0 - 0.5 / sqrt(2.0), 1.0 + 0.5 / sqrt(2.0)))
    half = steady_error([answer(), replace(answer(50.0), error=3.0)], "Nm")
    assert half.value == 2.0  # half as large still counts
    assert steady_error([answer(), replace(answer(49.0), error=3.0)], "Nm").value == 1.0
