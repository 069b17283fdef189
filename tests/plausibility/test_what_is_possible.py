"""What a part can be at all: readings that sound vehicles have, and marks and slips that none has.

Everyday ones are values that real captures hold (common practice, no published source); 0xFFFF and 0xFF00 in tenths are
the marks for no value of SAE J1939-71 (from memory).
"""

from __future__ import annotations

import pytest

from logscope.parts import PARTS
from logscope.plausibility.possible import possible
from logscope.vehicle import Motor, Vehicle

PLAIN = Vehicle()
EVERYDAY = {
    "dc_link_voltage": (-4.0, 0.0, 60.0, 400.0, 920.0),
    "battery_voltage": (0.0, 96.0, 400.0, 920.0),
    "battery_current": (-400.0, 0.0, 1200.0),
    "motor_current": (-700.0, 0.0, 900.0),
    "motor_speed": (-9000.0, 0.0, 18_000.0),
    "torque": (-300.0, 0.0, 700.0),
    "motor_temperature": (-30.0, 20.0, 180.0),
    "coolant_temperature": (-25.0, 110.0),
    "vehicle_speed": (-12.0, 0.0, 220.0),
    "stator_frequency": (-300.0, 0.0, 1200.0),
    "aux_voltage": (0.0, 11.8, 15.2, 29.0),
    "cell_voltage_lowest": (0.0, 2.5, 3.7, 4.25),
    "charger_input_power": (0.0, 3_600.0, 44_000.0),
    "coolant_pump_speed": (0.0, 6000.0),
    "state_of_charge": (0.0, 55.5, 100.0, 103.0),
    "throttle": (0.0, 45.0, 100.0),
    "voltage_utilisation": (0.0, 100.0, 115.0),
}
NEVER = {
    "dc_link_voltage": (-400.0, 6528.0, 6553.5), "battery_current": (-65_535.0, 65_535.0),
    "motor_speed": (-65_535.0, 65_535.0), "motor_temperature": (-273.0, 1735.0), "vehicle_speed": (655.35,),
    "aux_voltage": (-12.0, 65.5), "cell_voltage_lowest": (-37.0, 65.535), "state_of_charge": (-20.0, 255.0),
    "throttle": (-128.0, 127.5), "voltage_utilisation": (255.0,), "coolant_pump_speed": (65_535.0,),
}  # fmt: skip


@pytest.mark.parametrize("part", EVERYDAY)
def test_what_sound_vehicles_read_is_possible(part: str) -> None:
    assert part in PARTS
    room = possible(part, PLAIN)
    assert all(room.low <= value <= room.high for value in EVERYDAY[part])


@pytest.mark.parametrize("part", NEVER)
def test_marks_and_slips_are_not(part: str) -> None:
    room = possible(part, PLAIN)
    assert not any(room.low <= value <= room.high for value in NEVER[part])


def test_a_stated_motor_bounds_its_own_readings() -> None:
    small = Vehicle(motor=Motor(max_speed_rpm=9000, max_torque_Nm=160, rotor_inertia_kgm2=0.05))
    speed, torque = possible("motor_speed", small), possible("torque", small)
    assert 9000 < speed.high <= 18_000
    assert (speed.low, torque.low) == (-speed.high, -torque.high)
    assert 160 < torque.high <= 640
    assert speed.per_s == pytest.approx(3 * 9.5493 * 160 / 0.05, rel=1e-4)  # 60/(2π)·M/J, three times
