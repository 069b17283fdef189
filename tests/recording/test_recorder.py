"""Recordings of real transports: python-can's virtual and multicast buses, a serial-line adapter, the kernel's vcan."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import can
import numpy as np
import pytest
from recording_rigs import (
    CountingPort,
    SerialLineAdapter,
    no_waiting,
    numbers_of,
    pseudo_terminal,
    wait_for,
)
from trials import TRIALS

import logscope
from logscope.errors import LogError, RequestError
from logscope.recording.clock import RecordingClock
from logscope.recording.intake import Intake
from logscope.recording.port import CanBatch
from logscope.recording.recorder import BY_USER, Recorder, Request
from logscope.recording.specs import can_specs

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals of this kind")


def _record(folder: Path, *cans: str, **how: object) -> Recorder:
    recorder = Recorder(Request(can_specs(cans, {}), [], folder, **how))  # type: ignore[arg-type]
    recorder.start()
    return recorder


def _send(bus: can.BusABC, first: int, count: int) -> None:
    for number in range(first, first + count):
        bus.send(can.Message(arbitration_id=0x123, is_extended_id=False, data=number.to_bytes(8, "big")))


@pytest.mark.parametrize("blf", [False, True], ids=["candump", "BLF"])
def test_two_virtual_buses_are_one_recording(tmp_path: Path, blf: bool) -> None:
    buses = [can.Bus(interface="virtual", channel=f"record-{name}") for name in "ab"]
    recorder = _record(tmp_path / "my drive", "can0=virtual:record-a", "can1=virtual:record-b", blf=blf)
    for number in range(100):
        for bus in buses:
            _send(bus, number, 1)
    wait_for(lambda: all(status.count == 100 for status in recorder.status()))
    recorder.note("screen bonded")
    recorder.mark_event()
    recorder.stop()
    for bus in buses:
        bus.shutdown()
    capture = logscope.read(tmp_path / "my drive")
    assert set(capture.frames.buses) == {"can0", "can1"}
    assert sorted(numbers_of(capture.frames)) == sorted(2 * [*range(100)])
    assert (capture.account.lines_bad, capture.account.lost, capture.account.time_steps) == (0, 0, ())
    notes = "\n".join(capture.account.notes)
    assert "recorded on one clock" in notes
    assert "screen bonded" in notes
    assert "event marked at" in notes
    first, second = (capture.frames.time_ns[capture.frames.bus == k] for k in (0, 1))
    assert np.abs(first - second).max() < 50_000_000  # the same moment, on a machine that may be busy


def test_a_multicast_bus_is_recorded(tmp_path: Path) -> None:
    pytest.importorskip("msgpack")
    recorder = _record(tmp_path / "drive", "can0=udp_multicast:239.74.163.41")
    bus = can.Bus(interface="udp_multicast", channel="239.74.163.41")
    _send(bus, 0, 200)
    wait_for(lambda: recorder.status()[0].count >= 200)
    time.sleep(0.3)
    recorder.stop()
    bus.shutdown()
    assert set(range(200)) <= set(numbers_of(logscope.read(tmp_path / "drive").frames))  # other tests may be heard


@needs_pty
def test_a_serial_line_adapter_listens_only_and_is_told_nothing_else(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr("can.interfaces.slcan.time", no_waiting())
    with pseudo_terminal() as (ours, name):
        adapter = SerialLineAdapter(ours)
        recorder = _record(tmp_path / "drive", f"slcan:{name}@500000")
        wait_for(lambda: b"L" in adapter.commands)
        for number in range(50):
            adapter.send(0x123, number.to_bytes(8, "big"))
        wait_for(lambda: recorder.status()[0].count == 50)
        recorder.stop()
        wait_for(lambda: adapter.commands[-1] == b"C")
        adapter.stop()
        assert set(adapter.commands) <= {b"C", b"S6", b"L", b""}
        assert "listens only" in recorder.sources[0].listening
    assert numbers_of(logscope.read(tmp_path / "drive").frames) == list(range(50))


@needs_pty
def test_an_adapter_that_goes_is_waited_for(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """The other end of its line is closed, and another is opened at a link of the same name."""
    import os

    monkeypatch.setattr("can.interfaces.slcan.time", no_waiting())
    link = tmp_path / "adapter"
    with pseudo_terminal() as (ours, name):
        link.symlink_to(name)
        adapter = SerialLineAdapter(ours)
        recorder = _record(tmp_path / "drive", f"slcan:{link}@500000")
        wait_for(lambda: b"L" in adapter.commands)
        adapter.send(0x123, (0).to_bytes(8, "big"))
        wait_for(lambda: recorder.status()[0].count == 1)
        adapter.stop()
        os.close(ours)
        wait_for(lambda: recorder.status()[0].unplugged)
        link.unlink()
    with pseudo_terminal() as (ours, name):
        adapter = SerialLineAdapter(ours)
        link.symlink_to(name)
        wait_for(lambda: not recorder.status()[0].unplugged)
        wait_for(lambda: b"L" in adapter.commands)
        adapter.send(0x123, (1).to_bytes(8, "big"))
        wait_for(lambda: recorder.status()[0].count == 2)
        recorder.stop()
        adapter.stop()
    capture = logscope.read(tmp_path / "drive")
    assert numbers_of(capture.frames) == [0, 1]
    assert any("was unplugged" in note for note in capture.account.notes)


def test_the_kernels_virtual_bus_is_recorded(tmp_path: Path) -> None:
    try:
        bus = can.Bus(interface="socketcan", channel="vcan0", fd=True)
    except (OSError, AttributeError, can.CanError, ImportError) as error:
        pytest.skip(f"this system has no CAN link vcan0 ({error})")
    recorder = _record(tmp_path / "drive", "socketcan:vcan0")
    _send(bus, 0, 500)
    wait_for(lambda: recorder.status()[0].count == 500)
    recorder.stop()
    bus.shutdown()
    assert numbers_of(logscope.read(tmp_path / "drive").frames) == list(range(500))


@pytest.mark.parametrize("trial", TRIALS, ids=lambda trial: trial.__name__)
def test_a_recording_survives(trial, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    if sys.platform == "win32" and trial.__name__ in ("killed", "terminated"):
        pytest.skip("Windows has no such signals")
    trial(tmp_path / "my drive", np.random.default_rng(7))


def test_files_are_rotated_and_read_as_one(tmp_path: Path) -> None:
    clock = RecordingClock()
    port = CountingPort(clock.now_ns, count=200)
    request = Request(can_specs(["virtual:can0"], {}), [], tmp_path / "drive", most_bytes=50_000)
    recorder = Recorder(request, clock, ports={"can0": lambda: port})
    recorder.start()
    wait_for(lambda: port.sent >= 6000)
    recorder.stop()
    names = sorted(path.name for path in (tmp_path / "drive").glob("*.log"))
    assert names[:3] == ["can0-001.log", "can0-002.log", "can0-003.log"]
    capture = logscope.read(tmp_path / "drive")
    assert numbers_of(capture.frames) == list(range(port.sent))
    assert capture.account.out_of_order == 0


def test_what_the_queue_has_no_room_for_is_counted() -> None:
    intake = Intake(1, most_frames=100)
    clock = RecordingClock()
    port = CountingPort(clock.now_ns, count=60, pause_s=0.0)
    for _ in range(3):
        batch = port.read()
        assert isinstance(batch, CanBatch)
        intake.put(0, batch)
    assert intake.lost == [120]
    assert len(intake.take(0.0)) == 1
    assert intake.take(0.0) == []


def test_losses_of_the_queue_are_in_the_account(tmp_path: Path) -> None:
    clock = RecordingClock()
    recorder = Recorder(
        Request(can_specs(["virtual:can0"], {}), [], tmp_path / "drive"),
        clock, ports={"can0": lambda: CountingPort(clock.now_ns)},
    )  # fmt: skip
    recorder.start()
    wait_for(lambda: recorder.status()[0].count > 50)
    recorder._intake.lost[0] += 33
    recorder.stop()
    account = logscope.read(tmp_path / "drive").account
    assert account.lost == 33
    assert any("33 frames or reads of can0 were lost" in note for note in account.notes)


def _counting(folder: Path, **how: object) -> Recorder:
    clock = RecordingClock()
    request = Request(can_specs(["virtual:can0"], {}), [], folder)
    ports = {"can0": lambda: CountingPort(clock.now_ns)}
    return Recorder(request, clock, ports=ports, **how)  # type: ignore[arg-type]


def test_a_defect_while_writing_ends_the_recording_and_is_said(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    recorder = _counting(tmp_path / "drive")
    recorder.start()
    wait_for(lambda: recorder.written_bytes > 1000)
    monkeypatch.setattr(recorder._writers[0], "write", lambda batch: 1 // 0)
    wait_for(recorder.ended.is_set)
    recorder.stop()
    assert "ZeroDivisionError" in recorder.reason
    capture = logscope.read(tmp_path / "drive")
    assert len(capture.frames) > 20
    assert any("ended because of a defect" in note for note in capture.account.notes)


def test_a_view_that_fails_leaves_the_recording_as_it_is(tmp_path: Path) -> None:
    recorder = _counting(tmp_path / "drive", listener=lambda arrived: 1 // 0)
    recorder.start()
    wait_for(lambda: recorder.status()[0].count > 200)
    recorder.stop()
    assert recorder.reason == BY_USER
    assert len(logscope.read(tmp_path / "drive").frames) >= 200


def test_a_driver_that_fails_in_any_way_is_an_outage(tmp_path: Path) -> None:
    clock = RecordingClock()
    faulty = CountingPort(clock.now_ns)
    opened = iter([faulty, CountingPort(clock.now_ns)])
    request = Request(can_specs(["virtual:can0"], {}), [], tmp_path / "drive")
    recorder = Recorder(request, clock, ports={"can0": lambda: next(opened)})
    recorder.start()
    wait_for(lambda: recorder.status()[0].count > 50)
    faulty.read = lambda: 1 // 0  # type: ignore[method-assign,assignment,return-value]
    wait_for(lambda: bool(recorder.sources[0].account.outages) and not recorder.sources[0].unplugged)
    recorder.stop()
    (outage,) = recorder.sources[0].account.outages
    assert "ZeroDivisionError" in outage.reason


def test_a_folder_that_holds_anything_is_refused(tmp_path: Path) -> None:
    (tmp_path / "drive").mkdir()
    (tmp_path / "drive" / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(RequestError, match="not empty"):
        _record(tmp_path / "drive", "virtual:can0")
    with pytest.raises(RequestError, match="a file, not a folder"):
        _record(tmp_path / "drive" / "notes.txt", "virtual:can0")


@pytest.mark.parametrize(
    ("adapter", "why"),
    [
        ("nonsense:0@500000", "no interface “nonsense”"),
        ("slcan:/dev/there-is-none@500000", "cannot be opened"),
        ("slcan:/dev/there-is-none", "a wrong one disturbs the bus"),
        ("socketcan:there-is-none", "no CAN sockets|cannot be opened"),
    ],
)
def test_an_adapter_that_cannot_be_opened_is_refused_and_nothing_is_made(
    tmp_path: Path, adapter: str, why: str
) -> None:
    with pytest.raises(RequestError, match=why):
        _record(tmp_path / "drive", adapter)
    assert not (tmp_path / "drive").exists()


def test_a_description_that_was_spoilt_is_an_error_that_names_it(tmp_path: Path) -> None:
    recorder = _record(tmp_path / "drive", "virtual:can0")
    recorder.stop()
    path = tmp_path / "drive" / "drive.toml"
    good = path.read_text(encoding="utf-8")
    for spoilt in (
        "schema = 2",
        good.replace('form = "candump"', "form = 3"),
        good.replace("[clock]", "clock = 3\n[x]"),
    ):
        path.write_text(spoilt, encoding="utf-8")
        with pytest.raises(LogError, match=r"drive\.toml"):
            logscope.read(tmp_path / "drive")
    path.write_text(good, encoding="utf-8")
    with pytest.raises(LogError, match="holds nothing"):
        logscope.read(tmp_path / "drive")


def test_the_clock_of_a_recording_is_never_set() -> None:
    wall, steady = [1_700_000_000_000_000_000], [5]
    clock = RecordingClock(lambda: steady[0], lambda: wall[0])
    steady[0] += 2_000_000_000
    wall[0] -= 3_600_000_000_000
    assert clock.now_ns() == 1_700_000_002_000_000_000
    assert clock.wall_moved_ns() == -3_602_000_000_000


def test_two_sources_of_one_moment_agree_within_a_millisecond(tmp_path: Path) -> None:
    """A frame on each of two buses, sent at once, many times: as both arrive on one computer."""
    recorder = _record(tmp_path / "drive", "can0=virtual:moment-a", "can1=virtual:moment-b")
    buses = [can.Bus(interface="virtual", channel=f"moment-{name}") for name in "ab"]
    for number in range(200):
        for bus in buses:
            _send(bus, number, 1)
        time.sleep(0.002)
    wait_for(lambda: all(status.count == 200 for status in recorder.status()))
    recorder.stop()
    for bus in buses:
        bus.shutdown()
    frames = logscope.read(tmp_path / "drive").frames
    first, second = (frames.time_ns[frames.bus == k] for k in (0, 1))
    assert np.median(np.abs(first - second)) < 1_000_000
