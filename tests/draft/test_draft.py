"""A drafted vehicle file against one written by hand, with plain names, and with names that say nothing.

The oracle is decoders/hazel.toml, which was written by hand for the simulated vehicle, and for the public capture what
is known of it. That nothing is stated as sure and wrong matters more than how much is found.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import logscope
from logscope.draft.draft import draft_text, undrafted
from logscope.draft.write import vehicle_text
from logscope.errors import RequestError
from logscope.logs import open_logs
from logscope.vehicle import CanSection

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT.parent / "shared" / "captures"
LOGS = {kind: ROOT / "sample_logs" / f"hazel-{kind}.log" for kind in ("troubled", "healthy")}


def drafted(log: Path, definitions: Path, target: Path) -> str:
    vehicle = undrafted([definitions], target)
    text, _ = draft_text(open_logs([log], vehicle), vehicle)
    target.write_text(text, encoding="utf-8")
    return text


def sure(text: str) -> dict[str, str]:
    """The signals by part that the draft states, not those it comments out."""
    return {part: m if isinstance(m, str) else m["signal"] for part, m in tomllib.loads(text)["signals"].items()}


def doubtful(text: str) -> dict[str, str]:
    return dict(re.findall(r'^# (\w+) += (?:\{ signal = )?"(\w+\.\w+)"', text, re.M))


# What half a minute of driving does not warm: a highest temperature that never changes may as well be a limit.
CONSTANT = {
    "battery_temperature_lowest": "Cells.LowestTemperature",
    "battery_temperature_highest": "Cells.HighestTemperature",
}


def by_hand() -> dict[str, str]:
    """Without what the charger says, which was not plugged in, and what never changes."""
    stated = sure((ROOT / "decoders" / "hazel.toml").read_text(encoding="utf-8"))
    return {part: s for part, s in stated.items() if not part.startswith("charger_") and part not in CONSTANT}


def nameless(text: str, *, texts: bool) -> tuple[str, dict[str, str]]:
    """hazel.dbc with messages and signals numbered; and what each was called."""
    called: dict[tuple[str, str], tuple[str, str]] = {}
    lines = []
    message = ""
    for line in text.splitlines():
        if found := re.match(r"BO_ (\d+) (\w+):", line):
            number, message = found[1], found[2]
            line = line.replace(f" {message}:", f" Msg{number}:")
        elif found := re.match(r" SG_ (\w+)", line):
            short = f"Sig{len(called)}"
            called[number, found[1]] = f"Msg{number}.{short}", f"{message}.{found[1]}"
            line = line.replace(f"SG_ {found[1]} ", f"SG_ {short} ", 1)
        elif found := re.match(r"VAL_ (\d+) (\w+)", line):
            short = called[found[1], found[2]][0].partition(".")[2]
            line = line.replace(f" {found[2]} ", f" {short} ", 1) if texts else ""
        elif line.startswith("CM_"):
            line = ""
        lines.append(line)
    return "\n".join(lines) + "\n", dict(called.values())


@pytest.mark.parametrize("kind", ["troubled", pytest.param("healthy", marks=pytest.mark.study)])
def test_with_plain_names_every_part_is_found_and_none_wrong(kind: str, tmp_path: Path) -> None:
    text = drafted(LOGS[kind], ROOT / "decoders" / "hazel.dbc", tmp_path / "v.toml")
    assert sure(text) == by_hand()
    assert CONSTANT.items() <= doubtful(text).items()


def test_the_draft_says_the_same_of_states_and_faults_as_the_file_by_hand(tmp_path: Path) -> None:
    target = tmp_path / "v.toml"
    drafted(LOGS["troubled"], ROOT / "decoders" / "hazel.dbc", target)
    own, hand = logscope.load_vehicle(target).signals, logscope.load_vehicle(ROOT / "decoders" / "hazel.toml").signals
    for part in ("precharge_relay", "main_contactor", "negative_contactor", "fault"):
        assert own[part] == hand[part]


def test_a_log_can_be_checked_with_the_draft_as_it_is(tmp_path: Path) -> None:
    target = tmp_path / "v.toml"
    drafted(LOGS["troubled"], ROOT / "decoders" / "hazel.dbc", target)
    result = logscope.check(logscope.read(LOGS["troubled"]), logscope.load_vehicle(target))
    assert {"precharge.complete", "trip.overcurrent", "encoder.spike"} <= {f.kind for f in result.findings}


@pytest.mark.parametrize("texts", [True, False])
@pytest.mark.parametrize("kind", LOGS)
def test_with_names_that_say_nothing_what_is_stated_is_right(kind: str, texts: bool, tmp_path: Path) -> None:
    source, called = nameless((ROOT / "decoders" / "hazel.dbc").read_text(encoding="utf-8"), texts=texts)
    (tmp_path / "n.dbc").write_text(source, encoding="utf-8")
    text = drafted(LOGS[kind], tmp_path / "n.dbc", tmp_path / "v.toml")
    found = {part: called[signal] for part, signal in sure(text).items()}
    assert found.items() <= by_hand().items()
    assert found.keys() >= {"dc_link_voltage", "battery_voltage", "motor_speed", "vehicle_speed"}
    # Torque and its target, two currents, the 12 V of supply and converter cannot be told apart by what they do.
    assert not found.keys() & {
        "torque",
        "torque_target",
        "motor_current",
        "battery_current",
        "motor_temperature",
        "aux_voltage",
    }
    assert {"precharge_relay", "main_contactor", "throttle", "aux_voltage"} <= doubtful(text).keys()


@pytest.mark.skipif(not CAPTURES.is_dir(), reason="the capture is not at hand")
def test_of_a_real_vehicle_both_link_voltages_the_pack_and_its_sign_are_found(tmp_path: Path) -> None:
    """Public capture (CC0) of a plug-in hybrid; read off it: the current is negative while the link is charged."""
    text = drafted(CAPTURES / "plug-in-hybrid-ready.log", CAPTURES / "plug-in-hybrid.dbc", tmp_path / "v.toml")
    assert sure(text) == {
        "dc_link_voltage": "FrontDrive.DcLinkVoltage",
        "dc_link_voltage_second": "RearDrive.DcLinkVoltage",
        "battery_voltage": "Battery.PackVoltage",
        "battery_current": "Battery.PackCurrentRaw",
    }
    assert tomllib.loads(text)["signals"]["battery_current"]["scale"] == -1
    logscope.load_vehicle(tmp_path / "v.toml")


def test_what_never_occurs_is_not_proposed(tmp_path: Path) -> None:
    log = tmp_path / "other.log"
    log.write_text("(0.0) can0 7A1#00\n(1.0) can0 7A1#00\n", encoding="utf-8")
    text = drafted(log, ROOT / "decoders" / "hazel.dbc", tmp_path / "v.toml")
    assert sure(text) == {}
    assert doubtful(text) == {}
    assert re.search(r"^# Not found;.* dc_link_voltage, ", text, re.M)
    logscope.load_vehicle(tmp_path / "v.toml")


def test_a_signal_that_two_buses_carry_is_named_with_its_bus(tmp_path: Path) -> None:
    lines = LOGS["healthy"].read_text(encoding="utf-8").splitlines()
    doubled = [copy for line in lines for copy in (line, line.replace(" can0 ", " can5 "))]
    log = tmp_path / "twice.log"
    log.write_text("\n".join(dict.fromkeys(doubled)) + "\n", encoding="utf-8")
    found = sure(drafted(log, ROOT / "decoders" / "hazel.dbc", tmp_path / "v.toml"))
    assert found["dc_link_voltage"] == "can0:InverterHv.DcLinkVoltage"
    assert "dc_link_voltage_second" not in found  # the same message again is no second source
    result = logscope.check(logscope.read(log), logscope.load_vehicle(tmp_path / "v.toml"))
    assert any(f.kind.startswith("precharge.") for f in result.findings)


def test_a_serial_console_is_drafted_too(tmp_path: Path) -> None:
    rows = "".join(f"{12400 + 10 * k},{20 * k},{0.5 * k},318.2,41.5,Run,0\n" for k in range(200))
    log = tmp_path / "console.csv"
    log.write_text("t,rpm,amps,volts,heatsink,state,fault\n" + rows, encoding="utf-8")
    text = drafted(log, ROOT / "decoders" / "hazel-console.toml", tmp_path / "v.toml")
    assert sure(text)["motor_speed"] == "Console.MotorSpeed"
    assert sure(text)["inverter_temperature"] == "Console.HeatSinkTemperature"
    vehicle = logscope.load_vehicle(tmp_path / "v.toml")
    assert logscope.check(logscope.read(log, vehicle=vehicle), vehicle).signals["motor_speed"].value.max() == 3980


def test_definitions_are_named_relative_to_the_draft(tmp_path: Path) -> None:
    (tmp_path / "a folder").mkdir()
    vehicle = undrafted([tmp_path / "defs" / "x.dbc"], tmp_path / "a folder" / "v.toml")
    assert vehicle.can[0].definitions == ("../defs/x.dbc",)
    assert vehicle.vehicle.name == "v"


def test_without_definitions_the_request_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="--definitions"):
        undrafted([], tmp_path / "v.toml")


@given(st.text(), st.text(min_size=1))
def test_any_name_and_path_comes_back_from_the_toml(name: str, path: str) -> None:
    content = tomllib.loads(vehicle_text(name, [CanSection(definitions=(path,))], [], {}, {}, {"driveline": name}))
    assert content["vehicle"]["name"] == name
    assert content["can"][0]["definitions"] == [path]


def test_every_commented_number_is_a_key_of_the_vehicle_file(tmp_path: Path) -> None:
    text = vehicle_text("x", [], [], {}, {}, {})
    filled = re.sub(r"^# (\w+ += )   ", r"\g<1>0.5 ", text, flags=re.M).replace(
        "pole_pairs             = 0.5", "pole_pairs = 2"
    )
    assert "resistance_ohm         = 0.5" in filled
    (tmp_path / "v.toml").write_text(filled, encoding="utf-8")
    assert logscope.load_vehicle(tmp_path / "v.toml").precharge.resistance_ohm == 0.5


@pytest.mark.skipif(not CAPTURES.is_dir(), reason="the capture is not at hand")
@pytest.mark.parametrize("name", ["ContactorState", "StateWord", "Sig7"])
def test_a_contactor_is_found_by_its_moment_whatever_it_is_called(name: str, tmp_path: Path) -> None:
    """Public capture (CC0) of a production car; read off it: the contactor closes as the link has come up."""
    text = (CAPTURES / "production-car.dbc").read_text(encoding="utf-8").replace("ContactorClosed", name)
    (tmp_path / "v.dbc").write_text(text, encoding="utf-8")
    text = drafted(CAPTURES / "production-car-power-on.csv", tmp_path / "v.dbc", tmp_path / "v.toml")
    assert (sure(text) | doubtful(text))["main_contactor"] == f"BMS_5A3.{name}"
    assert "comes on at 2.79 s, when the link is up" in re.sub(r"\n#\s+", " ", text)


def test_of_several_states_without_texts_the_moment_of_each_counts(tmp_path: Path) -> None:
    """0 open, 1 precharging, 2 closed, in one signal of a made log whose link rises from 1.0 s with 0.2 s."""
    dbc = tmp_path / "s.dbc"
    dbc.write_text(
        'VERSION ""\nBU_: X\nBO_ 256 Link: 2 X\n SG_ LinkVoltage : 0|16@1+ (0.1,0) [0|0] "V" X\n'
        'BO_ 257 Box: 1 X\n SG_ Sequence : 0|8@1+ (1,0) [0|0] "" X\n',
        encoding="ascii",
    )
    lines = []
    for k in range(1200):
        t = k / 100
        volts = 3200 * (1 - 2.718281828 ** (-max(t - 1.0, 0.0) / 0.2))
        state = 0 if t < 1.0 else 1 if t < 2.0 else 2
        lines += [f"({t:.6f}) can0 100#{int(volts).to_bytes(2, 'little').hex().upper()}"]
        lines += [f"({t + 0.001:.6f}) can0 101#{state:02X}"] if k % 10 == 0 else []
    log = tmp_path / "s.log"
    log.write_text("\n".join(lines) + "\n", encoding="ascii")
    text = drafted(log, dbc, tmp_path / "v.toml")
    (part,) = (part for part, signal in doubtful(text).items() if signal == "Box.Sequence")
    assert part in ("precharge_relay", "main_contactor")  # it is both, and a draft gives a signal one part
    assert "it may equally be" in text


def test_columns_are_taken_from_a_vehicle_file(tmp_path: Path) -> None:
    """A delimited log that no header explains; the draft checks as it is, from another folder."""
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "h.dbc").write_bytes((ROOT / "decoders" / "hazel.dbc").read_bytes())
    (tmp_path / "own" / "columns.toml").write_text(
        '[[can]]\ndefinitions = "h.dbc"\ncolumns = { time = 1, time_unit = "ms", identifier = 2, data = [3], '
        'delimiter = ";" }\n',
        encoding="utf-8",
    )
    rows = []
    for line in LOGS["healthy"].read_text(encoding="utf-8").splitlines():
        stamp, _, frame = line.split()
        identifier, _, data = frame.partition("#")
        rows.append(f"{float(stamp.strip('()')) * 1000:.3f};{identifier};{data}")
    log = tmp_path / "log.txt"
    log.write_text("\n".join(rows) + "\n", encoding="utf-8")
    like = logscope.load_vehicle(tmp_path / "own" / "columns.toml")
    target = tmp_path / "v.toml"
    known = undrafted([], target, "Hazel", like)
    text, _ = draft_text(open_logs([log], known), known)
    target.write_text(text, encoding="utf-8")
    assert sure(text)["dc_link_voltage"] == "InverterHv.DcLinkVoltage"
    assert logscope.load_vehicle(target).can[0].columns == like.can[0].columns
    assert any(f.kind == "precharge.complete" for f in logscope.check(log, target).findings)


@pytest.mark.skipif(not CAPTURES.is_dir(), reason="the capture is not at hand")
def test_of_another_vehicles_definitions_little_is_proposed(tmp_path: Path) -> None:
    """Definition files of opendbc with a log of another car, which shares some identifiers by chance; the figure is
    how many lines a person can be asked to read, common practice, no published source."""
    collection = pytest.importorskip("opendbc", reason="the open collection is not installed")
    for path in sorted((Path(collection.__file__).parent / "dbc").glob("*.dbc"))[7::15]:
        for log in ("production-car-power-on.csv", "diagnostic-requests.csv"):
            text = drafted(CAPTURES / log, path, tmp_path / "v.toml")
            assert len(re.findall("#   doubtful:", text)) <= 5, (path.name, log)


def test_definitions_of_many_vehicles_are_drafted_without_fault(tmp_path: Path) -> None:
    """The DBC files of the open collection opendbc, with a log in which none of it need occur."""
    collection = pytest.importorskip("opendbc", reason="the open collection is not installed")
    files = sorted((Path(collection.__file__).parent / "dbc").glob("*.dbc"))[::8]
    for number, path in enumerate(files):
        target = tmp_path / f"{number}.toml"
        drafted(LOGS["healthy"], path, target)
        logscope.load_vehicle(target)
