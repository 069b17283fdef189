"""Voltage and current of a source at one moment, and its resistance by steps of the current: made rows, by hand.

R = |ΔU|/|ΔI| (IEC 62660-1); the error of a mean of n readings is σ/√n; rounding to q has a deviation of q/√12;
Student's quantiles and the range of normal values by scipy.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motor_traces import part
from scipy import stats

from logscope.observations.under_load import (
    UnderLoad,
    _different,
    _means,
    _moves,
    _noise,
    _side_s,
    _spread,
    _steepness,
    _steps,
    resistance_by_steps,
    under_load,
)

P = 0.0625  # sums of it are exact
T = np.arange(0.0, 64.0, P)


def current(value: Any, time_s: np.ndarray = T, step: float | None = None) -> Any:
    return part("battery_current", time_s, np.broadcast_to(np.asarray(value, float), time_s.shape), step)


def test_rows_are_the_voltage_with_the_sum_of_its_currents_some_time_earlier() -> None:
    volts = 300.0 + 0.0 * T
    one = under_load(T, volts, None, [current(T), current(10.0 + 0.0 * T)], 0.5)
    assert one.time_s[0] == 0.5  # before it the current is not logged
    assert one.amps == pytest.approx(one.time_s - 0.5 + 10.0)
    assert (one.lag_s, one.period_s, one.fresh_s) == (0.5, P, P)
    assert one.slope_a_per_s == pytest.approx(1.0)
    assert one.rounding_v == 0.0
    slow = under_load(T, volts, None, [current(T[::8], T[::8])])
    assert (slow.period_s, slow.fresh_s, slow.lag_s) == (0.5, 0.5, 0.0)
    assert (slow.noise_v, slow.noise_a) == pytest.approx((1e-6, 1e-6))  # lines have none
    swings = np.resize([300.0, 301.0, 331.0, 361.0, 391.0, 390.0, 360.0, 330.0], T.size // 4)
    repeated = under_load(T, np.repeat(swings, 4), 1.0, [current(T)])
    assert (repeated.period_s, repeated.fresh_s) == (P, 4 * P)  # a sensor slower than its message


def test_noise_of_two_currents_adds_as_squares_and_no_reading_is_better_than_its_rounding() -> None:
    rng = np.random.default_rng(1)
    three, four = (current(rng.normal(0.0, size, T.size)) for size in (3.0, 4.0))
    made = under_load(T, rng.normal(300.0, 0.2, T.size), 0.1, [three, four])
    assert made.noise_a == pytest.approx(5.0, rel=0.1)
    assert made.noise_v == pytest.approx((0.2**2 + 0.1**2 / 12) ** 0.5, rel=0.1)
    assert made.rounding_v == 0.0  # two steps of noise take the rounding out of a mean
    quiet = under_load(T, np.round(rng.normal(300.0, 0.02, T.size) / 0.1) * 0.1, 0.1, [three])
    assert quiet.rounding_v == pytest.approx(0.1 / 12**0.5)
    assert _noise(np.zeros(100), 0.6) == pytest.approx(0.6 / 12**0.5)
    assert _noise(np.zeros(100), None) == 1e-6
    for noise, kept in ((0.45, True), (0.55, False)):  # half of a step
        value = 300.0 + rng.normal(0.0, noise, 4000)
        at = 0.01 * np.arange(4000)
        coarse = under_load(at, np.round(value), 1.0, [current(0.0, at)])
        assert (coarse.rounding_v > 0.0) is kept


def test_the_steepest_of_three_intervals_about_a_row_counts() -> None:
    made = current([0.0, 1.0, 1.0, 5.0, 5.0], np.arange(5.0))
    at = np.array([0.5, 1.5, 2.5, 3.5, 9.0])
    assert _steepness(made, at).tolist() == [1.0, 4.0, 4.0, 4.0, 4.0]
    assert _steepness(made, np.array([0.2])).tolist() == [1.0]
    assert _steepness(current([3.0], np.array([1.0])), at).tolist() == [0.0] * 5
    last = current([0.0, 0.0, 0.0, 0.0, 8.0], np.arange(5.0))
    assert _steepness(last, np.array([1.5, 2.5, 3.5, 9.0])).tolist() == [0.0, 8.0, 8.0, 8.0]
    long = current([0.0, 2.0, 2.0, 2.0, 2.0, 2.0], np.arange(6.0))
    assert _steepness(long, np.array([2.5, 3.5])).tolist() == [0.0, 0.0]


def test_means_and_deviations_of_rows_are_numpys() -> None:
    value = np.random.default_rng(2).normal(300.0, 2.0, 200)
    a, b, c, d = (np.array(each) for each in ([3, 10], [9, 30], [40, 50], [60, 51]))
    wanted = [
        value[k].mean() - value[j].mean() for j, k in ((slice(3, 9), slice(40, 60)), (slice(10, 30), slice(50, 51)))
    ]
    assert _means(value, a, b, c, d) == pytest.approx(np.array(wanted))
    assert _spread(value, a, b) == pytest.approx(np.array([value[3:9].std(), value[10:30].std()]))


def load(volts: Any, amps: Any, **more: Any) -> UnderLoad:
    given: dict[str, Any] = {
        "slope_a_per_s": np.zeros(T.size), "lag_s": 0.0, "period_s": P, "fresh_s": P, "noise_v": 0.05, "noise_a": 0.2,
        **more,
    }  # fmt: skip
    return UnderLoad(T, np.broadcast_to(np.asarray(volts, float), T.shape), amps, **given)


def stepped(*amps: float, ohm: Any = 0.1, each_s: float = 4.0, **more: Any) -> UnderLoad:
    """From zero to each of some currents and back, every four seconds; 300 V at rest."""
    value, over = np.zeros(T.size), np.zeros(T.size)
    resistances = np.broadcast_to(np.asarray(ohm, float), (len(amps),))
    for k, (size, own) in enumerate(zip(amps, resistances, strict=True)):
        rows = (each_s * (2 * k + 1) <= T) & (each_s * (2 * k + 2) > T)
        value[rows], over[rows] = size, own
    return load(300.0 - over * value, value, **more)


def test_a_side_of_a_step_is_300_ms_or_three_messages() -> None:
    assert _side_s(load(300.0, T)) == 0.3
    assert _side_s(load(300.0, T, period_s=0.2)) == pytest.approx(0.6)


def test_how_far_a_current_moves_is_its_range_less_that_of_its_noise() -> None:
    """The range of n normal values is d₂ standard deviations: of 5 and 10 by numerical integration, scipy."""
    for count in (5, 10, 25):
        whole = stats.norm.expect  # E[max − min] = 2·E[max]
        d2 = 2.0 * count * whole(lambda x, n=count: x * stats.norm.cdf(x) ** (n - 1))
        ramp = np.linspace(0.0, 10.0, count)
        assert _moves(ramp, load(300.0, T, noise_a=0.5)) == pytest.approx(10.0 - 0.5 * d2, abs=0.005)
    assert _moves(np.array([0.0, 0.5]), load(300.0, T, noise_a=1.0)) == 0.0


def test_steps_of_equal_size_are_pooled_with_the_noise_of_their_levels() -> None:
    """Six steps of 100 A over 0.1 Ω; a side of 0.3 s holds 4.8 readings: √2 · 0.0545 V/√4.8 over 100 A, of six."""
    found = resistance_by_steps(stepped(100.0, 100.0, 100.0))
    assert found is not None
    assert found.value == pytest.approx(0.1)
    level_v = np.hypot(0.05, 0.2 * 0.1) / (0.3 / P) ** 0.5 * 2**0.5
    reach = stats.norm.ppf(0.975) * level_v / 100.0 / 6**0.5
    assert (found.value - found.low, found.high - found.value) == pytest.approx((reach, reach), rel=1e-3)
    slow = resistance_by_steps(stepped(100.0, 100.0, 100.0, fresh_s=0.6))  # a sensor slower than a side: one reading
    assert slow is not None
    assert slow.high - slow.value == pytest.approx(reach * (0.3 / P) ** 0.5, rel=1e-3)


@pytest.mark.parametrize(("noise_v", "known"), [(5.4, True), (6.2, False)])
def test_a_resistance_is_known_to_three_tenths_of_its_value(noise_v: float, known: bool) -> None:
    """Six steps of 100 A over 0.1 Ω, as above: limits of 28 % and of 32 %."""
    assert (resistance_by_steps(stepped(100.0, 100.0, 100.0, noise_v=noise_v)) is not None) is known


def test_steps_that_differ_by_more_than_noise_have_students_limits() -> None:
    """Up and down over 0.1, 0.1 and 0.12 Ω: alike in weight, so the plain mean and its standard error."""
    made = stepped(100.0, 100.0, 100.0, ohm=(0.1, 0.1, 0.12), noise_v=0.005, noise_a=0.01)
    found = resistance_by_steps(made)
    assert found is not None
    ohms = np.repeat([0.1, 0.1, 0.12], 2)
    assert found.value == pytest.approx(ohms.mean(), rel=1e-3)
    reach = stats.t.ppf(0.975, 5) * stats.sem(ohms)
    assert found.high - found.value == pytest.approx(reach, rel=0.02)
    assert resistance_by_steps(made, 0.1) is None  # wider than a tenth
    assert resistance_by_steps(made, 0.2) is not None
    assert resistance_by_steps(stepped(100.0, ohm=-0.1)) is None


def test_larger_steps_count_more() -> None:
    """Errors of a resistance go with 1/ΔI: weights with its square, 4 : 1."""
    found = resistance_by_steps(stepped(100.0, 50.0, ohm=(0.10, 0.11), noise_v=0.5, noise_a=0.0), 1.0)
    assert found is not None
    assert found.value == pytest.approx((4 * 0.10 + 0.11) / 5, rel=1e-3)


def test_rounding_shrinks_with_steps_of_different_heights_alone() -> None:
    """Readings rounded to 0.5 V: 0.144 V, twice, over 100 A; over steps of three heights by √3 less."""
    rounding_v = 0.5 / 12**0.5
    alike = resistance_by_steps(stepped(100.0, 100.0, 100.0, noise_v=1e-6, noise_a=1e-6, rounding_v=rounding_v))
    assert alike is not None
    reach = stats.norm.ppf(0.975) * rounding_v * 2**0.5 / 100.0
    assert alike.high - alike.value == pytest.approx(reach / 2**0.5, rel=0.01)  # up and down are two heights
    many = resistance_by_steps(stepped(90.0, 100.0, 110.0, noise_v=1e-6, noise_a=1e-6, rounding_v=rounding_v))
    assert many is not None
    assert many.high - many.value == pytest.approx(reach / 6**0.5, rel=0.01)
    heights = np.array([10.0, 10.2, 10.3, 10.6])  # in halves of a step, 0.25 V: 40, 41, 41, 42
    assert _different(heights, rounding_v) == 3
    assert _different(heights, 0.0) == 1


@pytest.mark.parametrize(
    ("amps", "noise_a", "count"),
    [
        ((100.0, 31.0), 0.2, 4), ((100.0, 29.0), 0.2, 2),  # three tenths of the largest
        ((100.0,), 6.6, 2), ((100.0,), 6.7, 0),  # fifteen noises
    ],
)  # fmt: skip
def test_a_step_is_clear_of_the_noise_and_of_the_largest(amps: tuple[float, ...], noise_a: float, count: int) -> None:
    found = _steps(stepped(*amps, noise_a=noise_a))
    assert (0 if found is None else found[0].size) == count
    if found is not None:
        change_a, change_v, drift_a = found
        assert change_v == pytest.approx(-0.1 * change_a)
        assert np.abs(change_a).max() == pytest.approx(100.0)
        assert drift_a == pytest.approx(0.0)


def test_steps_between_levels_that_stand_go_before_ramps() -> None:
    """A ramp of 80 A in each level after it moves by more than a twentieth of its change."""
    value = np.where((T >= 4.0) & (T < 8.0), 40.0, 0.0)
    ramp = np.interp(T, [20.0, 24.0], [0.0, 300.0]) * (T < 28.0)
    found = _steps(load(300.0 - 0.1 * (value + ramp), value + ramp))
    assert found is not None
    assert 300.0 in np.round(np.abs(found[0]))  # its end is one between levels
    only = _steps(load(300.0 - 0.1 * value, value))
    assert only is not None
    assert np.abs(only[0]) == pytest.approx(40.0)
    ramps = _steps(load(300.0 - T, 10.0 * T))
    assert ramps is not None
    drift = ramps[2]
    # ten amperes a second: over a side of 0.25 s by 2.5 A, less the noise's range; 1.5 periods of 0.3 s of either side
    assert drift.max() == pytest.approx((2.5 - 0.2 * 2.2) * 1.5 * P / 0.3, rel=0.25)


def test_a_gap_in_the_log_is_no_step() -> None:
    made = stepped(100.0, 100.0)
    time_s = T.copy()
    time_s[T >= 4.0] += 60.0  # at the first step
    gapped = replace(made, time_s=time_s)
    found = _steps(gapped)
    assert found is not None
    assert found[0].size == 3
    short = UnderLoad(T[:20], made.volts[:20], made.amps[:20], T[:20], 0.0, P, P, 0.05, 0.2)
    assert _steps(short) is None
    assert resistance_by_steps(short) is None
