"""Columns, units, tables and consoles guessed from a few lines, each rule on both sides of its edge.

Expected by hand; 47 bits are the shortest frame (ISO 11898-1), paces of messages are common practice.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from logscope.capture.columns import ColumnLayout
from logscope.capture.delimited import _describe, _numbered, _reading, _roles, _time_column, lines_of
from logscope.capture.delimited_guess import (
    Doubt,
    _as_user_would,
    _bytes_in,
    _date_or,
    _identifier_base,
    _is_clock,
    _length_and_data,
    _remedy,
    _spans,
    _unit_from_steps,
    _unit_of_date,
    _unknown_header,
    find_header,
    guess,
    known_format,
    most_regular,
    split,
)
from logscope.capture.known_columns import known_layout
from logscope.capture.text_encoding import decoded_text, windows_text
from logscope.capture.time_unit import TimeColumn
from logscope.errors import LogError


def layout(**keys: Any) -> ColumnLayout:
    return ColumnLayout.model_validate({"time": "t", "identifier": "id", "data": "d"} | keys)


@pytest.mark.parametrize(
    ("line", "delimiter", "fields"),
    [
        (' a , "b, c" ,d', ",", ["a", "b, c", "d"]),
        ("a;b", ";", ["a", "b"]),
        ("a \t  b", "space", ["a", "b"]),
        ("a\tb c", "tab", ["a", "b c"]),
        ("", ",", []),
        ("a,", ",", ["a", ""]),
    ],
)
def test_fields_have_neither_quotes_nor_outer_blanks(line: str, delimiter: Any, fields: list[str]) -> None:
    assert split(line, delimiter) == fields


@pytest.mark.parametrize(
    ("lines", "delimiter"),
    [
        (["1;2,5", "3;4,5"], ";"),  # as regular as commas
        (["1\t2", "3\t4"], "tab"),
        (["1|2 x", "3|4 x"], "|"),
        (["1,2", "3,4", "5"], ","),
        (["a b c", "d e f"], "space"),
        (["a,b c", "a b,c d", "a b c"], ","),
    ],
)
def test_the_most_regular_delimiter_is_taken(lines: list[str], delimiter: str) -> None:
    assert most_regular(lines) == delimiter


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


# ------------------------------------------------------------------------------------- the unit of time


def stamps(count: int, step: float, first: float = 0.0) -> list[str]:
    return [f"{first + k * step:.9f}" for k in range(count)]


MANY = [f"{k:X}" for k in range(400)]  # each identifier once


@pytest.mark.parametrize(
    ("times", "identifiers", "unit"),
    [
        (stamps(11, 0.01), MANY, "s"),
        (stamps(11, 0.31), MANY, "ms"),  # 0.31 s is too rare; 0.31 ms
        (stamps(11, 0.29), MANY, None),  # 0.29 s or 0.29 ms
        (stamps(11, 24.0), MANY, None),  # 24 ms or 24 µs
        (stamps(11, 22.0), MANY, "ms"),
        (stamps(11, 0.022), MANY, "s"),
        (stamps(11, 400.0), MANY, "us"),
        (stamps(11, 24_000.0), MANY, None),
        (stamps(11, 301_000.0), MANY, "ns"),
        (stamps(9, 0.01), MANY, None),  # too few rows
        (stamps(10, 0.01), MANY, "s"),
        (["5"] * 20, MANY, None),
        # one identifier that comes each time: between every millisecond and every five seconds
        (stamps(20, 2.0), ["A"] * 20, None),
        (stamps(20, 0.9), ["A"] * 20, "s"),
        (stamps(20, 6.0), ["A"] * 20, "ms"),
        (stamps(20, 6_000.0), ["A"] * 20, "us"),
        (stamps(20, 0.01), [*["A"] * 4, *MANY[:16]], "s"),
        (stamps(20, 2.0), [*["A"] * 4, *MANY[:16]], "ms"),  # four are no pace: 2 s is too rare
        (stamps(20, 1e-3, 1_772_442_000.0), ["A"] * 20, "s"),
        (stamps(20, 10.0, 1_772_442_000_000.0), ["A"] * 20, "ms"),
        (stamps(3, 1.0, 1_772_442_000.0), ["A"] * 3, "s"),  # a date says it with few rows
        (["1772442000", "1772528401"], ["A"] * 2, None),  # more than a day of them
        (["x", *stamps(11, 0.01)], MANY, "s"),
        ([], [], None),
        (["0,01", "0,02", *stamps(11, 0.01, 0.03)], MANY, "s"),
    ],
)
def test_the_unit_of_time_by_the_pace_of_frames(times: list[str], identifiers: list[str], unit: str | None) -> None:
    if unit is None:
        with pytest.raises(Doubt, match="the unit of the time column is unknown"):
            _unit_from_steps(times, identifiers)
    else:
        assert _unit_from_steps(times, identifiers) == unit


@pytest.mark.parametrize(
    ("number", "unit"),
    [
        (1e9, "s"), (9.99e8, None), (4.1e9, "s"), (4.11e9, None), (1e12, "ms"), (4.1e15, "us"), (1e18, "ns"),
        (5.0, None),
    ],
)  # fmt: skip
def test_a_number_is_a_date_from_2001_to_2100(number: float, unit: str | None) -> None:
    assert _unit_of_date(number) == unit


def test_dates_in_the_first_ten_rows_are_dates() -> None:
    dates = ["2026-03-02 09:00:00.1", "2026/03/02T09:00:00", "09:00:00.5"]
    assert _date_or("ms", dates) == "date"
    assert _date_or("ms", [*dates, "1.5"]) == "ms"
    assert _date_or(None, [*dates * 4, "1.5"]) == "date"
    assert _date_or("s", []) == "s"


@pytest.mark.parametrize(
    ("identifiers", "base"),
    [
        (["1A", "2"], 16), (["0x10"], 16), (["10h"], 16), (["0X1"], 16), (["012", "345"], 16), (["112", "345"], None),
        (["00000012", "345"], 16), (["0012", "345"], None), ([str(100 + k) for k in range(12)], 10),
        ([str(100 + k) for k in range(11)], None), (["100", "100x"] * 9, None),
    ],
)  # fmt: skip
def test_the_base_of_identifiers_where_their_digits_decide_it(identifiers: list[str], base: int | None) -> None:
    if base is None:
        with pytest.raises(Doubt, match="hexadecimal or decimal"):
            _identifier_base(identifiers)
    else:
        assert _identifier_base(identifiers) == base


# ------------------------------------------------------------------------------------------- shapes


@pytest.mark.parametrize(
    ("text", "count"),
    [("", 0), ("1122", 2), ("11 22", 2), ("0x11 0x22", 2), ("11-22:33.44", 4), ("112", -1), ("x", -1), ("00" * 64, 64),
     ("00" * 65, -1)],
)  # fmt: skip
def test_bytes_in_a_field(text: str, count: int) -> None:
    assert _bytes_in(text) == count


def test_the_length_counts_the_bytes_after_it() -> None:
    rows = [["0.1", "1A", str(n), "AA" * n] for n in (1, 2, 3)]
    assert _length_and_data(rows, ",") == (3, (4,))
    assert _length_and_data([["0.1", "1A", str(n), *["AA"] * n] for n in (1, 3)], ",") == (3, (4, 5, 6))
    assert _length_and_data([["0.1", "1A", str(n), *["AA"] * n] for n in (1, 3)], "space") == (3, (4,))
    for wrong in ([["0.1", "1A", "2", "AA"]], [["0.1", "1A", "0", ""]], [["0.1", "1A", "x", "AA"]]):
        with pytest.raises(Doubt, match="no column counts the data bytes after it"):
            _length_and_data(wrong, ",")


@pytest.mark.parametrize(
    ("texts", "clock"),
    [
        (["0.1", "0.2", "0.3"], True),
        ([str(k) for k in range(20)], True),
        ([*map(str, range(12)), "0"], True),  # eleven rises to one fall
        ([*map(str, range(11)), "0"], False),
        (["1"] * 15 + ["2", "3", "4", "5", "6"], False),  # a quarter of twenty
        (["1"] * 14 + ["2", "3", "4", "5", "6", "7"], True),
        (["2026-03-02 09:00:00"] * 3, True),
        (["2026-03-02 09:00:00", "1.0"], False),
        (["0,1", "0,2", "0,3"], True),
        (["x"], False),
        ([], False),
    ],
)
def test_a_clock_rises_ten_times_as_often_as_it_falls(texts: list[str], clock: bool) -> None:
    assert _is_clock(texts) is clock


def test_a_header_in_unknown_words_is_left_out() -> None:
    assert _unknown_header(["my log", "wann,wer,was", "0.1,1AB,00"], ",") == (["wann", "wer", "was"], 2)
    assert _unknown_header(["0.1,1AB,00", "wann,wer,was"], ",") == ([], 0)
    assert _unknown_header(["wann,,was"], ",") == ([], 0)
    assert _unknown_header(["a,b"], ",") == ([], 0)


def test_columns_of_a_named_log_are_guessed_and_said() -> None:
    lines = ["Time [ms];ID;DLC;Data", *(f"{10 * k};{k % 3 + 0x1AB:X};2;0A{k:02X}" for k in range(20))]
    found = guess(lines)
    assert found.layout == ColumnLayout(
        time=1, time_unit="ms", identifier=2, length=3, data=(4,), delimiter=";", header=False
    )
    assert found.skip == 1
    assert found.words == (
        "columns guessed: time in column “Time [ms]”, milliseconds; identifier in “ID”, hexadecimal; data in “Data”, "
        "hexadecimal; length in “DLC”"
    )
    named = ColumnLayout(time="Time [ms]", time_unit="ms", identifier="ID", length="DLC", data=("Data",))
    assert found.time == TimeColumn("ms", "named in the header", named)
    by_steps = guess([lines[0].replace(" [ms]", ""), *lines[1:]])
    assert by_steps.time is not None
    assert by_steps.time.source == "guessed from the timestamps"


def test_one_name_over_all_the_bytes_spans_them() -> None:
    lines = ["Time [s],ID,Data", *(f"{k / 10},1AB,0A,0B,{k:02X}" for k in range(20))]
    assert guess(lines).layout.data == (3, 4, 5)
    bytes_named = ["Time [s],ID,D0,D1", *(f"{k / 10},1AB,0A,0B" for k in range(20))]
    assert guess(bytes_named).layout.data == (3, 4)
    assert "data in “D0” to “D1”" in guess(bytes_named).words


def test_what_is_asked_for_stands_in_the_remedy() -> None:
    lines = ["Time,ID,Data", *(f"{k * 2},1{k % 2},{k % 10}" for k in range(20))]
    with pytest.raises(Doubt) as doubt:
        guess(lines)
    assert str(doubt.value).count(";") == 2
    assert doubt.value.remedy == (
        'Describe the columns in the vehicle file, under [[can]]: columns = { time = "Time", time_unit = "s", '
        'identifier = "ID", identifier_base = 16, data_base = 16, data = ["Data"] }, where time_unit is "s", "ms", '
        '"us" or "ns", as the logger writes it; identifier_base is 16 (hexadecimal) or 10 (decimal); data_base is 16 '
        "(hexadecimal) or 10 (decimal). The first 20 rows span 38 s in seconds, 38 ms in milliseconds, 38 µs in "
        "microseconds, 0.038 µs in nanoseconds."
    )
    assert _spans(["1", "3"], ["data_base"]) == ""
    assert _spans(["1"], ["time_unit"]) == ""
    assert _spans(["1", "3", "x"], ["time_unit"]).startswith(" The first 2 rows span 2")
    assert "data_base = 16" in _remedy(layout(), ["data_base"], [])


def test_a_user_would_name_columns_whose_names_differ() -> None:
    named = {"time": ("t",), "identifier": ("id",), "data": ("a", "b")}
    roles: Any = {"time": (1,), "identifier": (2,), "data": (3, 4)}
    numbers = {"time": 1, "identifier": 2, "data": (3, 4)}
    assert _as_user_would(numbers, named, roles, 1) == {"time": "t", "identifier": "id", "data": ("a", "b")}
    assert _as_user_would(numbers, named, roles, 0) == numbers | {"header": False}
    assert _as_user_would(numbers, named | {"data": ("a", "t")}, roles, 2) == numbers | {"header": True}
    assert _as_user_would(numbers, named | {"data": ("a",)}, roles, 1) == numbers | {"header": True}


# --------------------------------------------------------------------------------- as described


def test_the_unit_as_described_or_named_or_seconds() -> None:
    assert _time_column(layout(time_unit="us")) == TimeColumn(
        "us", "configured in the vehicle file", layout(time_unit="us")
    )
    named = layout(time="Time [ms]")
    assert _time_column(named) == TimeColumn("ms", "named in the header", named)
    assert _time_column(layout(time=1)).source == "not configured in the vehicle file"
    assert _time_column(layout()).unit == "s"


def test_described_columns_become_numbers() -> None:
    lines = ["remark", "d;id;t [ms];ch", "00;1A;5;1"]
    found = _numbered(Path("a.csv"), lines, layout(time="t [ms]", bus="ch"))
    assert (found.layout.time, found.layout.identifier, found.layout.data, found.layout.bus) == (3, 2, (1,), 4)
    assert (found.layout.delimiter, found.layout.time_unit, found.skip, found.words) == (";", "ms", 2, "")
    numbers = _numbered(Path("a.csv"), ["1;2;3"], layout(time=1, identifier=2, data=[3], header=True))
    assert (numbers.layout.delimiter, numbers.skip) == (";", 1)
    assert _numbered(Path("a.csv"), ["1;2;3"], layout(time=1, identifier=2, data=[3], delimiter="tab")).skip == 0
    with pytest.raises(LogError, match=r"no column “payload”\. Its first lines have: t, id, x\."):
        _numbered(Path("a.csv"), ["t,id,x", "1,2,3"], layout(data="payload"))


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({}, (ord(","), 9, 16, 16, -1, 3)),
        ({"time_unit": "ms", "identifier_base": 10, "delimiter": ";"}, (ord(";"), 6, 10, 16, -1, 3)),
        ({"time_unit": "us", "data_base": 10, "delimiter": "tab"}, (9, 3, 16, 10, -1, 3)),
        ({"time_unit": "ns", "delimiter": "space"}, (32, 0, 16, 16, 2, 2)),  # by blanks no data leave no field
        ({"time_unit": "date", "length": 5}, (ord(","), 100, 16, 16, -1, 5)),
        ({"length": 1, "time": 4}, (ord(","), 9, 16, 16, -1, 4)),
        ({"data": [3, 6]}, (ord(","), 9, 16, 16, -1, 2)),
    ],
)
def test_how_a_row_is_read(keys: dict[str, Any], expected: tuple[int, ...]) -> None:
    made = layout(**({"time": 1, "identifier": 2, "data": [3]} | keys))
    assert tuple(_reading(made)) == expected


def test_each_column_has_its_role() -> None:
    from logscope.capture import delimited_kernel as kernel

    made = layout(time=2, identifier=1, data=[7], bus=3, extended=4, length=5, direction=6)
    assert _roles(made).tolist() == [
        kernel.IDENT, kernel.TIME, kernel.BUS, kernel.KIND, kernel.LENGTH, kernel.DIRECTION, kernel.DATA,
    ]  # fmt: skip
    assert _roles(layout(time=1, identifier=3, data=[4, 5])).tolist() == [
        kernel.TIME, 0, kernel.IDENT, kernel.DATA_BYTE, kernel.DATA_BYTE,
    ]  # fmt: skip


def test_a_log_in_other_columns_is_to_be_described() -> None:
    said = _describe(["a;b;c", "1;2;3"])
    assert 'columns = { time = "NAME", time_unit = "s", identifier = "NAME", data = ["NAME", …] }' in said
    assert 'with names from: "a", "b", "c". A serial console' in said
    numbers = _describe(["1.5;A;3", "1;2;3"])
    assert "time = NUMBER" in numbers
    assert "with numbers from: 1 (1.5), 2 (A), 3 (3)." in numbers
    assert '"k12", …. A' in _describe([";".join(f"k{n}" for n in range(1, 14))])
    assert '"k12". A' in _describe([";".join(f"k{n}" for n in range(1, 13))])
    assert _describe(["prose"]).startswith("If it is a CAN log, export it")


@pytest.mark.parametrize(
    ("head", "lines"),
    [(b"a\r\nb\nc", ["a ", "b"]), (b"a", ["a"]), (b"a\n", ["a"]), (b"\xef\xbb\xbfa\nb", ["a"]), (b"\xb0C\nx", ["°C"])],
)
def test_the_last_line_of_a_head_is_cut(head: bytes, lines: list[str]) -> None:
    assert lines_of(head) == lines


def test_bytes_that_are_no_utf8_are_windows_text() -> None:
    assert decoded_text("a°".encode()[:-1]) == "a"  # cut within a character
    assert (windows_text(b"\x80\xb0"), windows_text(b"\x81\xb0")) == ("€°", "\x81°")
