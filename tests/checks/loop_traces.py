"""Made loops: a target, and what a second-order loop makes of it by scipy, as two messages log them."""

from __future__ import annotations

import numpy as np
from linear_system import answer, second_order
from tuning_traces import TICK_S, FloatArray, logged, signals

from logscope.signals import Signals


def demand(rng: np.random.Generator, seconds: float, ramp_s: float = 1e-4) -> FloatArray:
    """Levels of a current target that each stand for one to two seconds [A]."""
    times, levels, now = [0.0], [20.0], 1.5
    while now < seconds:
        level = rng.uniform(150, 300) if levels[-1] < 100 else rng.uniform(0, 60)
        times += [now, now + ramp_s]
        levels += [levels[-1], level]
        now += ramp_s + rng.uniform(1.0, 2.0)
    return np.interp(np.arange(0, seconds, TICK_S), times, levels)


def loop_log(
    rng: np.random.Generator,
    frequency_hz: float,
    damping: float,
    *,
    seconds: float = 12.0,
    period_s: float = 0.01,
    noise_a: float = 1.0,
    ramp_s: float = 1e-4,
    gain: float = 1.0,
    speed: FloatArray | None = None,
    added: FloatArray | float = 0.0,
) -> Signals:
    """Motor current and its target; `added` is what the loop swings by itself [A]."""
    target = demand(rng, seconds, ramp_s)
    moved = answer(second_order(frequency_hz, damping), gain * (target - target[0]), TICK_S)
    value = gain * target[0] + moved + added
    turning = speed if speed is not None else np.full(target.size, 1500.0)
    return signals(
        logged(rng, "motor_current", np.abs(value), period_s, noise_a, 0.1),
        logged(rng, "motor_current_target", target, period_s, 0.0, 0.1),
        logged(rng, "motor_speed", turning, period_s, 2.0, 1.0),
    )
