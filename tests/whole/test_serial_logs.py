"""Serial consoles on the whole way, alone and beside a CAN log."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import logscope
from logscope.errors import LogError

VEHICLE = """[[serial]]
definitions = "hazel-console.toml"
[signals]
dc_link_voltage = "Console.DcLinkVoltage"
motor_speed = "Console.MotorSpeed"
motor_current = "Console.MotorCurrent"
fault = "Console.Fault"
[precharge]
resistance_ohm = 150
capacitance_uF = 1000
"""


@pytest.fixture
def console(tmp_path: Path, decoders: Path) -> Path:
    """A console log of a precharge with τ = 150 ms every 20 ms, one boot message and one damaged line in it."""
    (tmp_path / "hazel-console.toml").write_bytes((decoders / "hazel-console.toml").read_bytes())
    (tmp_path / "v.toml").write_text(VEHICLE, encoding="utf-8")
    rng = np.random.default_rng(7)
    lines = ["boot: console 3, build 41", "t,rpm,amps,volts,heatsink,state,fault"]
    for k in range(200):
        charged = 320 * (1 - np.exp(-max(k * 0.02 - 1.0, 0) / 0.15))
        lines.append(f"{1000 + 20 * k},0,0.0,{charged + rng.normal(0, 0.1):.1f},41.5,{'Precharge'},0")
    lines[100] = lines[100][:9] + "\x00#" + lines[100][9:20]
    (tmp_path / "console.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tmp_path


def test_a_precharge_is_judged_from_a_console_log_alone(console: Path) -> None:
    vehicle = logscope.load_vehicle(console / "v.toml")
    result = logscope.check(logscope.read(console / "console.txt", vehicle=vehicle), vehicle)
    (found,) = [f for f in result.findings if f.kind.startswith("precharge.")]
    assert found.kind == "precharge.complete"
    assert found.measured["time_constant_s"].low < 0.15 < found.measured["time_constant_s"].high
    assert found.start_s == pytest.approx(1.0, abs=0.02)


def test_the_account_of_a_console_log_closes(console: Path) -> None:
    vehicle = logscope.load_vehicle(console / "v.toml")
    text = logscope.check(logscope.read(console / "console.txt", vehicle=vehicle), vehicle).to_json()
    c = json.loads(text)["capture"]
    assert c["lines"] == c["frames"] + c["sample_lines"] + c["lines_other"] + c["lines_bad"] == 202
    assert (c["sample_lines"], c["lines_bad"], c["lines_other"]) == (199, 1, 2)


def test_two_clocks_are_not_taken_as_one(console: Path) -> None:
    vehicle = logscope.load_vehicle(console / "v.toml")
    (console / "can.log").write_text("(0.000000) can0 100#00\n(0.500000) can0 100#00\n", encoding="utf-8")
    with pytest.raises(LogError, match="different clocks"):
        logscope.check(logscope.read(console / "console.txt", console / "can.log", vehicle=vehicle), vehicle)
