"""Temperatures in another unit or with another offset: outside what can be, or alone beside two that agree."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.plausibility.possible import COOLED
from logscope.signals import Part, Signals

# Where the parts still live (practice): the coldest morning, winding insulation of class H, a power module, boiling,
# cells.
_LOWEST_C = -45.0
_HIGHEST_C = {
    "motor_temperature": 230.0, "inverter_temperature": 160.0, "coolant_temperature": 130.0,
    "coolant_temperature_out": 130.0, "battery_temperature_lowest": 85.0, "battery_temperature_highest": 85.0,
}  # fmt: skip
_START_S = 3.0  # from a part's first sample on
_SOAKED_C = (-30.0, 45.0)  # a vehicle that stood is as warm as its surroundings
_AGREE_K = 2.5  # two parts of a vehicle that stood, and what a cure must reach
_OFF_K = 12.0  # less is a warm motor beside a cold radiator
_MIN_SAMPLES = 3


@dataclass(frozen=True, slots=True)
class Cure:
    """What may have gone wrong with a temperature, and the scale and offset in the vehicle file that mend it.

    words : what the reading is; value in °C = scale × reading + offset
    """

    words: str
    scale: float
    offset: float

    def of(self, reading: float) -> float:
        """The temperature that a reading then means [°C]."""
        return self.scale * reading + self.offset


_CURES = (
    Cure("in kelvin", 1.0, -273.15),
    Cure("ten times too high", 0.1, 0.0),
    Cure("ten times too low", 10.0, 0.0),
    Cure("40 K too high, its offset missing", 1.0, -40.0),
    Cure("40 K too low, its offset subtracted twice", 1.0, 40.0),
    Cure("in degrees Fahrenheit", 1 / 1.8, -32 / 1.8),
    Cure("100 times too high", 0.01, 0.0),
    Cure("1000 times too high", 0.001, 0.0),
    Cure("1000 times too low", 1000.0, 0.0),
    Cure("100 times too low", 100.0, 0.0),
    Cure("50 K too high, its offset missing", 1.0, -50.0),
    Cure("273 K too low, converted from kelvin by mistake", 1.0, 273.15),
    Cure("half of the true temperature", 2.0, 0.0),
    Cure("twice the true temperature", 0.5, 0.0),
)


@dataclass(frozen=True, slots=True)
class WrongTemperature:
    """A temperature that cannot be. cure : what would explain it; start : the reading at the start [°C]."""

    part: str
    start: float
    fact: str
    cure: Cure


def wrong_temperatures(signals: Signals) -> Iterator[WrongTemperature]:
    """The temperatures that are out of all range or alone, where a usual slip explains them."""
    parts = {name: part for name in _HIGHEST_C if (part := signals.get(name)) is not None}
    starts = {name: _start(part) for name, part in parts.items() if part.value.size >= _MIN_SAMPLES}
    for name, start in starts.items():
        others = [other for key, other in starts.items() if key != name and key in COOLED]
        soaked = _soaked(others) if name in COOLED else None  # a pack keeps its warmth for days
        fact = _out_of_range(parts[name])
        if fact is None and soaked is not None and abs(start - soaked) > _OFF_K:
            fact = f"it starts at {start:.0f} °C, where the vehicle's other temperatures start at {soaked:.0f} °C"
        cure = next((cure for cure in _CURES if _fits(cure.of(start), name, soaked)), None)
        if fact is not None and cure is not None:
            yield WrongTemperature(name, start, fact, cure)


def _start(part: Part) -> float:
    return float(np.median(part.value[: max(int(np.searchsorted(part.time_s, part.time_s[0] + _START_S)), 1)]))


def _soaked(others: list[float]) -> float | None:
    """The temperature of the vehicle's surroundings, where two other temperatures or more agree on it [°C]."""
    if len(others) < 2 or max(others) - min(others) > _AGREE_K:
        return None
    middle = (max(others) + min(others)) / 2.0
    return middle if _SOAKED_C[0] <= middle <= _SOAKED_C[1] else None


def _out_of_range(part: Part) -> str | None:
    level, highest = float(np.median(part.value)), _HIGHEST_C[part.name]
    if _LOWEST_C <= level <= highest:
        return None
    return f"it reads {level:,.0f} °C, where {_LOWEST_C:.0f} to {highest:.0f} °C is possible"


def _fits(value: float, name: str, soaked: float | None) -> bool:
    if soaked is not None:
        return abs(value - soaked) <= _AGREE_K
    return _LOWEST_C <= value <= _HIGHEST_C[name]
