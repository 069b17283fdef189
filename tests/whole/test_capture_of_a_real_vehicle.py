"""A production plug-in hybrid switched to ready: a public capture (CC0) that is kept beside the project, not in it."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

import logscope
from logscope.findings import Finding

CAPTURES = Path(__file__).parents[3] / "shared" / "captures"
pytestmark = pytest.mark.skipif(not CAPTURES.is_dir(), reason="the capture is not at hand")

VEHICLE = """[[can]]
definitions = ["plug-in-hybrid.dbc"]
[signals]
dc_link_voltage = "FrontDrive.DcLinkVoltage"
"""


def _precharges(more: str = "", vehicle: str = VEHICLE) -> tuple[Finding, ...]:
    return _led_to_by(vehicle + more)


@cache
def _led_to_by(vehicle: str) -> tuple[Finding, ...]:
    """The precharges by a vehicle file; each file is checked once."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "plug-in-hybrid.dbc").write_bytes((CAPTURES / "plug-in-hybrid.dbc").read_bytes())
        (folder / "v.toml").write_text(vehicle, encoding="utf-8")
        log = logscope.read(CAPTURES / "plug-in-hybrid-ready.log")
        result = logscope.check(log, logscope.load_vehicle(folder / "v.toml"))
    assert result.capture.account.out_of_order == 2854
    return tuple(f for f in result.findings if f.kind.startswith("precharge."))


def test_its_one_precharge_is_found_where_it_is() -> None:
    """Start 1.16 s, end 316 V, as read off the samples; 98 ms and 65 ms from a two-pole fit made beside the project."""
    (found,) = _precharges()
    assert found.start_s == pytest.approx(1.16, abs=0.03)
    assert found.measured["end_voltage_V"].value == pytest.approx(316, abs=1)


def test_without_rc_its_lag_and_rc_are_not_told_apart() -> None:
    (found,) = _precharges()
    assert found.measured["time_constant_s"].value is None
    # Three poles, fitted to the raw samples beside the project: 102, 58 and 14 ms leave what rounding does, 0.29 V.
    assert found.measured["slower_constant_s"].value == pytest.approx(0.102, rel=0.03)
    assert found.measured["faster_constant_s"].value == pytest.approx(0.058, rel=0.06)
    assert found.measured["fit_residual_V"].value == pytest.approx(0.29, abs=0.02)
    assert "cannot be distinguished" in found.title
    assert "S-shaped" in found.method


def test_two_readings_of_its_one_link_do_not_exclude_each_other() -> None:
    """Two inverters measure the same link; neither shows a closing, for the raw samples have no step."""
    one, other = (
        _precharges(vehicle=VEHICLE.replace("FrontDrive", name))[0].measured for name in ("FrontDrive", "RearDrive")
    )
    for name in ("slower_constant_s", "faster_constant_s"):
        assert one[name].low < other[name].high
        assert other[name].low < one[name].high
    assert one["fraction_at_close"].value is None
    assert other["fraction_at_close"].value is None


def test_with_rc_the_links_constant_is_found() -> None:
    (found,) = _precharges("[precharge]\nresistance_ohm = 98\ncapacitance_uF = 1000\n")
    assert found.kind == "precharge.complete"
    assert found.measured["time_constant_s"].value == pytest.approx(0.098, rel=0.05)


def test_its_pack_voltage_may_wake_late() -> None:
    (found,) = _precharges('battery_voltage = "Battery.PackVoltage"\n')
    assert found.kind == "precharge.complete"
    assert found.measured["fraction_reached"].value == pytest.approx(1.0, abs=0.02)


def test_the_pack_current_tells_its_rc_from_the_sensing_lag() -> None:
    """Read off the samples: the current falls by 0.705 every 20 ms, that is 57 ms, as one of the two constants."""
    more = 'battery_current = "Battery.PackCurrentRaw"\n'
    (found,) = _precharges(more)
    assert found.measured["time_constant_s"].value == pytest.approx(0.058, rel=0.06)
    assert found.measured["sensing_lag_s"].value == pytest.approx(0.102, rel=0.03)
    assert "battery current" in found.method


def test_the_precharge_of_a_production_car_is_found_with_its_constant(tmp_path: Path) -> None:
    """Read off the raw samples: from 2.4386 s, 121 to 353.8 V, with 37.4 to 37.9 ms; 0 and 4 V at 2.1 s are a boot."""
    (tmp_path / "production-car.dbc").write_bytes((CAPTURES / "production-car.dbc").read_bytes())
    (tmp_path / "v.toml").write_text(
        '[[can]]\ndefinitions = ["production-car.dbc"]\n[signals]\ndc_link_voltage = "InverterStatus.DcLinkVoltage"\n',
        encoding="utf-8",
    )
    log = logscope.read(CAPTURES / "production-car-power-on.csv")
    found = logscope.check(log, logscope.load_vehicle(tmp_path / "v.toml")).findings
    (precharge,) = [f for f in found if f.kind.startswith("precharge.")]
    assert precharge.start_s == pytest.approx(2.4386, abs=0.02)
    assert precharge.measured["start_voltage_V"].value == pytest.approx(121, abs=1.5)
    assert precharge.measured["end_voltage_V"].value == pytest.approx(353.8, abs=1)
    tau = precharge.measured["time_constant_s"]
    assert tau.value == pytest.approx(0.03765, rel=0.03)
    assert tau.low < 0.0379
    assert tau.high > 0.0374
