"""Signals that look like a part and are none, and enumeration texts: common practice, no published source."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from logscope.definitions.spec import SignalSpec
from logscope.draft import texts
from logscope.draft.choose import Choice, _one_of_many, choose
from logscope.draft.keys import keys_for
from logscope.draft.logged import Logged
from logscope.draft.names import Sense, meanings
from logscope.draft.scoring import Fit
from logscope.draft.surroundings import look_around
from logscope.draft.switching import _switch

T = np.arange(0, 30, 0.05)
ROAD = np.clip(50 * np.sin(T / 5), 0, None)


def logged(reference: str, unit: str, value: np.ndarray, **spec: object) -> Logged:
    message, _, name = reference.partition(".")
    sense = Sense(meanings(name), meanings(message))
    return Logged(reference, SignalSpec(name, 0, 16, unit=unit, **spec), sense, T, value)  # type: ignore[arg-type]


def choices(*signals: Logged) -> dict[str, Choice]:
    return choose(signals, look_around(signals))


def stated(*signals: Logged) -> dict[str, str]:
    return {part: choice.fit.signal.reference for part, choice in choices(*signals).items() if choice.sure}


@pytest.mark.parametrize(
    ("reference", "unit", "value"),
    [
        ("Inverter.MotorCurrentLimit", "A", np.abs(ROAD)),
        ("Pack.MaxCellVoltage", "V", np.full(T.size, 3.7)),
        ("Limits.DischargeCurrent", "A", np.full(T.size, 300.0)),
        ("Charger.Fault", "", np.zeros(T.size)),
        ("Body.MainRelay", "", np.ones(T.size)),
        ("Chassis.WheelSpeedFrontLeft", "km/h", ROAD),
        ("Air.AmbientTemperature", "°C", np.full(T.size, 18.0)),
        ("Msg1.Sig1", "A", 4 * ROAD),
        ("Msg1.Sig1", "°C", np.linspace(20, 40, T.size)),
        ("Msg1.Sig1", "%", ROAD),
        ("Msg1.Sig1", "V", np.full(T.size, 330.0)),
        ("Motor.MotorSpeed", "rpm", np.full(T.size, 6.0e4)),
    ],
)
def test_what_looks_like_a_part_alone_is_not_stated(reference: str, unit: str, value: np.ndarray) -> None:
    assert stated(logged(reference, unit, value)) == {}


@pytest.mark.parametrize("reference", ["INV_Status.RPM", "console.rpm"])
def test_a_speed_of_the_inverter_or_of_nothing_named_is_proposed_with_doubt(reference: str) -> None:
    found = choices(logged(reference, "rpm", 40 * ROAD))
    assert list(found) == ["motor_speed"]
    assert found["motor_speed"].fit.signal.reference == reference
    assert not found["motor_speed"].sure
    assert not any("equally" in doubt for doubt in found["motor_speed"].doubts)


@pytest.mark.parametrize(
    ("reference", "unit", "value", "part"),
    [
        ("Pack.StateOfCharge", "%", 71.0 - T / 100, "state_of_charge"),
        ("Pack.MaxCellVoltage", "V", 3.7 + T / 1000, "cell_voltage_highest"),
        ("Bms.CellTempMin", "°C", 18.0 + T / 20, "battery_temperature_lowest"),
        ("Cooling.CoolantOutletTemp", "°C", 18.0 + T / 20, "coolant_temperature_out"),
        ("Cooling.WaterPumpSpeed", "rpm", np.where(T > 3, 4000.0, 0.0), "coolant_pump_speed"),
        ("DcDc.Wandlerstrom", "A", 20.0 + T, "converter_current"),
        ("Aux.Batt12VCurrent", "A", 20.0 - T, "aux_current"),
        ("Obc.ChargerMainsPower", "W", 100 * T, "charger_input_power"),
    ],
)
def test_the_rest_of_the_vehicle_is_known_by_name(reference: str, unit: str, value: np.ndarray, part: str) -> None:
    assert stated(logged(reference, unit, value)) == {part: reference}


@pytest.mark.parametrize(
    ("reference", "unit"),
    [
        ("Bms.CellVoltageMaxAllowed", "V"),
        ("Bms.MaxBatteryTemp", "°C"),
        ("Steering.SteeringPumpCurrent", "A"),
        ("Brake.VacuumPumpSpeed", "rpm"),
        ("DcDc.InputVoltage", "V"),
        ("Obc.ChargerPower", "W"),
        ("Body.DoorLock", ""),
        ("Hv.ServicePlug", ""),
        ("Hvac.CabinFan", ""),
        ("Motor.ShaftLock", ""),
    ],
)
def test_what_is_named_like_the_rest_of_the_vehicle_is_not_stated(reference: str, unit: str) -> None:
    assert stated(logged(reference, unit, np.full(T.size, 13.0 if unit else 1.0))) == {}


def test_wheels_that_turn_with_the_road_are_not_taken_for_the_motor() -> None:
    found = stated(logged("Msg1.Sig1", "rpm", 8.8 * ROAD), logged("Msg2.Sig2", "km/h", ROAD))
    assert "motor_speed" not in found


def test_two_that_fit_alike_are_both_shown_and_none_stated() -> None:
    found = choices(logged("Inverter.PhaseCurrentA", "A", ROAD), logged("Inverter.PhaseCurrentC", "A", 2 * ROAD))
    assert not found["motor_current"].sure
    assert found["motor_current"].runner_up is not None


@pytest.mark.parametrize(
    ("points", "moves", "one_of_many"),
    [
        ((2.0, 1.9), False, True),
        ((2.0, 0.0), False, False),  # clearly better than the other
        ((2.0, 1.9), True, False),
        ((9.0, 8.9), False, False),  # sure enough by itself
    ],
)
def test_of_signals_that_never_change_and_fit_alike_none_is_chosen(
    points: tuple[float, float], moves: bool, one_of_many: bool
) -> None:
    still = [logged(f"Pack.Value{k}", "V", np.full(T.size, 330.0 + k)) for k in range(2)]
    ranked = [Fit("battery_voltage", each, at, (), True, moves) for each, at in zip(still, points, strict=True)]
    assert _one_of_many(ranked[0], ranked) is one_of_many


@pytest.mark.parametrize(("states", "points"), [((0, 1), [0.5]), ((0, 3), [0.5]), ((0, 1, 2), []), (range(6), [-2.0])])
def test_what_takes_two_values_may_be_a_switch_and_what_takes_many_is_none(
    states: Sequence[int], points: list[float]
) -> None:
    values = np.resize(np.array(states, float), T.size)
    assert [each.points for each in _switch(logged("Body.Value", "", values), values)] == points


def test_german_names_are_understood() -> None:
    found = stated(
        logged("Umrichter.Motordrehzahl", "1/min", 70 * ROAD),
        logged("Umrichter.Istdrehmoment", "Nm", ROAD),
        logged("Umrichter.Solldrehmoment", "Nm", ROAD + 1),
        logged("Tacho.Fahrzeuggeschwindigkeit", "km/h", ROAD),
        logged("Batterie.Spannung", "V", np.full(T.size, 330.0)),
    )
    assert found == {
        "battery_voltage": "Batterie.Spannung",
        "motor_speed": "Umrichter.Motordrehzahl",
        "vehicle_speed": "Tacho.Fahrzeuggeschwindigkeit",
        "torque": "Umrichter.Istdrehmoment",
        "torque_target": "Umrichter.Solldrehmoment",
    }


@pytest.mark.parametrize(("sign", "scale"), [(1, {}), (-1, {"scale": -1.0})])
def test_a_battery_current_that_counts_the_other_way_is_turned_round(sign: int, scale: dict[str, float]) -> None:
    """V = OCV − I·R: the pack sags while it discharges."""
    rng = np.random.default_rng(5)
    amps = 100 * np.sin(T / 2) + rng.normal(0, 1, T.size)
    current = logged("Pack.Current", "A", sign * amps)
    voltage = logged("Pack.Voltage", "V", 330 - 0.1 * amps)
    around = look_around([current, voltage])
    assert keys_for("battery_current", current, {}, around).values == scale


def test_a_direction_that_the_log_does_not_show_is_said() -> None:
    current = logged("Pack.Current", "A", np.zeros(T.size))
    keys = keys_for("battery_current", current, {}, look_around([current]))
    assert not keys.values
    assert "unknown" in keys.remarks[0]


def test_a_switch_whose_texts_say_neither_on_nor_off_is_doubtful() -> None:
    spec = {"choices": {0: "A", 1: "B"}}
    keys = keys_for("main_contactor", logged("Junction.MainContactor", "", T * 0, **spec), {}, look_around([]))
    assert keys.doubts


def test_texts_of_switches_and_faults() -> None:
    switch = {0.0: "Open", 1.0: "Closed", 2.0: "NotClosed", 3.0: "Offen", 4.0: "Geschlossen"}
    assert set(texts.on_values(switch)) == {1.0, 4.0}
    assert set(texts.off_values(switch)) == {0.0, 3.0}
    faults = {0.0: "NoFault", 1.0: "OverCurrentPhaseA", 2.0: "Überstrom", 3.0: "OverTemp", 4.0: "Kein Fehler"}
    assert set(texts.overcurrent_values(faults)) == {1.0, 2.0}
    assert set(texts.healthy_values(faults)) == {0.0, 4.0}


@pytest.mark.parametrize(
    ("one", "other", "copies"),
    [
        ("can0:Inverter.Speed", "can1:Inverter.Speed", True),
        ("Inverter.Speed", "can1:Inverter.Speed", True),
        ("Inverter.Speed", "Wheels.Speed", False),  # two sources of one quantity
        ("can0:Inverter.Speed", "can0:Inverter.Torque", False),
    ],
)
def test_a_signal_is_a_copy_where_another_bus_passes_its_message_on(one: str, other: str, copies: bool) -> None:
    first, second = (logged(reference, "rpm", ROAD) for reference in (one, other))
    assert first.copies(second) is second.copies(first) is copies


def charged(begins_s: float, level_V: float = 320.0) -> np.ndarray:
    return level_V * (1.0 - np.exp(-np.clip(T - begins_s, 0.0, None) / 0.4))


def test_the_rise_is_that_of_the_link_by_name_and_else_the_first() -> None:
    charger, link = (
        logged("Charger.OutputVoltage", "V", charged(5.0)),
        logged("Inverter.DcLinkVoltage", "V", charged(9.0)),
    )
    other = logged("Heater.SupplyVoltage", "V", charged(7.0))
    assert look_around([charger, link, other]).rise_of == link.reference
    assert look_around([other, charger]).rise_of == charger.reference
    found = look_around([link])
    assert found.rise is not None
    assert 8.9 <= found.rise.start_s < found.rise.end_s <= 10.0
    assert found.pack_level == pytest.approx(320.0, rel=0.01)
    assert look_around([logged("Aux.Voltage", "V", charged(5.0, 12.6))]).rise is None
