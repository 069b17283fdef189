"""Temperatures of a battery in another unit: by what a vehicle that stood shows, and what no battery in use reads.

Common practice, no published source: makers of cells end charging at 45 °C and all use at 60 °C.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.findings import Severity
from logscope.plausibility.examine import examine
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Vehicle

T = np.arange(0.0, 600.0, 1.0)
FILE = Vehicle(limits=Limits(battery_temperature_max_C=55.0))
PACK = ("battery_temperature_lowest", "battery_temperature_highest")


def signals(**celsius: float | FloatArray) -> Signals:
    warmer = T / 300.0  # by two kelvin in the log
    parts = {
        name: Part(name, T, np.round(np.zeros(T.size) + value + warmer), "°C", f"A.{name}", 1.0)
        for name, value in celsius.items()
    }
    return Signals(parts, 0.0, 600.0)


@pytest.mark.parametrize(
    ("reading", "beside", "factor", "offset"),
    [
        (68.0, {"motor_temperature": 20.0, "inverter_temperature": 20.5}, 1 / 1.8, -32 / 1.8),
        (64.0, {"motor_temperature": 24.0, "inverter_temperature": 25.0}, 1.0, -40.0),
        (75.0, {}, 1 / 1.8, -32 / 1.8),
        (95.0, {}, 1 / 1.8, -32 / 1.8),
        (293.0, {}, 1.0, -273.15),
        (220.0, {}, 0.1, 0.0),
    ],
)
def test_a_pack_in_another_unit_is_no_hot_pack(reading, beside, factor, offset):
    plausible = examine(signals(battery_temperature_highest=reading, **beside), FILE)
    assert set(plausible.doubted) == {"battery_temperature_highest"}
    (finding,) = plausible.findings
    assert finding.severity is Severity.WARNING
    assert ("thermometer" in finding.next_step) is (reading < 85.0)  # what a pack cannot be needs no thermometer
    if beside:
        assert finding.expected["factor"].value == pytest.approx(factor)
        assert finding.expected["offset_K"].value == pytest.approx(offset)


def test_two_slips_that_lead_to_a_usual_temperature_are_both_named():
    """By hand: 70 °F is 21 °C, and 70 °C less a missing offset of 40 K is 30 °C."""
    (finding,) = examine(signals(battery_temperature_highest=70.0), FILE).findings
    assert "40 K too high, its offset missing" in finding.explanation
    assert "Fahrenheit" in finding.explanation


def test_a_vehicle_that_reads_fahrenheit_throughout_is_no_hot_vehicle():
    """By hand: 20 °C is 68 °F."""
    all_of_it = dict.fromkeys(("motor_temperature", "inverter_temperature", "coolant_temperature", *PACK), 68.0)
    assert set(examine(signals(**all_of_it), FILE).doubted) == set(all_of_it)


@pytest.mark.parametrize(
    "pack",
    [
        48.0,  # after a charge, beside a vehicle that cooled
        58.0 + T / 15.0,  # a pack that heats by itself
        45.0 + T / 40.0,
    ],
)
@pytest.mark.parametrize("beside", [{}, {"motor_temperature": 30.0, "inverter_temperature": 30.5}])
def test_a_pack_that_may_be_hot_is_believed(pack, beside):
    assert examine(signals(battery_temperature_highest=pack, **beside), FILE).doubted == {}


def test_a_hot_restart_is_no_slip():
    warm = {"motor_temperature": 66.0, "inverter_temperature": 64.0, "coolant_temperature": 63.0}
    assert examine(signals(**warm, battery_temperature_highest=34.0), FILE).doubted == {}
    assert examine(signals(**warm), FILE).doubted == {}


def test_a_cold_pack_in_a_warm_garage_is_believed():
    beside = {"motor_temperature": 16.0, "inverter_temperature": 15.5, "coolant_temperature": 16.0}
    assert examine(signals(**beside, battery_temperature_lowest=-9.0), FILE).doubted == {}


def test_a_pack_whose_offset_was_subtracted_twice_is_no_cold_pack():
    """By hand: 19 °C less 40 K is −21 °C, and less than a pack of −5 °C has in a garage of 18 °C."""
    beside = {"motor_temperature": 18.0, "inverter_temperature": 18.5}
    (finding,) = examine(signals(**beside, battery_temperature_lowest=-21.0), FILE).findings
    assert finding.expected["offset_K"].value == pytest.approx(40.0)
    assert "thermometer" not in finding.next_step
    assert examine(signals(**beside, battery_temperature_lowest=-5.0), FILE).doubted == {}


@pytest.mark.parametrize("default_C", [-40.0, 215.0, 0.0, 80.0])
def test_a_default_before_a_controller_wakes_is_no_temperature(default_C: float):
    beside = signals(motor_temperature=20.0, inverter_temperature=20.5, coolant_temperature=19.5)
    for name in ("motor_temperature", "coolant_temperature"):
        part = beside.parts[name]
        late = replace(part, value=np.where(T < 14.0, default_C, part.value))
        assert examine(replace(beside, parts={**beside.parts, name: late}), FILE).doubted == {}


HOT = {"motor_temperature": 62.0, "inverter_temperature": 55.0, "coolant_temperature": 52.0}


@pytest.mark.parametrize(
    ("name", "scale", "offset"),
    [
        ("coolant_temperature", 1.8, 32.0), ("coolant_temperature", 1.0, 40.0),
        ("inverter_temperature", 1.8, 32.0), ("inverter_temperature", 1.0, 40.0),
    ],
)  # fmt: skip
def test_a_slip_after_a_hot_restart_is_no_hot_coolant_nor_heat_sink(name: str, scale: float, offset: float):
    """By hand: 52 °C is 126 °F, hotter than the motor of 62 °C; a heat sink of 55 °C without load is as its coolant."""
    made = signals(**{**HOT, name: scale * HOT[name] + offset})
    made = replace(made, parts={**made.parts, "motor_current": Part("motor_current", T, 0.0 * T, "A", "A.amps", 1.0)})
    plausible = examine(made, FILE)
    assert set(plausible.doubted) == {name}
    (finding,) = plausible.findings
    assert finding.expected["factor"].value == pytest.approx(1.0 / scale)
    assert "thermometer" in finding.next_step


def test_a_heat_sink_that_is_loaded_may_be_hot_and_coolant_hotter_than_a_heavy_motor():
    """A sink at 90 °C beside coolant of 50 °C under current; coolant 12 K above a cold motor that a charger warmed."""
    amps = Part("motor_current", T, np.where(T % 60.0 < 40.0, 200.0, 0.0), "A", "A.amps", 1.0)
    loaded = signals(motor_temperature=70.0, inverter_temperature=90.0, coolant_temperature=50.0)
    assert examine(replace(loaded, parts={**loaded.parts, "motor_current": amps}), FILE).doubted == {}
    charged = signals(motor_temperature=20.0, coolant_temperature=32.0)
    assert examine(charged, FILE).doubted == {}


@pytest.mark.parametrize("motor", [31.0, 36.0, 40.0])
def test_a_motor_that_is_warm_from_the_last_drive_is_not_doubted(motor: float):
    beside = {"inverter_temperature": 17.5, "coolant_temperature": 18.0}
    assert examine(signals(motor_temperature=motor, **beside), FILE).doubted == {}
