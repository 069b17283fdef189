"""Fields of delimited rows, compiled, by tables: times against Python's decimal and datetime, the rest by hand.

Lengths of CAN FD and their codes are those of ISO 11898-1.
"""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal

import numpy as np
import pytest

from logscope.capture import delimited_fields as fields
from logscope.capture import delimited_kernel, text_kernel
from logscope.capture.frames import Flag
from logscope.capture.text import PAD


def padded(text: str) -> np.ndarray:
    return np.frombuffer(text.encode("latin-1") + b"\n" * PAD, np.uint8).copy()


@pytest.mark.parametrize(
    ("text", "power"),
    [
        ("1.5", 9),
        ("-2,25", 9),
        ("+3", 6),
        ("0.0000000014", 9),
        ("0.0000000016", 9),
        ("12345", 0),
        ("1.5e2", 6),
        ("1.5E-2", 9),
        ("2e+1", 3),
        (".5", 9),
        ("5.", 9),
        ("1234567890.1234567", 9),
        ("9000000000", 9),
        ("0.00000000000000000000001", 9),
        ("99.999999999999999999", 6),
        ("1e0", 9),
        ("-0.5", 0),
    ],
)
def test_a_number_is_a_time_in_its_unit(text: str, power: int) -> None:
    content = padded(text)
    at = content.ctypes.data
    found = fields.field_time_ns(at, at + len(text), power)
    exact = Decimal(text.replace(",", ".")).scaleb(power)
    assert abs(Decimal(int(found)) - exact) <= Decimal("0.6")


@pytest.mark.parametrize(
    "text", ["", "-", ".", "1.2.3", "1x", "e5", "1e", "1e999", "1e1x", "9000000001", "1e10", "1,2,3", "0x1"]
)
def test_what_is_no_number_is_no_time(text: str) -> None:
    content = padded(text)
    assert fields.field_time_ns(content.ctypes.data, content.ctypes.data + len(text), 9) == fields.NO_TIME


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-03-02 09:00:00", "2026-03-02T09:00:00+00:00"),
        ("2026/03/02T09:00:00.5Z", "2026-03-02T09:00:00.5+00:00"),
        ("2024-02-29 23:59:59,25z", "2024-02-29T23:59:59.25+00:00"),
        ("2000-02-29 00:00:00", "2000-02-29T00:00:00+00:00"),
        ("2026-03-02 09:00:00+0130", "2026-03-02T09:00:00+01:30"),
        ("2026-03-02 09:00:00-14:59", "2026-03-02T09:00:00-14:59"),
        ("1970-01-01 00:00:00", "1970-01-01T00:00:00+00:00"),
        ("2200-12-31 00:00:00", "2200-12-31T00:00:00+00:00"),
        ("2100-03-01 00:00:00", "2100-03-01T00:00:00+00:00"),
        ("13:01:02.5", "1970-01-01T13:01:02.5+00:00"),
        ("1970-01-01 05:00:00-05:00", "1970-01-01T10:00:00+00:00"),
    ],
)
def test_a_date_is_nanoseconds_since_1970(text: str, moment: str) -> None:
    content = padded(text)
    since = datetime.fromisoformat(moment) - datetime(1970, 1, 1, tzinfo=UTC)
    found = fields.field_time_ns(content.ctypes.data, content.ctypes.data + len(text), fields.DATES)
    assert found == round(since.total_seconds() * 1000) * 1_000_000


@pytest.mark.parametrize(
    "text",
    [
        "1969-12-31 00:00:00",
        "2201-01-01 00:00:00",
        "2026-13-01 00:00:00",
        "2026-00-01 00:00:00",
        "2026-01-32 00:00:00",
        "2026-01-00 00:00:00",
        "2026-01-01 24:00:00",
        "2026-01-01 00:60:00",
        "2026-01-01 00:00:61",
        "2026-01/01 00:00:00",
        "2026-01-01 00:00:00+15:00",
        "2026-01-01 00:00:00+01:60",
        "2026-01-01 00:00:00 x",
        "2026-01-01",
        "x",
        "1.5",
    ],
)
def test_what_is_no_date_is_no_time(text: str) -> None:
    content = padded(text)
    found = fields.field_time_ns(content.ctypes.data, content.ctypes.data + len(text), fields.DATES)
    assert found == fields.NO_TIME


@pytest.mark.parametrize(
    ("text", "base", "value"),
    [
        ("123", 10, 123),
        ("123", 16, 0x123),
        ("0x1F", 10, 0x1F),
        ("0X1f", 16, 0x1F),
        ("1Fh", 10, 0x1F),
        ("1FH", 16, 0x1F),
        ("h", 16, -1),
        ("0x", 16, -1),
        ("", 10, -1),
        ("12G", 16, -1),
        ("1A", 10, -1),
        ("1234567890", 10, 1_234_567_890),
        ("12345678901", 10, -1),
        ("-1", 10, -1),
    ],
)
def test_a_whole_number(text: str, base: int, value: int) -> None:
    content = padded(text)
    assert fields.field_number(content.ctypes.data, content.ctypes.data + len(text), base) == value


@pytest.mark.parametrize(
    ("text", "base", "found"),
    [
        ("7FF", 16, (0x7FF, 0)),
        ("800", 16, (0x800, 1)),
        ("7FFx", 16, (0x7FF, 1)),
        ("7ffX", 16, (0x7FF, 1)),
        ("1FFFFFFF", 16, (0x1FFFFFFF, 1)),
        ("20000000", 16, (-2, 0)),
        ("2047", 10, (2047, 0)),
        ("2048", 10, (2048, 1)),
        ("x", 16, (-1, 0)),
        ("", 16, (-1, 0)),
        ("12345678901", 16, (-1, 0)),
    ],
)
def test_an_identifier_and_whether_it_is_of_29_bits(text: str, base: int, found: tuple[int, int]) -> None:
    content = padded(text)
    assert fields.field_identifier(content.ctypes.data, content.ctypes.data + len(text), base) == found


@pytest.mark.parametrize(
    ("text", "extended"),
    [
        ("1", 1),
        ("29", 1),
        ("True", 1),
        ("true", 1),
        ("X", 1),
        ("x", 1),
        ("ext", 1),
        ("EFF", 1),
        ("yes", 1),
        ("Y", 1),
        ("0", 0),
        ("11", 0),
        ("-", 0),
        ("False", 0),
        ("false", 0),
        ("std", 0),
        ("SFF", 0),
        ("no", 0),
        ("N", 0),
        ("", 0),
        ("111", 1),
        ("?", -1),
        ("3", -1),
    ],
)
def test_a_mark_of_the_frame_format(text: str, extended: int) -> None:
    content = padded(text)
    assert fields.field_is_extended(content.ctypes.data, content.ctypes.data + len(text)) == extended


@pytest.mark.parametrize(
    ("text", "base", "expected"),
    [
        ("11 22", 16, b"\x11\x22"),
        ("1122", 16, b"\x11\x22"),
        ("0x11 0x2", 16, b"\x11\x02"),
        ("11-22:33.44_55,66", 16, b"\x11\x22\x33\x44\x55\x66"),
        ("1 2 a", 16, b"\x01\x02\x0a"),
        ("11h 22H", 16, b"\x11\x22"),
        ("", 16, b""),
        (" ", 16, b""),
        ("255 0 7", 10, b"\xff\x00\x07"),
        ("0x1F 16", 10, b"\x1f\x10"),
        ("00" * 64, 16, bytes(64)),
        ("256", 10, -1),
        ("1x", 16, -1),
        ("112", 16, -1),
        ("a", 10, -1),
        ("00" * 65, 16, 65),
        ("1 " * 65, 10, 65),
    ],
)
def test_bytes_of_a_field(text: str, base: int, expected: bytes | int) -> None:
    content, room = padded(text), np.zeros(200, np.uint8)
    found = fields.field_bytes(content.ctypes.data, content.ctypes.data + len(text), room.ctypes.data, base)
    if isinstance(expected, int):
        assert found == expected
    else:
        assert (found, room[:found].tobytes()) == (len(expected), expected)


@pytest.mark.parametrize(
    ("text", "delimiter", "to_end", "field", "after"),
    [
        (" a b ;c", ";", False, "a b", ";"),
        ('"a;b";c', ";", False, "a;b", ";"),
        ("a  b", " ", False, "a", " "),
        ("a\t", " ", False, "a", "\n"),
        ("\ta", "\t", False, "", "\t"),
        ("a b c", " ", True, "a b c", "\n"),
        ("", ",", False, "", "\n"),
        ("a", ",", False, "a", "\n"),
        ('" a "', ",", False, " a ", "\n"),
    ],
)
def test_where_a_field_begins_and_ends(text: str, delimiter: str, to_end: bool, field: str, after: str) -> None:
    content = padded(text)
    begin = content.ctypes.data
    start, end, at = fields.next_field(begin, ord(delimiter), to_end)
    assert (content[start - begin : end - begin].tobytes().decode(), chr(content[at - begin])) == (field, after)
    unclosed = padded('"a')
    assert fields.next_field(unclosed.ctypes.data, ord(","), False)[2] == -1


OK, LENGTH, TOO_MANY, TOO_FEW = (
    delimited_kernel.REASONS.index(text)
    for text in (
        "",
        "the length cannot be read",
        "a frame cannot have this many bytes",
        "fewer bytes than the length says (cut short?)",
    )
)


@pytest.mark.parametrize(
    ("count", "stated", "remote", "expected"),
    [
        (3, -1, False, (OK, 3, 0)),
        (8, 8, False, (OK, 8, 0)),
        (8, 4, False, (OK, 4, 0)),
        (3, 4, False, (TOO_FEW, 0, 0)),
        (12, -1, False, (OK, 12, int(Flag.FD))),
        (12, 9, False, (OK, 12, int(Flag.FD))),
        (64, 15, False, (OK, 64, int(Flag.FD))),
        (12, 12, False, (OK, 12, int(Flag.FD))),
        (16, 12, False, (OK, 16, int(Flag.FD))),
        (9, -1, False, (TOO_MANY, 0, 0)),
        (64, 16, False, (OK, 16, int(Flag.FD))),
        (8, 9, False, (TOO_FEW, 0, 0)),
        (65, -1, False, (TOO_MANY, 0, 0)),
        (0, 4, True, (OK, 4, int(Flag.REMOTE))),
        (0, -1, True, (OK, 0, int(Flag.REMOTE))),
        (0, 8, True, (OK, 8, int(Flag.REMOTE))),
        (0, 9, True, (LENGTH, 9, 2)),
    ],
)
def test_a_stated_length_is_bytes_or_a_code(
    count: int, stated: int, remote: bool, expected: tuple[int, int, int]
) -> None:
    assert delimited_kernel._length_and_flags(count, stated, remote) == expected


def test_bus_names_are_entered_until_the_table_is_full() -> None:
    table = np.zeros((text_kernel.MAX_BUSES, text_kernel.BUS_ROW), np.uint8)

    def entered(name: str, last: int = 0) -> int:
        content = padded(name)
        at = content.ctypes.data
        return int(text_kernel.bus_index(at, at + len(name), table.ctypes.data, last))

    assert [entered("can0"), entered("can1"), entered("can0", 1), entered("can"), entered("can1", 1)] == [0, 1, 0, 2, 1]
    assert (entered("n" * 31), entered("n" * 32)) == (3, -1)
    assert [entered(f"b{k}") for k in range(61)] == [*range(4, 64), -1]
