"""Departures that are over too soon: what swings by itself passes, what leads away and back in less does not.

A sine of any size and phase is the outside measure: half a swing takes 1/(2f), by definition.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.departures import (
    Sampling,
    back_at,
    beside,
    from_rest,
    off_level,
    on_both,
    opposite,
    over_too_soon,
    pairs,
    runs_of_steps,
)

PERIOD_S = 0.010
HOW = Sampling(1, PERIOD_S, 1.0)
HALF_SWING_S, ALONE_S = 1 / 30, 0.045


def judged(value: FloatArray, least: float) -> BoolArray:
    """Which runs of steps beyond `least` lead away and back too soon."""
    time = np.arange(value.size) * PERIOD_S
    steps = np.flatnonzero(np.abs(np.diff(value)) > least) + 1
    if steps.size < 2:
        return np.zeros(0, dtype=bool)
    runs = runs_of_steps(time, value, steps, HOW, 5)
    away = np.ones(runs.move.size - 1, dtype=bool)
    back_s = back_at(time, value, runs, HOW)
    return over_too_soon(runs, away, from_rest(value, runs, HOW, 10), back_s, HALF_SWING_S, ALONE_S)


@given(frequency=st.floats(1.0, 14.0), phase=st.floats(0.0, 6.28), size=st.floats(200.0, 3000.0))
def test_no_swing_slower_than_the_half_swing_is_too_soon(frequency: float, phase: float, size: float) -> None:
    time = np.arange(200) * PERIOD_S
    swing = size * np.sin(2 * np.pi * frequency * time + phase)
    assert not judged(swing, 20.0).any()


@given(at=st.integers(20, 150), size=st.floats(100.0, 3000.0), up=st.booleans(), level=st.floats(-5000, 5000))
def test_one_sample_away_from_rest_is_too_soon(at: int, size: float, up: bool, level: float) -> None:
    value = np.full(200, level)
    value[at] += size if up else -size
    assert judged(value, 20.0).all()


def test_what_goes_on_behind_the_way_back_does_not_lengthen_it() -> None:
    """A wrong reading of one sample upsets the rotor, which then sags by a tenth of it: that makes it no longer."""
    value = np.full(60, 2000.0)
    value[30] += 1000.0
    value[32:36] -= [60.0, 80.0, 90.0, 95.0]
    assert judged(value, 20.0)[:2].all()


def test_a_ring_that_begins_at_rest_is_none() -> None:
    """Three quarters of a swing of 15 Hz from rest, then the rest of it: its way back swings through."""
    time = np.arange(60) * PERIOD_S
    value = np.where(time > 0.3, 400.0 * np.exp(-3 * (time - 0.3)) * np.sin(2 * np.pi * 14.9 * (time - 0.3)), 0.0)
    assert not judged(value, 20.0).any()


def test_opposite_runs_are_alike_within_their_share() -> None:
    value = np.array([0, 0, 100, 100, 30, 30, 90, 90, 190, 190], float)
    steps = np.flatnonzero(np.diff(value)) + 1
    runs = runs_of_steps(np.arange(value.size) * PERIOD_S, value, steps, HOW, 3)
    assert runs.move.tolist() == [100, -70, 60, 100]
    assert opposite(runs, 0.3).tolist() == [True, True, False]
    assert opposite(runs, 0.2).tolist() == [False, True, False]


@pytest.mark.parametrize(
    ("lead", "first", "last"),
    [
        (30.0, 3, 6),  # more than a quarter of the largest step: it belongs to the run
        (20.0, 4, 5),  # less
        (0.8, 4, 5),  # less than the resolution
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_run_takes_in_the_smaller_steps_that_lead_in_and_out(lead: float, first: int, last: int, sign: float) -> None:
    """By hand: the large steps lead to samples 4 and 5, smaller ones to samples 3 and 6."""
    value = sign * np.cumsum([0.0, 0.0, 0.0, lead, 100.0, 80.0, lead, 0.0, 0.0])
    time = np.arange(value.size) * PERIOD_S
    runs = runs_of_steps(time, value, np.array([4, 5]), HOW, 3)
    assert (runs.before.tolist(), runs.after.tolist()) == ([first - 1], [last])
    assert runs.move.tolist() == [value[last] - value[first - 1]]
    assert runs.lasts_s.tolist() == pytest.approx([(last - first + 1) * PERIOD_S])


def test_what_holds_for_runs_their_pairs_and_those_beside_them() -> None:
    """By hand, for four runs of which the second and third, or the first and last, are meant."""
    middle, ends = np.array([False, True, True, False]), np.array([True, False, False, True])
    assert pairs(middle).tolist() == [False, True, False]
    assert on_both(pairs(middle)).tolist() == middle.tolist()
    assert on_both(pairs(ends)).tolist() == [False] * 4
    assert beside(middle).tolist() == [True, True, True, True]
    assert beside(ends).tolist() == [False, True, True, False]
    assert beside(~ends & ~middle).tolist() == [False] * 4


def test_a_reading_stands_off_the_median_of_three_values_to_each_side() -> None:
    value = np.array([10, 11, 12, 500, 13, 14, 15], float)
    runs = runs_of_steps(np.arange(7) * PERIOD_S, value, np.array([3, 4]), HOW, 3)
    assert off_level(value, runs, HOW).tolist() == [500 - 12.5]


def test_runs_end_where_a_step_turns_or_values_lie_between() -> None:
    """Up, up, down, up, and up again two values later: runs of two, one, one and one."""
    value = np.cumsum([0.0, 0.0, 10.0, 12.0, -11.0, 9.0, 0.0, 13.0, 0.0])
    runs = runs_of_steps(np.arange(value.size) * PERIOD_S, value, np.array([2, 3, 4, 5, 7]), HOW, 1)
    assert runs.of_step.tolist() == [0, 0, 1, 2, 3]
    assert runs.move.tolist() == [22.0, -11.0, 9.0, 13.0]
    assert runs.first.tolist() == [0, 2, 3, 4]
    assert (runs.before.tolist(), runs.after.tolist()) == ([1, 3, 4, 6], [3, 4, 5, 7])
    assert runs.lasts_s.tolist() == pytest.approx([0.02, 0.01, 0.01, 0.01])
