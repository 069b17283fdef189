"""candump -L text: the published grammar, odd lines, damage, and blocks of any size."""

from __future__ import annotations

import gzip
import io
import lzma
import zipfile
from pathlib import Path

import can
import numpy as np
import pytest
from can_messages import closes, row_of, rows_of
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture import candump, text
from logscope.capture.frames import Flag
from logscope.capture.open import Capture, read

EXT, RTR, ERR, FD = Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD
BRS, ESI, TX = Flag.BITRATE_SWITCH, Flag.ERROR_STATE, Flag.TRANSMITTED

# Sample lines of the socketcan crate's documentation and of candump's own help, written by real candumps
PUBLISHED = """\
(1735270496.916858) can0 110#00112233
(1735270588.936508) can0 120##500112233445566778899AABB
(1735279041.257318) can1 104#R
(1735279048.349278) can1 110#R4
(1469439874.299654) can1 104#
(1436509052.249713) can0 123#DEADBEEF
"""

# Source: the comments on parse_canframe in can-utils' lib.h; error class bits: Linux can/error.h, which holds
# where python-can knows bus errors alone (0x80). Columns: line, identifier, flags, data, length.
SOUND = [
    ("(0.000001) can0 000#", 0, 0, "", 0),
    ("(1.5) can0 7ff#aBcD", 0x7FF, 0, "abcd", 2),
    ("(1.5) can0 7#01", 7, 0, "01", 1),
    ("(1.5) can0 1F334455#1122334455667788", 0x1F334455, EXT, "1122334455667788", 8),
    ("(1.5) can0 00000123#11", 0x123, EXT, "11", 1),
    ("(1.5) can0 123#11.22.33", 0x123, 0, "112233", 3),
    ("(1.5) can0 123#112233445566.77.88", 0x123, 0, "1122334455667788", 8),
    ("(1.5) can0 123#R", 0x123, RTR, "", 0),
    ("(1.5) can0 123#r5", 0x123, RTR, "", 5),
    *((f"(1.5) can0 123#R{length}", 0x123, RTR, "", length) for length in range(9)),
    ("(1.5) can0 123#R8_9", 0x123, RTR, "", 8),
    ("(1.5) can0 123#R8_F", 0x123, RTR, "", 8),
    ("(1.5) can0 00000123#R8", 0x123, EXT | RTR, "", 8),
    ("(1.5) can0 123#1122334455667788_E", 0x123, 0, "1122334455667788", 8),
    ("(1.5) can0 123#1122334455667788_9", 0x123, 0, "1122334455667788", 8),
    ("(1.5) can0 123##0", 0x123, FD, "", 0),
    ("(1.5) can0 123##1112233", 0x123, FD | BRS, "112233", 3),
    ("(1.5) can0 123##2112233", 0x123, FD | ESI, "112233", 3),
    ("(1.5) can0 123##5" + "AB" * 12, 0x123, FD | BRS, "AB" * 12, 12),
    ("(1.5) can0 12345678##F" + "0F" * 64, 0x12345678, EXT | FD | BRS | ESI, "0F" * 64, 64),
    ("(1.5) can0 20000004#0004000000000000", 4, ERR, "0004000000000000", 8),
    ("(1.5) can0 20000040#0000000000000000", 0x40, ERR, "00" * 8, 8),
    ("(1.5) can0 20000088#0000041900000000", 0x88, ERR, "0000041900000000", 8),
    ("(1.5) can0 123#1122 R", 0x123, 0, "1122", 2),
    ("(1.5) can0 123#1122 T", 0x123, TX, "1122", 2),
    ("  (1.5)   can0  123#1122  ", 0x123, 0, "1122", 2),
    ("\t(1.5)\tcan0\t123#1122\tT\t", 0x123, TX, "1122", 2),
]

BAD = [
    ("hello", "no timestamp"),
    ("can0 123#11", "no timestamp"),
    ("DROPCOUNT: gibberish", "no timestamp"),
    ("(1.5", "timestamp cannot be read"),
    ("(1.) can0 123#11", "timestamp cannot be read"),
    ("(15) can0 123#11", "timestamp cannot be read"),
    ("(-1.5) can0 123#11", "timestamp cannot be read"),
    ("(9999999999.5) can0 123#11", "timestamp cannot be read"),
    ("(123456789012345678901.5) can0 123#11", "timestamp cannot be read"),
    ("(1.5)", "no bus name"),
    ("(1.5) can0", "no bus name"),
    ("(1.5) can0 ", "no identifier"),
    ("(1.5) can0 #11", "no identifier"),
    ("(1.5) can0 123", "no identifier"),
    ("(1.5) can0 123456789#11", "no identifier"),
    ("(1.5) can0 12G#11", "no identifier"),
    ("(1.5) can0 800#11", "out of range"),
    ("(1.5) can0 40000000#11", "out of range"),
    ("(1.5) can0 123#112", "odd number"),
    ("(1.5) can0 123#1Z", "another character"),
    ("(1.5) can0 123#11_9", "another character"),
    ("(1.5) can0 123#1122334455667788_8", "another character"),
    ("(1.5) can0 123##", "another character"),
    ("(1.5) can0 123#112233445566778899", "more than 8 bytes"),
    ("(1.5) can0 123##1" + "00" * 9, "cannot have this many bytes"),
    ("(1.5) can0 123##1" + "00" * 65, "cannot have this many bytes"),
    ("(1.5) can0 123#1122 X", "unexpected text"),
    ("(1.5) can0 123#1122 T T", "unexpected text"),
    ("(1.5) can0 45123#81:00:12345678#11223344556677", "XL"),
    ("(1.5) can0 20000080#R", "remote request"),
    ("(1.5) can0 123#R9", ""),
    ("(1.5) can0 123#R12", ""),
    ("(1.5) can0 123#RA", ""),
    ("(1.5) " + "n" * 40 + " 123#11", "bus name that is too long"),
    ("\x00\x00\x00\x00", "no timestamp"),
]


def read_text(folder: Path, content: str | bytes) -> Capture:
    path = folder / "drive 1.log"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return Capture(tuple(candump.blocks(path)))


@pytest.mark.parametrize(("line", "identifier", "flags", "data", "length"), SOUND)
def test_line_of_the_grammar(tmp_path: Path, line: str, identifier: int, flags: int, data: str, length: int) -> None:
    capture = read_text(tmp_path, line + "\n")
    assert rows_of(capture.frames) == [("can0", identifier, int(flags), bytes.fromhex(data), length)]
    assert closes(capture)


@pytest.mark.parametrize(("line", "reason"), BAD)
def test_bad_line_is_counted_and_named(tmp_path: Path, line: str, reason: str) -> None:
    capture = read_text(tmp_path, f"(1.0) can0 1#\n{line}\n(2.0) can0 2#\n")
    account = capture.account
    assert (account.frames, account.lines_bad, account.lines) == (2, 1, 3)
    assert account.bad[0].line == 2
    assert reason in account.bad[0].reason
    assert closes(capture)


def test_published_lines_equal_python_can(tmp_path: Path) -> None:
    with can.CanutilsLogReader(io.StringIO(PUBLISHED)) as reader:
        expected = list(reader)
    capture = read_text(tmp_path, PUBLISHED)
    assert rows_of(capture.frames) == [row_of(message) for message in expected]
    np.testing.assert_allclose(capture.frames.time_ns / 1e9, [m.timestamp for m in expected], rtol=0, atol=1e-6)
    assert capture.account.out_of_order == 2  # the samples were not recorded in this order


@pytest.mark.parametrize(
    ("stamp", "time_ns"),
    [
        ("0.000000", 0),
        ("239.164800", 239_164_800_000),
        ("1.5", 1_500_000_000),
        ("0000000012.000001", 12_000_001_000),
        ("1735270496.916858", 1_735_270_496_916_858_000),
        ("1735270496.916858123", 1_735_270_496_916_858_123),  # nanosecond stamps
        ("1735270496.9168581239", 1_735_270_496_916_858_123),  # what is below 1 ns is dropped
        ("1735270496.91685", 1_735_270_496_916_850_000),
        ("9000000000.999999", 9_000_000_000_999_999_000),
    ],
)
def test_stamps_are_exact(tmp_path: Path, stamp: str, time_ns: int) -> None:
    assert read_text(tmp_path, f"({stamp}) can0 1#\n").frames.time_ns.tolist() == [time_ns]


def test_notes_of_lost_frames_are_counted_and_no_frames(tmp_path: Path) -> None:
    """The note's wording is candump.c's."""
    lines = (
        "(1.0) can0 1#\n"
        "DROPCOUNT: dropped 1 CAN frame on 'can0' socket (total drops 1)\n"
        "DROPCOUNT: dropped 41 CAN frames on 'can1' socket (total drops 42)\n"
    )
    account = read_text(tmp_path, lines).account
    assert (account.lost, account.frames, account.other, account.lines_bad) == (42, 1, 2, 0)


def test_blank_and_comment_lines_are_no_frames(tmp_path: Path) -> None:
    account = read_text(tmp_path, "\n  \t\n# drive\n; note\n(1.0) can0 1#\n\r\n").account
    assert (account.lines, account.other, account.frames, account.lines_bad) == (6, 5, 1, 0)


def test_several_buses_and_every_line_end(tmp_path: Path) -> None:
    lines = [f"({k}.0) {bus} 1#0{k}" for k, bus in enumerate(["can0", "vcan1", "can0", "slcan", "vcan1"])]
    expected = rows_of(read_text(tmp_path, "\n".join(lines) + "\n").frames)
    assert [row[0] for row in expected] == ["can0", "vcan1", "can0", "slcan", "vcan1"]
    assert rows_of(read_text(tmp_path, "\r\n".join(lines) + "\r\n").frames) == expected
    assert rows_of(read_text(tmp_path, b"\xef\xbb\xbf" + "\n".join(lines).encode()).frames) == expected


def test_more_buses_than_can_be_told_apart_are_bad_lines(tmp_path: Path) -> None:
    capture = read_text(tmp_path, "".join(f"(1.0) bus{k} 1#\n" for k in range(70)))
    assert len(capture.frames.buses) == 64
    assert capture.account.lines_bad == 6


def test_last_line_without_its_end_is_read_and_said(tmp_path: Path) -> None:
    capture = read_text(tmp_path, "(1.0) can0 1#1122\n(2.0) can0 1#11")
    assert [row[3].hex() for row in rows_of(capture.frames)] == ["1122", "11"]
    assert "no line end" in capture.account.notes[0]
    assert read_text(tmp_path, "(1.0) can0 1#1122\n(2.0) can0 1#112").account.lines_bad == 1


LONG = "".join(f"({k // 1000}.{k % 1000:06d}) can{k % 3} {k % 2048:03X}#{k:08X}\n" for k in range(4000))


def packed(kind: str, content: bytes) -> bytes:
    if kind == "zip":
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("logs/", "")
            archive.writestr("logs/drive.log", content)
        return file.getvalue()
    return gzip.compress(content) if kind == "gzip" else lzma.compress(content)


@pytest.mark.parametrize("kind", ["gzip", "xz", "zip"])
def test_packed_log_equals_plain_one_whatever_its_name(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "drive.txt"
    path.write_bytes(packed(kind, LONG.encode()))
    assert rows_of(read(path).frames) == rows_of(read_text(tmp_path, LONG).frames)


@pytest.mark.parametrize("kind", ["gzip", "xz"])
def test_cut_packed_log_gives_what_comes_before_the_cut(tmp_path: Path, kind: str) -> None:
    whole = packed(kind, LONG.encode())
    path = tmp_path / "drive.log.gz"
    path.write_bytes(whole[: len(whole) * 2 // 3])
    capture = read(path)
    rows = rows_of(capture.frames)
    assert 1000 < len(rows) < 4000
    assert rows == rows_of(read_text(tmp_path, LONG).frames)[: len(rows)]  # no line that the cut goes through
    assert any("cut short" in note for note in capture.account.notes)
    assert closes(capture)


@pytest.mark.parametrize("size", [1, 2, 3, 50, 1000, 1 << 20])
def test_block_size_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    content = LONG[:3000] + "x" * 500 + "\n" + LONG[3000:6000]  # a line longer than most blocks
    whole = read_text(tmp_path, content)
    monkeypatch.setattr(text, "BLOCK_BYTES", size)
    parts = read_text(tmp_path, content)
    assert rows_of(parts.frames) == rows_of(whole.frames)
    np.testing.assert_array_equal(parts.frames.time_ns, whole.frames.time_ns)
    assert parts.account == whole.account


def test_stamps_that_go_back_are_counted_across_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "BLOCK_BYTES", 10)
    account = read_text(tmp_path, "(2.0) can0 1#\n(1.0) can0 1#\n(1.0) can0 1#\n(3.0) can0 1#\n(2.0) can0 1#\n").account
    assert account.out_of_order == 2


def _written(folder: Path, content: bytes) -> Path:
    path = folder / "any.log"
    path.write_bytes(content)
    return path


PACKED = (b"PK", b"\x1f\x8b", b"\xfd7zXZ")  # a packed file is refused with a reason if damaged
ANY_TEXT = st.binary(max_size=300).filter(lambda content: not content.startswith(PACKED)) | st.text(
    "()0123456789.# canRTDF:_\n\r\t", max_size=300
).map(str.encode)


@given(content=ANY_TEXT)
def test_any_bytes_close_the_account(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    capture = Capture(tuple(candump.blocks(_written(tmp_path_factory.getbasetemp(), content))))
    assert closes(capture)


FRAME = st.builds(
    lambda s, us, bus, extended, identifier, data: (
        f"({s:010d}.{us:06d}) {bus} {identifier:08X}#{data.hex()}"
        if extended
        else f"({s:010d}.{us:06d}) {bus} {identifier % 0x800:03X}#{data.hex().upper()}"
    ),
    st.integers(0, 9_000_000_000),
    st.integers(0, 999_999),
    st.sampled_from(["can0", "can1", "vcan_long_name"]),
    st.booleans(),
    st.integers(0, (1 << 29) - 1),
    st.binary(max_size=8),
)
GARBAGE = st.binary(max_size=60).map(lambda junk: b"~" + junk.replace(b"\n", b" "))


@given(frames=st.lists(FRAME, max_size=20), garbage=st.lists(GARBAGE, max_size=20), draw=st.randoms())
def test_garbage_between_sound_lines_leaves_them_all(
    tmp_path_factory: pytest.TempPathFactory, frames: list[str], garbage: list[bytes], draw: object
) -> None:
    with can.CanutilsLogReader(io.StringIO("".join(line + "\n" for line in frames))) as reader:
        expected = list(reader)
    lines: list[bytes] = [line.encode() for line in frames]
    for junk in garbage:
        lines.insert(draw.randint(0, len(lines)), junk)  # type: ignore[attr-defined]
    content = b"".join(line + b"\n" for line in lines)
    capture = Capture(tuple(candump.blocks(_written(tmp_path_factory.getbasetemp(), content))))
    assert rows_of(capture.frames) == [row_of(message) for message in expected]
    assert capture.account.lines_bad == len(garbage)
    assert closes(capture)
