"""A slip in the vehicle file, on the way from a log to the report: first in the list, and nothing rests on it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import logscope
from logscope.findings import NotChecked, Severity
from logscope.report import model
from logscope.result import Result

ROOT = Path(__file__).parents[2]
LOG = ROOT / "sample_logs" / "hazel-healthy.log"
CAPTURES = ROOT.parent / "shared" / "captures"
captured = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the captures are not at hand")


def checked(tmp_path: Path, old: str, new: str) -> Result:
    """The healthy sample log by Hazel's vehicle file with one line changed."""
    text = (ROOT / "decoders" / "hazel.toml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "hazel.dbc").write_bytes((ROOT / "decoders" / "hazel.dbc").read_bytes())
    (tmp_path / "slipped.toml").write_text(text.replace(old, new), encoding="utf-8")
    return logscope.check(logscope.read(LOG), logscope.load_vehicle(tmp_path / "slipped.toml"))


@pytest.mark.parametrize("scale", [0.1, 1000])
def test_a_link_voltage_at_a_wrong_scale_is_told_first_and_no_check_rests_on_it(tmp_path, scale):
    mapped = f'{{ signal = "InverterHv.DcLinkVoltage", scale = {scale} }}'
    result = checked(tmp_path, '"InverterHv.DcLinkVoltage"', mapped)
    first = json.loads(result.to_json())["findings"][0]
    assert first["kind"] == "mapping.scale"
    assert first["parts"][0] == "dc_link_voltage"
    assert "slipped.toml:10" in first["next_step"]
    assert model.number_findings(result)[0].finding.kind == "mapping.scale"
    assert not [f for f in result.findings if f.kind.startswith(("precharge.", "dc_link."))]
    assert {"precharge", "discharge"} <= {item.check for item in result.not_checked}
    assert "dc_link_voltage" in result.logged
    assert "dc_link_voltage" not in result.signals
    assert "DC-link voltage" in result.to_html()


def test_a_turned_battery_current_takes_energy_and_resistance_out_of_the_report(tmp_path):
    result = checked(tmp_path, '"Pack.Current"', '{ signal = "Pack.Current", scale = -1 }')
    assert result.findings[0].kind == "mapping.sign"
    assert not [f for f in result.findings if f.kind.startswith("battery.")]
    assert NotChecked("contactors", "checked without battery current, which is in doubt", True) in result.not_checked


def test_a_sound_file_raises_no_doubt(tmp_path):
    result = checked(tmp_path, "[vehicle]", "[vehicle]")
    assert not [f for f in result.findings if f.kind.startswith("mapping.") and f.severity is not Severity.INFO]


def test_a_capacitance_that_makes_no_precharge_is_not_expected_of_any(tmp_path):
    result = checked(tmp_path, "resistance_ohm = 150", "resistance_ohm = 0.0015")
    assert result.findings[0].kind == "mapping.configuration"
    assert not [f for f in result.findings if f.kind in ("precharge.slow", "precharge.fast")]


@captured
@pytest.mark.parametrize(
    ("part", "scale"), [("dc_link_voltage", 0.1), ("battery_voltage", 10.0), ("dc_link_voltage", 1.0)]
)
def test_a_slip_is_found_in_a_real_capture_and_none_where_there_is_none(tmp_path, part, scale):
    """A production plug-in hybrid: link and pack at 316 V once joined, as read off the samples."""
    (tmp_path / "v.toml").write_text(
        f"""[[can]]
definitions = ['{CAPTURES / "plug-in-hybrid.dbc"}']
[signals]
dc_link_voltage = {{ signal = "FrontDrive.DcLinkVoltage", scale = {scale if part == "dc_link_voltage" else 1.0} }}
dc_link_voltage_second = "RearDrive.DcLinkVoltage"
battery_voltage = {{ signal = "Battery.PackVoltage", scale = {scale if part == "battery_voltage" else 1.0} }}
""",
        encoding="utf-8",
    )
    result = logscope.check(
        logscope.read(CAPTURES / "plug-in-hybrid-ready.log"), logscope.load_vehicle(tmp_path / "v.toml")
    )
    doubts = [f for f in result.findings if f.kind.startswith("mapping.") and f.severity is Severity.WARNING]
    assert set(result.doubted) == ({part} if scale != 1.0 else set())
    assert bool(doubts) == (scale != 1.0)
