"""Readings that leave a signal faster than it can move, and come back as fast.

A true change of a rate-limited quantity, however harsh, needs time both ways. A reading that steps
away and back, each step beyond what the quantity can do between two samples, was never there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.statistics.episodes import join_neighbours

_BACK_WITHIN = 0.2  # of the step: what leads back this near to where it came from undoes it
_MIRROR_TOLERANCE = 0.2  # of the speed: within it a change of sign is a reversal, beyond it a spike


@dataclass(frozen=True, slots=True)
class RateLimit:
    """How far a signal can come between samples.

    slew : fastest true change, per second
    slack : what quantum and noise may add to a difference of two samples
    time_s : time that each step may have had, stamps' jitter allowed for, shape (n − 1,)
    limit : largest step that can be true, shape (n − 1,)
    """

    slew: float
    slack: float
    time_s: FloatArray
    limit: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Excursions:
    """Episodes as sample indices, shape (episodes,) each.

    before : last sound sample; first, last : the disturbed samples; after : first sound sample again
    steps : how many impossible steps each episode holds
    """

    before: IndexArray
    first: IndexArray
    last: IndexArray
    after: IndexArray
    steps: IndexArray


def impossible_steps(value: FloatArray, reach: RateLimit) -> IndexArray:
    """Index of each sample that the signal cannot have reached from the sample before it."""
    return np.flatnonzero(np.abs(np.diff(value)) > reach.limit) + 1


def is_lost(value: FloatArray, sound: FloatArray, zero: float) -> BoolArray:
    """Whether readings are at zero, or at the mirror of a sound reading, as lost or reversed ones are.

    value, sound : readings in question and sound readings beside them, same shape
    zero : magnitude that still counts as zero; sound readings must stand clear of it
    """
    clear = np.abs(sound) > 2.0 * zero
    mirrored = np.abs(value + sound) <= np.maximum(zero, _MIRROR_TOLERANCE * np.abs(sound))
    return clear & ((np.abs(value) <= zero) | mirrored)


def excursions(
    time_s: FloatArray,
    value: FloatArray,
    reach: RateLimit,
    *,
    steps: IndexArray,
    zero: float,
    join_s: float,
    join_samples: int,
    undone_s: float,
    lost_s: float,
) -> Excursions:
    """Impossible steps gathered into episodes that lead away and back.

    Steps near in time belong together; so do two steps further apart if the second undoes the first, or if the reading
    between them is lost (at zero, or mirrored). An episode needs steps of both signs, and its end must be reachable
    from its beginning. A lone step, such as the reading of a waking sensor, is no episode.

    time_s, value : the signal, shape (n,)
    steps : the impossible steps, from `impossible_steps`
    join_s, join_samples : steps at most this far apart are one episode [s], [samples]
    undone_s, lost_s : the same for a step that is undone, and for a lost reading [s]
    """
    if steps.size < 2:
        none = np.empty(0, np.intp)
        return Excursions(none, none, none, none, none)
    apart_s = np.diff(time_s[steps])
    lost = _lost_between(value, steps, zero) & (apart_s <= lost_s)
    undone = _undone(value, steps, reach) & (apart_s <= undone_s)
    opens, closes = join_neighbours((apart_s <= join_s) | (np.diff(steps) <= join_samples) | undone | lost)
    first, after = steps[opens], steps[closes]
    before = first - 1
    upward = np.concatenate(([0], np.cumsum(value[steps] > value[steps - 1])))
    count = closes - opens + 1
    ups = upward[closes + 1] - upward[opens]
    reachable = reach.slew * (time_s[after] - time_s[before]) + reach.slack
    back = np.abs(value[after] - value[before]) <= reachable
    keep = (ups > 0) & (ups < count) & back
    return Excursions(before[keep], first[keep], after[keep] - 1, after[keep], count[keep])


def _lost_between(value: FloatArray, steps: IndexArray, zero: float) -> BoolArray:
    """For each step and the next: whether the reading is lost from the one to just before the other."""
    here, there = steps[:-1], steps[1:]
    sound = value[here - 1]
    return is_lost(value[here], sound, zero) & is_lost(value[there - 1], sound, zero)


def _undone(value: FloatArray, steps: IndexArray, reach: RateLimit) -> BoolArray:
    """For each step and the next: whether the next leads back to where the one came from, both beyond the reach."""
    moved = value[steps] - value[steps - 1]
    beyond = np.abs(moved) > reach.limit[steps - 1]
    back = np.abs(value[steps[1:]] - value[steps[:-1] - 1]) <= _BACK_WITHIN * np.abs(moved[:-1])
    return beyond[:-1] & beyond[1:] & (moved[:-1] * moved[1:] < 0) & back
