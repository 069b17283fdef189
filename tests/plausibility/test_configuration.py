"""Values of the vehicle file that were entered in another unit."""

from __future__ import annotations

import re

import pytest

from logscope.errors import VehicleError
from logscope.plausibility.examine import examine
from logscope.signals import Signals
from logscope.vehicle import Vehicle, load_vehicle

NOTHING = Signals({}, 0.0, 1.0)


@pytest.mark.parametrize(
    ("section", "key", "value", "meant"),
    [
        ("driveline", "wheel_radius_m", 31.0, "0.31, if it was entered in cm"),
        ("driveline", "mass_kg", 1.35, "1350, if it was entered in t"),
        ("driveline", "ratio", 0.122, "8.197, if it was entered inverted"),
        ("motor", "rotor_inertia_kgm2", 500.0, "0.05, if it was entered in kg·cm²"),
        ("limits", "battery_max_V", 0.344, "344, if it was entered in kV"),
    ],
)
def test_an_unlikely_value_is_told_with_what_was_meant_and_not_used(section, key, value, meant):
    vehicle = Vehicle.model_validate({section: {key: value}})
    plausible = examine(NOTHING, vehicle)
    (finding,) = plausible.findings
    assert finding.kind == "mapping.configuration"
    assert meant in finding.next_step
    assert getattr(getattr(plausible.vehicle, section), key) is None


@pytest.mark.parametrize(("ohm", "microfarad"), [(0.15, 1.0), (150.0, 0.5), (150_000.0, 1000.0)])
def test_a_time_constant_that_no_precharge_has_is_told(ohm, microfarad):
    vehicle = Vehicle.model_validate({"precharge": {"resistance_ohm": ohm, "capacitance_uF": microfarad}})
    plausible = examine(NOTHING, vehicle)
    assert plausible.findings[0].kind == "mapping.configuration"
    assert plausible.vehicle.precharge.time_constant_s is None


@pytest.mark.parametrize(
    ("sections", "meant"),
    [
        ({"dc_link": {"max_voltage_V": 40}, "limits": {"battery_min_V": 240}}, "Check the value"),
        ({"dc_link": {"bleeder_ohm": 47}, "limits": {"battery_max_V": 344}}, "47000, if it was entered in kΩ"),
        ({"limits": {"cell_min_V": 4.2, "cell_max_V": 2.8}}, "if they were swapped"),
        ({"limits": {"aux_min_V": 15.0, "aux_max_V": 11.8}}, "if they were swapped"),
    ],
)
def test_values_that_contradict_one_another_are_not_used(sections, meant):
    plausible = examine(NOTHING, Vehicle.model_validate(sections))
    (finding,) = plausible.findings
    assert finding.kind == "mapping.configuration"
    assert meant in finding.next_step


def test_usual_values_are_not_told():
    vehicle = Vehicle.model_validate(
        {
            "precharge": {"resistance_ohm": 150, "capacitance_uF": 1000},
            "driveline": {"ratio": 8.2, "wheel_radius_m": 0.31, "mass_kg": 1350},
            "motor": {"rotor_inertia_kgm2": 0.05, "max_speed_rpm": 9000},
            "limits": {"battery_min_V": 240, "battery_max_V": 344},
            "dc_link": {"max_voltage_V": 400, "bleeder_ohm": 470},  # one that is switched on after key-off
        }
    )
    assert examine(NOTHING, vehicle).findings == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[precharge]\ncapacitance_uF = 0.001", "if it is 0.001 F, write 1000"),
        ("[precharge]\nclose_fraction = 95", "95 % is 0.95"),
        ("[precharge]\ntolerance = 20", "20 % is 0.2"),
        ("[signals]\ntorque = { signal = 'A.B', scale = 0 }", "must not be 0"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_line(tmp_path, text, said):
    file = tmp_path / "car.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(VehicleError, match=said) as refused:
        load_vehicle(file)
    assert "car.toml:2" in str(refused.value)


@pytest.mark.parametrize("section_key", ["tolerance", "close_fraction"])
@pytest.mark.parametrize(
    ("value", "wrong"),
    [
        (0.0, "greater than 0"),
        (0.001, ""),
        (0.999, ""),
        (1.0, "less than 1"),  # a charging link never comes to all of its end value
        (1.1, "is a fraction, not a percentage: 1.1 % is 0.011"),
        (95, "is a fraction, not a percentage: 95 % is 0.95"),
        (101.0, "less than 1"),
        (-0.1, "greater than 0"),
    ],
)
def test_a_fraction_lies_between_0_and_1_and_one_in_percent_is_told(section_key, value, wrong):
    if not wrong:
        assert getattr(Vehicle.model_validate({"precharge": {section_key: value}}).precharge, section_key) == value
        return
    with pytest.raises(ValueError, match=re.escape(wrong)):
        Vehicle.model_validate({"precharge": {section_key: value}})
