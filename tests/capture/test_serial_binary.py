"""Binary serial logs, written with struct, crccheck and cobs, and read back."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from crccheck import checksum, crc
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_definitions import CONSOLE, RECORD_SIGNALS, closes, defined

from logscope.capture.serial import read_serial, sniff
from logscope.capture.serial_assemble import assemble
from logscope.capture.serial_binary import read_binary
from logscope.definitions.serial import load_serial_definition

DECODERS = Path(__file__).parents[2] / "decoders"
SYNC = b"\xa5\x5a"
ORDERS = {"little": "<", "big": ">"}
SAMPLES = st.tuples(
    st.integers(-(2**15), 2**15 - 1),
    st.floats(width=32, allow_nan=False, allow_infinity=False),
    st.integers(0, 255),
)


def definition(framing="none", order="little", algorithm="Crc16Modbus", extra=""):
    sync = 'sync = "A5 5A"\n' if framing == "none" else ""
    check = f'checksum = "{algorithm}"\n' if algorithm else ""
    return defined(
        f'{CONSOLE}[record]\nframing = "{framing}"\norder = "{order}"\n{sync}{check}{extra}' + RECORD_SIGNALS
    )


def reference(algorithm):
    name = {"sum8": "Checksum8", "xor8": "ChecksumXor8"}.get(algorithm, algorithm)
    return getattr(crc, name, None) or getattr(checksum, name)


def record(tick, speed, current, state, order="little", algorithm="Crc16Modbus", sync=SYNC):
    body = sync + struct.pack(f"{ORDERS[order]}IhfB", tick, speed, current, state)
    return body + bytes(reference(algorithm).calcbytes(body, byteorder=order)) if algorithm else body


def slip(packet):
    return packet.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"  # RFC 1055


FRAMED = {"none": bytes, "cobs": lambda packet: cobs.encode(packet) + b"\x00", "slip": slip}


def read(content, known, block=None):
    block = block or len(content) or 1
    parts = [content[k : k + block] for k in range(0, len(content), block)]
    return assemble(known, *read_binary(parts, known, "telemetry.bin"))


@settings(max_examples=80)
@given(
    samples=st.lists(SAMPLES, max_size=12),
    framing=st.sampled_from(list(FRAMED)),
    order=st.sampled_from(list(ORDERS)),
    algorithm=st.sampled_from(
        ["Crc16Modbus", "Crc8", "Crc32IsoHdlc", "Crc24OpenPgp", "Crc64Xz", "sum8", "xor8", "Checksum16"]
    ),
    block=st.integers(1, 200),
)
def test_records_come_back_as_they_were_packed(samples, framing, order, algorithm, block):
    sync = SYNC if framing == "none" else b""
    packed = [FRAMED[framing](record(10 * k, *sample, order, algorithm, sync)) for k, sample in enumerate(samples)]
    log = read(b"".join(packed), definition(framing, order, algorithm), block)
    assert (log.account.sample_lines, log.account.lines) == (len(samples), len(samples))
    for place, name in enumerate(["Speed", "Current", "State"]):
        assert log.signals[name].value.tolist() == [sample[place] for sample in samples]
        assert (log.signals[name].time_ns // 10_000_000).tolist() == list(range(len(samples)))


@settings(max_examples=150)
@given(
    pieces=st.lists(
        st.one_of(
            st.binary(max_size=40),
            st.sampled_from(
                [SYNC, b"\x00", b"\xc0\xdb", record(5, 1, 2.0, 1), record(9, 1, math.nan, 1), b"boot 3\r\n"]
            ),
        )
    ),
    framing=st.sampled_from(list(FRAMED)),
    algorithm=st.sampled_from(["Crc16Modbus", None]),
    block=st.integers(1, 64),
)
def test_any_bytes_are_accounted_for(pieces, framing, algorithm, block):
    content = b"".join(pieces)
    known = definition(framing, algorithm=algorithm)
    log = read(content, known, block)
    assert closes(log.account)
    assert log.account.sample_lines == read(content, known).account.sample_lines
    assert log.account.lines == read(content, known).account.lines
    for samples in log.signals.values():
        assert np.isfinite(samples.value).all()
    sniff(content, known)


@pytest.mark.parametrize("block", [None, 7])
def test_damage_is_counted_and_the_next_record_found(block):
    sound = [record(10 * k, k, 0.5, 1) for k in range(9)]
    flipped = bytearray(sound[2])
    flipped[5] ^= 0x10
    content = (
        sound[0] + sound[1] + bytes(flipped) + sound[3] + sound[4][:9] + sound[5]
        + b"boot: 3\r\n" + sound[6] + b"\xff\x00" + sound[7] + sound[8][:-1]
    )  # fmt: skip
    log = read(content, definition(), block)
    assert log.signals["Speed"].value.tolist() == [0, 1, 3, 5, 6, 7]
    assert (log.account.sample_lines, log.account.lines_bad, log.account.other) == (6, 4, 1)
    assert [bad.line for bad in log.account.bad] == [3, 5, 9, 11]


def test_a_sync_inside_a_record_does_not_mislead():
    tick = int.from_bytes(SYNC * 2, "little")
    content = b"".join(record(tick + k, -23131, 0.0, 0) for k in range(5))  # −23131 is 5AA5 as i16
    assert read(content, definition()).account.sample_lines == 5
    assert read(content, definition()).account.lines_bad == 0


def test_without_a_checksum_a_record_needs_a_sync_behind_it():
    sound = [record(10 * k, k, 0.5, 1, algorithm=None) for k in range(6)]
    log = read(sound[0] + sound[1][:6] + sound[2] + sound[3] + b"??" + sound[4] + sound[5], definition(algorithm=None))
    assert log.signals["Speed"].value.tolist() == [0, 2, 4, 5]
    assert log.account.lines_bad == 2


def test_a_length_byte_tells_how_long_a_record_is():
    extra = "length_at_byte = 2\nlength_adds = 5\nchecksum_skip_bytes = 2\n"

    def varied(body):
        covered = bytes([len(body)]) + body
        return SYNC + covered + bytes(crc.Crc16Modbus.calcbytes(covered, byteorder="little"))

    long = struct.pack("<IhfB", 10, 7, 0.5, 1)
    log = read(varied(long) + varied(long[:6]) + b"\xa5" + varied(long), definition(extra=extra), block=5)
    assert len(log.signals["Speed"]) == 3
    assert len(log.signals["Current"]) == 2  # the short record ends before it
    assert (log.account.sample_lines, log.account.lines_bad) == (3, 1)


@pytest.mark.parametrize("block", [None, 1, 15, 16, 17, 20])
def test_a_whole_record_inside_another_is_not_a_record_of_its_own(block):
    def packed(body):
        covered = SYNC + bytes([len(body)]) + body
        return covered + bytes(crc.Crc16Modbus.calcbytes(covered, byteorder="little"))

    outer = packed(packed(struct.pack("<Ih", 10, 7)))
    log = read(outer * 3, definition(extra="length_at_byte = 2\nlength_adds = 5\n"), block)
    assert (log.account.sample_lines, log.account.lines_bad) == (3, 0)


def test_a_damaged_record_of_printable_bytes_is_no_text():
    known = defined(CONSOLE + '[record]\nsync = "24 54"\nchecksum = "sum8"\n' + RECORD_SIGNALS)
    sound = record(10, 1, 0.5, 1, algorithm="sum8", sync=b"$T")
    log = read(sound + b"$T" + b"0" * (len(sound) - 2) + sound + b"ready\n" + sound, known)
    assert (log.account.sample_lines, log.account.lines_bad, log.account.other) == (3, 1, 1)


@pytest.mark.parametrize("framing", ["cobs", "slip"])
def test_a_damaged_packet_costs_no_other(framing):
    packets = [FRAMED[framing](record(10 * k, k, 0.5, 1, sync=b"")) for k in range(5)]
    packets[1] = packets[1][3:]
    packets[3] = packets[3][:4] + bytes([packets[3][4] ^ 1]) + packets[3][5:]
    log = read(b"".join(packets), definition(framing), block=6)
    assert log.signals["Speed"].value.tolist() == [0, 2, 4]
    assert (log.account.lines, log.account.lines_bad) == (5, 2)


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("u8", "B"),
        ("i8", "b"),
        ("u16", "H"),
        ("i16", "h"),
        ("u32", "I"),
        ("i32", "i"),
        ("u64", "Q"),
        ("i64", "q"),
        ("f32", "f"),
        ("f64", "d"),
    ],
)
@pytest.mark.parametrize("order", ["little", "big"])
def test_every_type_is_read_as_struct_packs_it(kind, code, order):
    known = defined(
        f'{CONSOLE}[record]\nsync = "A5"\nlength_bytes = 12\n[time]\nrate_Hz = 10\n'
        f'[[signal]]\nname = "X"\ntype = "{kind}"\nat_byte = 2\norder = "{order}"\nscale = 0.5\noffset = 1\n'
    )
    raw = 100 if kind[0] == "u" else -100
    content = (b"\xa5\xee" + struct.pack(ORDERS[order] + code, raw)).ljust(12, b"\xee") * 3
    log = read(content, known)
    assert log.signals["X"].value.tolist() == [raw * 0.5 + 1] * 3
    assert log.signals["X"].time_ns.tolist() == [0, 100_000_000, 200_000_000]


def test_a_file_is_read_in_blocks_and_looks_like_its_definition(tmp_path):
    path = tmp_path / "drive 1.bin"
    content = b"".join(record(10 * k, k % 9000, 0.5, 1) for k in range(2000))
    path.write_bytes(content)
    assert sniff(content[:999], definition())
    assert not sniff(b"t,rpm\n1,2\n", definition())
    assert read_serial(path, definition()).account.sample_lines == 2000


def test_values_that_are_infinite_are_left_out_and_noted():
    log = read(record(0, 1, math.inf, 0) + record(10, 1, math.nan, 0) + record(20, 1, 2.0, 0), definition())
    assert log.signals["Current"].value.tolist() == [2.0]
    assert log.account.notes == ("Console.Current: 1 infinite values were left out",)


def test_the_example_of_the_telemetry_is_read_as_it_says():
    example = load_serial_definition(DECODERS / "hazel-telemetry.toml")
    ticks = [2**32 - 10_000, 0, 10_000]  # µs, across the counter's end
    bodies = [struct.pack("<IhhHBBB", tick, -1830, 964, 3182, 81, 2, 3) for tick in ticks]
    log = read(b"".join(SYNC + b + crc.Crc16Modbus.calcbytes(b, byteorder="little") for b in bodies), example)
    assert {name: samples.value[0] for name, samples in log.signals.items() if name != "Uptime"} == pytest.approx(
        {
            "MotorSpeed": -1830,
            "MotorCurrent": 96.4,
            "DcLinkVoltage": 318.2,
            "HeatSinkTemperature": 41,
            "State": 2,
            "Fault": 3,
        }
    )
    assert np.diff(log.signals["Fault"].time_ns).tolist() == [10_000_000, 10_000_000]
