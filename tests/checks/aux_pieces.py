"""Pieces of a 12 V side put together by hand, for the tests of one function at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.aux_supply.at_work import AtWork
from logscope.checks.aux_supply.levels import Blocks
from logscope.checks.aux_supply.side import Side
from logscope.signals import Load, Part, Signals

UNITS = {"current": "A", "voltage": "V", "motor_speed": "rpm", "vehicle_speed": "km/h"}


def read(name: str, time_s: FloatArray, value: FloatArray | float, step: float | None = None) -> Part:
    """A part with the unit that its name has."""
    unit = next((unit for word, unit in UNITS.items() if word in name), "")
    return Part(name, time_s, np.broadcast_to(value, time_s.shape).astype(float), unit, f"Made.{name}", step=step)


def state(name: str, time_s: FloatArray, on: BoolArray) -> Part:
    """A state as it is logged."""
    return Part(name, time_s, on.astype(float), "", f"Made.{name}", on=np.asarray(on, bool))


def logged(*parts: Part, loads: tuple[Load, ...] = (), end_s: float = 100.0) -> Signals:
    return Signals({part.name: part for part in parts}, 0.0, end_s, loads=loads)


def side_of(time_s: FloatArray, volts: FloatArray | float, **known: Any) -> Side:
    """The rows of a 12 V side of which nothing else is known; arrays may be given as one value for all rows."""
    size = time_s.size
    rows = {"running": np.nan, "linked": np.nan, "settled": True, "draws": False, "moves": False, "volts": volts}
    for name in rows:
        value = known.pop(name, rows[name])
        kind = np.float64 if name in ("running", "linked", "volts") else np.bool_
        rows[name] = np.broadcast_to(value, (size,)).astype(kind)
    work = AtWork(rows.pop("draws"), rows.pop("moves"))
    side = Side(
        time_s, step_V=0.0, noise_V=0.001, period_s=0.1, judged_by="its state", at_work=work, stale=(),
        contradicted=False, **rows,
    )  # fmt: skip
    return replace(side, **known)


def blocks(volts: list[float], deviation_V: float = 0.01, rounding_V: float = 0.0, every_s: float = 2.0) -> Blocks:
    """Levels of so many stretches of 2 s, one after the other or further apart."""
    return Blocks(1.0 + every_s * np.arange(len(volts)), np.array(volts), deviation_V, rounding_V, 2.0)
