"""A CAN log and a console log of one drive, each on a clock of its own, on the whole way to the findings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cantools
import numpy as np
import pytest
from clock_study import drive

import logscope
from logscope.arrays import FloatArray
from logscope.errors import LogError, RequestError
from logscope.logs import open_runs
from logscope.vehicle import Vehicle

VEHICLE = """
[[can]]
definitions = "hazel.dbc"
[[serial]]
definitions = "hazel-console.toml"
[signals]
motor_speed = "InverterMotion.MotorSpeed"
motor_speed_second = "Console.MotorSpeed"
"""
EPOCH_S, OFFSET_S, DRIFT = 1772355600.0, 17.3, 60e-6


@dataclass(frozen=True)
class Recording:
    """The two logs, and where the console's zero lies on the CAN log's clock."""

    folder: Path
    can: Path
    console: Path
    vehicle: Vehicle


def _write(folder: Path, decoders: Path, can_speed: FloatArray, console_speed: FloatArray, epoch_s: float) -> Recording:
    for name in ("hazel.dbc", "hazel-console.toml"):
        (folder / name).write_bytes((decoders / name).read_bytes())
    (folder / "v.toml").write_text(VEHICLE, encoding="utf-8")
    message = cantools.database.load_file(folder / "hazel.dbc").get_message_by_name("InverterMotion")
    fields = {signal.name: 0.0 for signal in message.signals}
    lines = []
    for index in range(0, can_speed.size, 10):
        payload = message.encode(fields | {"MotorSpeed": float(round(can_speed[index]))}, strict=False).hex().upper()
        lines.append(f"({epoch_s + index / 1000:.6f}) can0 {message.frame_id:03X}#{payload}")
    (folder / "can.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rows = ["t,rpm,amps,volts,heatsink,state,fault"]
    for index in range(0, console_speed.size, 50):
        own_ms = round(1000 * (index / 1000 - OFFSET_S) / (1 + DRIFT))
        if own_ms >= 0:
            rows.append(f"{own_ms},{console_speed[index]:.0f},0.0,300.0,41.5,Run,0")
    (folder / "console.txt").write_text("\n".join(rows) + "\n", encoding="utf-8")
    vehicle = logscope.load_vehicle(folder / "v.toml")
    return Recording(folder, folder / "can.log", folder / "console.txt", vehicle)


@pytest.fixture
def recording(tmp_path: Path, decoders: Path) -> Recording:
    truth = drive(np.random.default_rng(70), 150.0)
    return _write(tmp_path, decoders, truth, truth, EPOCH_S)


def test_a_console_is_brought_onto_the_clock_of_the_can_log(recording: Recording) -> None:
    capture = logscope.read(recording.can, recording.console, vehicle=recording.vehicle)
    result = logscope.check(capture, recording.vehicle)
    (found,) = [f for f in result.findings if f.kind == "capture.joint_clock"]
    assert found.measured["starts_s"].value == pytest.approx(OFFSET_S, abs=0.06)  # its first line is up to 50 ms later
    assert found.measured["drift_ppm"].value == pytest.approx(1e6 * DRIFT, abs=60)
    assert result.capture.start_utc is not None
    one, other = result.signals["motor_speed"], result.signals["motor_speed_second"]
    there = np.interp(other.time_s, one.time_s, one.value)
    assert np.median(np.abs(there - other.value)) < 6  # 2000 rpm/s over 3 ms


def test_undated_logs_are_brought_together_in_either_order(tmp_path: Path, decoders: Path) -> None:
    truth = drive(np.random.default_rng(71), 150.0)
    recording = _write(tmp_path, decoders, truth, truth, 0.0)
    for logs in ((recording.can, recording.console), (recording.console, recording.can)):
        capture = logscope.read(*logs, vehicle=recording.vehicle)
        assert abs(capture.clocks[0].starts_s) == pytest.approx(OFFSET_S, abs=0.06)


def test_logs_of_different_drives_are_refused_with_the_reason(tmp_path: Path, decoders: Path) -> None:
    rng = np.random.default_rng(72)
    recording = _write(tmp_path, decoders, drive(rng, 120.0), drive(rng, 120.0), EPOCH_S)
    with pytest.raises(LogError, match=r"different clocks.*agree.*--align"):
        logscope.read(recording.can, recording.console, vehicle=recording.vehicle)


def test_an_offset_by_hand_is_taken_as_given(recording: Recording) -> None:
    capture = logscope.read(recording.can, recording.console, vehicle=recording.vehicle, align=[20.0])
    result = logscope.check(capture, recording.vehicle)
    assert result.signals["motor_speed_second"].time_s[0] == pytest.approx(20.0, abs=1e-6)
    (found,) = [f for f in result.findings if f.kind == "capture.joint_clock"]
    assert "by hand" in found.explanation
    assert found.measured["residual_s"].value is None


def test_offsets_that_do_not_fit_the_logs_are_refused(recording: Recording) -> None:
    with pytest.raises(RequestError, match="--align is given 2 times for 2 logs"):
        logscope.read(recording.can, recording.console, vehicle=recording.vehicle, align=[1.0, 2.0])


def test_logs_on_one_clock_stay_as_they_are(sample_logs: Path, decoders: Path, tmp_path: Path) -> None:
    vehicle = logscope.load_vehicle(decoders / "hazel.toml")
    log = sample_logs / "hazel-healthy.log"
    copy = tmp_path / "second.log"
    copy.write_bytes(log.read_bytes())
    assert logscope.read(log, copy, vehicle=vehicle).clocks == ()


def test_console_and_can_log_of_one_run_are_compared_as_one_run(recording: Recording, tmp_path: Path) -> None:
    later = tmp_path / "later.log"
    text = recording.can.read_text(encoding="utf-8").replace("(17723", "(17724")
    later.write_text(text, encoding="utf-8")
    runs = [capture.in_memory() for capture in open_runs([recording.can, later, recording.console], recording.vehicle)]
    files = [capture.account.files for capture in runs]
    assert [len(each) for each in files] == [2, 1]
