"""Departures that are over too soon: steps away and back within less time than the thing measured needs.

A mass on a spring swings at its own pace. However large its true motion, half a swing takes its time; a
reading that leads away and back in less was never there, even where each step alone would be possible.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.statistics.episodes import join_neighbours

_STILL_MOVING = 0.25  # of a run's largest step: a smaller one belongs to the rest before or after
_BACK = 0.25  # of a departure: within it the way back has led back
_LEVEL_VALUES = 3  # new values to each side whose median is the level
_AS_LARGE = 0.5  # of a departure: what rings does the next swing at this size at least


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a signal is renewed: samples for each new value, time between new values [s], its resolution."""

    repeat: int
    update_s: float
    quantum: float


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Steps the same way, one straight after the other. Arrays over runs, shape (runs,), or over steps.

    first : index of each run's first large step among the steps; of_step : the run of each step, shape (steps,)
    before, after : sample before the run's first step, and the one that its last step leads to
    start_s, end_s : their stamps; where values repeat, start_s is an update before the first step
    move : from before to after, in the signal's unit
    """

    first: IndexArray
    of_step: IndexArray
    before: IndexArray
    after: IndexArray
    start_s: FloatArray
    end_s: FloatArray
    move: FloatArray

    @property
    def lasts_s(self) -> FloatArray:
        """How long each run takes [s]."""
        return self.end_s - self.start_s


def runs_of_steps(time_s: FloatArray, value: FloatArray, steps: IndexArray, how: Sampling, reach: int) -> Runs:
    """Large steps gathered into runs of one direction, with the smaller steps that lead in and out.

    time_s, value : the signal, shape (n,)
    steps : index of each sample that a large step leads to, ascending, at least one
    reach : new values at most that a run is followed to each side
    """
    size = value[steps] - value[steps - 1]
    first, last = join_neighbours((np.diff(steps) <= how.repeat) & (size[1:] * size[:-1] > 0))
    of_step = np.repeat(np.arange(first.size), last - first + 1)
    smallest = np.maximum(_STILL_MOVING * np.maximum.reduceat(np.abs(size), first), how.quantum) * np.sign(size[first])
    lead_in = _going_on(value, steps[first] - how.repeat, smallest, -how.repeat, reach)
    lead_out = _going_on(value, steps[last] + how.repeat, smallest, how.repeat, reach)
    begin = steps[first] - how.repeat * lead_in
    before, after = begin - 1, steps[last] + how.repeat * lead_out
    return Runs(
        first, of_step, before, after, time_s[begin] - how.update_s, time_s[after], value[after] - value[before]
    )


def _going_on(value: FloatArray, start: IndexArray, smallest: FloatArray, stride: int, reach: int) -> IndexArray:
    """How many steps from `start` on, in strides, still move by more than `smallest`, sign included."""
    at = start[:, np.newaxis] + stride * np.arange(reach)
    inside = (at >= 1) & (at < value.size)
    at = np.clip(at, 1, value.size - 1)
    moved = (value[at] - value[at - 1]) * np.sign(smallest)[:, np.newaxis]
    going = inside & (moved > np.abs(smallest)[:, np.newaxis])
    return np.asarray(np.sum(np.logical_and.accumulate(going, axis=1), axis=1), dtype=np.intp)


def pairs(of_runs: BoolArray) -> BoolArray:
    """Whether it holds for a run and for the next; shape (runs − 1,)."""
    return of_runs[1:] & of_runs[:-1]


def on_both(of_pairs: BoolArray) -> BoolArray:
    """Whether a run belongs to a pair for which it holds; shape (runs,) from (runs − 1,)."""
    return np.concatenate((of_pairs, [False])) | np.concatenate(([False], of_pairs))


def beside(of_runs: BoolArray) -> BoolArray:
    """Whether it holds for the run before or after; shape (runs,)."""
    return np.concatenate((of_runs[1:], [False])) | np.concatenate(([False], of_runs[:-1]))


def over_too_soon(
    runs: Runs, away: BoolArray, alone: BoolArray, back_s: FloatArray, within_s: float, alone_within_s: float
) -> BoolArray:
    """Which runs lead away and back too soon; shape (runs,).

    A run that closes one departure opens no smaller one: what follows may be what the departure caused.

    away : whether a run and the next lead far enough away, shape (runs − 1,)
    alone : whether they may take longer, shape (runs − 1,)
    back_s : when the next run has led back, from `back_at`: from rest, what goes on after that is a consequence
    within_s, alone_within_s : two opposite runs that take no longer than this together [s]
    """
    begun_s = runs.start_s[:-1]
    pair = away & ((runs.end_s[1:] - begun_s <= within_s) | ((back_s - begun_s <= alone_within_s) & alone))
    pair &= runs.move[1:] * runs.move[:-1] < 0
    closed = pair[:-1] & (np.abs(runs.move[:-2] + runs.move[1:-1]) <= _BACK * np.abs(runs.move[:-2]))
    pair[1:] &= ~(closed & (np.abs(runs.move[2:]) < _AS_LARGE * np.abs(runs.move[1:-1])))
    return on_both(pair)


def back_at(time_s: FloatArray, value: FloatArray, runs: Runs, how: Sampling) -> FloatArray:
    """When the run after each has led back to where the run began, or else ended [s]; shape (runs − 1,).

    What goes on the same way after that may be what the departure caused, if it is little: what rings swings through
    by more.
    """
    begin, there = runs.before[1:], value[runs.before[:-1]]
    near = _BACK * np.abs(runs.move[:-1])
    rests = np.abs(runs.move[:-1] + runs.move[1:]) <= near
    back_s = runs.end_s[1:].copy()
    longest = int(np.max(runs.after[1:] - begin, initial=0)) // how.repeat
    for count in range(longest, 0, -1):
        at = np.minimum(begin + count * how.repeat, runs.after[1:])
        back_s = np.where(rests & (np.abs(value[at] - there) <= near), np.minimum(back_s, time_s[at]), back_s)
    return np.asarray(back_s, dtype=np.float64)


def opposite(runs: Runs, share: float) -> BoolArray:
    """Whether a run and the next are opposite and alike, to this share of the larger; shape (runs − 1,)."""
    one, other = runs.move[:-1], runs.move[1:]
    alike = np.abs(one + other) <= share * np.maximum(np.abs(one), np.abs(other))
    return np.asarray(alike & (one * other < 0), dtype=bool)


def off_level(value: FloatArray, runs: Runs, how: Sampling) -> FloatArray:
    """How far the reading between a run and the next stands off the level around both; shape (runs − 1,).

    The level is the median of three new values before and three after.
    """
    steps = how.repeat * np.arange(_LEVEL_VALUES)
    around = np.concatenate((runs.before[:-1, np.newaxis] - steps, runs.after[1:, np.newaxis] + steps), axis=1)
    level = np.median(value[np.clip(around, 0, value.size - 1)], axis=1)
    return np.asarray(np.abs(value[runs.after[:-1]] - level), dtype=np.float64)


def from_rest(value: FloatArray, runs: Runs, how: Sampling, reach: int) -> BoolArray:
    """Whether each run and the next lead away from rest, with no step half as large before; shape (runs − 1,).

    reach : new values before them that are looked at
    """
    earlier = runs.before[:-1, np.newaxis] + 1 - how.repeat * np.arange(1, reach + 1)
    at = np.maximum(earlier, 1)
    before = np.max(np.abs(value[at] - value[at - 1]), axis=1)
    size = np.minimum(np.abs(runs.move[1:]), np.abs(runs.move[:-1]))
    return np.asarray(before <= _AS_LARGE * size, dtype=bool)
