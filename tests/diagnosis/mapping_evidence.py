"""Whether anything in a log contradicts a slip, judged by the sound readings that it was made from.

The pack joined to the link for some seconds, the vehicle moving with another speed beside it, power at the shaft,
a limit that is passed, neighbours of a mark. What a slip leaves within all limits, with no other reading of the same
thing, nobody can see: such a slip is not decidable.
"""

from __future__ import annotations

from math import pi

import numpy as np
from mapping_slips import TEMPERATURES, Slip
from scipy.ndimage import minimum_filter1d

from logscope.arrays import FloatArray
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_DRIVING_W, _MOVING_KMH = 8000.0, 10.0  # as much as a sound judgement needs, by the sound readings
_ENOUGH_S = 4.0
_LATE_S = 0.5  # a state at 10 Hz is late by less
_STILL_S, _STILL_SAMPLES = 4.0, 30  # for which nothing that is measured stands at the edge of its field
_JUMPED, _OF_RANGE = 3.0, 0.1  # times the range of the sound readings, and of the raw range: out of all proportion
_VARIED_A = 60.0
_STILL_READINGS, _WARM_C = 60, 12.0  # of temperatures, one of them zero throughout
# Beyond what any road vehicle has (ISO 6469-3 for voltages; the rest is judgement).
_IMPOSSIBLE = {
    "throttle": 101.5, "throttle_second": 101.5, "vehicle_speed": 450.0, "aux_voltage": 80.0, "motor_speed": 50e3,
    "torque": 4000.0, "torque_target": 4000.0,
}  # fmt: skip
_IMPOSSIBLE_V, _IMPOSSIBLE_A = 1600.0, 3000.0


class Sound:
    """What the sound readings of a drive hold that can contradict a slip."""

    def __init__(self, signals: Signals, vehicle: Vehicle) -> None:
        self.signals, self.vehicle = signals, vehicle
        self.grid_s: FloatArray = np.arange(0.0, signals.end_s, 0.05)

    def at(self, name: str) -> FloatArray:
        """A part on the grid; NaN where it is not mapped."""
        part = self.signals.get(name)
        if part is None or part.value.size == 0:
            return np.full(self.grid_s.size, np.nan)
        return np.interp(self.grid_s, part.time_s, part.value)

    def for_s(self, where: object) -> float:
        """How long something held [s]."""
        return 0.05 * float(np.count_nonzero(where))

    @property
    def joined(self) -> bool:
        """Whether pack and link are logged and joined long enough to see it: by states, or by a sag that both show."""
        pack, link, closed = (self.at(n) for n in ("battery_voltage", "dc_link_voltage", "main_contactor"))
        near = (np.abs(pack - link) < 0.04 * pack) & (pack > 0.0)
        if np.isfinite(closed).any():
            return self.for_s(near & (closed > 0.5)) >= _ENOUGH_S
        return self.for_s(near) >= 2 * _ENOUGH_S and bool(np.ptp(pack[near]) > 0.03 * np.median(pack[near]))

    @property
    def driven(self) -> bool:
        """Whether the motor drives fast and hard for long enough."""
        power = self.at("torque") * self.at("motor_speed") * pi / 30.0
        fast = np.abs(self.at("motor_speed")) > 0.35 * np.nanmax(np.abs(self.at("motor_speed")), initial=0.0)
        hard = power > max(_DRIVING_W, 0.4 * np.nanmax(power, initial=0.0))
        return self.for_s(hard & fast & np.isfinite(self.at("battery_current"))) >= _ENOUGH_S

    @property
    def moved(self) -> bool:
        """Whether road and motor turn together, at several speeds, for long enough."""
        road, motor = self.at("vehicle_speed"), self.at("motor_speed")
        ratio, radius = self.vehicle.driveline.ratio or 1.0, self.vehicle.driveline.wheel_radius_m or 1.0
        expected = road * ratio / 3.6 / (2 * pi * radius) * 60.0
        together = (road > _MOVING_KMH) & (np.abs(motor / np.where(expected > 0, expected, np.nan) - 1.0) < 0.05)
        if self.for_s(together) < 2 * _ENOUGH_S:
            return False
        return bool(np.quantile(road[together], 0.98) > 1.5 * np.quantile(road[together], 0.02))

    def follows(self, one: str, other: str) -> bool:
        """Whether two readings are at the same level, at several levels, for long enough."""
        first, second = self.at(one), self.at(other)
        high = np.abs(first) > 0.25 * np.nanmax(np.abs(first), initial=0.0)
        moved = np.abs(np.gradient(second, 0.05)) > 0.2 * np.abs(second)
        same = high & (np.abs(first - second) < 0.08 * np.abs(second)) & ~moved
        levels = np.abs(first[same])
        if self.for_s(same) < _ENOUGH_S / 2 or not levels.size:
            return False
        return bool(np.quantile(levels, 0.97) > 1.4 * np.quantile(levels, 0.03))

    def charged(self, *names: str) -> bool:
        """Whether a charger delivers for long enough, these parts logged."""
        there = np.logical_and.reduce([np.isfinite(self.at(name)) for name in names])
        return self.for_s((self.at("charger_current") > 2.0) & there) >= 2 * _ENOUGH_S


def decidable(slip: Slip, sound: Sound) -> bool:
    """Whether anything in the log contradicts a slip."""
    if slip.is_mark:
        return _mark_shows(slip, sound)
    if slip.kind == "turned round":
        return _drives_through(sound)
    if slip.is_stuck:
        return _stuck_shows(slip, sound)
    if slip.kind == "byte order":
        return _bytes_show(sound.signals.parts[slip.part])
    if slip.part in TEMPERATURES:
        return _temperature_shows(slip, sound)
    if slip.kind == "sign":
        return _sign_shows(slip.part, sound)
    return _passes_limit(slip, sound) or _contradicted(slip, sound)


def _passes_limit(slip: Slip, sound: Sound) -> bool:
    """Whether the slipped reading leaves what the vehicle file or nature allows."""
    vehicle, value = sound.vehicle, np.abs(sound.signals.parts[slip.part].value * slip.scale)
    most = {
        "motor_speed": vehicle.motor.max_speed_rpm,
        "torque": vehicle.motor.max_torque_Nm,
        "torque_target": vehicle.motor.max_torque_Nm,
        "motor_current": vehicle.limits.motor_current_A,
        "motor_current_target": vehicle.limits.motor_current_A,
        "dc_link_voltage": vehicle.dc_link.max_voltage_V,
        "vehicle_speed": 250.0,
        "throttle": 100.0,
        "throttle_second": 100.0,
        "cell_voltage_lowest": vehicle.limits.cell_max_V,
        "cell_voltage_highest": vehicle.limits.cell_max_V,
        "state_of_charge": 100.0,
    }.get(slip.part)
    if most is not None and float(np.quantile(value, 0.9)) > 1.8 * most:
        return True
    level = float(np.median(value[value >= 0.5 * value.max()])) if value.size else 0.0
    if slip.part == "battery_voltage":
        return not 0.5 * (vehicle.limits.battery_min_V or 0.0) < level < 1.2 * (vehicle.limits.battery_max_V or 1e9)
    return slip.part == "aux_voltage" and not 8.0 < level < 18.0


def _contradicted(slip: Slip, sound: Sound) -> bool:
    match slip.part:
        case "dc_link_voltage" | "battery_voltage":
            return sound.joined
        case "battery_current":
            return sound.driven or sound.charged("battery_current", "charger_current")
        case "motor_speed" | "vehicle_speed":
            return sound.moved
        case "torque" | "torque_target":
            return sound.follows("torque", "torque_target")
        case "motor_current" | "motor_current_target":
            return sound.follows("motor_current", "motor_current_target")
        case "throttle" | "throttle_second":
            return sound.follows("throttle", "throttle_second")
        case "charger_voltage":
            return sound.charged("battery_voltage") or sound.charged("charger_voltage_target")
        case "charger_current":
            return sound.charged("battery_current")
        case "charger_voltage_target":
            return sound.charged("charger_voltage")
        case "charger_current_target":
            return sound.charged("charger_current") and slip.scale not in (2.0, 0.5)  # a charger may be too weak
    return False


def _sign_shows(part: str, sound: Sound) -> bool:
    if part == "battery_current":
        return sound.driven
    if part == "torque_target":
        return sound.follows("torque", "torque_target")
    return sound.driven and sound.moved


def _temperature_shows(slip: Slip, sound: Sound) -> bool:
    value = sound.signals.parts[slip.part].value
    others = [sound.signals.parts[name].value for name in TEMPERATURES if name != slip.part and name in sound.signals]
    level, start = float(np.median(value * slip.scale + slip.offset)), float(value[0] * slip.scale + slip.offset)
    if not -50.0 < level < 250.0:
        return True
    return len(others) >= 2 and all(abs(other[0] - value[0]) < 2.0 for other in others) and abs(start - value[0]) > 15.0


def _bytes_show(part: Part) -> bool:
    """Whether both bytes change together often enough: a carry, in a quantity that moves little at a time."""
    code = part.encoding
    assert code is not None
    raw = code.raw(part.value) & 0xFFFF
    carries = ((raw[1:] ^ raw[:-1]) & 0xFF00 != 0) & ((raw[1:] ^ raw[:-1]) & 0xFF != 0)
    return (
        int(np.count_nonzero(carries)) >= 10 and float(np.median(np.abs(np.diff(code.raw(part.value)))[carries])) < 1000
    )


def _mark_shows(slip: Slip, sound: Sound) -> bool:
    """Whether marks are impossible, stand where nothing stands still, or jump out of all proportion and back."""
    part = sound.signals.parts[slip.part]
    shown = slip.apply(part).value
    marked = shown != part.value
    if not marked.any():
        return False
    mark = float(shown[marked][0])
    if abs(mark) > _impossible(slip.part, sound.vehicle):
        return True
    if slip.part not in (*TEMPERATURES, "aux_voltage", "motor_speed", "torque", "vehicle_speed", "battery_current"):
        return False  # a demand may well stand at the end of its range
    if marked.all():
        return part.value.size >= _STILL_SAMPLES and part.time_s[-1] - part.time_s[0] >= _STILL_S
    low, high = float(part.value.min()), float(part.value.max())
    code = part.encoding
    assert code is not None
    away = min(abs(mark - low), abs(mark - high))
    return not low <= mark <= high and away > max(
        _JUMPED * (high - low), _OF_RANGE * abs(code.scale) * (code.highest - code.lowest)
    )


def _impossible(name: str, vehicle: Vehicle) -> float:
    stated = {"motor_speed": vehicle.motor.max_speed_rpm, "torque": vehicle.motor.max_torque_Nm}.get(name)
    if stated:
        return 5.0 * stated if name == "torque" else 2.5 * stated
    if name in _IMPOSSIBLE:
        return _IMPOSSIBLE[name]
    return _IMPOSSIBLE_A if "current" in name else _IMPOSSIBLE_V


def _drives_through(sound: Sound) -> bool:
    """Whether a drive's power flows long enough that no state can be late by as much."""
    power_W = sound.at("battery_current") * sound.at("battery_voltage")
    lasting = minimum_filter1d(np.nan_to_num(power_W), round(2 * _LATE_S / 0.05) + 1)
    return sound.for_s(lasting > 1.2 * _DRIVING_W) >= _ENOUGH_S and sound.joined


def _stuck_shows(slip: Slip, sound: Sound) -> bool:
    """Whether something else in the log must have moved a part that reads one value throughout.

    Targets may be out of use, a second track may be broken, a charger holds its current: none of that is a mapping.
    """
    zero = slip.kind != "stuck at a level"
    carried = float(np.ptp(sound.signals.parts["battery_current"].value)) if "battery_current" in sound.signals else 0.0
    match slip.part:
        case "motor_speed":
            return sound.moved
        case "vehicle_speed":
            return sound.moved and not zero  # wheels may be off the ground
        case "battery_voltage":
            return sound.joined and (zero or carried > _VARIED_A)
        case "dc_link_voltage":
            return sound.driven if zero else sound.joined and carried > _VARIED_A
        case "battery_current" | "torque" | "motor_current":
            return sound.driven and "motor_current" in sound.signals
        case "aux_voltage":
            return zero
        case "main_contactor" | "negative_contactor":
            return sound.driven and sound.joined
        case _ if slip.part in TEMPERATURES:
            others = [sound.signals.parts[name].value for name in TEMPERATURES if name in sound.signals]
            if not zero or len(others) < len(TEMPERATURES):
                return False
            # a shorter log may well be of a motor in frost beside preheated coolant
            return others[0].size >= _STILL_READINGS and all(float(other.min()) > _WARM_C for other in others)
    return False
