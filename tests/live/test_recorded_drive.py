"""A simulated drive played onto a virtual bus as fast as it was driven, recorded, and checked."""

from __future__ import annotations

import time
from pathlib import Path

import can
import numpy as np

import logscope
from logscope.capture.frames import Flag, Frames
from logscope.recording.recorder import Recorder, Request
from logscope.recording.specs import can_specs

ROOT = Path(logscope.__file__).parents[1]
_PLAYED_S = 6.0  # up to the first metres: key, precharge, closing


def _play(frames: Frames, buses: dict[str, can.BusABC]) -> None:
    began, first_ns = time.monotonic(), int(frames.time_ns[0])
    for row in range(len(frames)):
        due = began + (int(frames.time_ns[row]) - first_ns) / 1e9
        while (wait := due - time.monotonic()) > 0:
            time.sleep(wait)
        buses[frames.buses[frames.bus[row]]].send(
            can.Message(
                arbitration_id=int(frames.identifier[row]),
                is_extended_id=bool(frames.flags[row] & Flag.EXTENDED),
                data=frames.data(row),
            )
        )


def test_a_recorded_drive_has_the_findings_of_the_simulators_log(tmp_path: Path) -> None:
    vehicle = logscope.load_vehicle(ROOT / "decoders" / "hazel.toml")
    frames = logscope.read(ROOT / "sample_logs" / "hazel-troubled.log").frames
    kept = int(np.searchsorted(frames.time_ns, frames.time_ns[0] + round(_PLAYED_S * 1e9)))
    cut = tmp_path / "simulated.log"
    lines = (ROOT / "sample_logs" / "hazel-troubled.log").read_text(encoding="ascii").splitlines(keepends=True)
    cut.write_text("".join(lines[:kept]), encoding="ascii")
    frames = logscope.read(cut).frames
    buses = {name: can.Bus(interface="virtual", channel=f"drive-{name}") for name in frames.buses}
    specs = can_specs([f"{name}=virtual:drive-{name}" for name in frames.buses], {})
    recorder = Recorder(Request(specs, [], tmp_path / "my drive"))
    recorder.start()
    _play(frames, buses)
    time.sleep(0.3)
    recorder.stop()
    for bus in buses.values():
        bus.shutdown()
    recorded, simulated = (logscope.check(log, vehicle, only="precharge") for log in (tmp_path / "my drive", cut))
    assert recorded.capture.account.frames == len(frames)
    kinds = [[f.kind for f in result.findings if f.kind.startswith("precharge")] for result in (recorded, simulated)]
    assert kinds[0] == kinds[1] == ["precharge.slow"]
    constants = [
        next(f for f in result.findings if f.kind == "precharge.slow").measured["time_constant_s"]
        for result in (recorded, simulated)
    ]
    assert constants[0].value is not None
    assert constants[1].value is not None
    assert abs(constants[0].value / constants[1].value - 1) < 0.05
