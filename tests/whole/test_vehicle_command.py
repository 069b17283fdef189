"""`logscope vehicle`: what can be checked, the schema of the vehicle file, and slips of the keyboard in one.

Oracle of the schema: the library jsonschema.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import logscope
from logscope.errors import VehicleError
from logscope.parts import PARTS
from logscope.vehicle import load_vehicle
from logscope.vehicle_schema import vehicle_schema

ROOT = Path(logscope.__file__).parents[1]
HAZEL = ROOT / "decoders" / "hazel.toml"
LOG = ROOT / "sample_logs" / "hazel-healthy.log"


Said = Callable[..., str]


@pytest.fixture
def said(command: Callable[..., tuple[int, str, str]]) -> Said:
    """What `logscope vehicle` prints, on one line."""

    def call(*arguments: str | Path) -> str:
        status, printed, _ = command("vehicle", *arguments)
        assert status == 0
        return " ".join(printed.split())

    return call


def test_a_whole_vehicle_file_allows_every_check(said: Said) -> None:
    count = len(logscope.vehicle_readiness(HAZEL).checks)
    assert f"Hazel: {count} of {count} checks can run." in said(HAZEL)
    assert all(each.runs for each in logscope.vehicle_readiness(HAZEL).checks)


def test_what_is_missing_is_named_with_what_it_would_add(said: Said, tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    file.write_text('[signals]\ndc_link_voltage = "InverterHv.DcLinkVoltage"\n', encoding="utf-8")
    text = said(file)
    assert "cannot run battery:" in text
    assert "Map battery voltage and battery current." in text
    assert "main contactor (the moment of closing)" in text
    assert "precharge.capacitance_uF (the expected time constant" in text


def test_limits_are_checked_only_where_one_is_stated(said: Said, tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    mapped = '[signals]\nmotor_current = "InverterCurrent.MotorCurrent"\n'
    file.write_text(mapped, encoding="utf-8")
    text = said(file)
    assert "cannot run limits: how near are the stated limits? Enter one or more of limits.motor_current_A," in text
    file.write_text(f"{mapped}[limits]\nmotor_current_A = 300\n", encoding="utf-8")
    assert "can run limits: how near" in said(file).replace("cannot run", "")


def test_a_log_shows_which_mapped_signals_it_holds(said: Said) -> None:
    text = said(HAZEL, LOG)
    assert "Mapped signals in this log" in text
    assert "Motor speed: InverterMotion.MotorSpeed: 4" in text
    assert "every 10.0" in text


def schema() -> dict[str, Any]:
    return json.loads(vehicle_schema())


def test_the_schema_is_one_and_takes_the_example() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    example = tomllib.loads(HAZEL.read_text(encoding="utf-8"))
    jsonschema.validate(example, schema())
    assert set(schema()["properties"]["signals"]["properties"]) == set(PARTS)


@pytest.mark.parametrize(
    "content",
    [
        "[precharge]\nresistance = 150\n",
        '[signals]\nmotor_sped = "A.B"\n',
        "[limits]\nbattery_max_V = -3\n",
        '[[can]]\nbus = "can0"\nspeed = 5\n',
    ],
)
def test_what_the_program_refuses_the_schema_refuses_too(content: str, tmp_path: Path) -> None:
    file = tmp_path / "v.toml"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(VehicleError):
        load_vehicle(file)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(content), schema())


@pytest.mark.parametrize(
    ("line", "what", "do"),
    [
        ("resistance_ohm = 82 ohm", "text after a number", "Write the number alone: 82."),
        ("resistance_ohm = 1,5", "a number with a decimal comma", "Write a point: 1.5."),
        ('definitions = "C:\\Users\\hazel.dbc"', "a backslash inside double quotes", "Write / instead"),
        ('name = "Hazel', "a quotation mark is missing", "Close the text"),
        ("name = Hazel", "text without quotation marks", 'Write "Hazel".'),
        ("resistance_ohm =", "there is no value after the =", "Fill it in"),
        ("[[can", "not valid TOML", "Correct that line."),
    ],
)
def test_a_slip_of_the_keyboard_is_named_with_what_to_write(line: str, what: str, do: str, tmp_path: Path) -> None:
    file = tmp_path / "v.toml"
    file.write_text(f"# a vehicle\n{line}\n", encoding="utf-8")
    with pytest.raises(VehicleError) as refused:
        load_vehicle(file)
    assert f"v.toml:2: {what}" in str(refused.value)
    assert do in str(refused.value)
