"""A production electric car: on, ready, off. A public capture (CC0) that is kept beside the project, not in it.

What is asserted was read off the raw bytes, apart from logscope, and stands in the README beside the captures.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import logscope
from logscope.findings import Finding

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the capture is not at hand")

VEHICLE = """[[can]]
bus = "can0"
definitions = ["production-car.dbc"]
[can.columns]
time = "Time Stamp"
time_unit = "us"
identifier = "ID"
bus = "Bus"
extended = "Extended"
length = "LEN"
data = ["D1", "D2", "D3", "D4", "D5", "D6", "D7", "D8"]
[signals]
dc_link_voltage = "InverterStatus.DcLinkVoltage"
battery_voltage = "Batt_HV_Status.Voltage"
battery_current = "Batt_HV_Status.Current"
precharge_relay = "Batt_HV_Status.PrechargeRelay"
main_contactor = "BMS_5A3.ContactorClosed"
"""


@pytest.fixture(scope="module")
def findings(tmp_path_factory: pytest.TempPathFactory) -> tuple[Finding, ...]:
    folder = tmp_path_factory.mktemp("car")
    (folder / "production-car.dbc").write_bytes((CAPTURES / "production-car.dbc").read_bytes())
    (folder / "v.toml").write_text(VEHICLE, encoding="utf-8")
    vehicle = logscope.load_vehicle(folder / "v.toml")
    capture = logscope.read(CAPTURES / "production-car-power-on.csv", vehicle=vehicle)
    return logscope.check(capture, vehicle).findings


def _of(findings: tuple[Finding, ...], topic: str) -> list[Finding]:
    return [finding for finding in findings if finding.kind.startswith(topic + ".")]


def test_its_hand_over_between_two_messages_is_sound(findings: tuple[Finding, ...]) -> None:
    """The relay is reported off 6 ms before the contactor is reported on, both every 100 ms."""
    (found,) = _of(findings, "contactor")
    assert found.kind == "contactor.sound"
    assert "precharge relay, main contactor" in found.method


def test_its_waking_controller_makes_no_precharge(findings: tuple[Finding, ...]) -> None:
    """0 and 4 V at 2.10 s come from a controller that wakes; the one precharge goes from 121 to 353.8 V at 2.44 s."""
    (found,) = _of(findings, "precharge")
    assert found.kind == "precharge.complete"
    assert found.start_s == pytest.approx(2.4386, abs=0.02)
    assert found.measured["start_voltage_V"].value == pytest.approx(121, abs=1)
    assert found.measured["end_voltage_V"].value == pytest.approx(353.8, abs=0.5)


def test_its_two_falls_differ_and_their_extrapolation_allows_for_that(findings: tuple[Finding, ...]) -> None:
    """24 s towards zero from 134 V, 31 s from 354 V: what lies between either and 60 V may be as slow as the other."""
    first, second = _of(findings, "dc_link")
    assert first.measured["time_constant_s"].value == pytest.approx(24, abs=1)
    assert second.measured["time_constant_s"].value == pytest.approx(31, abs=1)
    low, high = second.measured["time_to_60V_s"].low, second.measured["time_to_60V_s"].high
    assert low is not None
    assert high is not None
    assert low < 55.1 * 24 / 31 + 2
    assert high > 60
    assert "no single exponential" in second.explanation


def test_no_key_off_is_claimed_where_none_is_in_view(findings: tuple[Finding, ...]) -> None:
    for found in _of(findings, "dc_link"):
        assert "key-off" not in found.title
    first, second = _of(findings, "dc_link")
    assert "after the log begins" in first.title
    assert "after the contactors opened" in second.title
    assert second.start_s == pytest.approx(9.0, abs=0.2)
