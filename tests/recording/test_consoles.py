"""Consoles: pyserial's loop, a pseudo-terminal, lines cut anywhere, and what the reader makes of the recording."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st
from recording_rigs import CONSOLE, pseudo_terminal, wait_for, write_console

import logscope
from logscope.capture.serial import read_recorded
from logscope.definitions.serial import load_serial_definition
from logscope.recording.clock import RecordingClock
from logscope.recording.port import SerialBatch, UnpluggedError
from logscope.recording.recorder import Recorder, Request
from logscope.recording.serial_port import SerialPort, open_serial
from logscope.recording.specs import serial_specs
from logscope.recording.writers import BinaryConsoleWriter, StampedLines, StampedLineWriter

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals of this kind")
NS = 1_000_000_000


@given(st.binary(max_size=300), st.lists(st.integers(1, 40), max_size=40))
def test_lines_are_the_same_however_the_bytes_are_cut(data: bytes, cuts: list[int]) -> None:
    lines, out, at = StampedLines(), b"", 0
    for size in [*cuts, len(data)]:
        out += lines.feed(SerialBatch(data[at : at + size], 1700 * NS))
        at += size
    out += lines.rest()
    bare = [line.split(b") ", 1)[1] for line in out.split(b"\n") if line]
    assert bare == [line for line in data.replace(b"\r", b"\n").split(b"\n") if line]


def test_a_line_is_stamped_where_its_first_byte_was() -> None:
    lines = StampedLines()
    text = lines.feed(SerialBatch(b"one\r\ntwo\r\nth", 1_700_000_000 * NS, 1_000_000))
    text += lines.feed(SerialBatch(b"ree\n", 1_700_000_001 * NS, 1_000_000))
    assert text.decode().splitlines() == [
        "(1700000000.000000) one",
        "(1700000000.005000) two",
        "(1700000000.010000) three",
    ]


def test_a_line_without_an_end_is_cut_at_some_time() -> None:
    lines = StampedLines()
    text = b"".join(lines.feed(SerialBatch(b"x" * 1000, k * NS)) for k in range(20))
    assert text.count(b"\n") == 4


def test_what_pyserial_loops_back_is_recorded_and_read(tmp_path: Path) -> None:
    clock = RecordingClock()
    (spec,) = serial_specs([f"loop://@115200:{write_console(tmp_path)}"], [])
    line = serial.serial_for_url("loop://", baudrate=115_200, timeout=0.05)
    folder = tmp_path / "my drive"
    recorder = Recorder(Request([], [spec], folder), clock, ports={spec.name: lambda: SerialPort(line, 115_200, clock)})
    recorder.start()
    sent = []
    for rpm in range(20):
        sent.append(clock.now_ns())
        line.write(b"rpm=%d\r\n" % rpm)
        wait_for(lambda count=line: not count.in_waiting)
    wait_for(lambda: recorder.status()[0].count >= 20 * 7)
    recorder.stop()
    (log,) = logscope.read(folder, vehicle=_vehicle(tmp_path)).serial
    samples = log.signals["MotorSpeed"]
    assert samples.value.tolist() == list(range(20))
    assert np.abs(samples.time_ns - np.array(sent)).max() < 20_000_000
    assert (log.account.lines, log.account.lines_bad) == (20, 0)


def _vehicle(folder: Path) -> Path:
    path = folder / "v.toml"
    text = '[[serial]]\ndefinitions = "console.toml"\n[signals]\nmotor_speed = "Console.MotorSpeed"\n'
    path.write_text(text, encoding="utf-8")
    return path


@needs_pty
def test_a_console_behind_a_pseudo_terminal_is_recorded_and_read_alone(tmp_path: Path) -> None:
    with pseudo_terminal() as (ours, name):
        specs = serial_specs([f"{name}@115200:{write_console(tmp_path)}"], [])
        recorder = Recorder(Request([], specs, tmp_path / "drive"))
        recorder.start()
        os.write(ours, b"boot: 3\r\n" + b"".join(b"rpm=%d\r\n" % k for k in range(50)))
        wait_for(lambda: recorder.status()[0].count >= 50 * 7)
        recorder.stop()
        os.set_blocking(ours, False)
        with pytest.raises(BlockingIOError):
            os.read(ours, 1)  # nothing was sent to it
    (log,) = logscope.read(tmp_path / "drive", vehicle=_vehicle(tmp_path)).serial
    assert log.signals["MotorSpeed"].value.tolist() == list(range(50))


@needs_pty
def test_a_console_that_must_be_asked_gets_its_text_once(tmp_path: Path) -> None:
    with pseudo_terminal() as (ours, name):
        specs = serial_specs([f"{name}@115200:{write_console(tmp_path)}"], ["start"])
        recorder = Recorder(Request([], specs, tmp_path / "drive"))
        recorder.start()
        assert os.read(ours, 100) == b"start\r\n"
        recorder.stop()
    assert "sent once to console: start" in (tmp_path / "drive" / "drive.toml").read_text(encoding="utf-8")


@needs_pty
def test_a_port_whose_device_goes_is_unplugged() -> None:
    with pseudo_terminal() as (ours, name):
        (spec,) = serial_specs_of(name)
        port = open_serial(spec, RecordingClock())
        os.close(ours)
        with pytest.raises(UnpluggedError):
            port.read()
        port.close()


def serial_specs_of(name: str):  # type: ignore[no-untyped-def]
    from logscope.recording.specs import SerialSpec

    return (SerialSpec("console", name, 115_200, Path("console.toml")),)


_WITH_CLOCK = CONSOLE.replace("[time]\nrate_Hz = 10", '[time]\nfield = "t"\nunit = "ms"\nwrap_bits = 32')


def test_a_consoles_own_clock_is_put_onto_the_arrivals(tmp_path: Path) -> None:
    """Known truth: a counter 0.3 % fast, from a start of its own, through a lead that delays by up to 16 ms."""
    definition = load_serial_definition(write_console(tmp_path, _WITH_CLOCK))
    random = np.random.default_rng(8)
    truth = 1_700_000_000 * NS + np.arange(3000) * 20_000_000
    ticks = np.floor((truth - truth[0]) / 1e6 * 1.003).astype(int) + 4_294_960_000  # its counter wraps on the way
    writer = StampedLineWriter(tmp_path, "console", 20_000)  # in several files
    arrival = np.maximum.accumulate(truth + random.integers(0, 16_000_000, truth.size))
    for k in range(truth.size):
        writer.write(SerialBatch(b"t=%d rpm=%d\n" % (ticks[k] % (1 << 32), k), int(arrival[k])))
    writer.close()
    assert len(writer.names) > 2
    samples = read_recorded([tmp_path / name for name in writer.names], definition).signals["MotorSpeed"]
    assert samples.value.tolist() == list(range(3000))
    error_ms = (samples.time_ns - truth) / 1e6
    assert np.abs(error_ms[200:]).max() < 4
    assert np.sqrt(np.mean(error_ms[200:] ** 2)) < 0.3 * np.sqrt(np.mean(((arrival - truth)[200:] / 1e6) ** 2))


def test_a_console_that_restarts_stays_where_its_lines_arrived(tmp_path: Path) -> None:
    definition = load_serial_definition(write_console(tmp_path, _WITH_CLOCK))
    writer = StampedLineWriter(tmp_path, "console", 1 << 20)
    truth = 1_700_000_000 * NS + np.concatenate([np.arange(100), 190 + np.arange(100)]) * 20_000_000
    for k, at in enumerate(truth.tolist()):
        writer.write(SerialBatch(b"t=%d rpm=%d\n" % (50_000 + 20 * k if k < 100 else 20 * (k - 100), k), at))
    writer.close()
    log = read_recorded([tmp_path / "console-001.txt"], definition)
    assert log.account.resets == 1
    assert np.abs(log.signals["MotorSpeed"].time_ns - truth).max() < 2_000_000


_BINARY = """[console]
name = "Telemetry"

[record]
sync = "A5 5A"
checksum = "sum8"

[time]
field = "Ticks"
unit = "ms"
wrap_bits = 16

[[signal]]
name = "Ticks"
type = "u16"

[[signal]]
name = "MotorSpeed"
unit = "rpm"
type = "i16"
"""


def test_a_binary_console_is_put_onto_the_arrivals(tmp_path: Path) -> None:
    definition = load_serial_definition(write_console(tmp_path, _BINARY))
    writer = BinaryConsoleWriter(tmp_path, "telemetry", 1 << 20)
    truth = 1_700_000_000 * NS + np.arange(2000) * 10_000_000
    for k, at in enumerate(truth.tolist()):
        body = b"\xa5\x5a" + (10 * k % 65_536).to_bytes(2, "little") + k.to_bytes(2, "little")
        whole = body + bytes([sum(body) % 256])
        writer.write(SerialBatch(whole[:4], at))
        writer.write(SerialBatch(whole[4:], at + 300_000))
    writer.close()
    log = read_recorded([tmp_path / "telemetry-001.bin"], definition)
    assert log.signals["MotorSpeed"].value.tolist() == list(range(2000))
    error_ms = (log.signals["MotorSpeed"].time_ns - truth) / 1e6
    assert np.abs(error_ms).max() < 25
