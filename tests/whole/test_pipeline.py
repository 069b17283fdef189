"""From a log to findings: the stages together."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import logscope
from logscope.errors import LogError, VehicleError
from logscope.vehicle import Vehicle


def _vehicle(folder: Path, *changes: tuple[str, str]) -> Vehicle:
    text = (folder / "small.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "changed.toml").write_text(text, encoding="utf-8")
    return logscope.load_vehicle(folder / "changed.toml")


def _part(folder: Path, name: str, *changes: tuple[str, str]):  # type: ignore[no-untyped-def]
    return logscope.check(logscope.read(folder / "small.log"), _vehicle(folder, *changes)).signals[name]


def test_a_mapped_signal_arrives_in_its_unit(folder: Path) -> None:
    volts = _part(folder, "dc_link_voltage")
    assert volts.value == pytest.approx([1000.0, 1000.1])
    assert volts.time_s == pytest.approx([0.0, 0.02])
    assert (volts.unit, volts.step, volts.source) == ("V", 0.1, "Link.Voltage")


def test_scale_turns_a_signal_round(folder: Path) -> None:
    speed = _part(folder, "motor_speed", ('"Link.Speed"', '{ signal = "Link.Speed", scale = -1 }'))
    assert speed.value.tolist() == [-5.0, 5.0]


def test_units_are_converted_into_the_parts_unit(folder: Path) -> None:
    """pint: 5 rad/s is 47.746 rpm; the mph of a definition becomes km/h."""
    text = (folder / "small.dbc").read_text(encoding="utf-8")
    (folder / "small.dbc").write_text(text.replace('"rpm"', '"rad/s"'), encoding="utf-8")
    assert _part(folder, "motor_speed").value == pytest.approx([47.7465, -47.7465], abs=1e-3)


def test_readings_beyond_any_quantity_are_none(folder: Path) -> None:
    """By a damaged scale; left in, they would run over in the first square."""
    text = (folder / "small.dbc").read_text(encoding="utf-8")
    assert "(0.1,0)" in text
    (folder / "small.dbc").write_text(text.replace("(0.1,0)", "(1e300,0)"), encoding="utf-8")
    result = logscope.check(logscope.read(folder / "small.log"), _vehicle(folder))
    assert "dc_link_voltage" not in result.signals


def test_a_unit_that_cannot_be_converted_names_both(folder: Path) -> None:
    text = (folder / "small.dbc").read_text(encoding="utf-8")
    (folder / "small.dbc").write_text(text.replace('"rpm"', '"A"'), encoding="utf-8")
    with pytest.raises(VehicleError, match=r"changed\.toml:7: .*Link\.Speed is in “A”.*rpm"):
        _part(folder, "motor_speed")


def test_a_signal_without_unit_is_taken_in_the_parts_unit_and_the_report_says_so(folder: Path) -> None:
    text = (folder / "small.dbc").read_text(encoding="utf-8")
    (folder / "small.dbc").write_text(text.replace('"rpm"', '""'), encoding="utf-8")
    result = logscope.check(logscope.read(folder / "small.log"), _vehicle(folder))
    assert any("Link.Speed has no unit" in note for note in result.capture.account.notes)


@pytest.mark.parametrize(
    ("wrong", "hint"),
    [
        ("Link.Voltag", "Did you mean “Voltage”?"),
        ("Lnk.Voltage", "Did you mean “Link”?"),
        ("can7:Link.Voltage", ""),
    ],
)
def test_an_unknown_signal_names_the_line_and_the_nearest(folder: Path, wrong: str, hint: str) -> None:
    if wrong.startswith("can7"):  # definitions without a bus serve every bus, so the name is right
        assert _vehicle(folder, ('"Link.Voltage"', f'"{wrong}"'))
        return
    with pytest.raises(VehicleError) as error:
        _part(folder, "dc_link_voltage", ('"Link.Voltage"', f'"{wrong}"'))
    assert "changed.toml:6:" in str(error.value)
    assert hint in str(error.value)


def test_states_and_faults_are_read_by_their_texts(folder: Path) -> None:
    contactor, fault = _part(folder, "main_contactor"), _part(folder, "fault")
    assert contactor.on is not None
    assert contactor.on.tolist() == [True]
    assert fault.label(float(fault.value[0])) == "Overcurrent"
    assert fault.overcurrent.tolist() == [True]
    assert fault.healthy.tolist() == [False]


def test_an_unknown_enumeration_text_suggests_the_nearest(folder: Path) -> None:
    with pytest.raises(VehicleError, match="Did you mean “Closed”"):
        _part(folder, "main_contactor", ('["Closed"]', '["closd"]'))


def test_overcurrent_can_be_a_bit(folder: Path) -> None:
    fault = _part(folder, "fault", ('"Status.Fault"', '{ signal = "Status.Fault", overcurrent_bits = [1] }'))
    assert fault.overcurrent.tolist() == [True]
    fault = _part(folder, "fault", ('"Status.Fault"', '{ signal = "Status.Fault", overcurrent_bits = [2] }'))
    assert fault.overcurrent.tolist() == [False]


def test_a_message_on_two_buses_must_be_named_with_its_bus(folder: Path) -> None:
    with (folder / "small.log").open("a", encoding="utf-8") as log:
        log.write("(0.030000) can1 100#00000000\n")
    with pytest.raises(VehicleError, match=r"“can0:Link\.Voltage” or “can1:Link\.Voltage”"):
        _part(folder, "dc_link_voltage", ('motor_speed = "Link.Speed"', ""))
    volts = _part(
        folder, "dc_link_voltage", ('"Link.Voltage"', '"can1:Link.Voltage"'), ('motor_speed = "Link.Speed"', "")
    )
    assert volts.value.tolist() == [0.0]


def test_a_check_without_its_parts_is_listed_with_the_reason(folder: Path) -> None:
    result = logscope.check(logscope.read(folder / "small.log"), _vehicle(folder, ('motor_speed = "Link.Speed"', "")))
    reasons = {entry.check: entry.reason for entry in result.not_checked}
    assert "no signal is mapped to motor_speed" in reasons["encoder"]
    assert "never rises" in reasons["precharge"]


def test_a_mapped_message_that_never_comes_is_said(folder: Path) -> None:
    (folder / "small.log").write_text("(0.0) can0 101#00\n(1.0) can0 101#00\n", encoding="utf-8")
    result = logscope.check(logscope.read(folder / "small.log"), _vehicle(folder))
    assert any("Link does not occur in the log" in entry.reason for entry in result.not_checked)


def test_a_mapped_message_that_never_comes_on_its_bus_names_the_bus(folder: Path) -> None:
    vehicle = _vehicle(folder, ("[[can]]", '[[can]]\nbus = "can7"'))
    result = logscope.check(logscope.read(folder / "small.log"), vehicle)
    assert any("Link does not occur in the log on bus “can7”" in entry.reason for entry in result.not_checked)


def test_a_bus_given_as_a_number_is_answered_with_how_buses_are_named(folder: Path) -> None:
    with pytest.raises(VehicleError, match=r"a bus is named by text, .*such as \"can1\""):
        _vehicle(folder, ("[[can]]", "[[can]]\nbus = 1"))


def test_the_account_closes(folder: Path) -> None:
    with (folder / "small.log").open("a", encoding="utf-8") as log:
        log.write("(0.03) can0 100#0000\nrubbish\n\n(0.04) can0 7FF#00\n(0.05) can0 20000004#00\n(0.06) can0 100#R\n")
    result = logscope.check(logscope.read(folder / "small.log"), _vehicle(folder))
    c = json.loads(result.to_json())["capture"]
    assert c["frames"] == sum(
        c[k] for k in ("frames_decoded", "frames_undefined", "frames_undecodable", "error_frames", "remote_frames")
    )
    assert (c["lines"], c["lines_bad"], c["frames"]) == (9, 1, 7)
    assert (c["frames_undecodable"], c["frames_undefined"], c["error_frames"], c["remote_frames"]) == (1, 1, 1, 1)


def test_logs_with_dates_and_logs_without_do_not_mix(folder: Path) -> None:
    (folder / "dated.log").write_text("(1772355600.0) can0 100#00000000\n", encoding="utf-8")
    with pytest.raises(LogError, match="different clocks"):
        logscope.check(logscope.read(folder / "small.log", folder / "dated.log"), _vehicle(folder))


def test_all_messages_decode_to_dataframes(folder: Path) -> None:
    tables = logscope.decode(logscope.read(folder / "small.log"), definitions=[folder / "small.dbc"], labels=True)
    assert tables["Link"].index.name == "time_s"
    assert tables["Link"]["Speed"].tolist() == [5.0, -5.0]
    assert tables["Status"]["Fault"].tolist() == ["Overcurrent"]


def test_the_order_of_the_logs_does_not_matter(folder: Path) -> None:
    (folder / "later.log").write_text("(0.040000) can0 100#00000000\n", encoding="utf-8")
    vehicle = _vehicle(folder)
    one, other = (
        logscope.check(logscope.read(*(folder / name for name in names)), vehicle).signals["dc_link_voltage"]
        for names in (("small.log", "later.log"), ("later.log", "small.log"))
    )
    assert np.array_equal(one.value, other.value)
    assert np.array_equal(one.time_s, other.time_s)
