"""What is known of four public captures (CC0) from their raw bytes holds through the public commands.

Lengths, counts, steps back and spans are those of the README beside the captures, which are kept beside the project,
not in it. Findings that contradict it are wrong.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the captures are not at hand")

Command = Callable[..., tuple[int, str, str]]

HYBRID, CAR, BOARD, REQUESTS = (
    "plug-in-hybrid-ready.log",
    "production-car-power-on.csv",
    "inverter-board-alone.csv",
    "diagnostic-requests.csv",
)
# frames, buses, length [s] and how well it is told, frames stamped earlier than the frame before
KNOWN = {
    HYBRID: (19_871, 2, 5.9, 0.05, 2_854),
    CAR: (39_546, 2, 10.84, 0.005, 1_845),
    BOARD: (9_473, 1, 10.38, 0.005, None),
    REQUESTS: (1_845, 1, 1_057, 0.5, None),
}
ON_CAR = """[[can]]
bus = "can0"
definitions = "production-car.dbc"
[signals]
dc_link_voltage = "InverterStatus.DcLinkVoltage"
precharge_relay = "Batt_HV_Status.PrechargeRelay"
battery_current = "Batt_HV_Status.Current"
battery_voltage = "Batt_HV_Status.Voltage"
main_contactor = "BMS_5A3.ContactorClosed"
"""
ON_HYBRID = """[[can]]
definitions = "plug-in-hybrid.dbc"
[signals]
dc_link_voltage = "FrontDrive.DcLinkVoltage"
dc_link_voltage_second = "RearDrive.DcLinkVoltage"
battery_voltage = "Battery.PackVoltage"
"""


def inventory(command: Command, folder: Path, name: str) -> tuple[dict[str, Any], str]:
    """The inventory of a capture, and what stood on the terminal."""
    target = folder / "inventory.json"
    status, out, err = command("inventory", CAPTURES / name, "--json", target)
    assert (status, err) == (0, "")
    return json.loads(target.read_text(encoding="utf-8")), out


def checked(command: Command, folder: Path, name: str, vehicle: str) -> dict[str, Any]:
    """The result of a check with a vehicle file whose definitions lie beside the captures."""
    for definitions in CAPTURES.glob("*.dbc"):
        (folder / definitions.name).write_bytes(definitions.read_bytes())
    (folder / "v.toml").write_text(vehicle, encoding="utf-8")
    target = folder / "found.json"
    _, _, err = command("check", CAPTURES / name, "--vehicle", folder / "v.toml", "--json", target)
    assert not err
    return json.loads(target.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", KNOWN)
def test_length_frames_and_buses(tmp_path: Path, command: Command, name: str) -> None:
    frames, buses, length_s, within_s, _ = KNOWN[name]
    found, out = inventory(command, tmp_path, name)
    assert (found["frames"], found["lines_bad"], len(found["buses"])) == (frames, 0, buses)
    assert found["duration_s"] == pytest.approx(length_s, abs=within_s)
    assert not found["notes"]  # nothing was guessed, nothing is in doubt
    assert "Note:" not in out


@pytest.mark.parametrize(("name", "vehicle"), [(HYBRID, ON_HYBRID), (CAR, ON_CAR)], ids=["hybrid", "car"])
def test_steps_back_and_stamps_without_a_date(tmp_path: Path, command: Command, name: str, vehicle: str) -> None:
    result = checked(command, tmp_path, name, vehicle)
    capture = result["capture"]
    assert capture["out_of_order"] == KNOWN[name][4]
    assert capture["duration_s"] == pytest.approx(KNOWN[name][2], abs=KNOWN[name][3])
    assert capture["start_utc"] is None
    assert (capture["time_steps"], capture["stamps_repaired"]) == ([], 0)
    kinds = {finding["kind"] for finding in result["findings"]}
    assert not kinds & {"capture.time_unit", "capture.time_step", "bus.two_contents"}


def test_the_scanners_log_has_72_identifiers(tmp_path: Path, command: Command) -> None:
    assert len(inventory(command, tmp_path, REQUESTS)[0]["messages"]) == 72


@pytest.mark.parametrize(
    ("name", "bus", "identifier", "period_s"),
    [
        (CAR, "can0", "524", 0.01),
        (CAR, "can0", "5A3", 0.1),
        (HYBRID, "can1", "288", 0.01),
        (HYBRID, "can1", "289", 0.01),
    ],
)
def test_periods(tmp_path: Path, command: Command, name: str, bus: str, identifier: str, period_s: float) -> None:
    """Of the link voltage in either car, and of the contactor's state."""
    messages = inventory(command, tmp_path, name)[0]["messages"]
    (found,) = [each for each in messages if (each["bus"], each["identifier"]) == (bus, identifier)]
    assert found["period_s"] == pytest.approx(period_s, rel=0.02)


def test_the_batterys_message_is_logged_from_2_18_to_9_08_s(tmp_path: Path, command: Command) -> None:
    result = checked(command, tmp_path, CAR, ON_CAR)
    (silent,) = [each for each in result["findings"] if each["kind"] == "capture.message_silent"]
    assert "Batt_HV_Status from 0.000 to 2.18" in silent["explanation"]
    assert "Batt_HV_Status from 9.07" in silent["explanation"] or "Batt_HV_Status from 9.08" in silent["explanation"]
    assert {"battery_current", "battery_voltage", "precharge_relay"} <= set(silent["parts"])


def test_the_same_identifier_on_two_buses_is_two_messages(tmp_path: Path, command: Command) -> None:
    """0x595 on bus 1 is another message than on bus 0: never mixed, and told where the vehicle file leaves it open."""
    messages = inventory(command, tmp_path, CAR)[0]["messages"]
    assert {each["bus"] for each in messages if each["identifier"] == "595"} == {"can0", "can1"}
    for definitions in CAPTURES.glob("*.dbc"):
        (tmp_path / definitions.name).write_bytes(definitions.read_bytes())
    (tmp_path / "v.toml").write_text(ON_CAR.replace('bus = "can0"\n', ""), encoding="utf-8")
    status, _, err = command("check", CAPTURES / CAR, "--vehicle", tmp_path / "v.toml")
    assert status == 2
    assert "can0:" in err
    assert "can1:" in err


@pytest.mark.parametrize("name", [HYBRID, CAR, BOARD])
def test_tables_cover_the_length(tmp_path: Path, command: Command, name: str) -> None:
    """`decode` puts the last sample where the log ends, to a message's period."""
    definitions = CAPTURES / ("plug-in-hybrid.dbc" if name == HYBRID else "production-car.dbc")
    target = tmp_path / "all.csv"
    status, *_ = command("decode", CAPTURES / name, "--definitions", definitions, "--out", target, "--every", 0.1)
    assert status == 0
    last = target.read_text(encoding="utf-8").splitlines()[-1].split(",")[0]
    assert float(last.strip('"')) == pytest.approx(KNOWN[name][2], abs=0.15)
