"""Temperatures in another unit or with another offset.

Found where a reading is outside what can be, or stands alone beside two that agree on a vehicle that stood. A battery
keeps its warmth for days, so its reading is judged only where it would be a danger: too hot for any use from the first
reading on, and hardly moving, or far hotter or colder than all else, though the vehicle stood. Where all readings of a
vehicle agree on what no surroundings have, all are in °F.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from logscope.plausibility.out_of_place import out_of_place
from logscope.plausibility.possible import COOLED, PACK_TEMPERATURES
from logscope.signals import Part, Signals
from logscope.statistics.leaps import followed
from logscope.vehicle import Vehicle

# Where the parts still live (practice): the coldest morning, winding insulation of class H, a power module, boiling,
# cells.
_LOWEST_C = -45.0
_HIGHEST_C = {
    "motor_temperature": 230.0, "inverter_temperature": 160.0, "coolant_temperature": 130.0,
    "coolant_temperature_out": 130.0, "battery_temperature_lowest": 85.0, "battery_temperature_highest": 85.0,
}  # fmt: skip
_START_S = 3.0  # from a part's first sample on
_LEAP_K, _FASTEST_K_PER_S = 8.0, 1.0  # no body leaps so far, beside what a heat sink does in a second (practice)
_SOAKED_C = (-30.0, 45.0)  # a vehicle that stood is as warm as its surroundings
_AGREE_K = 2.5  # two parts of a vehicle that stood, and what a cure must reach
_OFF_K = 12.0  # less is a warm motor beside a cold radiator
_MIN_SAMPLES = 3
# Makers of cells end charging at 45 °C and all use at 60 °C (practice), so that a pack which begins above is off.
_PACK_HOT_C = 60.0
_PACK_WARM_C = 50.0  # beside a vehicle that stood: warmer than any charge leaves a pack for so long (practice)
_PACK_USUAL_C, _PACK_MOSTLY_C = (10.0, 45.0), 23.0  # of a pack in use that nothing else is known of (practice)
_PACK_APART_K = 25.0  # of one that stood as long as motor and coolant: its own warmth, or a heater's, is less
_PACK_COLDER_K = (
    35.0  # a vehicle from the frost that stood in a garage until motor and coolant were warm: less (practice)
)
_PACK_NEAR_K = (-8.0, 12.0)  # and so far from them it usually is: what a cure must reach (practice)
_PACK_MOVES_K = 18.0  # in the log, 10 K in °F: a pack that heats by itself rises faster; less is a pack in use
_ALL_WARM_C = 55.0  # no surroundings are so warm


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


_FAHRENHEIT = Cure("in degrees Fahrenheit", 1 / 1.8, -32 / 1.8)
_CURES = (
    Cure("in kelvin", 1.0, -273.15),
    Cure("ten times too high", 0.1, 0.0),
    Cure("ten times too low", 10.0, 0.0),
    Cure("40 K too high, its offset missing", 1.0, -40.0),
    Cure("40 K too low, its offset subtracted twice", 1.0, 40.0),
    _FAHRENHEIT,
    Cure("100 times too high", 0.01, 0.0),
    Cure("1000 times too high", 0.001, 0.0),
    Cure("1000 times too low", 1000.0, 0.0),
    Cure("100 times too low", 100.0, 0.0),
    Cure("50 K too high, its offset missing", 1.0, -50.0),
    Cure("273 K too low, converted from kelvin by mistake", 1.0, 273.15),
    Cure("half of the true temperature", 2.0, 0.0),
    Cure("twice the true temperature", 0.5, 0.0),
)
_COMMON = _CURES[:6]  # the first ones are by far the most frequent (practice)


@dataclass(frozen=True, slots=True)
class WrongTemperature:
    """A temperature that cannot be.

    cure : what would explain it; rival : what would explain it as well; start : the reading at the start [°C]
    hot : what would be a danger if the reading were true
    """

    part: str
    start: float
    fact: str
    cure: Cure
    rival: Cure | None = None
    hot: bool = False


def wrong_temperatures(signals: Signals, vehicle: Vehicle) -> Iterator[WrongTemperature]:
    """The temperatures that are out of all range or alone, where a usual slip explains them."""
    parts = {name: part for name in _HIGHEST_C if (part := signals.get(name)) is not None}
    starts = {name: _start(part) for name, part in parts.items() if part.value.size >= _MIN_SAMPLES}
    if _all_in_fahrenheit(starts):
        fact = "all temperatures of the vehicle start together, and no surroundings are so warm"
        yield from (WrongTemperature(name, start, fact, _FAHRENHEIT) for name, start in starts.items())
        return
    for name, start in starts.items():
        soaked = _soaked([other for key, other in starts.items() if key != name and key in COOLED])
        if name in COOLED:
            wrong = _judge_cooled(parts[name], start, soaked) or _judge_place(parts[name], start, signals)
        else:
            wrong = _judge_pack(parts[name], start, soaked, vehicle)
        if wrong is not None:
            yield wrong


def _judge_cooled(part: Part, start: float, soaked: float | None) -> WrongTemperature | None:
    impossible = _out_of_range(part)
    fact = impossible or _alone(start, soaked)
    # what is some kelvin warmer than its vehicle may be warm from the last drive, and no rare slip
    cures = _CURES if impossible or (soaked is not None and start < soaked) else _COMMON
    cure = next((cure for cure in cures if _fits(cure.of(start), part.name, soaked)), None)
    return None if fact is None or cure is None else WrongTemperature(part.name, start, fact, cure)


def _judge_place(part: Part, start: float, signals: Signals) -> WrongTemperature | None:
    """One that is hotter than the way of the heat lets it be, where one of the common slips brings it to its place."""
    found = out_of_place(part, signals)
    if found is None:
        return None
    fact, beside_C, (low_K, high_K) = found
    cures = [cure for cure in _COMMON if low_K <= cure.of(start) - beside_C <= high_K]
    cures.sort(key=lambda cure: abs(cure.of(start) - beside_C))
    if not cures:
        return None
    return WrongTemperature(part.name, start, fact, cures[0], cures[1] if len(cures) > 1 else None, hot=True)


def _judge_pack(part: Part, start: float, soaked: float | None, vehicle: Vehicle) -> WrongTemperature | None:
    fact = _out_of_range(part) or _odd_pack(part, start, soaked, vehicle)
    cures = _pack_cures(start, soaked)
    if fact is None or not cures:
        return None
    rival = cures[1] if len(cures) > 1 else None
    hot = _PACK_WARM_C < start <= _HIGHEST_C[part.name]
    return WrongTemperature(part.name, start, fact, cures[0], rival, hot)


def _alone(start: float, soaked: float | None) -> str | None:
    if soaked is None or abs(start - soaked) <= _OFF_K:
        return None
    return f"it starts at {start:.0f} °C, where the vehicle's other temperatures start at {soaked:.0f} °C"


def _odd_pack(part: Part, start: float, soaked: float | None, vehicle: Vehicle) -> str | None:
    """Why a pack is not as hot, or cold, as it reads; None where it may be."""
    low, high = (float(each) for each in np.quantile(part.value, [0.01, 0.99]))
    if high - low >= _PACK_MOVES_K:
        return None
    stated_C = vehicle.limits.battery_temperature_max_C
    highest_C = max(_PACK_WARM_C, _PACK_HOT_C if stated_C is None else stated_C)
    hotter = soaked is not None and start > highest_C and start - soaked > _PACK_APART_K
    if soaked is not None and (hotter or start < soaked - _PACK_COLDER_K):
        return f"it starts at {start:.0f} °C, where the vehicle's other temperatures start at {soaked:.0f} °C"
    if soaked is None and low > _PACK_HOT_C:
        return f"it reads {low:.0f} to {high:.0f} °C from its first reading on, where no pack is in use"
    return None


def _pack_cures(start: float, soaked: float | None) -> list[Cure]:
    """What may have gone wrong with a pack's reading, what leads nearest to the vehicle's own temperature first."""
    low, high = _PACK_USUAL_C if soaked is None else (soaked + _PACK_NEAR_K[0], soaked + _PACK_NEAR_K[1])
    near = _PACK_MOSTLY_C if soaked is None else soaked
    usual = [cure for cure in _CURES if low <= cure.of(start) <= high]
    usual.sort(key=lambda cure: (cure not in _COMMON, abs(cure.of(start) - near)))
    return usual or [cure for cure in _CURES if soaked is None and _fits(cure.of(start), PACK_TEMPERATURES[0], None)]


def _all_in_fahrenheit(starts: Mapping[str, float]) -> bool:
    """Whether motor, coolant and battery all agree on what no surroundings have, and are usual ones in °F."""
    cooled = [start for name, start in starts.items() if name in COOLED]
    pack = [start for name, start in starts.items() if name in PACK_TEMPERATURES]
    if len(cooled) < 2 or not pack or min(*cooled, *pack) < _ALL_WARM_C:
        return False
    true = [_FAHRENHEIT.of(start) for start in cooled]
    soaked = _soaked(true)
    if soaked is None:
        return False
    return all(_PACK_NEAR_K[0] <= _FAHRENHEIT.of(start) - soaked <= _PACK_NEAR_K[1] for start in pack)


def _start(part: Part) -> float:
    """The reading at the start, once the controller is awake: before it repeats a default, and leaps from there."""
    kept = followed(part.time_s, part.value, _LEAP_K + 2.0 * (part.step or 0.0), _FASTEST_K_PER_S)
    time_s, value = part.time_s[kept], part.value[kept]
    return float(np.median(value[: max(int(np.searchsorted(time_s, time_s[0] + _START_S)), 1)]))


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
