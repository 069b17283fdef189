"""How a run was driven: speed and load at each moment, cleaned of the disturbances that are to be counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.parts import PARTS, part_name
from logscope.signals import Signals

TICK_S = 0.05  # driving changes little within
# Longer than what disturbs for a while: a plug that moves, a rough stretch of road, a pull up a hill (practice).
STRETCH_S = 30.0
_SMOOTH_TICKS = 7  # a third of a second: readings disturbed for less than half of it do not move the median
_STALE_S = 1.0  # a value older than this says nothing about the moment
# What a disturbance may follow: current first, torque as its stand-in; speed from the shaft, or from the road.
LOADS = ("motor_current", "torque", "battery_current")
SPEEDS = ("motor_speed", "motor_speed_second", "vehicle_speed")


@dataclass(frozen=True, slots=True, eq=False)
class Driving:
    """One run at ticks of TICK_S, shape (n,) each.

    start_s : of the first tick; speed, load : magnitudes in the units of their parts; known : whether both are
    """

    start_s: float
    speed: FloatArray
    load: FloatArray
    known: BoolArray

    @property
    def minutes(self) -> float:
        """How long it is known."""
        return float(np.count_nonzero(self.known)) * TICK_S / 60.0

    def tick(self, time_s: float) -> int:
        """The tick that a moment falls into; outside the run where the moment does."""
        return int(np.floor((time_s - self.start_s) / TICK_S))


def common_part(candidates: Sequence[str], runs: Sequence[Signals]) -> str | None:
    """The first of some parts that every run holds."""
    return next((name for name in candidates if all(name in signals for signals in runs)), None)


def driving(signals: Signals, speed: str, load: str) -> Driving:
    """A run by the parts that give speed and load."""
    ticks = np.arange(signals.start_s, max(signals.end_s, signals.start_s + TICK_S), TICK_S)
    parts = [signals[name] for name in (speed, load)]
    held = [np.abs(np.nan_to_num(part.held_at(ticks))) for part in parts]  # stale ones too, so as to smooth up to a gap
    smooth = [median_filter(values, _SMOOTH_TICKS, mode="nearest") for values in held]
    known = [np.isfinite(part.held_at(ticks, _STALE_S)) for part in parts]
    return Driving(signals.start_s, smooth[0], smooth[1], known[0] & known[1])


def stretch_of_ticks(run: Driving) -> IndexArray:
    """The stretch of STRETCH_S that each tick lies in, shape (n,)."""
    return (np.arange(run.known.size) * TICK_S / STRETCH_S).astype(np.intp)


def part_words(name: str) -> str:
    """A part in the middle of a sentence, with its unit."""
    return f"{part_name(name)} [{PARTS[name].unit}]"
