"""Operating points, slip, efficiency and field weakening by made numbers; steps of a target and what is read off them.

Oracles: P = T·ω with ω = 2π·n/60; slip as stator frequency less pole pairs times shaft speed (Chapman, Electric
Machinery Fundamentals, chapter 6); the overshoot exp(−πζ/√(1 − ζ²)) of a second-order loop (Ogata, Modern Control
Engineering, chapter 5); scipy.stats for limits.
"""

from __future__ import annotations

from math import exp, log, pi, sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals
from scipy import stats

from logscope.checks.current_control.response import _falls_short
from logscope.checks.current_control.step_response import FIGURES, StepResponse
from logscope.checks.current_control.steps import Step, find_steps, stamp_error_s
from logscope.checks.machine.points import Binned, Points, by_bins, find_efficiency, find_points, slip_hz
from logscope.checks.machine.weakening import _crossing, find_weakening

T = np.arange(0.0, 60.0, 0.05)


def points(torque: Any, rpm: Any, at: np.ndarray = T) -> Points:
    return Points(at, np.full(at.size, 0.05), np.broadcast_to(rpm, at.shape), np.broadcast_to(torque, at.shape))


def test_shaft_power_is_torque_times_angular_speed():
    assert points(100.0, 3000.0).power_w[0] == pytest.approx(100.0 * 2 * pi * 50.0)


@pytest.mark.parametrize(
    ("torque", "rpm", "motoring", "braking"),
    [
        (5.1, 101.0, True, False),  # a twentieth of the largest, 100 Nm
        (5.0, 101.0, False, False),
        (5.1, 100.0, False, False),
        (-5.1, 101.0, False, True),
        (-5.0, 101.0, False, False),
        (-50.0, -500.0, False, False),  # driving backwards
    ],
)
def test_a_motor_drives_or_brakes_beyond_idling_while_it_turns_forward(torque, rpm, motoring, braking):
    one = points(np.where(T < 0.01, -100.0, torque), rpm)
    assert (one.motoring[5], one.braking[5]) == (motoring, braking)


def test_rows_are_those_of_the_torque_with_the_speed_between_its_samples():
    torque, speed = (
        part("torque", np.arange(0.0, 5.0), np.arange(5.0)),
        part("motor_speed", [1.5, 2.5, 3.5], [0.0, 10, 30]),
    )
    found = find_points(signals(torque, speed))
    assert (found.time_s.tolist(), found.torque.tolist(), found.rpm.tolist()) == ([2.0, 3.0], [2.0, 3.0], [5.0, 20.0])
    assert found.held_s.tolist() == [1.0, 1.0]


def test_slip_is_as_logged_or_the_stator_frequency_less_the_shafts():
    """3000 rpm of two pole pairs are 100 Hz."""
    stator, logged = part("stator_frequency", T, np.full(T.size, -103.0)), part("slip", T, np.full(T.size, 2.5))
    one = points(50.0, -3000.0)
    assert slip_hz(one, signals(stator), 2)[5] == pytest.approx(3.0)  # type: ignore[index]
    assert slip_hz(one, signals(stator, logged), 2)[5] == 2.5  # type: ignore[index]
    assert slip_hz(one, signals(stator), None) is None
    assert slip_hz(one, signals(), 2) is None


def test_efficiency_is_the_ratio_of_the_energies_with_limits_over_blocks():
    """Blocks of 5 s with 80 or 90 %: the plain ratio, and the limits of a mean as all take 10 kW."""
    share = np.where((T // 5.0).astype(int) % 2 == 0, 0.8, 0.9)
    rpm = 3000.0
    torque = 10_000.0 * share / (2 * pi * 50.0)
    made = signals(
        part("battery_voltage", T, np.full(T.size, 250.0)), part("battery_current", T, np.full(T.size, 40.0))
    )
    found = find_efficiency(points(torque, rpm), made)
    assert found is not None
    each = np.tile([80.0, 90.0], 6)
    low, high = stats.t.interval(0.95, 11, each.mean(), stats.sem(each))
    assert (found.value, found.low, found.high) == pytest.approx((85.0, low, high), rel=1e-3)
    assert find_efficiency(points(torque, rpm), signals()) is None
    for until_s, known in ((24.9, True), (19.9, False)):  # five blocks
        short = T[until_s > T]
        assert (find_efficiency(points(torque[: short.size], rpm, short), made) is not None) is known


def test_medians_by_bins_have_the_limits_of_order_statistics():
    """100 rows a bin: the 40th and the 61st of them (binomial, 95 %)."""
    at = np.repeat(np.arange(12.0), 100) + np.tile(np.arange(100) / 200.0, 12)
    value = np.tile(np.random.default_rng(1).permutation(100.0 * np.arange(100)), 12)
    found = by_bins(at, value)
    assert found is not None
    assert found.median.tolist() == [4950.0] * 12
    assert found.at[3] == pytest.approx(3.2475)
    ranks = stats.binom.ppf([0.025, 0.975], 100, 0.5)
    assert found.low[0] <= 100.0 * ranks[0]
    assert found.high[0] >= 100.0 * (ranks[1] - 1)
    assert (found.high[0] - found.low[0]) <= 100.0 * (ranks[1] - ranks[0] + 3)
    assert found.width == pytest.approx(11.495 / 12)
    for rows, known in ((20, True), (19, False)):  # in each of three bins
        few = np.repeat([0.0, 5.0, 11.0], rows)
        padded = np.concatenate((few, np.arange(1.0, 4.0)))
        assert (by_bins(padded, padded) is not None) is known


def curve(*median: float, half: float = 1.0) -> Binned:
    values = np.array(median)
    return Binned(1000.0 * (1 + np.arange(values.size)), values, values - half, values + half, 1000.0)


@pytest.mark.parametrize(
    ("median", "rising", "onset"),
    [
        ((50.0, 80.0, 90.0, 98.0, 99.0), True, (3625.0, 3000.0, 4000.0)),  # 5/8 of the way from 90 to 98
        ((50.0, 80.0, 94.5, 98.0, 99.0), True, (2000.0 + 2000.0 * 15 / 18, 2000.0, 4000.0)),  # 94.5 is neither
        ((97.0, 98.0, 99.0), True, None),  # always beyond
        ((50.0, 60.0, 90.0), True, None),  # never
        ((50.0, 98.0, 60.0, 98.0), True, (3000.0 + 1000.0 * 35 / 38, 3000.0, 4000.0)),  # from the last on
        ((99.0, 98.0, 90.0), False, (2000.0 + 1000.0 * 3 / 8, 2000.0, 3000.0)),
        # limits that meet the level are not short of it, and are beyond it
        ((50.0, 94.0, 98.0), True, (1000.0 + 2000.0 * 45 / 48, 1000.0, 3000.0)),
        ((50.0, 90.0, 96.0), True, (2000.0 + 1000.0 * 5 / 6, 2000.0, 3000.0)),
        ((99.0, 96.0, 90.0), False, (1000.0 + 2000.0 * 4 / 9, 1000.0, 3000.0)),
        ((99.0, 98.0, 94.0), False, (2000.0 + 1000.0 * 3 / 4, 2000.0, 3000.0)),
    ],
)
def test_an_onset_lies_between_the_last_bin_short_of_a_level_and_the_first_beyond_it(median, rising, onset):
    found = _crossing(curve(*median), 95.0, rising=rising)
    if onset is None:
        assert found is None
    else:
        assert found is not None
        assert (found.value, found.low, found.high) == pytest.approx(onset)
    assert _crossing(None, 95.0, rising=rising) is None


def test_field_weakening_begins_where_torque_per_ampere_falls_by_a_tenth():
    """It falls from 4000 rpm on as 1/n: to nine tenths at 4444 rpm. Rows of small currents do not count."""
    rpm = np.linspace(500.0, 8000.0, 6000)
    at = 0.01 * np.arange(6000)
    amps = np.where(np.arange(6000) % 3 == 0, 40.0, 100.0)
    torque = amps * np.where(amps < 50.0, 0.5, np.minimum(1.0, 4000.0 / rpm))
    found = find_weakening(points(torque, rpm, at), signals(part("motor_current", at, -amps)))
    assert found is not None
    assert found.onset is not None
    assert found.by == "torque per ampere"
    assert found.onset.value == pytest.approx(4444.0, abs=60.0)
    assert found.onset.low <= 4444.0 <= found.onset.high
    used = part("voltage_utilisation", at, np.minimum(rpm / 50.0, 100.0))
    by_voltage = find_weakening(points(torque, rpm, at), signals(used, part("motor_current", at, amps)))
    assert by_voltage is not None
    assert by_voltage.onset is not None
    assert (by_voltage.by, by_voltage.onset.value) == ("voltage utilisation", pytest.approx(4750.0, abs=60.0))
    assert find_weakening(points(torque, rpm, at), signals()) is None


@pytest.mark.parametrize(("onset_rpm", "known"), [(1850.0, True), (1400.0, False)])
def test_a_plateau_of_torque_per_ampere_spans_four_of_24_speeds(onset_rpm, known):
    """Torque per ampere falls as 1/n from an onset on; a bin is 312.5 rpm from 500 rpm on, so four end at 1750 rpm."""
    rpm = np.linspace(500.0, 8000.0, 2400)
    at = 0.01 * np.arange(2400)
    falls = points(100.0 * np.minimum(1.0, onset_rpm / rpm), rpm, at)
    found = find_weakening(falls, signals(part("motor_current", at, np.full(2400, 100.0))))
    assert (found is not None) is known


def test_torque_per_ampere_is_compared_at_like_currents_alone():
    """Of the second of 24 speeds all rows have 1.4 times the current, which saturates: they are not compared."""
    rows = np.arange(2400)
    rpm, high = np.linspace(500.0, 8000.0, 2400), (rows >= 100) & (rows < 200)
    torque = np.where(high, 70.0, 100.0 * np.minimum(1.0, 4000.0 / rpm))
    current = part("motor_current", 0.01 * rows, np.where(high, 140.0, 100.0))
    found = find_weakening(points(torque, rpm, 0.01 * rows), signals(current))
    assert found is not None
    assert found.curve is not None
    assert found.curve.at.size == 23


def target(value: np.ndarray, step: float | None = None, period_s: float = 0.02) -> Any:
    return part("motor_current_target", period_s * np.arange(value.size), value, step)


def levels(*each: tuple[float, int]) -> np.ndarray:
    return np.concatenate([np.full(rows, level) for level, rows in each])


def test_a_step_is_seen_at_its_first_sample_and_may_be_a_period_older():
    value = levels((10.0, 100), (110.0, 100), (60.0, 200))
    first, second = find_steps(target(value), value)
    assert (first.height, second.height) == (100.0, -50.0)  # the larger first
    assert (first.before, first.after, first.ramp_s, first.ramp_error_s) == (10.0, 110.0, 0.0, 0.0)
    assert (first.start_s, first.end_s, first.early_s) == pytest.approx((2.0, 2.0, 0.02))
    assert (first.low_s, first.until_s) == pytest.approx((0.99, 3.98))  # half of the level before
    assert (second.low_s, second.until_s) == pytest.approx((2.99, 6.0))  # two seconds after it


def test_a_ramp_begins_and_ends_where_its_line_meets_the_levels():
    """From 0 to 100 A between 2.0 and 2.4 s; a stamp is known to a hundredth of its period."""
    at = 0.02 * np.arange(300)
    value = 100.0 * np.clip((at - 2.0) / 0.4, 0.0, 1.0)
    (found,) = find_steps(target(value), value)
    assert (found.start_s, found.end_s, found.ramp_s, found.early_s) == pytest.approx((2.0, 2.4, 0.4, 0.0), abs=1e-6)
    between = at[(value > 2.0 + 1e-9) & (value < 98.0 - 1e-9)]
    assert found.ramp_error_s == pytest.approx(0.4 * sqrt(2) * 0.01 * 0.02 / np.ptp(between))


@pytest.mark.parametrize(
    ("value", "count"),
    [
        (levels((0.0, 100), (100.0, 100), (109.0, 100)), 1),  # a tenth of the range
        (levels((0.0, 100), (100.0, 100), (112.0, 100)), 2),
        (levels((0.0, 100), (100.0, 8), (0.0, 100)), 0),  # a level stands for 0.2 s
        (levels((0.0, 100), (100.0, 11), (0.0, 100)), 2),
        (np.concatenate((np.zeros(100), np.linspace(0.0, 100.0, 50), np.full(100, 100.0))), 1),
        (np.concatenate((np.zeros(100), np.linspace(0.0, 100.0, 56), np.full(100, 100.0))), 0),  # over a second
        (np.concatenate((np.zeros(100), [40.0, 70, 50, 80], np.full(100, 100.0))), 0),  # it turns back on its way
        (np.zeros(19), 0),
    ],
)
def test_steps_are_short_changes_between_levels_that_stand(value, count):
    assert len(find_steps(target(value), value)) == count


def test_a_stamp_is_as_unsure_as_stamps_follow_one_another():
    """Normal jitter of 1 ms: differences of two have √2 of it."""
    jitter = np.random.default_rng(3).normal(0.0, 1e-3, 20_000)
    at = 0.02 * np.arange(20_000) + jitter
    assert stamp_error_s(at, 0.02) == pytest.approx(1e-3, rel=0.03)
    assert stamp_error_s(0.02 * np.arange(100), 0.02) == pytest.approx(2e-4)


@pytest.mark.parametrize(
    ("height", "settled", "short"),
    [(100.0, 50.0, True), (-100.0, -50.0, True), (-100.0, -150.0, False)],
)
def test_an_answer_falls_short_on_the_side_it_came_from(height, settled, short):
    step: Any = SimpleNamespace(height=height, after=height)
    assert _falls_short(settled, step) is short
    assert not _falls_short(height, step)


def test_figures_are_those_of_a_second_order_loop():
    natural, damping = 2 * pi * 5.0, 0.4
    read = {name: (unit, of(natural, damping)) for name, (unit, of) in FIGURES.items()}
    assert read["overshoot_percent"] == ("%", pytest.approx(100 * exp(-pi * 0.4 / sqrt(1 - 0.16))))
    assert read["natural_frequency_Hz"] == ("Hz", pytest.approx(5.0))
    assert read["damping_ratio"] == ("1", 0.4)


def answer(value: np.ndarray, height: float, ring: float, natural: float = 20.0, damping: float = 0.4) -> StepResponse:
    step = Step(1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 3.0, 100.0, 100.0 + height)
    at, none = np.linspace(0.0, 3.0, value.size), np.zeros(0)
    return StepResponse(
        step, log(natural), log(damping), np.eye(2), 1.0, 0.0, 9, 2.0, 0.1, False, 0.0, 0.0, 0.0, ring, at, value, none
    )


@pytest.mark.parametrize(
    ("lowest", "height", "ring", "folds"),
    [
        (13.2, -80.0, 0.0, False),  # 80 A overshoot by 25.4 % = 20.3 A: at 20 rad/s every 50 ms half of 20.3 A, and 3 A
        (13.1, -80.0, 0.0, True),
        (0.0, 80.0, 0.0, False),  # upwards nothing crosses zero
        (0.0, -11.0, 0.0, False),  # 2.8 A are noise
        (0.0, 80.0, 4.0, True),  # what rings from before
    ],
)
def test_a_magnitude_may_fold_where_it_swings_as_low_as_its_samples_miss(lowest, height, ring, folds):
    at = np.linspace(0.0, 3.0, 301)
    late = np.where(at < 2.0, 100.0, lowest) if not ring else np.where(at < 0.5, lowest, 100.0)
    assert answer(late, height, ring).may_fold(noise=1.0, period_s=0.05) is folds
