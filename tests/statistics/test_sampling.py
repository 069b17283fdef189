"""Interpolation and integration of samples; oracles are numpy and scipy.integrate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad, trapezoid

from logscope.signals import Part
from logscope.statistics.integral import integrate
from logscope.statistics.sampling import (
    between_samples,
    gap_s,
    gap_threshold_s,
    held_time_s,
    new_value_period_s,
    spread_error_s,
    stretches,
    typical_period_s,
    unbunched_s,
    zero_order_hold,
)

T = np.arange(0, 10, 0.1)


def test_between_samples_is_numpy_interp_but_for_gaps_and_ends() -> None:
    """numpy.interp."""
    at = np.array([0.05, 3.33, 9.85])
    assert between_samples(T, T**2, at) == pytest.approx(np.interp(at, T, T**2))
    holed = T[(T < 2) | (T > 4)]
    assert np.isnan(between_samples(holed, holed, np.array([-1.0, 3.0, 11.0]))).all()


def test_zero_order_hold_is_the_newest() -> None:
    assert zero_order_hold(np.array([1.0, 2.0]), np.array([5.0, 6.0]), np.array([0.5, 1.0, 1.9, 7.0]))[1:].tolist() == [
        5,
        5,
        6,
    ]


def test_stretches_join_what_is_near() -> None:
    first, last = stretches(np.array([1, 0, 1, 0, 0, 0, 1], bool), np.arange(7.0), 2.0)
    assert (first.tolist(), last.tolist()) == ([0, 6], [2, 6])


def test_integral_is_the_trapezium_rule_and_its_limits_hold_the_true_one() -> None:
    """scipy.integrate: trapezoid for the rule, quad for the truth."""
    t = np.arange(0, 60, 0.05)
    value = 100 + 80 * np.sin(2 * np.pi * 1.7 * t)
    ours = integrate(t, value)
    truth, _ = quad(lambda x: 100 + 80 * np.sin(2 * np.pi * 1.7 * x), 0, t[-1], limit=500)
    assert ours.value == pytest.approx(trapezoid(value, t))
    assert ours.low <= truth <= ours.high


def test_a_gap_is_left_out_of_an_integral() -> None:
    t = np.concatenate([np.arange(0, 10, 0.1), np.arange(60, 70, 0.1)])
    ours = integrate(t, np.ones(t.size))
    assert ours.value == pytest.approx(19.8, abs=0.15)
    assert ours.covered_s == pytest.approx(19.8, abs=0.15)


@pytest.mark.parametrize("together", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("apart_s", [0.0, 0.0004, 0.004])
def test_messages_in_bursts_have_the_period_at_which_they_come_on_average(together: int, apart_s: float) -> None:
    """Three values every 62.5 ms are 48 a second, however soon they follow one another; the pause is no gap."""
    stamps = (np.arange(300)[:, None] * 0.0625 + np.arange(together) * apart_s).ravel()
    assert typical_period_s(stamps) == pytest.approx(0.0625 / together, rel=0.21 if together == 5 else 0.01)
    assert gap_threshold_s(stamps) > 0.0625
    assert held_time_s(stamps).sum() == pytest.approx(np.ptp(stamps), rel=0.01)
    missing = stamps[(stamps < 5) | (stamps > 6)]
    assert np.isnan(between_samples(missing, missing, np.array([5.5]))).all()


@pytest.mark.parametrize("period_s", [0.001, 0.005, 0.01, 0.02])
@pytest.mark.parametrize("grid_s", [0.01, 0.02, 0.05, 0.1])
def test_stamps_on_a_grid_are_spread_back_to_within_one_period(period_s: float, grid_s: float) -> None:
    """Up to a hundred messages share a stamp, which is when the logger next looked; a hole of 3 s stays one."""
    rng = np.random.default_rng(43)
    sent = np.arange(0.3, 40, period_s)
    sent = sent[(sent < 20) | (sent > 23)] + rng.uniform(0, 0.1 * period_s)
    stamps = np.ceil(sent / grid_s) * grid_s
    assert typical_period_s(stamps) == pytest.approx(period_s, rel=0.01)
    assert gap_s(stamps, 19.0, 24.0) == pytest.approx(3.0, abs=2 * grid_s + 2 * period_s)
    assert gap_s(stamps, 5.0, 10.0) == 0
    late = unbunched_s(stamps) - sent
    assert late.min() >= -1e-9
    assert late.max() <= max(period_s, grid_s if grid_s <= period_s else 0.0) + 1e-9
    assert np.abs(late - late.mean()).max() <= spread_error_s(stamps) + (grid_s if grid_s <= period_s else 0.0)


def test_messages_that_are_collected_and_then_stamped_on_a_grid_are_known_in_time_by_no_more_than_that() -> None:
    """Three at a time, on 50 ms: three or six share a stamp."""
    sent = np.arange(0.3, 40, 0.01)
    collected = sent[np.minimum(np.arange(sent.size) // 3 * 3 + 2, sent.size - 1)]
    stamps = np.ceil(collected / 0.05) * 0.05
    off = unbunched_s(stamps) - sent
    assert np.quantile(np.abs(off - np.median(off)), 0.95) <= spread_error_s(stamps) <= 0.05


@pytest.mark.parametrize("jitter", [0.0, 0.3])
@pytest.mark.parametrize("lost", [0.0, 0.03])
def test_lost_and_late_messages_leave_the_period_what_it_is(jitter: float, lost: float) -> None:
    rng = np.random.default_rng(41)
    stamps = np.sort(np.arange(4000) * 0.02 + rng.uniform(0, jitter * 0.02, 4000))
    stamps = stamps[rng.random(4000) >= lost]
    stamps = stamps[(stamps < 30) | (stamps > 50)]
    assert typical_period_s(stamps) == pytest.approx(0.02, rel=0.05)
    assert gap_threshold_s(stamps) == pytest.approx(0.06, rel=0.05)


def _held(sensor_s: float, message_s: float, step: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A message that repeats the newest reading of a sensor, of a voltage under a changing load."""
    rng = np.random.default_rng(seed)
    ticks = np.arange(0, 90, sensor_s)
    true = 330 - 15 * np.sin(0.9 * ticks) - 8 * np.sin(2.9 * ticks + 1) + rng.normal(0, 0.2, ticks.size)
    stamps = np.arange(1, 89, message_s) + rng.uniform(0, 1e-3)
    latest = np.searchsorted(ticks, stamps, side="right") - 1
    return stamps, np.round(true[latest] / step) * step


@pytest.mark.parametrize("step", [0.02, 0.1])
@pytest.mark.parametrize(("sensor_s", "message_s"), [(0.059, 0.05), (0.1, 0.02), (0.1, 0.01), (0.25, 0.1)])
def test_the_period_of_a_slow_sensor_is_that_of_its_new_values(sensor_s: float, message_s: float, step: float) -> None:
    stamps, volts = _held(sensor_s, message_s, step, 1)
    assert new_value_period_s(stamps, volts, step) == pytest.approx(sensor_s, rel=0.1)
    part = Part("dc_link_voltage", stamps, volts, "V", "Link.Voltage", step)
    assert (part.period_s, part.spacing_s) == pytest.approx((sensor_s, message_s), rel=0.1)


def test_a_sensor_faster_than_its_message_has_the_messages_period() -> None:
    stamps, volts = _held(0.003, 0.05, 0.1, 2)
    assert new_value_period_s(stamps, volts, 0.1) == pytest.approx(0.05)


@pytest.mark.parametrize("kind", ["rest", "stairs", "square", "coarse", "spikes"])
def test_a_value_that_stands_still_is_no_sign_of_a_slow_sensor(kind: str) -> None:
    t = np.arange(0, 120, 0.01)
    rng = np.random.default_rng(3)
    value = {
        "rest": np.where(t > 118, 100 * (t - 118), 0.0),
        "stairs": np.round(np.repeat(rng.uniform(0, 250, 40), 300)),  # a target that is set by hand
        "square": 100.0 * (np.floor(t / 0.6) % 2),
        "coarse": np.floor(np.cumsum(np.sin(t)) * 3 / 100) * 100,  # one pulse of an encoder a reading
        "spikes": 3000.0 * (rng.random(t.size) < 0.01),
    }[kind]
    assert new_value_period_s(t, value, 0.25) == pytest.approx(0.01)
