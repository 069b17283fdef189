"""States that flip at their moments: relay and contactors around a precharge.

The relay closes just before the link's voltage rises and opens once it is up; the contactor closes when it is up, and
the voltage begins to fall when it opens. A state is logged late by up to a period of its message: between two samples
it flipped at some moment, and what counts is how far that stretch is from where the moment must be. It flips nowhere
else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray

REPORT_S = 0.1  # by which a controller reports a state late, beside the period of its message (common practice)
_TRIES = 200


@dataclass(frozen=True, slots=True)
class Moment:
    """A flip that must be there: to on or to off, at some moment between two others [s]."""

    on: bool
    early_s: float
    late_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Flips:
    """The flips of a state: the samples before and after each [s], and whether to on; shapes (k,)."""

    before_s: FloatArray
    after_s: FloatArray
    on: BoolArray

    def moved(self, shift_s: float, start_s: float, length_s: float) -> Flips:
        """The same at another time, round the ends of the log."""
        after = np.mod(self.after_s - start_s + shift_s, length_s) + start_s
        return Flips(after - (self.after_s - self.before_s), after, self.on)


def flips_of(time_s: FloatArray, on: BoolArray) -> Flips:
    """Where a state changes."""
    at = np.flatnonzero(on[1:] != on[:-1]) + 1
    return Flips(time_s[at - 1], time_s[at], on[at])


@dataclass(frozen=True, slots=True, eq=False)
class Switched:
    """How well a state fits: score 0 to 1, whether 1 means on, and the same at other times, shape (k,)."""

    score: float
    on_is_high: bool
    chance: FloatArray


def fits(time_s: FloatArray, on: BoolArray, moments: Sequence[Moment]) -> Switched | None:
    """How well the flips of a state fit the moments; None where it flips far more often."""
    flips = flips_of(time_s, on)
    if not 0 < flips.on.size <= 3 * len(moments) + 3:
        return None
    turned = Flips(flips.before_s, flips.after_s, ~flips.on)
    direct, inverse = _likeness(flips, moments), _likeness(turned, moments)
    best = flips if direct >= inverse else turned
    length = float(time_s[-1] - time_s[0])
    shifts = np.random.default_rng(1).uniform(0.05, 0.95, _TRIES) * length
    chance = np.array([_likeness(best.moved(float(shift), float(time_s[0]), length), moments) for shift in shifts])
    return Switched(max(direct, inverse), direct >= inverse, chance)


def _likeness(flips: Flips, moments: Sequence[Moment]) -> float:
    """The mean likeness of the moments, less for each flip that belongs to none."""
    total, matched = 0.0, set[int]()
    for moment in moments:
        early = np.maximum(moment.early_s - flips.after_s, 0.0)
        late = np.maximum(flips.before_s - moment.late_s, 0.0)
        likeness = np.where(flips.on == moment.on, np.exp(-(((early + late) / REPORT_S) ** 2)), 0.0)
        at = int(np.argmax(likeness))
        if likeness[at] > 0.05 and at not in matched:
            matched.add(at)
            total += float(likeness[at])
    return total / max(len(moments) + flips.on.size - len(matched), 1)
