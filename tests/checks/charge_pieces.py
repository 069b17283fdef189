"""Pieces of a charge put together by hand, for the tests of one function at a time."""

from __future__ import annotations

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.charging.current import ChargingCurrent
from logscope.observations.charging.phases import Level, Phase, Step
from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals

UNITS = {"current": "A", "voltage": "V", "temperature": "°C", "power": "W", "speed": "rpm"}


def read(
    name: str, time_s: FloatArray, value: FloatArray, *, step: float | None = None, on: BoolArray | None = None,
    healthy: BoolArray | None = None,
) -> Part:  # fmt: skip
    """A part with the unit that its name has."""
    unit = next((unit for word, unit in UNITS.items() if word in name and on is None and healthy is None), "")
    unit = "km/h" if name == "vehicle_speed" else unit
    return Part(name, time_s, value, unit, f"Made.{name}", step=step, on=on, healthy=healthy)


def state(name: str, time_s: FloatArray, on: BoolArray) -> Part:
    """A state as it is logged."""
    return read(name, time_s, on.astype(np.float64), on=on)


def logged(*parts: Part, end_s: float = 1000.0) -> Signals:
    """What is logged of a charge."""
    return Signals({part.name: part for part in parts}, 0.0, end_s)


def phase(
    step: Step, start_s: float, end_s: float, start_a: float = 20.0, end_a: float = 20.0, volts: float | None = None
) -> Phase:
    """A phase whose levels are known exactly."""
    amps = (start_a + end_a) / 2
    held = None if volts is None else Level(volts, volts, volts)
    return Phase(step, start_s, end_s, Level(amps, amps, amps), held, start_a, end_a)


def charge(
    current: Part,
    start_s: float,
    end_s: float,
    *phases: Phase,
    voltage: Part | None = None,
    noise_a: float = 0.1,
    of_charger: bool = True,
    on_a: float = 0.5,
    least_a: float = 0.5,
    starts_cut: bool = False,
    ends_cut: bool = False,
    vanished: bool = False,
    missing_s: float = 0.0,
) -> Session:
    """The readings of a current from one moment to another as a session."""
    rows = current.between(start_s, end_s)
    time_s = current.time_s[rows]
    return Session(
        float(time_s[0]), float(time_s[-1]), ChargingCurrent(current, noise_a, of_charger), voltage, rows.start,
        rows.stop - 1, on_a, least_a, starts_cut, ends_cut, vanished, missing_s, phases,
    )  # fmt: skip
