"""Numbers out of text, against Python's own int, bytes.fromhex, decimal and datetime."""

from __future__ import annotations

import string
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from logscope.capture import text_kernel as kernel
from logscope.capture.text import PAD

EIGHT = st.text(string.printable[:95], min_size=8, max_size=8) | st.binary(min_size=8, max_size=8).map(
    lambda raw: raw.decode("latin-1")
)
HEX_TEXT = st.text("0123456789abcdefABCDEF", min_size=8, max_size=8)


def padded(text: str) -> np.ndarray:
    return np.frombuffer(text.encode("latin-1") + b"\n" * PAD, np.uint8).copy()


def word_of(text: str) -> int:
    return int(np.frombuffer(text.encode("latin-1"), "<i8")[0])


@given(text=EIGHT | HEX_TEXT)
@example(text="0000000G")
@example(text="@0000000")
@example(text="`0000000")
@example(text="\x10\x11\x12\x13\x14\x15\x16\x17")
def test_eight_hexadecimal_digits(text: str) -> None:
    expected = int(text, 16) if set(text) <= set(string.hexdigits) else -1
    assert kernel.eight_hex_digits(word_of(text)) == expected


@given(text=EIGHT | st.text(string.digits, min_size=8, max_size=8))
@example(text="0000000:")
@example(text="/0000000")
def test_eight_decimal_digits(text: str) -> None:
    expected = int(text) if set(text) <= set(string.digits) else -1
    assert kernel.eight_digits(word_of(text)) == expected


@given(data=st.binary(max_size=70), rest=st.sampled_from(["", " ", "G", "1", "\r\n", ".00"]))
def test_bytes_in_hexadecimal(data: bytes, rest: str) -> None:
    text, room = padded(data.hex() + rest), np.zeros(100, np.uint8)
    end, count = kernel.hex_bytes(text.ctypes.data, room.ctypes.data, 64)
    if len(data) <= 64:
        assert (end - text.ctypes.data, count) == (2 * len(data), len(data))
        assert room[:count].tobytes() == data
    else:
        assert count > 64


@given(
    moment=st.datetimes(datetime(1970, 1, 1), datetime(2199, 12, 31, 23, 59, 59)),
    separator=st.sampled_from("T "),
    digits=st.sampled_from(["seconds", "milliseconds", "microseconds"]),
)
def test_dates_equal_datetime(moment: datetime, separator: str, digits: str) -> None:
    written = moment.isoformat(separator, digits)
    text = padded(written)
    stamp, end = kernel.civil_ns(text.ctypes.data)
    expected = datetime.fromisoformat(written).replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    assert stamp == expected // timedelta(microseconds=1) * 1000
    assert end - text.ctypes.data == len(written)


@given(text=st.text(string.printable, max_size=30))
def test_what_is_no_date_is_refused(text: str) -> None:
    content = padded(text)
    stamp, _ = kernel.civil_ns(content.ctypes.data)
    assert stamp == -1 or text[:10].replace("/", "-").count("-") == 2
