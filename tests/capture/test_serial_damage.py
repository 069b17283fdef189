"""A long log with one line in a hundred damaged: every sound line is read, every damaged one counted.

The checksums are zlib's CRC-32, so that damage cannot pass by chance; a plain text log has none, and is
damaged in ways that cannot be read as numbers.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from serial_definitions import CONSOLE, DELIMITED, RECORD_SIGNALS, closes, defined

from logscope.capture.serial import read_serial

LINES = 100_000
SHARE = 0.01
PERIOD_MS = 10

OTHER = CONSOLE + 'other = ["^boot:"]\n'
PLAIN = DELIMITED.replace(CONSOLE, OTHER)
CHECKED = PLAIN.replace("[time]", '[line_checksum]\nalgorithm = "Crc32IsoHdlc"\nstart = "$"\n[time]').replace(
    "[delimited]", '[delimited]\ncolumns = ["t", "rpm", "udc", "st"]'
)
BINARY = CONSOLE + '[record]\nsync = "A5 5A"\nchecksum = "Crc32IsoHdlc"\n' + RECORD_SIGNALS


def damaged_places(rng):
    """A hundredth of the lines, no two beside each other."""
    return set((3 * rng.choice(LINES // 3, int(LINES * SHARE), replace=False)).tolist())


def with_a_flipped_bit(line, rng, until):
    """One bit of the line changed, in front of `until`, so that it neither becomes nor loses a line end."""
    while True:
        place, bit = int(rng.integers(until)), int(rng.integers(8))
        if line[place] ^ 1 << bit not in b"\r\n":
            return line[:place] + bytes([line[place] ^ 1 << bit]) + line[place + 1 :]


def damaged_text(line, rng, ways):
    """A damaged line with its line end, how many bad and other lines it makes, and whether it takes the next."""
    way = ways[int(rng.integers(len(ways)))]
    cut = int(rng.integers(1, line.rindex(b",")))
    body = line[:-1]
    if way == "flip":
        return with_a_flipped_bit(body, rng, body.rindex(b"*")) + b"\n", 1, 0, False
    if way == "letter":
        place = body.index(b",") + 1
        return body[:place] + b"x" + body[place + 1 :] + b"\n", 1, 0, False
    if way == "truncate":
        return body[:cut] + b"\n", 1, 0, False
    if way == "join":
        return body, 1, 0, True
    if way == "interrupt":
        return body[:cut] + b"boot: console 3\n" + body[cut:] + b"\n", 2, 0, False
    return b"boot: console 3\n", 0, 1, False


@pytest.mark.parametrize(
    ("toml", "ways"),
    [
        (CHECKED, ["flip", "truncate", "join", "interrupt", "boot"]),
        (PLAIN, ["letter", "truncate", "join", "boot"]),
    ],
    ids=["checked", "plain"],
)
def test_a_long_text_log(tmp_path, toml, ways):
    rng = np.random.default_rng(5)
    places = damaged_places(rng)
    content, sound, bad, other, taken = [], [], 0, 0, False
    if toml is PLAIN:
        content, other = [b"t,rpm,udc,st\n"], 1
    for k in range(LINES):
        line = b"%d,%d,%d.%d,%s" % (PERIOD_MS * k, k % 9000, 300 + k % 40, k % 10, b"Run" if k % 7 else b"Off")
        line = b"$%s*%08X\n" % (line, zlib.crc32(line)) if toml is CHECKED else line + b"\n"
        if k in places:
            line, made_bad, made_other, takes_next = damaged_text(line, rng, ways)
            bad, other = bad + made_bad, other + made_other
        elif not taken:
            sound.append(k)
        taken = takes_next if k in places else False
        content.append(line)
    path = tmp_path / "long.log"
    path.write_bytes(b"".join(content))

    log = read_serial(path, defined(toml))
    speed = log.signals["Speed"]
    np.testing.assert_array_equal(speed.time_ns, np.array(sound) * PERIOD_MS * 1_000_000)
    np.testing.assert_array_equal(speed.value, np.array(sound) % 9000)
    assert (log.account.sample_lines, log.account.lines_bad, log.account.other) == (len(sound), bad, other)
    assert closes(log.account)


def test_a_long_binary_log(tmp_path):
    rng = np.random.default_rng(6)
    places = damaged_places(rng)
    content, sound, bad, other = [], [], 0, 0
    for k in range(LINES):
        body = b"\xa5\x5a" + struct.pack("<IhfB", PERIOD_MS * k, k % 9000, 0.5, 1)
        record = body + struct.pack("<I", zlib.crc32(body))
        way = int(rng.integers(4)) if k in places else None
        if way == 0:
            record, bad = with_a_flipped_bit(record, rng, len(record)), bad + 1
        elif way == 1:
            record, bad = record[: int(rng.integers(1, len(record)))], bad + 1
        elif way == 2:
            record, other = record + b"boot: console 3\r\n", other + 1
        elif way == 3:
            record, bad = record + b"\x00\xff\xa5", bad + 1
        if way in (None, 2, 3):
            sound.append(k)
        content.append(record)
    path = tmp_path / "long.bin"
    path.write_bytes(b"".join(content))

    log = read_serial(path, defined(BINARY))
    np.testing.assert_array_equal(log.signals["Speed"].time_ns, np.array(sound) * PERIOD_MS * 1_000_000)
    np.testing.assert_array_equal(log.signals["Speed"].value, np.array(sound) % 9000)
    assert (log.account.sample_lines, log.account.lines_bad, log.account.other) == (len(sound), bad, other)
    assert closes(log.account)
