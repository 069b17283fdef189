"""The points of a signal for a part, added by hand from the table in `scoring`: common practice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.decoding.table import Table
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.draft.choose import Choice, _assign, _judge, _one_of_many, _twins
from logscope.draft.logged import Logged, collect
from logscope.draft.names import Sense, meanings
from logscope.draft.profiles import PROFILES
from logscope.draft.scoring import Fit, fit
from logscope.draft.surroundings import Surroundings
from logscope.draft.words import Word

T = np.arange(0, 30, 0.1)
NOTHING = Surroundings((), {}, None, "")
WAVE = 20 * np.sin(T)
STILL = np.full(T.size, 5.0)
FLAG = (T > 9.0) * 1.0


def logged(reference: str, unit: str = "", value: np.ndarray = WAVE, bits: int = 16, **spec: object) -> Logged:
    message, _, name = reference.rpartition(":")[2].partition(".")
    sense = Sense(meanings(name), meanings(message))
    return Logged(reference, SignalSpec(name, 0, bits, unit=unit, **spec), sense, T, value)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("part", "signal", "points", "reasons"),
    [
        ("torque", logged("Inv.Torque", "Nm"), 3.0, ("its name says torque", "in Nm")),
        ("torque", logged("Inv.Torque"), 2.0, ("its name says torque", "no unit")),
        ("torque", logged("Inv.Torque", choices={1: "On"}), 1.0,
         ("its name says torque", "its texts are those of a switch")),
        ("torque", logged("Inv.Torque", "V"), None, ()),
        ("torque", logged("Torque.Actual", "Nm"), 2.5, ("its name with that of its message says torque", "in Nm")),
        ("torque", logged("Inv.TorqueLimit", "Nm"), None, ()),
        ("torque", logged("Inv.TorqueTarget", "Nm"), None, ()),
        ("torque", logged("Inv.Speed", "Nm"), 1.0, ("its name says nothing of it", "in Nm")),
        ("torque", logged("Msg1.Sig1", "Nm"), 1.0, ("its name gives no hint", "in Nm")),
        ("torque", logged("Msg1.Sig1", "Nm", STILL), 1.0,
         ("its name gives no hint", "in Nm", "it never changes in this log")),
        ("torque", logged("Msg1.Sig1", "Nm", 400 * WAVE), -1.0,
         ("its name gives no hint", "in Nm", "reads up to 8000 Nm, which is impossible")),
        ("torque_target", logged("Inv.Torque", "Nm"), None, ()),
        ("torque_target", logged("Inv.TorqueTarget", "Nm"), 3.0, ("its name says torque", "in Nm")),
        ("torque_target", logged("Targets.TorqueTarget", "Nm"), 3.0, ("its name says torque", "in Nm")),
        ("motor_current", logged("Inv.MotorCurrent", "A"), 3.5, ("its name says motor and current", "in A")),
        ("motor_current", logged("Inv.MotorCurrent"), 3.0, ("its name says motor and current", "no unit")),
        ("motor_current", logged("Inv.Current", "A"), 2.25,
         ("its name with that of its message says inverter and current", "in A")),
        ("motor_current", logged("Limits.MotorCurrent", "A"), 2.5,
         ("its name says motor and current", "its message is about something else", "in A")),
        ("motor_current", logged("Inv.MotorCurrent2", "A"), 2.5,
         ("its name says motor and current", "named as the second", "in A")),
        ("motor_current", logged("Limits.MotorCurrent2", "A"), 1.5,
         ("its name says motor and current", "its message is about something else", "named as the second", "in A")),
        ("motor_current", logged("Charger.MotorCurrent", "A"), 3.5, ("its name says motor and current", "in A")),
        ("motor_current", logged("Charger.Current", "A"), None, ()),
        ("motor_current", logged("Inv.InverterCurrent", "A"), 2.5, ("its name says inverter and current", "in A")),
        ("motor_current", logged("Inv.InverterMotorCurrent", "A"), 3.5, ("its name says motor and current", "in A")),
        ("fault", logged("Faults.InverterFault"), 2.0, ("its name says inverter and fault",)),
        ("fault", logged("Limits.InverterFault"), 1.0,
         ("its name says inverter and fault", "its message is about something else")),
        ("fault", logged("Inv.InverterFault", "A"), None, ()),
        ("precharge_relay", logged("Box.PrechargeRelay", "", FLAG, 1), 3.5,
         ("its name says precharge and relay or contactor", "two values")),
        ("main_contactor", logged("Box.MainContactor", "", FLAG, 1), 2.5,
         ("its name says relay or contactor and main or positive", "two values")),
        ("negative_contactor", logged("Box.MainContactor", "", FLAG, 1), None, ()),
        ("negative_contactor", logged("Box.NegativeContactor", "", FLAG, 1), 2.5,
         ("its name says relay or contactor and negative", "two values")),
        ("coolant_pump", logged("Box.WaterPump", "%"), 2.5, ("its name says pump and coolant",)),
        ("coolant_pump", logged("Box.WaterPump", "V"), None, ()),
        ("brake", logged("Box.BrakePedal", "%", FLAG), None, ()),
        ("coolant_pump_speed", logged("Msg1.Sig1", "rpm"), None, ()),
        ("coolant_pump_speed", logged("Box.MotorSpeed", "rpm"), None, ()),
        ("coolant_pump_speed", logged("Box.WaterPumpSpeed", "rpm"), 3.5, ("its name says pump and speed", "in rpm")),
        ("state_of_charge", logged("Pack.StateOfCharge", "%", 50 + WAVE), 3.0, ("its name says charge level", "in %")),
        ("aux_voltage", logged("Box.AuxVoltage", "V", 12 + 0.05 * WAVE), 5.5,
         ("its name says 12 V supply and voltage", "in V", "between 11.0 and 13.0 V")),
        ("aux_voltage", logged("Box.ConverterVoltage", "V", 12 + 0.05 * WAVE), 4.0,
         ("its name says converter and voltage", "in V", "between 11.0 and 13.0 V")),
        ("aux_voltage", logged("Box.PackVoltage", "V", 12 + 0.05 * WAVE), 4.5,
         ("its name says battery and voltage", "in V", "between 11.0 and 13.0 V")),
    ],
)  # fmt: skip
def test_a_signal_has_the_points_of_its_name_unit_and_behaviour(
    part: str, signal: Logged, points: float | None, reasons: tuple[str, ...]
) -> None:
    found = fit(part, signal, NOTHING)
    assert (None if found is None else (found.points, found.reasons)) == (None if points is None else (points, reasons))
    assert found is None or (found.part, found.signal, found.moves) == (part, signal, np.ptp(signal.value) > 0)


@pytest.mark.parametrize(
    ("part", "signal", "speaks"),
    [
        ("motor_speed", logged("Inv.MotorId"), False),  # not known as a quantity
        ("motor_speed", logged("Inv.MotorId", "rpm"), True),
        ("motor_speed", logged("Inv.MotorSpeed"), True),
        ("motor_speed", logged("Motor.Rpm", "rpm"), True),  # 1.5 by its message, 0.5 by its own
        ("motor_speed", logged("Inv.Rpm", "rpm"), True),  # half a name, a quantity and its unit
        ("motor_speed", logged("Inv.Rpm"), True),  # 0.75 + 1
        ("motor_speed", logged("Msg1.Rpm", "rpm"), True),  # names nothing else
        ("motor_speed", logged("Msg1.Sig1", "rpm"), False),
        ("motor_speed", logged("Torque.Rpm", "rpm"), False),  # names something else
        ("converter_current", logged("Dcdc.Current", "A"), True),
        ("coolant_temperature", logged("Cooling.Temp", "°C", T / 10), True),
        ("coolant_temperature", logged("Msg1.Sig1", "°C", T / 10), False),  # 0.5 of behaviour are too little
        ("aux_voltage", logged("Msg1.Sig1", "V", 12 + 0.05 * WAVE), True),  # shown by the log
        ("aux_voltage", logged("Box.AuxVoltage", "V", 40 + WAVE), False),  # the log speaks against it
        ("battery_voltage", logged("Msg1.Sig1", "V", 300 + WAVE / 10), True),  # by one clear piece of evidence
        ("battery_temperature_highest", logged("Pack.BatteryTempMax", "°C", STILL), True),  # −0.75
        ("battery_voltage", logged("Pack.PackVoltage", "V", np.interp(T, [0, 9, 10], [0, 0, 300.0])), False),  # −1
        ("precharge_relay", logged("Box.Precharge", "", FLAG, 1), True),
        ("precharge_relay", logged("Box.Sig1", "", FLAG, 1), False),  # two values
        ("main_contactor", logged("Box.Contactor", "", FLAG, 1), False),  # half a name
        ("main_contactor", logged("Box.Contactor", "", FLAG, 1, choices={0: "Open", 1: "Closed"}), True),
        ("inverter_state", logged("Inv.Mode", "", FLAG), True),
        ("inverter_state", logged("Msg1.State", "", FLAG, choices={0: "Off", 1: "Run"}), False),  # of any device
        ("inverter_state", logged("Motor.Actual", "", FLAG, choices={0: "Off", 1: "Run"}), True),
        ("inverter_state", logged("Motor.Actual", "", FLAG), False),
    ],
)
def test_a_signal_speaks_for_itself_by_name_and_kind_or_by_what_it_does(
    part: str, signal: Logged, speaks: bool
) -> None:
    found = fit(part, signal, NOTHING)
    assert found is not None
    assert found.speaks is speaks


# ------------------------------------------------------------------------------ what is chosen

A, B, C = (logged(f"Msg{k}.Sig{k}", "A", WAVE) for k in (1, 2, 3))


def a_fit(
    signal: Logged, points: float, part: str = "motor_current", *, speaks: bool = True, moves: bool = True
) -> Fit:
    return Fit(part, signal, points, ("why",), speaks, moves)


EQUAL = ("Msg2.Sig2 fits nearly as well",)


@pytest.mark.parametrize(
    ("points", "rival", "players", "doubts"),
    [
        (3.0, None, {}, ()),
        (2.99, None, {}, ("too little evidence",)),
        (3.5, a_fit(B, 2.5), {}, ()),
        (3.5, a_fit(B, 2.51), {}, EQUAL),
        (2.9, a_fit(B, 2.0), {}, ("too little evidence", *EQUAL)),
        (3.5, a_fit(B, 3.0), {B.reference: a_fit(B, 3.99, "battery_current")}, EQUAL),
        (3.5, a_fit(B, 3.0), {B.reference: a_fit(B, 4.0, "battery_current")}, ()),  # clearly another part
        (3.5, a_fit(replace(A, reference="can1:Msg1.Sig1"), 3.5), {}, ()),  # the same, passed on
    ],
)
def test_a_choice_is_sure_with_three_points_and_one_more_than_any_rival(
    points: float, rival: Fit | None, players: dict[str, Fit], doubts: tuple[str, ...]
) -> None:
    found = a_fit(A, points)
    fits = {"motor_current": [found, *([rival] if rival else [])]}
    choice = _judge(found, fits, {A.reference: found, **players})
    shown = rival if rival is not None and (doubts[-1:] == EQUAL or not players) and rival.signal is B else None
    assert choice == Choice(found, shown, doubts)
    assert choice.sure is (not doubts)


def test_a_rival_without_points_is_none() -> None:
    found = a_fit(A, 3.5)
    assert _judge(found, {"motor_current": [found, a_fit(B, 0.0)]}, {}).runner_up is None
    assert _judge(found, {"motor_current": [found, a_fit(B, 0.1)]}, {}).runner_up == a_fit(B, 0.1)


def test_a_second_source_is_no_rival_of_the_first() -> None:
    first, second = a_fit(A, 3.5, "motor_speed"), a_fit(B, 3.4, "motor_speed")
    players = {B.reference: a_fit(B, 3.4, "motor_speed_second")}
    assert _judge(first, {"motor_speed": [first, second]}, players).sure
    assert not _judge(first, {"motor_speed": [first, second]}, {}).sure


@pytest.mark.parametrize(
    ("beside", "players", "doubts"),
    [
        (2.5, {}, ()),
        (2.51, {}, ("it may equally be battery_current",)),
        (2.51, {B.reference: a_fit(B, 2.51, "battery_current")}, ()),  # which is taken
        (2.51, {B.reference: a_fit(B, 2.5, "battery_current")}, ("it may equally be battery_current",)),
        (2.51, {B.reference: a_fit(B, 9.0, "charger_current")}, ("it may equally be battery_current",)),
    ],
)
def test_what_fits_another_part_nearly_as_well_is_in_doubt(
    beside: float, players: dict[str, Fit], doubts: tuple[str, ...]
) -> None:
    found = a_fit(A, 3.5)
    fits = {"motor_current": [found], "battery_current": [a_fit(B, 9.0), a_fit(A, beside, "battery_current")]}
    assert _judge(found, fits, players).doubts == doubts


@pytest.mark.parametrize(
    ("part", "unit", "moves", "doubted"),
    [
        ("motor_current", "", False, True), ("motor_current", "A", False, False), ("motor_current", "", True, False),
        ("main_contactor", "", False, False),
    ],
)  # fmt: skip
def test_a_quantity_without_a_unit_that_never_changes_is_in_doubt(
    part: str, unit: str, moves: bool, doubted: bool
) -> None:
    found = a_fit(logged("A.B", unit), 4.0, part, moves=moves)
    assert _judge(found, {part: [found]}, {}).doubts == (
        ("it has no unit and never changes in this log",) if doubted else ()
    )


def test_the_best_pairs_go_first_and_each_signal_plays_once() -> None:
    fits = {
        "motor_current": [a_fit(A, 3.0), a_fit(B, 2.0)],
        "battery_current": [a_fit(A, 3.5, "battery_current"), a_fit(C, 1.0, "battery_current")],
        "charger_current": [a_fit(B, 1.5, "charger_current")],
        "aux_current": [a_fit(C, 1.49, "aux_current")],  # not worth showing
        "converter_current": [a_fit(C, 5.0, "converter_current", speaks=False)],
    }
    assert _assign(fits) == {"battery_current": a_fit(A, 3.5, "battery_current"), "motor_current": a_fit(B, 2.0)}
    alone = {part: fits[part] for part in ("charger_current", "aux_current")}
    assert _assign(alone) == {"charger_current": a_fit(B, 1.5, "charger_current")}
    alike = {"motor_current": [a_fit(B, 3.0), a_fit(A, 3.0)]}
    assert _assign(alike)["motor_current"].signal is A  # in the order of their names


@pytest.mark.parametrize(("own", "other", "many"), [(2.99, 2.0, True), (3.0, 2.5, False), (2.9, 1.9, False)])
def test_of_signals_at_rest_the_first_needs_a_point_more_or_to_be_sure(own: float, other: float, many: bool) -> None:
    ranked = [a_fit(A, own, moves=False), a_fit(B, other)]
    assert _one_of_many(ranked[0], ranked) is many
    copy = a_fit(replace(A, reference="can1:Msg1.Sig1"), other)
    assert not _one_of_many(ranked[0], [ranked[0], copy])


@pytest.mark.parametrize(
    ("name", "points", "value", "found"),
    [
        ("Inv.Rpm", 2.5, WAVE, True),
        ("Inv.Rpm", 2.4, WAVE, False),  # a point less than the first is allowed
        ("Inv.Rpm2", 1.5, WAVE, True),  # and the point that the number has cost it
        ("Inv.Rpm2", 1.4, WAVE, False),
        ("Inv.Rpm", 3.5, WAVE[::-1], False),
        ("can1:Motor.Speed", 3.5, WAVE, False),  # the same signal, passed on
    ],
)
def test_a_second_source_reads_the_same_and_would_nearly_do(
    name: str, points: float, value: np.ndarray, found: bool
) -> None:
    first = a_fit(logged("Motor.Speed", "rpm"), 3.5, "motor_speed")
    other = a_fit(logged(name, "rpm", value), points, "motor_speed")
    twins = list(_twins({"motor_speed": first}, {"motor_speed": [first, other]}))
    expected = replace(other, part="motor_speed_second", reasons=("why", "reads the same as Motor.Speed"))
    assert twins == ([("motor_speed_second", expected)] if found else [])
    taken = {"motor_speed": first, "torque": replace(other, part="torque")}
    assert list(_twins(taken, {"motor_speed": [first, other]})) == []  # it plays another part


# ------------------------------------------------------------------------------------ which part

NAMES = {
    "Inv.DcLinkVoltage V": "dc_link_voltage", "Inv.Udc V": "dc_link_voltage",
    "Pack.BatteryVoltage V": "battery_voltage", "Pack.Ibat A": "battery_current",
    "Box.PrechargeRelay": "precharge_relay", "Box.MainContactor": "main_contactor",
    "Box.NegativeContactor": "negative_contactor", "Inv.MotorSpeed rpm": "motor_speed",
    "Tacho.VehicleSpeed km/h": "vehicle_speed", "Inv.MotorCurrent A": "motor_current",
    "Inv.MotorCurrentTarget A": "motor_current_target", "Inv.Torque Nm": "torque",
    "Inv.TorqueRequest Nm": "torque_target", "Box.Throttle %": "throttle", "Box.Brake": "brake",
    "Inv.InverterFault": "fault", "Inv.InverterState": "inverter_state", "Inv.MotorTemp °C": "motor_temperature",
    "Inv.HeatSinkTemp °C": "inverter_temperature", "Box.CoolantTemp °C": "coolant_temperature",
    "Box.CoolantOutletTemp °C": "coolant_temperature_out", "Box.CoolantPump": "coolant_pump",
    "Box.PumpSpeed rpm": "coolant_pump_speed", "Box.PumpCurrent A": "coolant_pump_current",
    "Box.CoolingFan": "coolant_fan", "Box.AuxVoltage V": "aux_voltage", "Box.AuxCurrent A": "aux_current",
    "Box.ConverterCurrent A": "converter_current", "Box.ConverterState": "converter_state",
    "Obc.ChargerVoltage V": "charger_voltage", "Obc.ChargerCurrent A": "charger_current",
    "Obc.ChargerVoltageTarget V": "charger_voltage_target", "Obc.ChargerCurrentTarget A": "charger_current_target",
    "Obc.ChargerInputPower W": "charger_input_power", "Obc.ChargerState": "charger_state",
    "Obc.ChargerFault": "charger_fault", "Obc.ChargePlug": "charge_plug", "Obc.ChargeLock": "charge_lock",
    "Bms.CellVoltageMin V": "cell_voltage_lowest", "Bms.CellVoltageMax V": "cell_voltage_highest",
    "Bms.CellTempMin °C": "battery_temperature_lowest", "Bms.CellTempMax °C": "battery_temperature_highest",
    "Bms.StateOfCharge %": "state_of_charge",
}  # fmt: skip


def named(name: str) -> Logged:
    """A signal "Message.Signal unit" with values that no quantity rules out; without a unit a flag."""
    reference, _, unit = name.partition(" ")
    return logged(reference, unit, 3 + WAVE / 20 if unit else FLAG)


@pytest.mark.parametrize("name", NAMES)
def test_a_plain_name_fits_its_part_better_than_any_other(name: str) -> None:
    fits = [found for part in PROFILES if (found := fit(part, named(name), NOTHING))]
    best, *others = sorted(fits, key=lambda found: -found.points)
    assert best.part == NAMES[name]
    assert all(other.points < best.points for other in others)


@pytest.mark.parametrize(
    ("part", "name", "points"),
    [
        ("dc_link_voltage", "X.HvVoltage V", 2.0), ("dc_link_voltage", "X.InverterVoltage V", 2.5),
        ("dc_link_voltage", "X.LinkVoltage V", 3.5), ("battery_voltage", "X.HvVoltage V", 2.5),
        ("battery_current", "X.HvCurrent A", 2.5), ("motor_speed", "X.InverterSpeed rpm", 2.5),
        ("motor_current_target", "X.InverterCurrentTarget A", 2.5), ("fault", "X.MotorFault", 2.0),
        ("fault", "X.InverterFault", 2.0), ("inverter_state", "X.MotorState", 2.0),
        ("inverter_state", "X.InverterState", 3.0), ("main_contactor", "X.MainContactor", 2.5),
    ],
)  # fmt: skip
def test_half_a_name_has_half_the_points(part: str, name: str, points: float) -> None:
    found = fit(part, named(name), NOTHING)
    assert found is not None
    assert found.points == points


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("Inv.MotorCurrentMax A", set()),
        ("Obc.ChargerPower W", set()),
        ("Inv.MotorPower W", set()),
        ("Pack.CellVoltage V", set()),
        ("Box.MainContactorState", {"main_contactor"}),
        ("Box.MainContactorFault", set()),
        ("Box.ChargerContactor", set()),
        ("Box.BrakeContactor", {"brake"}),
        ("Box.PumpRelay", {"coolant_pump"}),
        ("Box.MotorPrecharge", {"precharge_relay"}),
        ("Inv.BrakeTorque Nm", set()),
        ("Inv.PackInverterFault", set()),
    ],
)
def test_a_name_that_speaks_of_something_else_is_no_part(name: str, parts: set[str]) -> None:
    found = {part for part in PROFILES if (f := fit(part, named(name), NOTHING)) and f.speaks}
    assert found == parts


# ----------------------------------------------------------------------------------- the log's signals


def test_a_signal_is_taken_as_the_vehicle_file_calls_it() -> None:
    spec = MessageSpec("Motor", 5, False, 8, tuple(SignalSpec(n, 0, 8, unit="degF") for n in ("Temp", "Gone", "a:b")))
    console = MessageSpec("Box", 0, False, 0, (SignalSpec("Temp", 0, 8),))
    temp = np.array([32.0, np.nan, 212.0])
    whole = np.array([7, 0, 9], np.int64)
    columns = {"Temp": temp, "Gone": np.full(3, np.nan), "a:b": temp}
    stamps = np.array([2, 3, 4]) * 10**9
    tables = {
        "Motor": Table("Motor", "can0", spec, 10**9, stamps, columns, {}),
        "can1:Motor": Table("Motor", "can1", spec, 0, stamps, {"Temp": temp}, {}),
        "Mo.tor": Table("Mo.tor", "can0", replace(spec, name="Mo.tor"), 0, stamps, {"Temp": temp}, {}),
        "Box.Temp": Table("Box.Temp", "", console, 0, stamps, {"Temp": whole}, {"Temp": np.array([0, 1, 0], bool)}),
    }
    first, second, third = collect(tables)
    assert [each.reference for each in (first, second, third)] == ["Motor.Temp", "can1:Motor.Temp", "Box.Temp"]
    assert (first.time_s.tolist(), first.value.tolist(), first.unit) == ([1.0, 3.0], [32.0, 212.0], "°F")
    assert (third.time_s.tolist(), third.value.tolist(), third.unit) == ([2.0, 4.0], [7.0, 9.0], "")
    assert first.sense == Sense(frozenset({Word.TEMPERATURE}), frozenset({Word.MOTOR}))
    assert first.as_part("motor_temperature") == pytest.approx([0.0, 100.0])
    assert first.as_part("torque") is None
    assert third.as_part("torque") is third.value
    assert first.copies(second)
    assert not first.copies(third)
