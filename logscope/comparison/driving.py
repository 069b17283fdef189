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
    """One run at ticks of TICK_S, shape (n,) each; days without a sample, as of a parked vehicle, have none.

    start_s : of tick number 0; number : of each tick, increasing
    speed, load : magnitudes in the units of their parts; known : whether both are
    """

    start_s: float
    number: IndexArray
    speed: FloatArray
    load: FloatArray
    known: BoolArray

    @property
    def minutes(self) -> float:
        """How long it is known."""
        return float(np.count_nonzero(self.known)) * TICK_S / 60.0

    def ticks(self, time_s: FloatArray) -> IndexArray:
        """Where among the ticks each moment lies, shape (m,); −1 where there is none. time_s : shape (m,)."""
        wanted = np.floor((time_s - self.start_s) / TICK_S)
        index = np.minimum(np.searchsorted(self.number, wanted), self.number.size - 1)
        return np.where(self.number[index] == wanted, index, -1)


def common_part(candidates: Sequence[str], runs: Sequence[Signals]) -> str | None:
    """The first of some parts that every run holds."""
    return next((name for name in candidates if all(name in signals for signals in runs)), None)


def driving(signals: Signals, speed: str, load: str) -> Driving:
    """A run by the parts that give speed and load."""
    parts = [signals[name] for name in (speed, load)]
    number = _ticks_near([part.time_s for part in parts], signals.start_s, signals.end_s)
    ticks = np.asarray(signals.start_s + number * TICK_S, dtype=np.float64)
    held = [np.abs(np.nan_to_num(part.held_at(ticks))) for part in parts]  # stale ones too, so as to smooth up to a gap
    smooth = [median_filter(values, _SMOOTH_TICKS, mode="nearest") for values in held]
    known = [np.isfinite(part.held_at(ticks, _STALE_S)) for part in parts]
    return Driving(signals.start_s, number, smooth[0], smooth[1], known[0] & known[1])


def _ticks_near(samples_s: Sequence[FloatArray], start_s: float, end_s: float) -> IndexArray:
    """The numbers of all ticks that a sample bears on: as long as it is not stale, and the smoothing reaches.

    At least the first tick of the run.
    """
    sampled = np.unique(np.concatenate([np.floor((each - start_s) / TICK_S).astype(np.intp) for each in samples_s]))
    if not sampled.size:
        return np.zeros(1, dtype=np.intp)
    reach = int(np.ceil(_STALE_S / TICK_S)) + _SMOOTH_TICKS
    until = np.minimum(sampled[1:], sampled[:-1] + reach)
    lengths = np.append(until - sampled[:-1], reach)
    within = np.arange(int(lengths.sum())) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    number: IndexArray = np.repeat(sampled, lengths) + within
    return number[number * TICK_S < max(end_s - start_s, TICK_S)]


def stretch_of_ticks(run: Driving) -> IndexArray:
    """The stretch of STRETCH_S that each tick lies in, shape (n,)."""
    return (run.number * TICK_S / STRETCH_S).astype(np.intp)


def part_words(name: str) -> str:
    """A part in the middle of a sentence, with its unit."""
    return f"{part_name(name)} [{PARTS[name].unit}]"
