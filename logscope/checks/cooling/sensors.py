"""Temperatures that contradict each other: one that stands still, two that were swapped, one that is off when cold.

Open and shorted sensors, at the end of their range, are found before: see `plausibility`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.cooling.thermal_log import COOLANTS, DEVICES, ThermalLog

_STILL_S, _OTHER_K = 180.0, 12.0  # no device keeps its temperature so long while another one's moves so far
_STILL_SHARE = 0.4  # of the log: a heavy motor under a load that is alike on average keeps its degree for minutes
_LOAD_S, _VARIED = 30.0, 3.0  # over which the load is averaged; times that it varies
_COLD_S = 20.0  # before the load, at the log's start
BEGINS_S = 60.0  # of a log, in which its cold start is looked for
_COLD_C = (-30.0, 45.0)  # a vehicle that stood is as warm as its surroundings
# After a night sound sensors read within 3 K of each other: each is good to 1 K, and a motor lags behind a morning that
# warms by 2 K an hour (practice). One that is off stands further from the nearest of the others than this, and than
# these from each other. Of two alone neither confirms the other: they must be further apart.
_NIGHT_K, _TWO_APART_K = 3.0, 5.0
# Which departure is no warmth of the last drive: motor, heat sink and the coolant in them keep it longest, the
# radiator's side of the loop loses it first.
_LOSES_FIRST = "coolant_temperature"
_NO_WARMTH = {
    "motor_temperature": -1, "inverter_temperature": -1, "coolant_temperature_out": -1, _LOSES_FIRST: 1,
}  # fmt: skip
_IDLE_A = 3.0
_WAKES_S = 15.0  # after the load began, in which a controller that wakes replaces its old value (practice)
_APART_K, _APART_ERRORS, _FEWEST = 0.7, 4.0, 30
_GAIN = 0.03  # by which two sound sensors part as both warm: 1 K at 25 °C, 2 K and more at 80 (practice)
_TAIL, _WIDEST_TAIL = 0.2, 0.4  # of the steps, those with most and with fewest heat that the coolant takes up
_LOAD_LAGS_S = 15.0  # over which the load is averaged: sensors of the coolant, and the way round to them (practice)


@dataclass(frozen=True, slots=True)
class StuckSensor:
    """A temperature that kept one value from, until [s], while another moved by `moved_K`."""

    part: str
    value_C: float
    start_s: float
    end_s: float
    other: str
    moved_K: float


@dataclass(frozen=True, slots=True)
class OffsetSensor:
    """A temperature that is `offset_K` off the others, which agree on `others_C`, before any load; until [s].

    rival : the only other one, which may as well be what is off; None where two or more agree
    """

    part: str
    offset_K: float
    error_K: float
    others_C: float
    end_s: float
    rival: str | None = None


@dataclass(frozen=True, slots=True)
class SwappedSensors:
    """Inlet and outlet whose difference has the wrong sign under load: outlet less inlet, with limits [K]."""

    difference_K: float
    low_K: float
    high_K: float


def find_stuck(log: ThermalLog) -> list[StuckSensor]:
    """Devices whose reading stands still while another device's moves."""
    found = []
    for part in DEVICES:
        other = next((name for name in DEVICES if name != part), "")
        if part not in log.temperatures or other not in log.temperatures:
            continue
        value, beside = log.temperatures[part], log.temperatures[other]
        first, last = _longest_still(value)
        seconds = (last - first) * log.step_s
        during = beside[first : last + 1]
        if seconds >= max(_STILL_S, _STILL_SHARE * value.size * log.step_s) and np.isfinite(during).any():
            moved = float(np.nanmax(during) - np.nanmin(during))
            if moved >= _OTHER_K * (1.0 + log.rounding[part]) and _load_varied(log, first, last):
                start_s, end_s = float(log.time_s[first]), float(log.time_s[last])
                found.append(StuckSensor(part, float(value[first]), start_s, end_s, other, moved))
    return found


def _load_varied(log: ThermalLog, first: int, last: int) -> bool:
    """Whether the load rose and fell meanwhile: under a steady load a heat sink does keep its temperature."""
    if log.heat is None:
        return False
    rows = max(round(_LOAD_S / log.step_s), 1)
    heat = _smoothed(np.nan_to_num(log.heats[log.heat], nan=0.0), rows)[first + rows : last + 1]
    if not heat.size:
        return False
    low, high = np.quantile(heat, [0.1, 0.9])
    return bool(high > _VARIED * max(low, 0.0) and high > 0.0)


def _longest_still(value: FloatArray) -> tuple[int, int]:
    """First and last step of the longest run of one value; a coarse resolution's own steps are no standstill."""
    known = np.flatnonzero(np.isfinite(value))
    if known.size < 2:
        return 0, 0
    breaks = np.flatnonzero(np.abs(np.diff(value[known])) > 1e-9) + 1
    starts = np.concatenate(([0], breaks))
    ends = np.concatenate((breaks, [known.size])) - 1
    longest = int(np.argmax(known[ends] - known[starts]))
    return int(known[starts[longest]]), int(known[ends[longest]])


def find_offset(log: ThermalLog) -> OffsetSensor | None:
    """The one temperature that departs from all others before the first load of a vehicle that stood."""
    until = _load_begins(log)
    # the newest half: a controller that wakes may repeat an old value before
    starts = {
        name: float(np.median(cold))
        for name, value in log.temperatures.items()
        if (cold := value[until // 2 : until][np.isfinite(value[until // 2 : until])]).size
    }
    for name, start in starts.items():
        others = {key: other for key, other in starts.items() if key != name}
        if not others or (len(others) == 1 and name == _LOSES_FIRST):  # of two the other one is as likely
            continue
        rounding = max(log.rounding[key] for key in starts)
        spread, middle = max(others.values()) - min(others.values()), float(np.mean(list(others.values())))
        off = start - middle
        beyond = min(_NO_WARMTH[name] * (start - other) for other in others.values())
        if beyond < max((_NIGHT_K if len(others) > 1 else _TWO_APART_K) + rounding, spread):
            continue
        if spread > _NIGHT_K + rounding or not _COLD_C[0] <= middle <= _COLD_C[1]:
            continue  # warm from the last drive
        awake = until + max(round(_WAKES_S / log.step_s), 1)
        read = {key: log.temperatures[key][until // 2 : awake] for key in others}
        read[name] = log.temperatures[name][:awake]
        if any(_jumps(each, abs(off) / 2.0) for each in read.values()):
            continue  # an old value of a controller that had not woken
        rival = next(iter(others)) if len(others) == 1 else None
        if rival is not None and _NO_WARMTH[rival] == _NO_WARMTH[name]:
            continue  # of two that keep warmth alike, one may be warm from the last drive
        return OffsetSensor(name, off, spread / 2.0 + rounding, middle, float(log.time_s[until - 1]), rival)
    return None


def _load_begins(log: ThermalLog) -> int:
    """The steps before the first load, at most those of a cold start; 0 where no current is logged."""
    heat = log.heats.get("current")
    if heat is None:
        return 0
    loaded = np.flatnonzero(np.nan_to_num(heat, nan=0.0) > _IDLE_A)
    return min(int(loaded[0]) if loaded.size else heat.size, round(_COLD_S / log.step_s))


def _jumps(value: FloatArray, least_K: float) -> bool:
    """Whether a temperature changes in one step by what no device does."""
    known = value[np.isfinite(value)]
    return bool(known.size > 1 and np.max(np.abs(np.diff(known))) >= max(least_K, _NIGHT_K / 2.0))


def find_swapped(log: ThermalLog) -> SwappedSensors | None:
    """Coolant that leaves colder than it comes while it takes up heat, against its difference while it takes up none.

    By what parts the two most: whatever heats the coolant, parts them the right way round.
    """
    if any(name not in log.temperatures for name in COOLANTS):
        return None
    outlet, inlet = (log.temperatures[name] for name in COOLANTS)
    compared = [each for heat in _taken_up(log) if (each := _compared(outlet - inlet, heat, log)) is not None]
    if not compared:
        return None
    value, error, level = max(compared, key=lambda each: abs(each[0]))
    alike_K = _APART_K + _GAIN * float(np.nanmax(inlet) - np.nanmin(inlet))
    if value > -max(alike_K, _APART_ERRORS * error) or level > -_APART_K:
        return None
    return SwappedSensors(value, value - 2.0 * error, value + 2.0 * error)


def _taken_up(log: ThermalLog) -> list[FloatArray]:
    """What may stand for the heat that the coolant takes up: how far each device stands above it, and the load.

    A winding gives its heat off over minutes, so that the load of the moment says little of it; a motor cooled by air
    gives none to the coolant. Above the inlet: an outlet that swings by itself would part from a device's excess over
    it as if the two were swapped, and an inlet that does seems right.
    """
    inlet = log.temperatures[COOLANTS[1]]
    found = [np.asarray(log.temperatures[name] - inlet) for name in DEVICES if name in log.temperatures]
    if log.heat is not None:
        heat = log.heats[log.heat]
        smooth = _smoothed(np.nan_to_num(heat, nan=0.0), max(round(_LOAD_LAGS_S / log.step_s), 1))
        found.append(np.where(np.isfinite(heat), smooth, np.nan))
    return found


def _compared(apart: FloatArray, heat: FloatArray, log: ThermalLog) -> tuple[float, float, float] | None:
    """By how much outlet less inlet is more with most heat than with the fewest, its error, and with most heat [K]."""
    known = np.isfinite(heat) & np.isfinite(apart) & log.pumping
    count = int(np.count_nonzero(known))
    if count < 2 * _FEWEST:
        return None
    tail = min(max(_TAIL, (_FEWEST + 1) / count), _WIDEST_TAIL)
    low, high = np.quantile(heat[known], [tail, 1.0 - tail])
    loaded, idle = apart[known & (heat >= high)], apart[known & (heat <= low)]
    if min(loaded.size, idle.size) < _FEWEST:
        return None
    # neighbouring steps are alike: every tenth counts
    error = float(np.sqrt(10.0 * (np.var(loaded) / loaded.size + np.var(idle) / idle.size)))
    return float(np.mean(loaded) - np.mean(idle)), error, float(np.mean(loaded))


def _smoothed(value: FloatArray, rows: int) -> FloatArray:
    return np.asarray(np.convolve(value, np.ones(rows) / rows, mode="full")[: value.size])
