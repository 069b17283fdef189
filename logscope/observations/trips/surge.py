"""Surges and collapses of the motor current around a trip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np

from logscope.arrays import FloatArray, IndexArray
from logscope.findings import Measured
from logscope.signals import Part
from logscope.statistics.distributions import normal_quantile
from logscope.statistics.episodes import join_neighbours
from logscope.statistics.robust import noise_floor

SURGE_S = 0.100  # a surge is up within this; a driver's demand takes longer (practice)
_SURGE_OF_LEVEL = 0.3  # of the current before it: less is regulation or ripple (practice)
_SURGE_OF_PEAK = 0.2  # of the log's largest current: less cannot trip anything
_NOISE_S = 2.0  # the noise is judged this long before the peak; a surge is too short to raise it
_HELD = 0.975  # the lower of two 95 % limits
_NOISE_Z = 6.0  # standard deviations: by noise alone 2·10⁻⁹ a difference
_STILL_RISING = 0.2  # of the steepest step: a slower step belongs to what was before the surge
_LOOK_BACK_S = 0.5  # the inverter reports a fault at most this long after the current fell (practice)
_COLLAPSED = 0.1  # of the current before: the bridge is off
_COLLAPSE_SAMPLES = 2  # a switched-off bridge is empty in some ms: one sample may catch it half way
_OFF_S = 0.2  # a bridge that is off stays off at least this long
_ONE_COLLAPSE_S = 0.5  # collapses nearer than this are one


@dataclass(frozen=True, slots=True)
class Surge:
    """A surge of |motor current|, times in s, currents in A: it set in after `sound_s`, by `onset_s`."""

    sound_s: float
    onset_s: float
    peak_s: float
    before: float
    peak: float


@dataclass(frozen=True, slots=True)
class Peak:
    """The largest |motor current| sampled before a trip; measured : with its limit."""

    time_s: float
    amps: float
    measured: Measured


def highest(among: FloatArray, current: Part) -> Measured:
    """The highest of some samples of |motor current| [A], with the lower limit of the true peak; there is no upper one.

    The noise of the highest of several that are as high is the highest of their noises: at 95 % it is exceeded by none.
    """
    noise = float(np.nan_to_num(noise_floor(current.value)))
    step, top = current.step or 0.0, float(among.max())
    alike = int(np.count_nonzero(among >= top - _NOISE_Z * noise - step))
    return Measured(top, "A", max(top - normal_quantile(_HELD ** (1.0 / alike)) * noise - step / 2.0, 0.0))


def peak_before(current: Part, time_s: float) -> Peak | None:
    """The largest |current| in the half second before a trip; None where the current was not sampled then.

    time_s : when the trip was seen [s]
    """
    window = current.between(time_s - _LOOK_BACK_S, time_s + current.period_s)
    amps = np.abs(current.value[window])
    if not amps.size:
        return None
    index = int(np.argmax(amps))
    return Peak(float(current.time_s[window][index]), float(amps[index]), highest(amps, current))


def surge_before(current: Part, time_s: float) -> Surge | None:
    """The surge that led to the largest |current| before a trip; None if it rose no faster than a demand.

    It sets in where the steps first come near the steepest one, so that a ramp before it stays out.

    time_s : when the trip was seen [s]
    """
    peak = peak_before(current, time_s)
    if peak is None:
        return None
    window = current.between(peak.time_s - SURGE_S - current.period_s, peak.time_s)
    time, amps = current.time_s[window], np.abs(current.value[window])
    if amps.size < 2:
        return None
    rise = np.diff(amps)
    onset = int(np.argmax(rise))
    while onset > 0 and rise[onset - 1] >= _STILL_RISING * rise.max():
        onset -= 1
    risen = peak.amps - amps[onset]
    recent = current.value[current.between(peak.time_s - _NOISE_S, peak.time_s)]
    scatter = _NOISE_Z * sqrt(2.0) * np.nan_to_num(noise_floor(recent)) + 2.0 * (current.step or 0.0)
    largest = float(np.max(np.abs(current.value)))
    if risen <= max(scatter, _SURGE_OF_LEVEL * amps[onset], _SURGE_OF_PEAK * largest):
        return None
    return Surge(float(time[onset]), float(time[onset + 1]), peak.time_s, float(amps[onset]), float(peak.amps))


def collapses(current: Part) -> list[tuple[float, float]]:
    """When the current falls to nothing within two samples and stays off: (last seen on, seen off) [s]."""
    time, amps = current.time_s, np.abs(current.value)
    if amps.size <= _COLLAPSE_SAMPLES:
        return []
    span = _COLLAPSE_SAMPLES
    worth = amps[:-span] > _SURGE_OF_PEAK * amps.max()
    no_gap = time[span:] - time[:-span] <= max(SURGE_S, 2.0 * span * current.period_s)
    fallen = np.flatnonzero(worth & no_gap & (amps[span:] <= _COLLAPSED * amps[:-span]))
    return [
        (float(time[last]), float(time[last + 1]))
        for last in _last_on(fallen, time, amps)
        if _stays_off(current, float(time[min(last + span, time.size - 1)]), float(amps[last]))
    ]


def collapse_before(current: Part, time_s: float) -> tuple[float, float] | None:
    """The last collapse in the half second before a trip was seen at `time_s`, as from `collapses`."""
    near = current.between(time_s - 2.0 * _LOOK_BACK_S, time_s + _OFF_S + 4.0 * current.period_s)
    stretch = replace(current, time_s=current.time_s[near], value=current.value[near])
    found = [each for each in collapses(stretch) if time_s - _LOOK_BACK_S <= each[1] <= time_s + current.period_s]
    return found[-1] if found else None


def _last_on(fallen: IndexArray, time: FloatArray, amps: FloatArray) -> IndexArray:
    """The last sample with current of each collapse."""
    if not fallen.size:
        return fallen
    last = fallen[join_neighbours(np.diff(time[fallen]) <= _ONE_COLLAPSE_S)[1]]
    return np.where(amps[last + 1] < amps[last] / 2.0, last, last + 1)


def _stays_off(current: Part, from_s: float, before: float) -> bool:
    after = np.abs(current.value[current.between(from_s, from_s + max(_OFF_S, 2.0 * current.period_s))])
    return bool(after.size) and float(np.max(after)) <= _COLLAPSED * before
