"""The limits that a vehicle file states, and what passing each of them means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from logscope.findings import Severity
from logscope.vehicle import Vehicle

# "Near" is the last tenth before a limit: how the margins of a first drive are read (common practice, no source).
NEAR_SHARE = 0.10
_COLD_K = 3.0  # of a temperature near zero, a tenth is no measure
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
    band = _share_of_range(low, high)
    cell_band = _share_of_range(vehicle.limits.cell_min_V, vehicle.limits.cell_max_V)
    ease = "Lower the current or power setting, or ease off earlier; then record the same run again."
    cool = "Let it cool, check flow and fan or radiator, and lower the power until the temperature stays below."
    charge = (
        "Lower regeneration, or start with a pack that is less full; check the limits in inverter and pack controller."
    )
    limits = vehicle.limits
    rows = (
        ("motor_current", "motor_current_A", limits.motor_current_A, "A", True, None, _DANGER, "motor current", ease),
        ("motor_temperature", "motor_temperature_C", limits.motor_temperature_C, "°C", True, None, _DANGER,
         "motor temperature", cool),
        ("inverter_temperature", "inverter_temperature_C", limits.inverter_temperature_C, "°C", True, None, _DANGER,
         "inverter temperature", cool),
        ("coolant_temperature", "coolant_temperature_C", limits.coolant_temperature_C, "°C", True, None, _DANGER,
         "coolant temperature", cool),
        ("battery_voltage", "battery_max_V", high, "V", True, band, _DANGER, "battery voltage, highest", charge),
        ("battery_voltage", "battery_min_V", low, "V", False, band, _WARNING, "battery voltage, lowest", ease),
        ("dc_link_voltage", "dc_link_max_V", vehicle.dc_link.max_voltage_V, "V", True, None, _DANGER,
         "DC-link voltage", charge),
        ("motor_speed", "motor_speed_rpm", vehicle.motor.max_speed_rpm, "rpm", True, None, _DANGER, "motor speed",
         "Set the inverter's speed limit lower, and look at the gear that was in."),
        ("aux_voltage", "aux_min_V", limits.aux_min_V, "V", False, None, _WARNING, "12 V supply, lowest",
         "Look for what switched at that moment; check the 12 V battery, its ground, and the DC-DC converter."),
        ("aux_voltage", "aux_max_V", limits.aux_max_V, "V", True, None, _WARNING, "12 V supply, highest",
         "Check the set-point of the DC-DC converter and its sense wire."),
        ("cell_voltage_highest", "cell_max_V", limits.cell_max_V, "V", True, cell_band, _DANGER,
         "cell voltage, highest", charge),
        ("cell_voltage_lowest", "cell_min_V", limits.cell_min_V, "V", False, cell_band, _WARNING,
         "cell voltage, lowest", ease),
        ("battery_temperature_highest", "battery_temperature_max_C", limits.battery_temperature_max_C, "°C", True, None,
         _DANGER, "battery temperature, highest", "Let it cool, and lower the current until it stays below."),
        ("battery_temperature_lowest", "battery_temperature_min_C", limits.battery_temperature_min_C, "°C", False,
         _COLD_K, _WARNING, "battery temperature, lowest", "Warm the battery before it is charged or driven hard."),
    )  # fmt: skip
    for part, key, value, unit, upper, band_near, severity, what, do in rows:
        if value is not None:
            room = band_near if band_near is not None else NEAR_SHARE * abs(value)
            near = value - room if upper else value + room
            yield Limit(key.rpartition("_")[0], key, part, value, unit, upper, near, severity, what, do)


def _share_of_range(low: float | None, high: float | None) -> float | None:
    """How near counts as near, between a lowest and a highest value; None where they are not both stated."""
    return NEAR_SHARE * (high - low) if low and high and high > low else None
