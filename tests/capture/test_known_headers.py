"""Headers that say every column of a log, how far they are looked for, and bytes that are no UTF-8. By hand."""

from __future__ import annotations

from typing import Any

import pytest

from logscope.capture.delimited_guess import (
    find_header,
    known_format,
)
from logscope.capture.known_columns import known_layout
from logscope.capture.text_encoding import decoded_text, windows_text


def test_a_header_is_sought_within_forty_lines() -> None:
    assert find_header([*["x"] * 39, "id;t;d"], ["t", "id"]) == (39, ";", ["id", "t", "d"])
    assert find_header([*["x"] * 40, "id;t;d"], ["t", "id"]) is None
    assert find_header(["id,t", "id;t;d"], ["t", "d"]) == (1, ";", ["id", "t", "d"])
    line = "Time Stamp,ID,Extended,Bus,LEN,D1,D2"
    found = known_format([*["x"] * 39, line])
    assert found is not None
    assert (found.skip, found.words, found.time) == (40, "", None)
    assert known_format([*["x"] * 40, line]) is None


@pytest.mark.parametrize(
    ("header", "columns"),
    [
        ("Time Stamp,ID,Extended,Bus,LEN,D1,D2", (1, 2, 3, 4, 5, None, (6, 7))),
        ("time stamp,id,extended,dir,bus,len,d2,d1,,", (1, 2, 3, 5, 6, 4, (8, 7))),
        ("Time Stamp,ID,Extended,Bus,LEN", None),
        ("Time Stamp,ID,Extended,Bus,LEN,D1,D3", None),
        ("Time Stamp,ID,Extended,Bus,LEN,D1,D1", None),
        ("Time Stamp,ID,Bus,LEN,D1", None),
        ("Time Stamp,ID,Extended,Bus,LEN,D1,Note", None),
        ("Time Stamp,ID,Extended,Bus,LEN," + ",".join(f"D{k}" for k in range(1, 65)),
         (1, 2, 3, 4, 5, None, range(6, 70))),
        ("Time Stamp,ID,Extended,Bus,LEN," + ",".join(f"D{k}" for k in range(1, 66)), None),
    ],
)  # fmt: skip
def test_a_known_header_says_all_of_its_columns(header: str, columns: Any) -> None:
    found = known_layout(header.split(","), ",")
    if columns is None:
        assert found is None
        return
    assert found is not None
    assert (found.time, found.identifier, found.extended, found.bus, found.length, found.direction, found.data) == (
        *columns[:6], tuple(columns[6]),
    )  # fmt: skip
    assert (found.time_unit, found.identifier_base, found.data_base, found.delimiter, found.header) == (
        "us", 16, 16, ",", False,
    )  # fmt: skip


def test_bytes_that_are_no_utf8_are_windows_text() -> None:
    assert decoded_text("a°".encode()[:-1]) == "a"  # cut within a character
    assert (windows_text(b"\x80\xb0"), windows_text(b"\x81\xb0")) == ("€°", "\x81°")
