"""Values of the vehicle file that are most unlikely, each side of every edge, and what was probably meant.

From a quad to a lorry: common practice, no published source. R·C: 1 kΩ and 1000 µF are a second.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logscope.findings import Measured, Severity
from logscope.plausibility.configuration import Unlikely, unlikely, unlikely_finding, without_values
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

NOTHING = Signals({}, 1.0, 9.0)


def found(vehicle: dict[str, dict[str, float]], signals: Signals = NOTHING) -> list[Unlikely]:
    return list(unlikely(Vehicle.model_validate(vehicle), signals))


VOLTS = (1000.0, "kV"), (0.001, "mV")
AMPS = (1000.0, "kA"), (0.001, "mA")


@pytest.mark.parametrize(
    ("section", "key", "lowest", "highest", "unit", "units"),
    [
        ("driveline", "wheel_radius_m", 0.1, 0.8, "m", ((0.01, "cm"), (0.0254, "inches"))),
        ("driveline", "wheel_radius_m", 0.1, 0.8, "m", ((0.001, "mm"),)),
        ("driveline", "mass_kg", 100, 40_000, "kg", ((1000.0, "t"), (0.001, "g"))),
        ("motor", "rotor_inertia_kgm2", 1e-4, 5, "kg·m²", ((1e-4, "kg·cm²"),)),
        ("motor", "max_speed_rpm", 500, 40_000, "rpm", ((1000.0, "thousands"), (9.549, "rad/s"))),
        ("motor", "max_torque_Nm", 5, 3000, "Nm", ((1000.0, "kNm"),)),
        ("limits", "motor_current_A", 10, 3000, "A", AMPS[:1]),
        ("limits", "battery_max_V", 20, 1500, "V", VOLTS), ("limits", "battery_min_V", 10, 1500, "V", VOLTS),
        ("limits", "aux_min_V", 5, 50, "V", VOLTS), ("limits", "aux_max_V", 6, 60, "V", VOLTS),
        ("limits", "cell_min_V", 0.5, 4, "V", VOLTS[1:]), ("limits", "cell_max_V", 1, 5, "V", VOLTS[1:]),
        ("limits", "charge_current_A", 1, 1500, "A", AMPS), ("limits", "battery_temperature_max_C", 20, 90, "°C", ()),
        ("cooling", "continuous_current_A", 5, 2000, "A", AMPS), ("aux", "converter_V", 6, 60, "V", VOLTS),
        ("aux", "coil_hold_V", 1, 48, "V", VOLTS), ("charging", "charger_max_V", 20, 1500, "V", VOLTS),
        ("charging", "charger_max_current_A", 1, 1000, "A", AMPS),
        ("charging", "charger_max_power_W", 50, 400_000, "W", ((1000.0, "kW"),)),
        ("charging", "end_current_A", 0.05, 200, "A", AMPS), ("limits", "motor_temperature_C", 50, 250, "°C", ()),
        ("limits", "inverter_temperature_C", 40, 180, "°C", ()), ("limits", "coolant_temperature_C", 30, 120, "°C", ()),
        ("dc_link", "max_voltage_V", 20, 1500, "V", VOLTS),
    ],
)  # fmt: skip
def test_a_value_is_usual_from_a_quad_to_a_lorry(
    section: str, key: str, lowest: float, highest: float, unit: str, units: tuple[tuple[float, str], ...]
) -> None:
    for value, usual in ((lowest, True), (0.99 * lowest, False), (highest, True), (1.01 * highest, False)):
        listed = found({section: {key: value}})
        assert listed == [] if usual else [(each.section, each.keys) for each in listed] == [(section, (key,))]
    (each,) = found({section: {key: 1.01 * highest}})
    assert (each.name, each.value, each.lowest, each.highest, each.unit) == (
        key, pytest.approx(1.01 * highest), lowest, highest, unit,
    )  # fmt: skip
    assert each.fact == f"{key} = {1.01 * highest:g}"
    middle = (lowest * highest) ** 0.5
    for factor, entered in units:
        if lowest <= middle / factor <= highest:
            continue
        (each,) = found({section: {key: middle / factor}})
        if entered not in ("inches", "mm"):
            assert each.meant == f"{key} = {middle:.4g}, if it was entered in {entered}"


def test_what_was_meant_may_be_another_unit_or_none() -> None:
    (inches,) = found({"driveline": {"wheel_radius_m": 9.0}})
    assert inches.meant == "wheel_radius_m = 0.2286, if it was entered in inches"
    (none,) = found({"limits": {"battery_temperature_min_C": 41.0}})
    assert (none.meant, none.lowest, none.highest) == ("", -60.0, 40.0)
    assert found({"limits": {"battery_temperature_min_C": 40.0}}) == found(
        {"limits": {"battery_temperature_min_C": -60.0}}
    ) == []  # fmt: skip
    assert len(found({"limits": {"battery_temperature_min_C": -61.0}})) == 1


@pytest.mark.parametrize(
    ("ratio", "meant"),
    [(1.0, None), (40.0, None), (0.99, "ratio = 1.01, if it was entered inverted"), (41.0, ""),
     (0.0251, "ratio = 39.84, if it was entered inverted"), (0.0249, "")],
)  # fmt: skip
def test_a_motor_turns_once_to_forty_times_per_turn_of_the_wheel(ratio: float, meant: str | None) -> None:
    listed = found({"driveline": {"ratio": ratio}})
    assert [each.meant for each in listed] == ([] if meant is None else [meant])
    assert all(
        each.fact == f"{ratio:g} motor turns per turn of the wheel" and each.values == (("driveline", "ratio"),)
        and (each.value, each.lowest, each.highest, each.unit, each.name) == (ratio, 1.0, 40.0, "", "ratio")
        for each in listed
    )  # fmt: skip


@pytest.mark.parametrize(
    ("ohm", "microfarad", "meant"),
    [
        (1.0, 1000.0, None), (60_000.0, 1000.0, None),
        (0.99, 1000.0, ["resistance_ohm = 990, if the resistance was entered in kΩ",
                        "capacitance_uF = 1e+06, if the capacitance was entered in mF"]),
        (61_000.0, 1000.0, ["capacitance_uF = 1, if the capacitance was entered in nF"]),
        (5e6, 1000.0, ["capacitance_uF = 1, if the capacitance was entered in nF"]),
        (5.1e6, 1000.0, []),
        (1.0, 0.5, ["capacitance_uF = 5e+05, if the capacitance was entered in F"]),
        (0.0099, 1000.0, []), (0.011, 1000.0, ["resistance_ohm = 11, if the resistance was entered in kΩ"]),
    ],
)  # fmt: skip
def test_a_precharge_takes_a_millisecond_to_a_minute(ohm: float, microfarad: float, meant: list[str] | None) -> None:
    listed = found({"precharge": {"resistance_ohm": ohm, "capacitance_uF": microfarad}})
    if meant is None:
        assert listed == []
        return
    (each,) = listed
    assert each.values == (("precharge", "resistance_ohm"), ("precharge", "capacitance_uF"))
    assert (each.name, each.lowest, each.highest, each.unit) == ("time_constant_s", 1e-3, 60.0, "s")
    assert each.value == pytest.approx(ohm * microfarad * 1e-6)
    assert each.fact == f"{ohm:g} Ω and {microfarad:g} µF give a time constant of {ohm * microfarad * 1e-6:.3g} s"
    assert all(part in each.meant for part in meant)
    assert bool(each.meant) is bool(meant)


@pytest.mark.parametrize(("of", "name"), [("battery", "battery"), ("cell", "cell"), ("aux", "12 V")])
def test_the_lowest_voltage_is_below_the_highest(of: str, name: str) -> None:
    low, high = {"battery": (300.0, 400.0), "cell": (2.5, 3.9), "aux": (11.0, 15.0)}[of]
    assert found({"limits": {f"{of}_min_V": low, f"{of}_max_V": high}}) == []
    (each,) = found({"limits": {f"{of}_min_V": high, f"{of}_max_V": low}})
    assert each.values == (("limits", f"{of}_max_V"), ("limits", f"{of}_min_V"))
    assert each.fact == f"the lowest {name} voltage, {high:g} V, is not below the highest, {low:g} V"
    assert each.meant == f"{of}_min_V = {low:g} and {of}_max_V = {high:g}, if they were swapped"
    assert (each.name, each.value, each.lowest, each.highest, each.unit) == (f"{of}_min_V", high, 0.0, low, "V")
    assert len(found({"limits": {f"{of}_min_V": low, f"{of}_max_V": low}})) == 1
    # what was named for another reason is not named again for its range
    assert len(found({"limits": {"battery_min_V": 1600.0, "battery_max_V": 400.0}})) == 1


def test_a_link_bears_the_emptiest_battery_and_its_bleeder_is_no_heater() -> None:
    assert found({"dc_link": {"max_voltage_V": 240}, "limits": {"battery_min_V": 240}}) == []
    (each,) = found({"dc_link": {"max_voltage_V": 239}, "limits": {"battery_min_V": 240}})
    assert each.fact == "max_voltage_V = 239, below the emptiest battery, 240 V"
    assert (each.meant, each.value, each.lowest, each.highest, each.unit) == ("", 239.0, 240.0, 1500.0, "V")
    assert each.values == (("dc_link", "max_voltage_V"),)
    assert found({"dc_link": {"bleeder_ohm": 161}, "limits": {"battery_max_V": 400}}) == []  # 994 W
    (each,) = found({"dc_link": {"bleeder_ohm": 159}, "limits": {"battery_max_V": 400}})
    assert each.fact == "a bleeder of 159 Ω takes 1.01 kW from a full battery"
    assert each.meant == "bleeder_ohm = 159000, if it was entered in kΩ"
    assert (each.value, each.lowest, each.highest, each.unit) == (159.0, 160.0, 1e6, "ohm")
    (each,) = found({"dc_link": {"bleeder_ohm": 0.159}, "limits": {"battery_max_V": 400}})
    assert each.meant == ""
    (each,) = found({"dc_link": {"bleeder_ohm": 0.161}, "limits": {"battery_max_V": 400}})
    assert each.meant == "bleeder_ohm = 161, if it was entered in kΩ"


def test_a_single_cell_that_is_charged_has_the_limits_of_a_cell() -> None:
    stated = {"limits": {"battery_max_V": 4.2, "battery_min_V": 2.5, "charge_current_A": 0.5}, "charging": {
        "charger_max_V": 4.2, "charger_max_current_A": 0.5, "charger_max_power_W": 5.0, "end_current_A": 0.02,
    }}  # fmt: skip

    def volts(name: str, level: float) -> Signals:
        return Signals({name: Part(name, np.arange(3.0), np.array([0.0, level, 0.0]), "V", "A.B")}, 0.0, 2.0)

    assert found(stated, volts("battery_voltage", 4.1)) == found(stated, volts("charger_voltage", 4.1)) == []
    assert len(found(stated, volts("battery_voltage", 41.0))) == len(found(stated)) == 7
    (each,) = found({"limits": {"motor_current_A": 5.0}}, volts("battery_voltage", 4.1))
    assert each.values == (("limits", "motor_current_A"),)


def test_values_are_taken_out_and_all_else_is_kept() -> None:
    vehicle = Vehicle.model_validate({"motor": {"pole_pairs": 2, "max_speed_rpm": 9000}, "driveline": {"ratio": 8.2}})
    left = without_values(vehicle, [("motor", "pole_pairs"), ("driveline", "ratio")])
    assert (left.motor.pole_pairs, left.motor.max_speed_rpm, left.driveline.ratio) == (None, 9000, None)
    assert vehicle.motor.pole_pairs == 2


def test_the_finding_names_the_line_the_usual_range_and_what_to_write(tmp_path: Path) -> None:
    path = tmp_path / "made.toml"
    path.write_text("[limits]\nbattery_min_V = 400\n\nbattery_max_V = 300\n", encoding="utf-8")
    vehicle = Vehicle.model_validate({"limits": {"battery_min_V": 400, "battery_max_V": 300}, "path": path})
    (each,) = unlikely(vehicle, NOTHING)
    finding = unlikely_finding(each, vehicle, NOTHING)
    assert (finding.kind, finding.severity) == ("mapping.configuration", Severity.WARNING)
    assert (finding.start_s, finding.end_s, finding.parts) == (1.0, 9.0, ())
    assert finding.title.startswith("Vehicle file, “limits.battery_min_V”: the lowest battery voltage, 400 V")
    assert finding.explanation == (
        "The lowest battery voltage, 400 V, is not below the highest, 300 V; the usual range is 0 to 300 V. No check "
        "used it."
    )
    assert finding.next_step.startswith("“limits.battery_min_V” (made.toml:2): Write battery_min_V = 300 and")
    assert finding.measured == {"battery_min_V": Measured(400.0, "V")}
    assert finding.expected == {"battery_min_V": Measured(None, "V", 0.0, 300.0)}
    (ratio,) = found({"driveline": {"ratio": 41.0}})
    text = unlikely_finding(ratio, Vehicle(), NOTHING)
    assert "the usual range is 1 to 40. No" in text.explanation
    assert text.next_step == "“driveline.ratio”: Check the value and its unit."
