"""What a draft writes: its keys, reasons and sentences, word for word, and the numbers in them by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logscope.capture.columns import ColumnLayout
from logscope.definitions.spec import SignalSpec
from logscope.draft import texts
from logscope.draft.behaviour import Rise
from logscope.draft.choose import Choice
from logscope.draft.draft import _seen, _unused, undrafted
from logscope.draft.evidence import behaviour
from logscope.draft.keys import Keys, keys_for
from logscope.draft.logged import Logged
from logscope.draft.names import Sense, meanings
from logscope.draft.scoring import Fit
from logscope.draft.surroundings import Surroundings
from logscope.draft.words import Word
from logscope.draft.write import _comment, _text, _value, vehicle_text
from logscope.errors import RequestError
from logscope.vehicle import CanSection, SerialSection, Vehicle

T = np.arange(0, 30, 0.05)
NOTHING = Surroundings((), {}, None, "")
ROAD = np.clip(50 * np.sin(T / 5), 0, None)


def logged(reference: str, unit: str = "", value: np.ndarray = ROAD, bits: int = 16, **spec: object) -> Logged:
    message, _, name = reference.partition(".")
    sense = Sense(meanings(name), meanings(message))
    return Logged(reference, SignalSpec(name, 0, bits, unit=unit, **spec), sense, T, value)  # type: ignore[arg-type]


# ---------------------------------------------------------------------------------------- reasons

LINK = np.interp(T, [0, 9.0, 9.5], [0, 0, 350.0])
PULSE = np.where((T > 8.97) & (T < 20.02), 1.0, 0.0)
RISES = Surroundings((), {"Inv.Link": 350.0}, Rise(9.0, 10.0), "Inv.Link")
TACHO = Surroundings([logged("Tacho.Speed", "km/h")], {}, None, "")


@pytest.mark.parametrize(
    ("part", "signal", "around", "reasons"),
    [
        ("dc_link_voltage", logged("A.B", "V", LINK), NOTHING,
         ["rises to 350 V at 9.10 s, through values in between, and stays"]),
        ("dc_link_voltage", logged("A.B", "V", LINK[::-1]), NOTHING, ["falls gradually from 350 V"]),
        ("dc_link_voltage", logged("A.B", "V", np.where(T > 9, 350.0, 0.0)), NOTHING, ["steps to 350 V"]),
        ("dc_link_voltage", logged("A.B", "V", 350 + T / 10), NOTHING, ["at 353 V throughout, as a battery is"]),
        ("dc_link_voltage", logged("A.B", "V", 12 + T / 10), NOTHING, ["at the level of a 12 V supply"]),
        ("dc_link_voltage", logged("A.B", "V", 5 - T / 10), NOTHING, ["never above 5 V for long"]),
        ("dc_link_voltage", logged("A.B", "V", -5 - T / 10), NOTHING, ["never above 0 V for long"]),
        ("battery_voltage", logged("A.B", "V", LINK), NOTHING, ["rises or falls as a link does"]),
        ("battery_voltage", logged("A.B", "V", 350 + T / 10), RISES,
         ["at 353 V throughout", "the level that Inv.Link rises to"]),
        ("battery_voltage", logged("A.B", "V", np.where(T > 9, 350.0, 0.0)), NOTHING,
         ["at 350 V whenever it is awake"]),
        ("aux_voltage", logged("A.B", "V", 12 + T / 10), NOTHING, ["between 12.0 and 15.0 V"]),
        ("aux_voltage", logged("A.B", "V", 5 + T / 10), NOTHING, ["not at the level of a 12 V supply"]),
        ("battery_current", logged("A.B", "A", np.where((T > 9) & (T < 10), 20.0, -1.0)), RISES,
         ["both signs", "the pack's voltage moves with it"]),
        ("motor_speed", logged("A.B", "rpm", 70 * ROAD), TACHO,
         ["zero at rest, and 70 rpm for each km/h of Tacho.Speed"]),
        ("motor_speed", logged("A.B", "rpm", -8.8 * ROAD), TACHO, ["in step with Tacho.Speed, but as slow as a wheel"]),
        ("throttle", logged("A.B", "%", np.where(T > 15, 80.0, 2.0)), NOTHING, ["from 2 to 80 %"]),
        ("throttle", logged("A.B", "%", np.where(T > 15, 80.0, 12.0)), NOTHING,
         ["never below 12 %: not a released pedal"]),
        ("throttle", logged("A.B", "%", np.where(T > 28, -50.0, 80.0)), NOTHING,
         ["reads up to 80 %, which is impossible", "down to -50 %: not a pedal"]),
        ("motor_temperature", logged("A.B", "°C", 20 + T), NOTHING, ["changes slowly, 20 to 50 °C"]),
        ("motor_temperature", logged("A.B", "°C", 20 + 9 * np.abs(T % 10 - 5)), NOTHING,
         ["changes slowly, 20 to 65 °C"]),
        ("motor_temperature", logged("A.B", "°C", 20 + 60 * (np.floor(T) % 2)), NOTHING,
         ["jumps, unlike a temperature"]),
        ("cell_voltage_lowest", logged("A.B", "V", 3 + T / 100), NOTHING, []),
        ("cell_voltage_lowest", logged("A.B", "V", 5.1 + T / 100), NOTHING, ["not at the level of a cell"]),
        ("precharge_relay", logged("A.B", "", np.where((T > 9.02) & (T < 10.02), 1.0, 0.0), 1), RISES,
         ["two values", "on from 9.05 s, as the link begins to rise, to 10.05 s"]),
        ("main_contactor", logged("A.B", "", np.where(T > 10.02, 1.0, 0.0), 1), RISES,
         ["two values", "comes on at 10.05 s, when the link is up"]),
        ("negative_contactor", logged("A.B", "", PULSE, 1), RISES,
         ["two values", "on from 9.00 s, before the link rises, and stays"]),
        ("brake", logged("A.B", "", PULSE, 1), TACHO,
         ["two values", "the vehicle slows down or stands whenever it is on"]),
        ("coolant_fan", logged("A.B", "", np.floor(T)), NOTHING, ["takes more values than a switch has"]),
        ("charge_plug", logged("A.B", "", PULSE, 1, choices={0: "Open", 1: "Closed"}), NOTHING,
         ["its texts are those of a switch"]),
        ("charge_lock", logged("A.B", "", PULSE * 0, 1), NOTHING, ["two values", "it never changes in this log"]),
        ("coolant_pump", logged("A.B", "%", np.floor(T)), NOTHING, []),
        ("fault", logged("A.B", "", PULSE, choices={0: "None", 7: "OverCurrent"}), NOTHING,
         ["its texts include “OverCurrent”"]),
        ("fault", logged("A.B", "", PULSE, choices={0: "None", 7: "Hot"}), NOTHING,
         ["its texts include one for no fault"]),
        ("charger_state", logged("A.B", "", PULSE, choices={0: "Idle", 1: "Charging"}), NOTHING,
         ["its texts are operating states"]),
        ("converter_state", logged("A.B", "", PULSE, choices={0: "Idle", 1: "X"}), NOTHING,
         ["its texts are no operating states"]),
        ("torque", logged("A.B", "V"), NOTHING, []),  # cannot be converted
    ],
)  # fmt: skip
def test_each_reason_says_what_the_log_shows(
    part: str, signal: Logged, around: Surroundings, reasons: list[str]
) -> None:
    assert [each.reason for each in behaviour(part, signal, around)] == reasons


# ------------------------------------------------------------------------------------------ keys

ON_OFF = {0: "Open", 1: "Closed", 2: "Active"}
UNKNOWN = "its sign is unknown: it must be positive while discharging, else scale = -1"


@pytest.mark.parametrize(
    ("part", "signal", "keys"),
    [
        ("main_contactor", logged("A.B", choices=ON_OFF), Keys({"on": (1.0, "Closed", 2.0, "Active")})),
        ("coolant_pump", logged("A.B", "%"), Keys(remarks=("on wherever it is not 0",))),
        ("brake", logged("A.B", choices={0: "X", 3: "Y"}), Keys(doubts=("which of its texts means on? 0 “X”, 3 “Y”",))),
        ("brake", logged("A.B", value=np.floor(T) % 3),
         Keys(doubts=("it has more than two values and no texts: say which are on",))),
        ("brake", logged("A.B", value=np.floor(T) % 2),
         Keys(remarks=("it has no texts: taken as on wherever it is not 0",))),
        ("fault", logged("A.B", choices={0: "Ok", 3: "Overcurrent", 4: "Hot"}),
         Keys({"overcurrent": (3.0, "Overcurrent"), "none": (0.0, "Ok")})),
        ("fault", logged("A.OverCurrent", bits=1),
         Keys({"overcurrent": (1,)}, ("0 is taken as no fault",))),
        ("fault", logged("A.OverCurrent", bits=2),
         Keys({}, ("which value means overcurrent is not known: add overcurrent = [...] or overcurrent_bits = [...]",
                   "0 is taken as no fault"))),
        ("battery_current", logged("A.B", "A"), Keys(remarks=(UNKNOWN,))),
        ("battery_current", logged("A.B", "V"), Keys()),
        ("inverter_state", logged("A.B", choices=ON_OFF), Keys()),
        ("torque", logged("A.B", "Nm"), Keys()),
    ],
)  # fmt: skip
def test_the_keys_say_how_values_are_read(part: str, signal: Logged, keys: Keys) -> None:
    assert keys_for(part, signal, {}, NOTHING) == keys


@pytest.mark.parametrize(
    ("sign", "keys"),
    [
        (1, Keys(remarks=("positive while the pack discharges, as required",))),
        (-1, Keys({"scale": -1.0}, ("sign reversed: it was negative while the pack discharges",))),
    ],
)
def test_the_sign_of_the_pack_s_current_is_remarked_on(sign: int, keys: Keys) -> None:
    amps = sign * np.where((T > 9) & (T < 10), 20.0, 1.0)
    assert keys_for("battery_current", logged("A.B", "A", amps), {}, RISES) == keys


def test_a_reversed_motor_speed_is_remarked_on() -> None:
    (remark,) = keys_for(
        "motor_speed", logged("A.B", "rpm", -70 * ROAD), {"vehicle_speed": TACHO.signals[0]}, NOTHING
    ).remarks
    assert remark == "sign reversed: it was negative while moving; remove scale if the vehicle drove backwards"
    nameless = {"vehicle_speed": logged("Tacho.Speed", "V")}
    assert keys_for("motor_speed", logged("A.B", "rpm", -70 * ROAD), nameless, NOTHING) == Keys()


@pytest.mark.parametrize(
    ("text", "on", "off", "none"),
    [
        ("Closed", True, False, False), ("geschlossen", True, False, False), ("NOT active", False, False, False),
        ("Offen", False, True, False), ("Off", False, True, True), ("OK", False, False, True),
        ("no overcurrent", False, True, True), ("kein Fehler", False, False, True), ("x", False, False, False),
        ("Inactive", False, True, True), ("nicht ok", False, False, False),
    ],
)  # fmt: skip
def test_what_a_text_says(text: str, on: bool, off: bool, none: bool) -> None:
    choices = {5.0: text}
    found = (texts.on_values(choices), texts.off_values(choices), texts.healthy_values(choices))
    assert found == tuple(choices if said else {} for said in (on, off, none))


def test_a_text_that_denies_an_overcurrent_is_none() -> None:
    labels = dict(enumerate(["NoOvercurrent", "OverCurrent", "kein Überstrom", "not overcurrent", "HW_OverCurrent"]))
    assert set(texts.overcurrent_values(labels)) == {1, 4}
    assert set(texts.healthy_values(labels)) == {0, 2}


@pytest.mark.parametrize(
    ("labels", "states"), [(("Off", "Run"), True), (("Off", "X"), False), (("Vorladen", "Fahrt"), True), ((), False)]
)
def test_two_texts_make_operating_states(labels: tuple[str, ...], states: bool) -> None:
    assert texts.is_operating_state(dict(enumerate(labels))) is states


# ------------------------------------------------------------------------------------ the vehicle file


def test_a_ratio_of_speeds_gives_the_driveline() -> None:
    """n = v·ratio/(2πr): 1 km/h is 16.667 m/min, 2.6526 turns a minute of a wheel of 1 m; 70 / 2.6526 = 26.39."""
    motor, road = logged("Inv.Speed", "rpm", -70 * ROAD), logged("Tacho.Speed", "km/h")
    said = (
        "In this log 70 rpm go with 1 km/h (median; most samples lie within 10 % of it): "
        "ratio / wheel_radius_m is about 26.4, if both speeds are right."
    )
    assert _seen({"motor_speed": motor, "vehicle_speed": road}) == {"driveline": said}
    assert _seen({"motor_speed": motor}) == {}
    assert _seen({"vehicle_speed": road}) == {}
    assert _seen({"motor_speed": logged("Inv.Speed", "V"), "vehicle_speed": road}) == {}
    assert _seen({"motor_speed": logged("Inv.Speed", "rpm", ROAD[::-1]), "vehicle_speed": road}) == {}


def test_forty_unused_signals_are_named() -> None:
    signals = [logged(f"A.S{k}") for k in range(42)]
    assert _unused(signals[:41], signals[:1]) == tuple(f"A.S{k}" for k in range(1, 41))
    assert _unused(signals, signals[:1]) == (
        *(f"A.S{k}" for k in range(1, 41)), "… (`logscope signals` lists all)",
    )  # fmt: skip


def test_definitions_of_buses_and_consoles_go_into_their_sections(tmp_path: Path) -> None:
    target = tmp_path / "new" / "v.toml"
    layout = ColumnLayout.model_validate({"time": "t", "identifier": "id", "data": "data"})
    like = Vehicle(
        can=(CanSection(definitions=("a.dbc",), bus="can1"), CanSection(definitions=("b.dbc",), columns=layout)),
        serial=(SerialSection(definitions=("c.toml",)),), path=tmp_path / "own" / "h.toml",
    )  # fmt: skip
    made = undrafted([tmp_path / "x.dbc", tmp_path / "y.TOML", tmp_path / "z.kcd"], target, like=like)
    assert made.vehicle.name == "v"
    assert [(each.definitions, each.bus, each.columns) for each in made.can] == [
        (("../own/a.dbc",), "can1", None), (("../own/b.dbc",), None, layout), (("../x.dbc", "../z.kcd"), None, layout),
    ]  # fmt: skip
    assert [each.definitions for each in made.serial] == [("../own/c.toml",), ("../y.TOML",)]
    assert made.path == target
    alone = undrafted([tmp_path / "y.toml"], target, "Hazel")
    assert (alone.can, alone.vehicle.name) == ((), "Hazel")
    assert undrafted([], target, like=like).can[0].bus == "can1"
    for only in ({"serial": like.serial}, {"can": like.can}):
        kept = undrafted([], target, like=Vehicle(**only, path=like.path))
        assert (len(kept.can), len(kept.serial)) == (len(only.get("can", ())), len(only.get("serial", ())))
    with pytest.raises(RequestError, match="no definitions of signals"):
        undrafted([], target, like=Vehicle())


def test_the_file_holds_the_choices_their_doubts_and_reasons() -> None:
    motor, pack, relay = logged("Inv.Speed", "rpm"), logged("Pack.I", "A"), logged("Box.Relay")
    choices = {
        "motor_speed": Choice(Fit("motor_speed", motor, 3.5, ("a", "b"), True, True), None, ()),
        "battery_current": Choice(
            Fit("battery_current", pack, 2.25, ("c",), True, True),
            Fit("battery_current", motor, 1.0, ("d", "e"), True, True), ("doubt",),
        ),
        "precharge_relay": Choice(Fit("precharge_relay", relay, 4.0, ("f",), True, True), None, ()),
    }  # fmt: skip
    keys = {
        "motor_speed": Keys({"scale": -1.0, "on": (1.0, "Run", 2.5)}, ("g",)), "battery_current": Keys(),
        "precharge_relay": Keys(doubts=("which?",)),
    }  # fmt: skip
    served = [CanSection(definitions=("a.dbc", "b.dbc"), bus="can1"), CanSection(definitions=("c.dbc",))]
    text = vehicle_text(
        "H", served, [SerialSection(definitions=("d.toml",))], choices, keys, {"motor": "seen"}, ("X.Y",)
    )
    lines = text.split("\n")
    assert text.endswith("\n")

    def after(line: str, count: int) -> list[str]:
        at = lines.index(line)
        return lines[at + 1 : at + 1 + count]

    assert after("[vehicle]", 2) == ['name = "H"', ""]
    assert after("[[can]]", 2) == ['definitions = ["a.dbc", "b.dbc"]', 'bus = "can1"']
    assert '# bus = "can0"    # to use it for one bus only' in lines
    assert after("[[serial]]", 1) == ['definitions = ["d.toml"]']
    width = len("battery_temperature_highest")
    assert after("[signals]", 7) == [
        f'{"motor_speed":<{width}} = {{ signal = "Inv.Speed", scale = -1, on = [1, "Run", 2.5] }}',
        "", "# Doubtful:",
        f'# {"battery_current":<{width}} = "Pack.I"', "#   doubt",
        f'# {"precharge_relay":<{width}} = "Box.Relay"', "#   which?",
    ]  # fmt: skip
    assert "# Signals of this log that are not used above: X.Y." in lines
    missing = " ".join(lines[lines.index("# Doubtful:") + 6 :]).partition("# Signals")[0]
    assert "dc_link_voltage, " in missing
    assert "motor_speed," not in missing
    assert after("[motor]", 2) == ["# seen", "# encoder_pulses_per_rev =     # counts per turn"]
    assert after("[limits]", 1) == ["# motor_current_A        =     # where the inverter trips"]
    assert after("# Why each signal was chosen, with points, and the runner-up:", 3) == [
        "#   motor_speed: a; b; g (3.5 points)",
        "#   battery_current: c (2.25 points); or Inv.Speed: d; e (1)",
        "#   precharge_relay: f (4 points)",
    ]
    plain = vehicle_text("H", [], [], {}, {}, {})
    assert "Doubtful" not in plain
    assert "not used above" not in plain


def test_values_are_written_as_toml_has_them() -> None:
    cases: list[tuple[dict[str, Any], str]] = [
        ({}, '"A.B"'),
        ({"scale": -1.0}, '{ signal = "A.B", scale = -1 }'),
        ({"scale": 0.25}, '{ signal = "A.B", scale = 0.25 }'),
        ({"on": (1.0, "x\x7f")}, '{ signal = "A.B", on = [1, "x\\u007f"] }'),
    ]
    assert [_value("A.B", values) for values, _ in cases] == [written for _, written in cases]
    assert _text('ä"\n') == '"ä\\"\\n"'
    assert _comment("a\x00b\n" + "c" * 105 + " d", 2) == ["#   a b", "#   " + "c" * 105, "#   d"]
    assert _comment("a" * 53 + " " + "b" * 54) == ["# " + "a" * 53 + " " + "b" * 54]  # 110 characters
    assert _comment("a" * 100 + " low-voltage-side") == ["# " + "a" * 100, "# low-voltage-side"]
    assert _comment("") == []


# ------------------------------------------------------------------------------------------ names


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("hv_batt_i", "HIGH_VOLTAGE PACK CURRENT"), ("Zk_U", "LINK VOLTAGE"), ("dcdc_i", "CONVERTER CURRENT"),
        ("n_mot_trg", "SPEED MOTOR TARGET"), ("inv_st", "INVERTER STATE"), ("chg_i_out", "CHARGER CURRENT OUTLET"),
        ("tps_2", "THROTTLE SECOND"), ("brk_sw", "BRAKE"), ("Kl30_U", "AUX VOLTAGE"), ("lv_v", "AUX VOLTAGE"),
        ("rly_neg", "CONTACTOR NEGATIVE"), ("rly_pos", "CONTACTOR POSITIVE"), ("mcu_flt", "INVERTER FAULT"),
        ("oc_err", "OVERCURRENT FAULT"), ("cell_mn", "CELL LOWEST"), ("cell_mx", "CELL HIGHEST"),
        ("i_lim", "CURRENT LIMIT"),
        ("cnt_chk", "OTHER"), ("soh", "OTHER"), ("SOC", "CHARGE_LEVEL"), ("StateOfHealth", "OTHER"),
        ("Kuehlwasserpumpe", "COOLANT PUMP"), ("Ladestecker", ""), ("Netzspannung", "INPUT VOLTAGE"),
        ("MainsPower", "INPUT POWER"), ("pre_charging", "PRECHARGE"), ("dc_bus_u", "LINK VOLTAGE"),
        ("Verriegelung", "LOCK"), ("SteckerVerriegelt", "PLUG LOCK"), ("HottestCell", "HIGHEST CELL"),
        ("niedrigste_Zelle", "LOWEST CELL"), ("ruecklauf_t", "OUTLET TEMPERATURE"), ("tmot", "MOTOR TEMPERATURE"),
        ("idc", "LINK CURRENT"), ("ibatt", "PACK CURRENT"), ("SollstromMotor", "TARGET CURRENT MOTOR"),
    ],
)  # fmt: skip
def test_abbreviations_of_the_trade(name: str, words: str) -> None:
    assert meanings(name) == {Word[word] for word in words.split()}


def test_a_name_without_a_subject_borrows_that_of_its_message() -> None:
    sense = Sense(meanings("Voltage"), meanings("PackCurrent"))
    assert (sense.borrowed, sense.subjects, sense.silent) == (True, {Word.PACK}, False)
    own = Sense(meanings("MotorVoltage"), meanings("Pack"))
    assert (own.borrowed, own.subjects) == (False, {Word.MOTOR})
    assert Sense(frozenset(), frozenset()).silent
    assert not Sense(frozenset(), meanings("Pack")).silent
