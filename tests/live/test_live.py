"""The view of a recording: its verdicts are those of the check afterwards, and it says what it does not know."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from live_runs import differences, judged, watched
from sample_beginnings import beginning

import logscope
from logscope.capture.rows import no_frames
from logscope.capture.serial import read_serial
from logscope.definitions.serial import load_serial_definition
from logscope.live.items import Now
from logscope.live.missing import missing_parts
from logscope.live.picture import Phase, View
from logscope.live.process import LiveProcess
from logscope.live.replayed import slices
from logscope.live.screen import view_lines
from logscope.live.sequence import sequence_of
from logscope.live.view import LiveView
from logscope.live.window import WINDOW_S, Window
from logscope.signals import Encoding, Part, Signals

ROOT = Path(logscope.__file__).parents[1]
LOGS = ROOT / "sample_logs"
HAZEL = ROOT / "decoders" / "hazel.toml"


@cache
def _watched(name: str) -> tuple[LiveView, list[View]]:
    return watched(LOGS / f"{name}.log", logscope.load_vehicle(HAZEL))


@pytest.mark.parametrize("name", ["hazel-troubled", pytest.param("hazel-healthy", marks=pytest.mark.study)])
def test_verdicts_are_those_of_the_check_afterwards(name: str) -> None:
    vehicle = logscope.load_vehicle(HAZEL)
    log = LOGS / f"{name}.log"
    live, pictures = _watched(name)
    findings = judged(log, vehicle)
    assert differences(live.verdicts, findings) == []
    whole = logscope.check(log, vehicle, only=["encoder", "limits"])
    kinds = ("spike", "dropout", "burst", "reversal", "hold")
    counted = sum(
        (f.measured["count"].value or 0) for f in whole.findings if f.kind in {f"encoder.{kind}" for kind in kinds}
    )
    assert sum(count for _, count in pictures[-1].by_minute) == counted
    (precharge,) = (finding for finding in findings if finding.kind.startswith("precharge."))
    first = next(picture.now_s for picture in pictures if picture.verdicts)
    assert first - precharge.end_s <= 0.75  # in the time of the log; the fit itself takes as long again


def test_the_sequence_is_followed_through_a_drive() -> None:
    _, pictures = _watched("hazel-healthy")
    phases = [pictures[0].sequence.phase]
    for picture in pictures:
        if picture.sequence.phase is not phases[-1]:
            phases.append(picture.sequence.phase)
    assert phases == [Phase.OFF, Phase.PRECHARGING, Phase.CLOSED, Phase.LIVE]
    texts = [picture.sequence.text for picture in pictures]
    assert any("% of the pack's" in text and text.startswith("precharging") for text in texts)


def _link(values: list[float], flags: dict[str, list[int]]) -> Signals:
    time_s = np.arange(len(values)) * 0.1

    def part(name: str, value: list[float], unit: str = "") -> Part:
        array = np.array(value, np.float64)
        return Part(name, time_s, array, unit, f"M.{name}", on=array > 0 if not unit else None)

    parts = {"dc_link_voltage": part("dc_link_voltage", values, "V")}
    parts |= {name: part(name, [float(v) for v in value]) for name, value in flags.items()}
    return Signals(parts, 0.0, float(time_s[-1]))


@pytest.mark.parametrize(
    ("values", "flags", "phase"),
    [
        ([2.0] * 30, {"main_contactor": [0] * 30}, Phase.OFF),
        ([320.0] * 20 + [40.0] * 10, {"main_contactor": [1] * 10 + [0] * 20}, Phase.BELOW_60),
        ([320.0] * 30, {"main_contactor": [0] * 30}, Phase.LIVE),
        ([320.0] * 30, {}, Phase.LIVE),
        ([320.0] * 30, {"main_contactor": [1] * 30}, Phase.CLOSED),
        ([100.0] * 30, {"main_contactor": [0] * 30, "precharge_relay": [1] * 30}, Phase.PRECHARGING),
        ([10.0 * k for k in range(30)], {}, Phase.PRECHARGING),
    ],
)
def test_a_phase_is_what_the_readings_say(values: list[float], flags: dict[str, list[int]], phase: Phase) -> None:
    signals = _link(values, flags)
    found = sequence_of(signals, signals.end_s)
    assert found.phase is phase
    if found.link_V is not None and found.link_V < 60:
        assert "proves nothing dead" in found.text


def test_a_reading_that_no_longer_comes_says_nothing() -> None:
    """Whatever it was: a link last seen at 5 V may be live by now."""
    signals = _link([5.0] * 30, {})
    assert sequence_of(signals, signals.end_s + 10).phase is Phase.UNKNOWN
    assert "does not arrive" in sequence_of(signals, signals.end_s + 10).text
    assert sequence_of(Signals({}, 0.0, 1.0), 1.0).phase is Phase.UNKNOWN


def test_a_mark_for_no_value_is_no_voltage() -> None:
    time_s = 0.1 * np.arange(30)
    volts = np.where(time_s < 2.0, 3.0, 6528.0)  # 0xFF00 in tenths
    part = Part("dc_link_voltage", time_s, volts, "V", "M.Link", 0.1, encoding=Encoding(16, False, 0.1, 0.0))
    assert sequence_of(Signals({part.name: part}, 0.0, 2.9), 2.9).phase is Phase.UNKNOWN


def test_what_the_checks_will_need_is_said_before_the_drive() -> None:
    told = list(
        missing_parts({"dc_link_voltage", "motor_speed"}, {"dc_link_voltage", "motor_speed", "battery_voltage"})
    )
    assert any(text.startswith("Battery voltage does not arrive: ") and "precharge" in text for text in told)
    assert any(text.startswith("Main contactor is not mapped: ") for text in told)
    told = list(missing_parts(set(), {"dc_link_voltage"}))
    assert told[0].startswith("DC-link voltage does not arrive: no precharge check; no discharge check")


def test_memory_is_bounded_by_the_window() -> None:
    vehicle = logscope.load_vehicle(HAZEL)
    window = Window(vehicle)
    frames = logscope.read(LOGS / "hazel-healthy.log").frames
    lasts_ns = int(np.ptp(frames.time_ns)) + 1
    sizes = []
    for k in range(6):
        window.add_frames(replace(frames, time_ns=frames.time_ns + k * lasts_ns))
        signals = window.signals()
        sizes.append(sum(part.time_s.size for part in signals.parts.values()))
        assert all(part.time_s[0] >= signals.end_s - WINDOW_S - 1e-6 for part in signals.parts.values())
        assert all(np.all(np.diff(part.time_s) >= 0) for part in signals.parts.values())
    assert 0 < sizes[-1] <= 1.05 * max(sizes[2:4])
    assert window.signals().end_s == pytest.approx(6 * lasts_ns / 1e9, abs=1.0)


def test_nothing_at_all_is_a_view_too() -> None:
    live = LiveView(logscope.load_vehicle(HAZEL))
    live.add_frames(no_frames())
    live.follow()
    live.finish()
    view = live.look()
    assert (view.parts, view.verdicts, view.buses) == ((), (), ())
    assert view.sequence.phase is Phase.UNKNOWN
    assert view_lines(view)


def test_silence_is_seen_by_the_clock_of_the_recording() -> None:
    vehicle = logscope.load_vehicle(HAZEL)
    live = LiveView(vehicle)
    frames = list(slices(logscope.read(LOGS / "hazel-healthy.log"), 4_000_000_000))[2].frames
    live.add_frames(frames)
    live.follow(int(frames.time_ns.max()))
    seen = [part.name for part in live.look().parts if part.rate_Hz > 5]
    assert len(seen) > 10
    assert all(part.arriving for part in live.look().parts if part.name in seen)
    live.follow(int(frames.time_ns.max()) + 20 * 10**9)
    view = live.look()
    assert {part.name for part in view.parts} >= set(seen)
    assert not any(part.arriving for part in view.parts)
    assert [bus.frames_per_s for bus in view.buses] == [0, 0]
    assert any("does not arrive" in text for text in view.missing)


def test_slices_hold_every_frame_and_sample_once(tmp_path: Path) -> None:
    log = LOGS / "hazel-healthy.log"
    (tmp_path / "c.txt").write_text(
        "t,rpm,amps,volts,heatsink,state,fault\n" + "".join(f"{20 * k},{k},1,2,3,Run,0\n" for k in range(500)),
        encoding="utf-8",
    )
    console = read_serial(tmp_path / "c.txt", load_serial_definition(ROOT / "decoders" / "hazel-console.toml"))
    capture = replace(logscope.read(log), serial=(console,))
    pieces = list(slices(capture))
    assert sum(len(piece.frames) for piece in pieces) == len(capture.frames)
    values = np.concatenate([piece.consoles[0].signals["MotorSpeed"].value for piece in pieces])
    assert values.tolist() == list(range(500))
    assert list(slices(replace(capture, blocks=(), serial=()))) == []


@pytest.fixture
def precharged(tmp_path: Path) -> Path:
    """The healthy drive until a while after its precharge."""
    log = tmp_path / "precharged.log"
    log.write_text(beginning("healthy", 10.0), encoding="utf-8")
    return log


def test_a_process_works_the_view_out_and_ends_with_the_last_picture(precharged: Path) -> None:
    """The bit rate is that at which the adapter was opened, of the one bus that has one."""
    process = LiveProcess(HAZEL, [], {"can0": 500_000})
    capture = logscope.read(precharged)
    for piece in slices(capture, 1_000_000_000):
        process.offer([piece.frames, Now(piece.until_ns)])
        time.sleep(0.01)
    view = process.finish(300)
    assert view is not None
    assert [verdict.kind for verdict in view.verdicts] == ["precharge.complete"]
    assert view.frames_left_out == 0
    assert sum(bus.frames for bus in view.buses) == len(capture.frames)
    assert {bus.name: bus.load is not None for bus in view.buses} == {"can0": True, "can1": False}


def test_what_a_slow_view_has_no_room_for_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logscope.live.process._MOST_FRAMES", 10_000)
    process = LiveProcess(HAZEL, [])
    frames = logscope.read(LOGS / "hazel-healthy.log").frames
    process.offer([frames])  # more than there is room for
    process.offer([Now(int(frames.time_ns.max()))])
    view = process.finish(300)
    assert view is not None
    assert view.frames_left_out == len(frames)
    assert any("not in this view" in line for line, _ in view_lines(view))


def _failure(process: LiveProcess) -> str:
    until = time.monotonic() + 60
    while not process.failure and time.monotonic() < until:
        time.sleep(0.05)
    assert process.finish(300) is None
    return process.failure


def test_a_view_that_fails_is_seen(tmp_path: Path) -> None:
    process = LiveProcess(tmp_path / "absent.toml", [])
    process.offer([Now(1)])
    assert "absent.toml" in _failure(process)


def test_a_view_that_cannot_go_on_says_why() -> None:
    """One message on two buses, where the vehicle file does not say which of them is meant."""
    process = LiveProcess(HAZEL, [])
    frames = logscope.read(LOGS / "hazel-healthy.log").frames
    pedals = np.flatnonzero(frames.identifier == 0x120)[:2]
    both = replace(
        frames,
        time_ns=frames.time_ns[pedals], bus=np.array([0, 1], np.uint8), identifier=frames.identifier[pedals],
        flags=frames.flags[pedals], length=frames.length[pedals], offset=frames.offset[pedals],
    )  # fmt: skip
    process.offer([both])
    failure = _failure(process)
    assert "Pedals” occurs more than once" in failure
    assert "hazel.toml" in failure


def _terminal(arguments: list[str], keys: bytes = b"") -> str:
    """What a program shows on a terminal, while keys are pressed after a second."""
    import fcntl
    import struct
    import termios

    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "logscope", *arguments],
        cwd=ROOT, stdin=theirs, stdout=theirs, stderr=theirs, env={**os.environ, "TERM": "xterm"},
    )  # fmt: skip
    os.close(theirs)
    shown, pressed = b"", False
    while True:
        try:
            shown += os.read(ours, 65_536)
        except OSError:
            break
        if keys and not pressed and b"ends" in shown:
            os.write(ours, keys)
            pressed = True
    os.close(ours)
    assert process.wait(60) == 0
    return shown.decode("utf-8", "replace")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals of this kind")
def test_a_log_is_shown_again_on_a_terminal(precharged: Path) -> None:
    shown = _terminal(["replay", str(precharged), "--vehicle", str(HAZEL), "--speed", "30"])
    assert "precharging" in shown
    assert "Precharge complete" in shown
    assert "DC-link voltage" in shown


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals of this kind")
def test_a_recording_on_a_terminal_takes_notes_and_ends_by_q(tmp_path: Path) -> None:
    pytest.importorskip("msgpack")
    out = tmp_path / "my drive"
    arguments = ["record", "--can", "can0=udp_multicast:239.74.163.77", "--vehicle", str(HAZEL), "--out", str(out)]
    shown = _terminal(arguments, b" screen bonded\rq\r")
    assert "Recording for" in shown
    assert "ended by the user" in shown
    described = (out / "drive.toml").read_text(encoding="utf-8")
    assert 'text = "screen bonded"' in described
    assert described.count("[[event]]") == 1
