"""Consoles in the view: what they send becomes parts while it is recorded, as it is read afterwards."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from crccheck.crc import Crc16Modbus

import logscope
from logscope.capture.serial import read_recorded
from logscope.commands.record import _listener
from logscope.definitions.serial import SerialDefinition, load_serial_definition
from logscope.live.console import GrowingRecords, GrowingText, _by_arrival
from logscope.live.items import Item, Lines, Records
from logscope.live.process import LiveProcess
from logscope.live.view import LiveView
from logscope.recording.intake import Arrived
from logscope.recording.port import SerialBatch
from logscope.recording.recorder import Request
from logscope.recording.specs import serial_specs
from logscope.recording.writers import BinaryConsoleWriter
from logscope.vehicle import Vehicle

DECODERS = Path(logscope.__file__).parents[1] / "decoders"
_START_NS = 1_700_000_000_000_000_000
_EVERY_NS = 20_000_000


def _vehicle(folder: Path, definition: Path, console: str) -> Vehicle:
    (folder / "v.toml").write_text(
        f'[[serial]]\ndefinitions = "{definition.as_posix()}"\n'
        f'[signals]\nmotor_speed = "{console}.MotorSpeed"\ndc_link_voltage = "{console}.DcLinkVoltage"\n',
        encoding="utf-8",
    )
    return logscope.load_vehicle(folder / "v.toml")


def test_console_lines_become_parts(tmp_path: Path) -> None:
    definition = DECODERS / "hazel-console.toml"
    console = GrowingText(load_serial_definition(definition))
    header = b"(1700000000.000000) t,rpm,amps,volts,heatsink,state,fault\n"
    lines = [
        b"(%d.%06d) %d,1830,96.4,318.2,41.5,Run,0\n" % (1_700_000_000 + k // 10, k % 10 * 100_000, k)
        for k in range(1, 50)
    ]
    live = LiveView(_vehicle(tmp_path, definition, "Console"))
    for part in ([header, *lines[:9]], lines[9:]):
        live.add_console(console.feed(Lines(0, b"".join(part))))
    live.follow()
    view = live.look()
    assert {part.name: part.value.replace("\xa0", " ") for part in view.parts} == {
        "motor_speed": "1830 rpm", "dc_link_voltage": "318 V",
    }  # fmt: skip
    assert view.parts[0].rate_Hz == pytest.approx(10, rel=0.05)


def _definition(folder: Path, framing: str) -> Path:
    text = (DECODERS / "hazel-telemetry.toml").read_text(encoding="utf-8")
    if framing != "none":
        text = text.replace('sync = "A5 5A"', f'framing = "{framing}"').replace("checksum_skip_bytes = 2", "")
    (folder / "telemetry.toml").write_text(text, encoding="utf-8")
    return folder / "telemetry.toml"


def _packet(number: int, framing: str) -> bytes:
    """By the formats of struct, crccheck's checksum, the cobs library, and RFC 1055."""
    body = struct.pack("<IhhHBBB", number * 20_000, 1000 + number, 500, 3180, 80, 2, 0)
    body += Crc16Modbus.calcbytes(body, byteorder="little")
    if framing == "cobs":
        return bytes(cobs.encode(body)) + b"\x00"
    if framing == "slip":
        return body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"
    return b"\xa5\x5a" + body


def _batches(framing: str, count: int = 100) -> list[SerialBatch]:
    """A packet every 20 ms, cut at random places, each piece when it was there."""
    random = np.random.default_rng(5)
    found = []
    for number in range(count):
        packet, at = _packet(number, framing), int(random.integers(1, 12))
        found += [
            SerialBatch(piece, _START_NS + number * _EVERY_NS + late * 500_000, 86_806)
            for late, piece in enumerate((packet[:at], packet[at:]))
        ]
    return found


@pytest.mark.parametrize("framing", ["none", "cobs", "slip"])
def test_binary_records_become_the_samples_that_are_read_afterwards(tmp_path: Path, framing: str) -> None:
    definition: SerialDefinition = load_serial_definition(_definition(tmp_path, framing))
    writer, console = BinaryConsoleWriter(tmp_path, "telemetry", 1 << 20), GrowingRecords(definition)
    logs = []
    for batch in _batches(framing):
        writer.write(batch)
        logs.append(console.feed(Records(0, batch.data, batch.arrival_ns)))
    writer.close()
    after = read_recorded([tmp_path / "telemetry-001.bin"], definition)
    shown = 99 if framing == "none" else 100  # the last record may go on, until the next shows that it does not
    for name in ("MotorSpeed", "DcLinkVoltage"):
        value = np.concatenate([log.signals[name].value for log in logs])
        time_ns = np.concatenate([log.signals[name].time_ns for log in logs])
        assert value.tolist() == after.signals[name].value.tolist()[:shown]
        assert np.abs(time_ns - after.signals[name].time_ns[:shown]).max() <= 1.1 * _EVERY_NS
    assert logs[-1].account.lines_bad == 0


def test_a_binary_console_is_shown_while_it_is_recorded(tmp_path: Path) -> None:
    """From what the port gave to the picture that the process of the view sends back."""
    definition = _definition(tmp_path, "cobs")
    _vehicle(tmp_path, definition, "Telemetry")
    specs = serial_specs([f"loop://@115200:{definition}"], [])
    process = LiveProcess(tmp_path / "v.toml", [definition])

    class Shown:
        def __init__(self) -> None:
            self.items: list[Item] = []

        def offer(self, items: list[Item]) -> None:
            self.items += items

    shown: Any = Shown()
    listen = _listener(shown, Request([], specs, tmp_path / "drive"))
    assert listen is not None
    listen([Arrived(0, batch) for batch in _batches("cobs")])
    assert {type(item) for item in shown.items} == {Records}
    process.offer(shown.items)
    view = process.finish(60.0)
    assert view is not None
    parts = {part.name: part.value.replace("\xa0", " ") for part in view.parts}
    assert parts == {"motor_speed": "1099 rpm", "dc_link_voltage": "318 V"}
    assert view.parts[0].rate_Hz == pytest.approx(50, rel=0.05)


def test_a_console_that_is_shown_live_is_timed_by_arrival_whatever_its_definition_counts() -> None:
    """A rate, a counter or a stamp of its own places samples on another clock than the buses beside it."""
    definition = load_serial_definition(DECODERS / "hazel-telemetry.toml")
    counted = definition.model_copy(
        update={"time": definition.time.model_copy(update={"field": "n", "wrap_bits": 16, "rate_Hz": 50.0})}
    )
    seen = _by_arrival(counted).time
    assert (seen.field, seen.wrap_bits, seen.rate_Hz, seen.stamp) == (None, None, None, "epoch")
    assert _by_arrival(counted).signal == definition.signal
