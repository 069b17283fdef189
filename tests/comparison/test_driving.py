"""The ticks by which two runs are compared; oracle: scipy's median over every tick of the whole span."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import median_filter

from logscope.comparison.driving import TICK_S, driving
from tests.checks.motor_traces import part, signals

DAY_S = 86_400.0


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.01, 0.1, 0.4]), st.floats(0.0, 20.0))
def test_the_ticks_kept_hold_what_every_tick_of_the_span_holds(seed: int, period_s: float, pause_s: float) -> None:
    draw = np.random.default_rng(seed)
    first = np.cumsum(draw.uniform(0.5, 1.5, 60) * period_s)
    time = np.concatenate([first, first[-1] + pause_s + np.cumsum(draw.uniform(0.5, 1.5, 60) * period_s)])
    made = signals(
        part("motor_speed", time, draw.normal(1000.0, 300.0, time.size)),
        part("motor_current", time + 0.003, draw.normal(100.0, 30.0, time.size)),
    )
    run = driving(made, "motor_speed", "motor_current")

    every = np.arange(made.start_s, made.end_s, TICK_S)
    known = np.ones(every.size, dtype=bool)
    for name, ours in (("motor_speed", run.speed), ("motor_current", run.load)):
        index = np.searchsorted(made[name].time_s, every, side="right") - 1
        known &= (index >= 0) & (every - made[name].time_s[index] <= 1.0)
        held = np.where(index >= 0, np.abs(made[name].value[index]), 0.0)
        smooth = median_filter(held, 7, mode="nearest")
        at = run.number[run.known]
        inside = (at > 3) & (at < every.size - 3)  # at the ends of a log the filter has nothing to go by
        np.testing.assert_allclose(ours[run.known][inside], smooth[at[inside]])
    np.testing.assert_array_equal(run.number[run.known], np.flatnonzero(known))


def test_a_month_parked_between_two_drives_costs_no_ticks() -> None:
    drive = np.arange(0.0, 60.0, 0.02)
    time = np.concatenate([drive, 30 * DAY_S + drive])
    made = signals(part("motor_speed", time, 0.0 * time + 1000.0), part("motor_current", time, 0.0 * time + 50.0))
    run = driving(made, "motor_speed", "motor_current")
    assert run.number.size < 2 * 70.0 / TICK_S
    assert abs(run.minutes - 2.0) < 0.05
    at = run.ticks(np.array([-1.0, 30.0, 15 * DAY_S, 30 * DAY_S + 30.0, 31 * DAY_S]))
    assert (at >= 0).tolist() == [False, True, False, True, False]
