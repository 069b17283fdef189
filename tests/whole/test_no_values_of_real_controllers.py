"""What real controllers send in place of a reading: public captures (CC0) kept beside the project, not in it.

What must come out was read off the raw bytes, apart from logscope, and stands in the captures' README.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

import logscope
from logscope.findings import Severity
from logscope.result import Result

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the captures are not at hand")

CAR = """[[can]]
definitions = ["production-car.dbc"]
bus = "can{bus}"
[signals]
dc_link_voltage = "InverterStatus.DcLinkVoltage"
motor_speed = "InverterStatus.SpeedAbs"
battery_voltage = "Batt_HV_Status.Voltage"
battery_current = "Batt_HV_Status.Current"
"""
HYBRID = """[[can]]
definitions = ["plug-in-hybrid.dbc"]
[signals]
dc_link_voltage = "FrontDrive.DcLinkVoltage"
dc_link_voltage_second = "RearDrive.DcLinkVoltage"
battery_voltage = "Battery.PackVoltage"
battery_current = "Battery.PackCurrentRaw"
"""


def checked(folder: Path, log: Path, definitions: str, vehicle: str) -> Result:
    (folder / definitions).write_bytes((CAPTURES / definitions).read_bytes())
    (folder / "v.toml").write_text(vehicle, encoding="utf-8")
    return logscope.check(logscope.read(log), logscope.load_vehicle(folder / "v.toml"))


def as_candump(capture: str, folder: Path) -> Path:
    """The rows of a logger's CSV, whose stamps are whole microseconds, as candump text."""
    path = folder / "log.log"
    with (CAPTURES / capture).open(encoding="utf-8", newline="") as rows, path.open("w", encoding="utf-8") as log:
        for row in csv.DictReader(rows):
            length = int(row["LEN"])
            digits = 8 if row["Extended"] == "true" else 3
            data = "".join(row[f"D{k + 1}"].zfill(2) for k in range(length))
            stamp = int(row["Time Stamp"]) / 1e6
            log.write(f"({stamp:.6f}) can{row['Bus']} {int(row['ID'], 16):0{digits}X}#{data}\n")
    return path


@pytest.fixture(scope="module")
def car(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("car")
    log = as_candump("production-car-power-on.csv", folder)
    return checked(folder, log, "production-car.dbc", CAR.format(bus=0))


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("board")
    log = as_candump("inverter-board-alone.csv", folder)
    return checked(folder, log, "production-car.dbc", CAR.format(bus=1))


@pytest.fixture(scope="module")
def hybrid(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("hybrid")
    return checked(folder, CAPTURES / "plug-in-hybrid-ready.log", "plug-in-hybrid.dbc", HYBRID)


def test_a_board_alone_knows_neither_speed_nor_link(board: Result) -> None:
    """All samples but one: 0xFF00, 16,320 rpm; and 0xFFFF of the link, which once gave a precharge by 65,535 V."""
    marks = {finding.parts[0]: finding for finding in board.findings if finding.kind == "mapping.no_value"}
    assert set(marks) == {"motor_speed", "dc_link_voltage"}
    assert all(finding.severity is Severity.WARNING for finding in marks.values())
    assert "0xFF00" in marks["motor_speed"].title
    assert marks["motor_speed"].measured["count"].value == 1035
    assert not any(finding.kind.startswith(("encoder.", "precharge.")) for finding in board.findings)
    assert {"encoder", "precharge"} <= {item.check for item in board.not_checked}


def test_a_controller_that_wakes_is_no_precharge(car: Result) -> None:
    """The link reads 0 and 4 V at 2.0996 and 2.1096 s, then 122 V again; the one precharge is from 121 to 354 V."""
    (waking,) = [finding for finding in car.findings if finding.kind == "mapping.waking"]
    assert waking.parts == ("dc_link_voltage",)
    assert waking.measured["count"].value == 2
    assert (waking.start_s, waking.end_s) == pytest.approx((2.0996, 2.1096), abs=1e-3)
    (precharge,) = [finding for finding in car.findings if finding.kind.startswith("precharge.")]
    assert precharge.start_s == pytest.approx(2.4386, abs=0.01)
    link = car.signals["dc_link_voltage"]
    before = link.value[link.between(0.0, 2.43)]
    assert before.min() >= 121
    assert abs(before[1:] - before[:-1]).max() <= 1


def test_nothing_else_of_the_car_is_taken_out(car: Result) -> None:
    assert {f.kind for f in car.findings if f.kind.startswith("mapping.no")} == set()
    assert car.signals["motor_speed"].time_s.size == car.signals["dc_link_voltage"].time_s.size + 2 == 1082
    assert car.signals["battery_voltage"].time_s.size == 70


def test_a_batterys_voltage_begins_when_its_controller_has_measured(hybrid: Result) -> None:
    """Four zeros, sixteen times 200.8 V without a flicker, then 315.8 V and on."""
    (waking,) = [finding for finding in hybrid.findings if finding.kind == "mapping.waking"]
    assert waking.parts == ("battery_voltage",)
    assert waking.measured["count"].value == 20
    assert hybrid.signals["battery_voltage"].value.min() > 315
    assert sum(finding.kind.startswith("precharge.") for finding in hybrid.findings) == 1
