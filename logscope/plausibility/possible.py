"""What each part can be and how fast it can change in any road vehicle: what lies beyond is no reading of it."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, pi

from logscope.vehicle import Vehicle

_CLASS_A_V = 60.0  # highest DC voltage of class A, ISO 6469-3: a supply above it is no low-voltage one
_CLASS_B_V = 1500.0  # highest DC voltage of class B, ISO 6469-3: no road vehicle's high voltage lies above it
_SENSOR_OFFSET_V = 50.0  # a voltage sensor may read so far below zero (practice)
_CURRENT_A = 2500.0  # more flows in no road vehicle but into a short circuit (common practice, no published source)
_SHAFT_RPM = 30_000.0  # the fastest traction motors stay below (common practice, no published source)
_OVERSPEED = 2.0  # a rotor bursts before it turns twice as fast as its highest speed (practice)
_TORQUE_NM = 3000.0  # largest direct-drive bus motors (common practice, no published source)
_OVERTORQUE = 4.0  # above its stated torque a machine saturates; four times is out of reach (practice)
_ROAD_KM_H = 400.0
_COLD_C, _HOT_C = -60.0, 400.0  # from the coldest place that is driven in to a winding whose insulation has burnt
_PERCENT = 101.0  # a pedal ends at 100 %; a hundredth for its scale
_ELECTRICAL_HZ = 3000.0  # 30,000 rpm of six pole pairs
_CELL_V = 6.0  # no cell that can be charged reaches it (common practice, no published source)
_MAINS_W = 100_000.0  # more than an on-board charger takes from any socket (IEC 61851-1: 63 A, three phases, 44 kW)
_PUMP_RPM = 20_000.0  # small pumps stay below half of it (practice)
_CHARGE_PERCENT = (-5.0, 125.0)  # a monitor that counts past full, or past empty (practice)

_ROTOR_RPM_PER_S = 150_000.0  # the lightest traction rotor under full torque, free of its driveline (practice)
_FREE_SPIN_MARGIN = 3.0  # inertia and torque in a vehicle file are rarely measured
_GRIP_KM_H_PER_S = 100.0  # 2.8 g: no tyre brakes or drives so hard
_HEATING_K_PER_S = 50.0  # a junction temperature that an inverter estimates; a sensor's own is far slower (practice)

_HIGH_VOLTAGES = (
    "dc_link_voltage", "dc_link_voltage_second", "battery_voltage", "charger_voltage", "charger_voltage_target",
)  # fmt: skip
_CURRENTS = (
    "battery_current", "motor_current", "motor_current_target", "charger_current", "charger_current_target",
    "aux_current", "converter_current", "coolant_pump_current",
)  # fmt: skip
SHAFT_SPEEDS = ("motor_speed", "motor_speed_second")
COOLED = ("motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out")
PACK_TEMPERATURES = ("battery_temperature_lowest", "battery_temperature_highest")
TEMPERATURES = (*COOLED, *PACK_TEMPERATURES)


@dataclass(frozen=True, slots=True)
class Possible:
    """What a part can be, in its unit: between `low` and `high`, changing by at most `per_s` a second if that is known.

    full_scale : whether a reading at the very edge of what is possible is an everyday one (a pedal pressed down)
    """

    low: float
    high: float
    per_s: float | None = None
    full_scale: bool = False


def possible(part: str, vehicle: Vehicle) -> Possible:
    """Limits of a part, from the vehicle file where it states any, else what no road vehicle passes."""
    if part in _HIGH_VOLTAGES:
        return Possible(-_SENSOR_OFFSET_V, _CLASS_B_V)
    if part in _CURRENTS:
        return Possible(-_CURRENT_A, _CURRENT_A)
    if part in SHAFT_SPEEDS:
        stated = vehicle.motor.max_speed_rpm
        fastest = _SHAFT_RPM if stated is None else _OVERSPEED * stated
        return Possible(-fastest, fastest, shaft_rpm_per_s(vehicle))
    if part in ("torque", "torque_target"):
        stated = vehicle.motor.max_torque_Nm
        most = _TORQUE_NM if stated is None else _OVERTORQUE * stated
        return Possible(-most, most)
    if part in TEMPERATURES:
        return Possible(_COLD_C, _HOT_C, _HEATING_K_PER_S)
    others = {
        "vehicle_speed": Possible(-_ROAD_KM_H, _ROAD_KM_H, _GRIP_KM_H_PER_S),
        "stator_frequency": Possible(-_ELECTRICAL_HZ, _ELECTRICAL_HZ),
        "slip": Possible(-_ELECTRICAL_HZ, _ELECTRICAL_HZ),
        "aux_voltage": Possible(-1.0, _CLASS_A_V),
        "converter_voltage": Possible(-1.0, _CLASS_A_V),
        "cell_voltage_lowest": Possible(-_CELL_V, _CELL_V),
        "cell_voltage_highest": Possible(-_CELL_V, _CELL_V),
        "charger_input_power": Possible(-_MAINS_W, _MAINS_W),
        "coolant_pump_speed": Possible(-_PUMP_RPM, _PUMP_RPM),
        "state_of_charge": Possible(*_CHARGE_PERCENT, full_scale=True),
        "throttle": Possible(-_PERCENT, _PERCENT, full_scale=True),
        "throttle_second": Possible(-_PERCENT, _PERCENT, full_scale=True),
        "voltage_utilisation": Possible(-2 * _PERCENT, 2 * _PERCENT, full_scale=True),
    }
    return others.get(part, Possible(-inf, inf, full_scale=True))


def shaft_rpm_per_s(vehicle: Vehicle) -> float:
    """How fast a free rotor can change its speed at most [rpm/s]: 60/(2π)·T/J, with a margin."""
    torque, inertia = vehicle.motor.max_torque_Nm, vehicle.motor.rotor_inertia_kgm2
    if torque is None or inertia is None:
        return _ROTOR_RPM_PER_S
    return _FREE_SPIN_MARGIN * 60.0 / (2.0 * pi) * torque / inertia
