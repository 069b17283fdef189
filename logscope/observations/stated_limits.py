"""The limits that a vehicle file states, and what passing each of them means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from logscope.findings import Severity
from logscope.vehicle import Vehicle

# "Near" is the last tenth before a limit: how the margins of a first drive are read (common practice, no source).
NEAR_SHARE = 0.10
_DANGER, _WARNING = Severity.DANGER, Severity.WARNING


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit and what passing it means.

    name : of the measured value; key : in the vehicle file; upper : not to be exceeded, or not to be fallen below
    near : the value from which on it counts as near, in `unit`
    """

    name: str
    key: str
    part: str
    value: float
    unit: str
    upper: bool
    near: float
    severity: Severity
    what: str
    do: str


def stated_limits(vehicle: Vehicle) -> Iterator[Limit]:
    """Every limit that the vehicle file states."""
    low, high = vehicle.limits.battery_min_V, vehicle.limits.battery_max_V
    band = NEAR_SHARE * (high - low) if low and high and high > low else None
    ease = "Lower the current or power setting, or ease off earlier; then record the same run again."
    cool = "Let it cool, check flow and fan or radiator, and lower the power until the temperature stays below."
    charge = (
        "Lower regeneration, or start with a pack that is less full; check the limits in inverter and pack controller."
    )
    told = vehicle.limits
    rows = (
        ("motor_current", "motor_current_A", told.motor_current_A, "A", True, None, _DANGER, "motor current", ease),
        ("motor_temperature", "motor_temperature_C", told.motor_temperature_C, "°C", True, None, _DANGER,
         "motor temperature", cool),
        ("inverter_temperature", "inverter_temperature_C", told.inverter_temperature_C, "°C", True, None, _DANGER,
         "inverter temperature", cool),
        ("coolant_temperature", "coolant_temperature_C", told.coolant_temperature_C, "°C", True, None, _DANGER,
         "coolant temperature", cool),
        ("battery_voltage", "battery_max_V", high, "V", True, band, _DANGER, "battery voltage, highest", charge),
        ("battery_voltage", "battery_min_V", low, "V", False, band, _WARNING, "battery voltage, lowest", ease),
        ("dc_link_voltage", "dc_link_max_V", vehicle.dc_link.max_voltage_V, "V", True, None, _DANGER,
         "DC-link voltage", charge),
        ("motor_speed", "motor_speed_rpm", vehicle.motor.max_speed_rpm, "rpm", True, None, _DANGER, "motor speed",
         "Set the inverter's speed limit lower, and look at the gear that was in."),
        ("aux_voltage", "aux_min_V", told.aux_min_V, "V", False, None, _WARNING, "12 V supply, lowest",
         "Look for what switched at that moment; check the 12 V battery, its ground, and the DC-DC converter."),
    )  # fmt: skip
    for part, key, value, unit, upper, band_near, severity, what, do in rows:
        if value is not None:
            room = band_near if band_near is not None else NEAR_SHARE * abs(value)
            near = value - room if upper else value + room
            yield Limit(key.rpartition("_")[0], key, part, value, unit, upper, near, severity, what, do)
