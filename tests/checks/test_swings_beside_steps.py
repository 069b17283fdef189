"""Swings of a loop whose target steps meanwhile; the answers are made by scipy, the swings are sines."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from linear_system import answer, second_order
from loop_traces import demand, loop_log
from tuning_traces import TICK_S, logged, signals

from logscope.arrays import FloatArray
from logscope.checks.current_control.loop import find_loop
from logscope.checks.current_control.swinging import Swinging, _per_turn, _stands_out, find_swinging
from logscope.signals import Signals
from logscope.vehicle import Motor, Vehicle

HAZEL = Vehicle(motor=Motor(max_speed_rpm=9000))


def swinging(made: Signals) -> Swinging | None:
    return find_swinging(find_loop(made, HAZEL))[0]


def torque_log(
    rng: np.random.Generator,
    target: FloatArray,
    frequency_hz: float,
    damping: float,
    period_s: float,
    added: FloatArray | float = 0.0,
) -> Signals:
    """Torque of a loop, which keeps its sign, and its target [Nm]."""
    torque = target[0] + answer(second_order(frequency_hz, damping), target - target[0], TICK_S) + added
    return signals(
        logged(rng, "torque", torque, period_s, 1.0, 0.1),
        logged(rng, "torque_target", target, period_s, 0.0, 0.1),
        logged(rng, "motor_speed", np.full(target.size, 1500.0), period_s, 2.0, 1.0),
    )


@pytest.mark.parametrize(("period_s", "least"), [(0.005, 10), (0.01, 10), (0.02, 10), (0.05, 10)])
def test_a_swing_of_five_noises_beside_steps_is_found_from_2_hz_on(period_s: float, least: int) -> None:
    """For 30 turns, and two and a half of the shortest windows."""
    t, found = np.arange(0, 24, TICK_S), 0
    shortest_s = 2.6 * period_s * (32 if period_s == 0.05 else 64)
    for seed in range(820, 830):
        rng = np.random.default_rng([seed, round(1e3 * period_s)])
        frequency = float(np.exp(rng.uniform(np.log(2.05), np.log(min(40.0, 0.4 / period_s)))))
        begin_s = rng.uniform(3, 7)
        inside = (t > begin_s) & (t < begin_s + max(shortest_s, 30 / frequency))
        swing = 5 * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 6)) * inside
        seen = swinging(torque_log(rng, demand(rng, 24.0), rng.uniform(8, 30), 0.6, period_s, swing))
        found += seen is not None and abs((seen.frequency.value or 0.0) - frequency) < 0.5
    assert found >= least


@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.02, 0.05])
def test_a_damped_loop_that_is_stepped_every_06_s_does_not_swing(period_s: float) -> None:
    t = np.arange(0, 20, TICK_S)
    for seed in range(840, 850):
        rng = np.random.default_rng([seed, round(1e3 * period_s)])
        frequency = float(np.exp(rng.uniform(np.log(2), np.log(min(30.0, 0.25 / period_s)))))
        levels = rng.uniform(60, 300, 40) if seed % 2 else np.tile([250.0, 60.0], 20)
        assert swinging(torque_log(rng, levels[(t / 0.6).astype(int)], frequency, 0.5, period_s)) is None, seed


@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.02])
def test_a_lightly_damped_loop_that_is_stepped_again_and_again_hardly_ever_seems_to_oscillate(period_s: float) -> None:
    """Of answers that ring into one another, sampled at moments of their own, one in twelve seems a swing."""
    claimed = 0
    for seed in range(800, 812):
        rng = np.random.default_rng([seed, round(1e3 * period_s)])
        frequency = float(np.exp(rng.uniform(np.log(3), np.log(0.15 / period_s))))
        made = loop_log(rng, frequency, rng.uniform(0.1, 0.15), seconds=20.0, period_s=period_s)
        claimed += swinging(made) is not None
    assert claimed <= 2


@pytest.mark.parametrize("seed", range(8))
def test_an_answer_that_fits_another_part_of_the_drive_brings_in_no_swing(seed: int) -> None:
    """A drive that is tuned half-way, or stopped by a trip: the loop rings in one part, hardly answers in the other."""
    rng = np.random.default_rng([seed, 77])
    target = demand(rng, 24.0)
    ringing = torque_log(rng, target, 25.0, 0.08, 0.01)
    still = {}
    for name, part in ringing.parts.items():
        late = part.time_s > 12.0
        quiet = 0.2 * rng.standard_normal(part.value.size)
        still[name] = replace(part, value=np.where(late & (name == "torque"), quiet, part.value))
    asked = still["torque_target"]
    fading = np.where(
        asked.time_s > 12.0, -18.0 * np.exp(-(asked.time_s - 12.0)) + rng.normal(0, 0.3, asked.time_s.size), asked.value
    )
    found = swinging(replace(ringing, parts={**still, "torque_target": replace(asked, value=fading)}))
    assert found is None or all(since < 12.5 for since, _ in found.events)


def windows(frequency_hz: FloatArray, amplitude: float | FloatArray = 1.0) -> Any:
    """Swings seen in stretches of 64 samples, one after the other."""
    first = 64 * np.arange(frequency_hz.size)
    samples = np.full(frequency_hz.size, 64)
    size = np.broadcast_to(np.asarray(amplitude, float), frequency_hz.shape)
    return SimpleNamespace(first=first, samples=samples, frequency_hz=frequency_hz, amplitude=size)


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize(("begin_rpm", "end_rpm", "follows"), [(600.0, 1800.0, True), (1200.0, 1200.0, False)])
def test_a_swing_is_the_shafts_once_or_twice_a_turn_also_where_the_sampling_folds_it(
    order: int, begin_rpm: float, end_rpm: float, follows: bool
) -> None:
    """100 readings a second show twice 30 turns a second, 60 Hz, as 40 Hz (Nyquist)."""
    time_s = 0.01 * np.arange(64 * 20)
    rpm = np.linspace(begin_rpm, end_rpm, time_s.size)
    loop: Any = SimpleNamespace(
        measured=SimpleNamespace(time_s=time_s, spacing_s=0.01), rpm=lambda at: np.interp(at, time_s, rpm)
    )
    turns_hz = rpm.reshape(20, 64).mean(axis=1) / 60
    swings_hz = order * turns_hz
    assert _per_turn(loop, windows(np.where(swings_hz > 50, 100 - swings_hz, swings_hz))) == (order, follows)
    assert _per_turn(loop, windows(np.full(20, 4.3))) == (None, False)
    assert _per_turn(loop, windows(1.5 * turns_hz))[1] is False


@pytest.mark.parametrize(("out", "count", "stands_out"), [(5, 10, True), (4, 10, False), (2, 2, True), (1, 1, False)])
def test_a_swing_stands_out_of_what_the_answers_leave_for_half_of_its_time(
    out: int, count: int, stands_out: bool
) -> None:
    """A remainder of 1 everywhere leaves a swing of √2 by chance; three times that is out of it, and twice is not."""
    ones = np.ones(64 * count)
    rest: Any = SimpleNamespace(shifted=ones, unlike=0.0 * ones)
    swings = windows(np.full(count, 10.0), np.where(np.arange(count) < out, 4.5, 2.8))
    assert _stands_out(0.01 * np.arange(64 * count), rest, swings, slice(0, count)) is stands_out
