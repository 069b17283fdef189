"""Count-method encoder: the speed that the inverter believes, with what disturbs it.

Counts within a window that slides along give the speed in steps of 60/(N·T) rpm. A target off its
centre stretches and squeezes the lines once a turn; lines that are lost leave a gap. Interference adds
counts that no edge made, in short runs whose rate rises with the motor current: that is how a poorly
screened cable beside the phase cables behaves. Scripted faults (spike, dropout, hold, reversal)
change the reading for whole windows.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from math import exp, floor, pi, sin
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from logscope.arrays import FloatArray

IntArray = NDArray[np.int64]

_RUN_LENGTH = 3.0  # windows that a run of interference lasts, on average


class Encoder(NamedTuple):
    """What is on the shaft.

    counts_per_rev : all edges of a sound target, from which the speed is calculated
    window_s : the counting window
    lost_counts : edges missing in one place; eccentricity : offset of the target over its radius
    """

    counts_per_rev: float = 240.0
    window_s: float = 0.01
    lost_counts: float = 0.0
    eccentricity: float = 0.0

    @property
    def step_rpm(self) -> float:
        """One count in one window [rpm]."""
        return 60.0 / (self.counts_per_rev * self.window_s)


class Fault(IntEnum):
    """What a scripted fault does to the reading."""

    NONE = 0
    SPIKE = 1
    DROPOUT = 2
    HOLD = 3
    REVERSAL = 4


@dataclass(frozen=True, slots=True)
class EncoderFault:
    """A scripted fault from `start_s` to `end_s`; `size_rpm` is what a spike adds."""

    kind: Fault
    start_s: float
    end_s: float
    size_rpm: float = 0.0


@dataclass(frozen=True, slots=True)
class Interference:
    """Disturbed counts: `rate_per_s` runs begin each second at 100 A, in proportion to |current|.

    size_rpm : standard deviation of what a disturbed window reads too much or too little
    """

    start_s: float
    end_s: float
    rate_per_s: float
    size_rpm: float


class Disturbance(NamedTuple):
    """Both, laid out by window: fault codes and sizes, interference rate per 100 A, drawn numbers."""

    fault: IntArray
    fault_rpm: FloatArray
    rate: FloatArray
    size_rpm: FloatArray
    chance: FloatArray
    length: FloatArray
    deviate: FloatArray


def lay_out(
    encoder: Encoder,
    windows: int,
    faults: Iterable[EncoderFault],
    interferences: Iterable[Interference],
    rng: np.random.Generator,
) -> Disturbance:
    """Faults and interference by counting window, with every random number drawn beforehand."""
    fault, fault_rpm = np.zeros(windows, dtype=np.int64), np.zeros(windows)
    for scripted in faults:
        where = _windows(encoder, scripted.start_s, scripted.end_s)
        fault[where], fault_rpm[where] = int(scripted.kind), scripted.size_rpm
    rate, size = np.zeros(windows), np.zeros(windows)
    for stretch in interferences:
        where = _windows(encoder, stretch.start_s, stretch.end_s)
        rate[where], size[where] = stretch.rate_per_s, stretch.size_rpm
    length = rng.geometric(1.0 / _RUN_LENGTH, windows).astype(np.float64)
    chance, deviate = rng.random(windows), rng.standard_normal(windows)
    return Disturbance(fault, fault_rpm, rate, size, chance, length, deviate)


def _windows(encoder: Encoder, start_s: float, end_s: float) -> slice:
    first = round(start_s / encoder.window_s)
    return slice(first, max(first + 1, round(end_s / encoder.window_s)))


@njit(cache=False)
def _counted(encoder: Encoder, angle_rad: float) -> float:
    """Edges that have passed the sensor at a shaft angle.

    An eccentric target moves past at 1 + e·cos φ of its own speed, so the angle read is φ + e·sin φ.
    """
    turns = floor(angle_rad / (2.0 * pi))
    within = angle_rad - turns * 2.0 * pi
    count = floor((within + encoder.eccentricity * sin(within)) * encoder.counts_per_rev / (2.0 * pi))
    there = encoder.counts_per_rev - encoder.lost_counts  # the gap ends the turn
    return float(turns * there + min(count, there))


@njit(cache=False)
def count_speed(encoder: Encoder, before_rad: float, after_rad: float) -> float:
    """Speed by counting between two shaft angles [rpm]."""
    counts = _counted(encoder, after_rad) - _counted(encoder, before_rad)
    return 60.0 * counts / (encoder.counts_per_rev * encoder.window_s)


@njit(cache=False)
def interfere(
    encoder: Encoder, disturbance: Disturbance, window: int, current_A: float, run_left: float
) -> tuple[float, float]:
    """What interference adds in a window [rpm], and how many windows its run still lasts after it.

    run_left : what this function gave for the window before
    """
    begins = disturbance.rate[window] * current_A / 100.0 * encoder.window_s
    if run_left <= 0.0 and disturbance.chance[window] < 1.0 - exp(-begins):
        run_left = disturbance.length[window]
    if run_left <= 0.0:
        return 0.0, 0.0
    step = 60.0 / (encoder.counts_per_rev * encoder.window_s)
    return round(disturbance.deviate[window] * disturbance.size_rpm[window] / step) * step, run_left - 1.0


@njit(cache=False)
def read_speed(clean_rpm: float, added_rpm: float, held_rpm: float, code: int, size_rpm: float) -> float:
    """The reading with interference and a scripted fault [rpm]; `held_rpm` is the window before's."""
    if code == 2:
        return 0.0
    if code == 3:
        return held_rpm
    reading = clean_rpm + added_rpm
    if code == 1:
        return reading + size_rpm
    return -reading if code == 4 else reading
