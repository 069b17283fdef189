"""A simulated drive played onto a virtual bus as fast as it was driven, recorded, and checked."""

from __future__ import annotations

import time
from pathlib import Path

import can
import numpy as np
import pytest

import logscope
from logscope.capture.frames import Flag, Frames
from logscope.recording.recorder import Recorder, Request
from logscope.recording.specs import can_specs

ROOT = Path(logscope.__file__).parents[1]
_PLAYED_S = (1.5, 4.5)  # precharge and closing, which play in real time
_LATE_S = 0.01  # a drive that is played later than its link is logged is another drive


def _play(frames: Frames, buses: dict[str, can.BusABC]) -> float:
    """Send each frame when it is due; returns by how much the latest was late [s]."""
    late_s = 0.0
    began, first_ns = time.monotonic(), int(frames.time_ns[0])
    for row in range(len(frames)):
        due = began + (int(frames.time_ns[row]) - first_ns) / 1e9
        while (wait := due - time.monotonic()) > 0:
            time.sleep(wait)
        late_s = max(late_s, -wait)
        buses[frames.buses[frames.bus[row]]].send(
            can.Message(
                arbitration_id=int(frames.identifier[row]),
                is_extended_id=bool(frames.flags[row] & Flag.EXTENDED),
                data=frames.data(row),
            )
        )
    return late_s


def test_a_recorded_drive_has_the_findings_of_the_simulators_log(tmp_path: Path) -> None:
    vehicle = logscope.load_vehicle(ROOT / "decoders" / "hazel.toml")
    frames = logscope.read(ROOT / "sample_logs" / "hazel-troubled.log").frames
    kept = np.searchsorted(frames.time_ns, frames.time_ns[0] + np.array(_PLAYED_S) * 1e9)
    cut = tmp_path / "simulated.log"
    lines = (ROOT / "sample_logs" / "hazel-troubled.log").read_text(encoding="ascii").splitlines(keepends=True)
    cut.write_text("".join(lines[slice(*kept)]), encoding="ascii")
    frames = logscope.read(cut).frames
    buses = {name: can.Bus(interface="virtual", channel=f"drive-{name}") for name in frames.buses}
    specs = can_specs([f"{name}=virtual:drive-{name}" for name in frames.buses], {})
    recorder = Recorder(Request(specs, [], tmp_path / "my drive"))
    recorder.start()
    late_s = _play(frames, buses)
    time.sleep(0.3)
    recorder.stop()
    for bus in buses.values():
        bus.shutdown()
    recorded, simulated = (logscope.check(log, vehicle, only="precharge") for log in (tmp_path / "my drive", cut))
    assert recorded.capture.account.frames == len(frames)
    found, expected = ([f for f in r.findings if f.kind.startswith("precharge")] for r in (recorded, simulated))
    assert [f.kind for f in expected] == ["precharge.slow"]
    if late_s > _LATE_S and [f.kind for f in found] != ["precharge.slow"]:
        pytest.skip(f"the machine is too busy to play a drive: a frame was {late_s:.3f} s late")
    assert [f.kind for f in found] == ["precharge.slow"]
    values = [f.measured["time_constant_s"].value for f in (*found, *expected)]
    assert values[0] == pytest.approx(values[1], rel=0.05, abs=late_s if late_s > _LATE_S else 0.0)
