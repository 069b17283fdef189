"""Temperatures and what heats, as means over equal steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, pi

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.signals import Part, Signals
from logscope.statistics.leaps import followed

DEVICES = ("motor_temperature", "inverter_temperature")
COOLANTS = ("coolant_temperature_out", "coolant_temperature")
_STEP_S = 1.0  # nothing that is cooled by coolant changes faster than some seconds
_OFTEN = 0.3  # of a step: samples that come so often have their mean in its middle
_ROWS = 450  # of a long log: its steps grow
_HELD_S = 5.0  # a current is taken to go on so long without a message, a temperature…
_HELD_ROWS = 3  # …or so many steps
_SLOW_HELD_S = 30.0
IDLE_A = 0.15  # of a pump: what its electronics, or a sensor's offset, may read
_FEWEST = 10  # readings of a temperature
# Readings further apart are no temperatures of one body: beside what a heat sink does in a second (practice).
_LEAP_K, _FASTEST_K_PER_S = 8.0, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class ThermalLog:
    """Means over steps of `step_s`; all arrays of shape (n,), NaN where nothing is known.

    time_s : middles of the steps; temperatures [°C] by part; rounding [K] by part
    heats : what heats, by name: "current" [A], "current2" [A²], "loss" [W], "power" [W]
    pumping : whether coolant is meant to flow
    """

    step_s: float
    time_s: FloatArray
    temperatures: Mapping[str, FloatArray]
    rounding: Mapping[str, float]
    heats: Mapping[str, FloatArray]
    pumping: BoolArray

    @property
    def coolant(self) -> str | None:
        """The coolant that devices give their heat to: at the outlet, where it is logged."""
        return next((name for name in COOLANTS if name in self.temperatures), None)

    @property
    def heat(self) -> str | None:
        """The simplest measure of what heats: current² before loss and power."""
        return next((name for name in ("current2", "loss", "power") if name in self.heats), None)

    def stretches(self, where: BoolArray) -> NDArray[np.int64]:
        """Numbers of the unbroken runs of steps, 1 …; 0 outside."""
        starts = where & ~np.concatenate(([False], where[:-1]))
        return np.where(where, np.cumsum(starts), 0)


def thermal_log(signals: Signals, lasts_s: float = inf) -> ThermalLog | None:
    """The log on its steps; None where no temperature of a device or of the coolant has enough readings.

    lasts_s : of the log from its first temperature on: a beginning has finer steps than a long log
    """
    parts = {
        name: _believable(part)
        for name in (*DEVICES, *COOLANTS)
        if (part := signals.get(name)) is not None and part.time_s.size >= _FEWEST
    }
    if not parts:
        return None
    spacings = [part.spacing_s for part in parts.values() if np.isfinite(part.spacing_s)]
    start_s = min(float(part.time_s[0]) for part in parts.values())
    end_s = min(max(float(part.time_s[-1]) for part in parts.values()), start_s + lasts_s)
    step_s = max([_STEP_S, (end_s - start_s) / _ROWS, *spacings])
    count = int((end_s - start_s) / step_s) + 1
    grid = _Grid(start_s, step_s, count)
    held = max(round(_SLOW_HELD_S / step_s), _HELD_ROWS)
    return ThermalLog(
        step_s,
        grid.middle_s,
        {name: grid.slow(part, held) for name, part in parts.items()},
        {name: part.step or 0.0 for name, part in parts.items()},
        _heats(signals, grid),
        _pumping(signals, grid),
    )


def _believable(part: Part) -> Part:
    """Without what no body does."""
    kept = followed(part.time_s, part.value, _LEAP_K + 2.0 * (part.step or 0.0), _FASTEST_K_PER_S)
    return part if kept.all() else part.where(kept)


@dataclass(frozen=True, slots=True)
class _Grid:
    start_s: float
    step_s: float
    count: int

    @property
    def middle_s(self) -> FloatArray:
        """The middle of each step [s]."""
        middle: FloatArray = self.start_s + self.step_s * (np.arange(self.count, dtype=np.float64) + 0.5)
        return middle

    def means(self, time_s: FloatArray, value: FloatArray) -> FloatArray:
        """The mean of the samples in each step, NaN without any."""
        row = np.floor((time_s - self.start_s) / self.step_s).astype(np.int64)
        inside = (row >= 0) & (row < self.count)
        total = np.bincount(row[inside], value[inside], self.count)
        number = np.bincount(row[inside], minlength=self.count)
        return np.asarray(np.where(number > 0, total / np.maximum(number, 1), np.nan))

    def slow(self, part: Part, rows: int) -> FloatArray:
        """The mean over each step of a part that may be sent as seldom: of its samples, or of the line between them."""
        if part.spacing_s < _OFTEN * self.step_s:
            return _bridged(self.means(part.time_s, part.value), rows)
        after = np.searchsorted(part.time_s, self.middle_s)
        inside = (after > 0) & (after < part.time_s.size)
        gap_s = part.time_s[np.minimum(after, part.time_s.size - 1)] - part.time_s[np.maximum(after - 1, 0)]
        line = np.interp(self.middle_s, part.time_s, part.value)
        return np.asarray(np.where(inside & (gap_s <= rows * self.step_s), line, np.nan))

    def held(self, part: Part, value: FloatArray | None = None) -> FloatArray:
        """The same of a part that is sent faster: short gaps are bridged."""
        rows = max(round(_HELD_S / self.step_s), _HELD_ROWS)
        return _bridged(self.means(part.time_s, part.value if value is None else value), rows)


def _bridged(value: FloatArray, rows: int) -> FloatArray:
    """Gaps of so many steps filled along a line."""
    there = np.flatnonzero(np.isfinite(value))
    if not there.size:
        return value
    at = np.arange(value.size)
    line = np.interp(at, there, value[there])
    after = np.searchsorted(there, at)
    gap = there[np.minimum(after, there.size - 1)] - there[np.maximum(after - 1, 0)]
    inside = (after > 0) & (after < there.size) & (gap <= rows + 1)
    return np.asarray(np.where(np.isfinite(value) | inside, line, np.nan))


def _heats(signals: Signals, grid: _Grid) -> dict[str, FloatArray]:
    found: dict[str, FloatArray] = {}
    current = signals.get("motor_current")
    if current is not None and current.time_s.size:
        found["current"] = grid.held(current, np.abs(current.value))
        found["current2"] = grid.held(current, current.value**2)
    volts = signals.get("battery_voltage") or signals.get("dc_link_voltage")
    amps, torque, speed = (signals.get(name) for name in ("battery_current", "torque", "motor_speed"))
    if volts is not None and amps is not None and amps.time_s.size:
        electric = volts.held_at(amps.time_s) * amps.value
        known = np.isfinite(electric)
        watts = _bridged(grid.means(amps.time_s[known], electric[known]), _HELD_ROWS)
        found["power"] = _bridged(grid.means(amps.time_s[known], np.abs(electric[known])), _HELD_ROWS)
        if torque is not None and speed is not None and torque.time_s.size:
            shaft = torque.value * speed.held_at(torque.time_s) * pi / 30.0
            turns = np.isfinite(shaft)
            found["loss"] = watts - _bridged(grid.means(torque.time_s[turns], shaft[turns]), _HELD_ROWS)
    return found


def _pumping(signals: Signals, grid: _Grid) -> BoolArray:
    """When coolant is meant to flow: by the pump itself, else by the contactor, else throughout."""
    for name in ("coolant_pump", "coolant_pump_speed", "coolant_pump_current", "main_contactor"):
        part = signals.get(name)
        if part is None or part.time_s.size < 2:
            continue
        on = part.value > (IDLE_A if part.unit == "A" else 0.0) if part.on is None else part.on
        share = _bridged(grid.means(part.time_s, on.astype(np.float64)), grid.count)
        newest = np.clip(np.searchsorted(part.time_s, grid.middle_s) - 1, 0, on.size - 1)
        held = on[newest].astype(np.float64)
        return np.asarray(np.where(np.isfinite(share), share, held) > 0.5)
    return np.ones(grid.count, np.bool_)
