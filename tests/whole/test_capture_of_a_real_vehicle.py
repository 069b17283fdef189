"""A production plug-in hybrid switched to ready: a public capture (CC0) that is kept beside the project, not in it."""

from __future__ import annotations

from pathlib import Path

import pytest

import logscope

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the capture is not at hand")

VEHICLE = """[[can]]
definitions = ["plug-in-hybrid.dbc"]
[signals]
dc_link_voltage = "FrontDrive.DcLinkVoltage"
"""


def _precharges(tmp_path: Path, more: str = ""):  # type: ignore[no-untyped-def]
    (tmp_path / "plug-in-hybrid.dbc").write_bytes((CAPTURES / "plug-in-hybrid.dbc").read_bytes())
    (tmp_path / "v.toml").write_text(VEHICLE + more, encoding="utf-8")
    result = logscope.check(
        logscope.read(CAPTURES / "plug-in-hybrid-ready.log"), logscope.load_vehicle(tmp_path / "v.toml")
    )
    assert result.capture.account.out_of_order == 2854
    return [f for f in result.findings if f.kind.startswith("precharge.")]


def test_its_one_precharge_is_found_where_it_is(tmp_path: Path) -> None:
    """Start 1.16 s, end 316 V, as read off the samples; 98 ms and 65 ms from a two-pole fit made beside the project."""
    (found,) = _precharges(tmp_path)
    assert found.start_s == pytest.approx(1.16, abs=0.03)
    assert found.measured["end_voltage_V"].value == pytest.approx(316, abs=1)


def test_without_rc_its_lag_and_rc_are_not_told_apart(tmp_path: Path) -> None:
    (found,) = _precharges(tmp_path)
    assert found.measured["time_constant_s"].value is None
    assert found.measured["slower_constant_s"].value == pytest.approx(0.098, rel=0.05)
    assert found.measured["faster_constant_s"].value == pytest.approx(0.065, rel=0.05)
    assert "cannot be told apart" in found.title
    assert "S-shaped" in found.explanation


def test_with_rc_the_links_constant_is_found(tmp_path: Path) -> None:
    (found,) = _precharges(tmp_path, "[precharge]\nresistance_ohm = 98\ncapacitance_uF = 1000\n")
    assert found.kind == "precharge.complete"
    assert found.measured["time_constant_s"].value == pytest.approx(0.098, rel=0.05)


def test_its_pack_voltage_may_wake_late(tmp_path: Path) -> None:
    more = VEHICLE.replace(
        '"FrontDrive.DcLinkVoltage"\n', '"FrontDrive.DcLinkVoltage"\nbattery_voltage = "Battery.PackVoltage"\n'
    )
    (tmp_path / "plug-in-hybrid.dbc").write_bytes((CAPTURES / "plug-in-hybrid.dbc").read_bytes())
    (tmp_path / "v.toml").write_text(more, encoding="utf-8")
    result = logscope.check(
        logscope.read(CAPTURES / "plug-in-hybrid-ready.log"), logscope.load_vehicle(tmp_path / "v.toml")
    )
    (found,) = [f for f in result.findings if f.kind.startswith("precharge.")]
    assert found.kind == "precharge.complete"
    assert found.measured["fraction_reached"].value == pytest.approx(1.0, abs=0.02)


def test_the_pack_current_tells_its_rc_from_the_sensing_lag(tmp_path: Path) -> None:
    """Read off the samples: the current falls by 0.705 every 20 ms, that is 57 ms; the nearer constant is RC."""
    more = 'battery_current = "Battery.PackCurrentRaw"\n'
    (found,) = _precharges(tmp_path, more)
    assert found.measured["time_constant_s"].value == pytest.approx(0.0625, rel=0.05)
    assert found.measured["sensing_lag_s"].value == pytest.approx(0.099, rel=0.05)
    assert "battery current" in found.explanation
