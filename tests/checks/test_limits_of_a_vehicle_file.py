"""What each limit of a vehicle file means: its part, side, unit, severity, and where "near" begins. Tables by hand.

Near is the last tenth (common practice, no published source).
"""

from __future__ import annotations

import pytest

from logscope.findings import Severity
from logscope.observations.stated_limits import stated_limits
from logscope.vehicle import DcLink, Limits, Motor, Vehicle

DANGER, WARNING = Severity.DANGER, Severity.WARNING
VEHICLE = Vehicle(
    limits=Limits(
        motor_current_A=350, motor_temperature_C=140, inverter_temperature_C=85, coolant_temperature_C=65,
        battery_min_V=240, battery_max_V=340, aux_min_V=11.8, aux_max_V=15.0, cell_min_V=3.0, cell_max_V=4.2,
        battery_temperature_max_C=55, battery_temperature_min_C=-10,
    ),
    dc_link=DcLink(max_voltage_V=400),
    motor=Motor(max_speed_rpm=9000),
)  # fmt: skip
# key: part, value, unit, whether it is an upper one, where near begins, severity
MEANT = {
    "motor_current_A": ("motor_current", 350.0, "A", True, 315.0, DANGER),
    "motor_temperature_C": ("motor_temperature", 140.0, "°C", True, 126.0, DANGER),
    "inverter_temperature_C": ("inverter_temperature", 85.0, "°C", True, 76.5, DANGER),
    "coolant_temperature_C": ("coolant_temperature", 65.0, "°C", True, 58.5, DANGER),
    "battery_max_V": ("battery_voltage", 340.0, "V", True, 330.0, DANGER),  # a tenth of the range of 100 V
    "battery_min_V": ("battery_voltage", 240.0, "V", False, 250.0, WARNING),
    "dc_link_max_V": ("dc_link_voltage", 400.0, "V", True, 360.0, DANGER),
    "motor_speed_rpm": ("motor_speed", 9000.0, "rpm", True, 8100.0, DANGER),
    "aux_min_V": ("aux_voltage", 11.8, "V", False, 12.98, WARNING),
    "aux_max_V": ("aux_voltage", 15.0, "V", True, 13.5, WARNING),
    "cell_max_V": ("cell_voltage_highest", 4.2, "V", True, 4.08, DANGER),
    "cell_min_V": ("cell_voltage_lowest", 3.0, "V", False, 3.12, WARNING),
    "battery_temperature_max_C": ("battery_temperature_highest", 55.0, "°C", True, 49.5, DANGER),
    "battery_temperature_min_C": ("battery_temperature_lowest", -10.0, "°C", False, -7.0, WARNING),
}


def test_every_stated_limit_is_read_once_and_no_other() -> None:
    assert [each.key for each in stated_limits(VEHICLE)] == list(MEANT)
    assert not list(stated_limits(Vehicle()))


@pytest.mark.parametrize("key", MEANT)
def test_a_limit_means_its_own_part_side_and_severity(key: str) -> None:
    (found,) = (each for each in stated_limits(VEHICLE) if each.key == key)
    part, value, unit, upper, near, severity = MEANT[key]
    assert (found.part, found.value, found.unit, found.upper) == (part, value, unit, upper)
    assert found.near == pytest.approx(near)
    assert found.severity is severity
    assert found.name == key.rpartition("_")[0]
    assert found.what
    assert found.do


@pytest.mark.parametrize(("low", "high", "near"), [(None, 340.0, 306.0), (340.0, 340.0, 306.0), (240.0, 340.0, 330.0)])
def test_near_is_a_tenth_of_the_range_only_where_both_ends_are_stated(
    low: float | None, high: float, near: float
) -> None:
    vehicle = Vehicle(limits=Limits.model_construct(battery_min_V=low, battery_max_V=high))
    (found,) = (each for each in stated_limits(vehicle) if each.key == "battery_max_V")
    assert found.near == pytest.approx(near)


@pytest.mark.parametrize(
    ("key", "what", "do"),
    [
        ("motor_current_A", "motor current", "Lower the current or power setting"),
        ("motor_temperature_C", "motor temperature", "Let it cool, check flow"),
        ("inverter_temperature_C", "inverter temperature", "Let it cool, check flow"),
        ("coolant_temperature_C", "coolant temperature", "Let it cool, check flow"),
        ("battery_max_V", "battery voltage, highest", "Lower regeneration"),
        ("battery_min_V", "battery voltage, lowest", "Lower the current or power setting"),
        ("dc_link_max_V", "DC-link voltage", "Lower regeneration"),
        ("motor_speed_rpm", "motor speed", "Set the inverter's speed limit lower"),
        ("aux_min_V", "12 V supply, lowest", "Look for what switched"),
        ("aux_max_V", "12 V supply, highest", "Check the set-point of the DC-DC converter"),
        ("cell_max_V", "cell voltage, highest", "Lower regeneration"),
        ("cell_min_V", "cell voltage, lowest", "Lower the current or power setting"),
        ("battery_temperature_max_C", "battery temperature, highest", "Let it cool, and lower the current"),
        ("battery_temperature_min_C", "battery temperature, lowest", "Warm the battery"),
    ],
)
def test_a_limit_has_its_own_name_and_advice(key: str, what: str, do: str) -> None:
    (found,) = (each for each in stated_limits(VEHICLE) if each.key == key)
    assert found.what == what
    assert found.do.startswith(do)
