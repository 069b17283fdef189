"""Columns as the vehicle file describes them: to numbers, to what the kernel is given, and what is said; by hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from logscope.capture import delimited
from logscope.capture.columns import ColumnLayout
from logscope.capture.delimited import layout_of
from logscope.capture.delimited_guess import Guess
from logscope.capture.delimited_kernel import Reading
from logscope.capture.time_unit import TimeColumn
from logscope.errors import LogError

PATH = Path("a.csv")


def layout(**keys: object) -> ColumnLayout:
    return ColumnLayout.model_validate({"time": 1, "identifier": 2, "data": (3,)} | keys)


def refused(head: str, described: ColumnLayout | None = None) -> LogError:
    with pytest.raises(LogError) as raised:
        layout_of(PATH, head.encode(), described)
    return raised.value


# -- the description itself -------------------------------------------------------------------------


def test_a_description_is_written_as_it_is_read() -> None:
    assert layout(time="a “b”", data="D").as_toml() == (
        'columns = { time = "a “b”", time_unit = "s", identifier = 2, data = ["D"] }'
    )
    full = layout(
        time_unit="us", identifier_base=10, data=(3, 4), data_base=10, bus=5, extended=6, length=7, direction=8,
        delimiter="tab", header=False,
    )  # fmt: skip
    assert full.as_toml() == (
        'columns = { time = 1, time_unit = "us", identifier = 2, identifier_base = 10, data = [3, 4], data_base = 10, '
        'bus = 5, extended = 6, length = 7, direction = 8, delimiter = "tab", header = false }'
    )
    assert full.columns() == (1, 2, 5, 6, 7, 8, 3, 4)


@pytest.mark.parametrize(
    ("keys", "has_header"),
    [({}, False), ({"bus": "B"}, True), ({"header": True}, True), ({"header": False}, False), ({"data": "D"}, True)],
)
def test_named_columns_need_a_header(keys: dict[str, object], has_header: bool) -> None:
    assert layout(**keys).has_header is has_header


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"bus": 2}, "column “2” is named for two purposes"),
        ({"data": (3, 4, 3)}, "column “3” is named for two purposes"),
        (
            {"data": (3, "D"), "header": False},
            "column “D” is given by name, but header = false says there are no names",
        ),
        ({"time": 257}, "256"),
        ({"data": tuple(range(3, 68))}, "64"),
        ({"identifier_base": 8}, "16"),
    ],
)
def test_what_no_description_can_be(keys: dict[str, object], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        layout(**keys)
    assert len(layout(data=tuple(range(3, 67)), time=256).data) == 64


# -- by names or by numbers -------------------------------------------------------------------------


def test_names_become_numbers_by_the_header() -> None:
    named = layout(time="t [ms]", identifier="id", data=("d1", 5), bus="b", extended="x", length="n", direction="r")
    found = layout_of(PATH, b"a remark\nb;t [ms];id;d1;d2;x;n;r\n1;2;3;4\n", named)
    by_unit = named.model_copy(update={"time_unit": "ms"})
    assert found == Guess(
        ColumnLayout.model_validate(
            {"time": 2, "time_unit": "ms", "identifier": 3, "data": (4, 5), "bus": 1, "extended": 6, "length": 7}
            | {"direction": 8, "delimiter": ";"}
        ),
        2,
        time=TimeColumn("ms", "named in the header", named),
    )
    assert by_unit.time_unit == "ms"


@pytest.mark.parametrize(
    ("keys", "unit", "source"),
    [
        ({"time": "t [us]", "time_unit": "ms"}, "ms", "configured in the vehicle file"),
        ({"time": "t [us]"}, "us", "named in the header"),
        ({"time": "t"}, "s", "not configured in the vehicle file"),
        ({"time": 1}, "s", "not configured in the vehicle file"),
        ({"time": 1, "time_unit": "s"}, "s", "configured in the vehicle file"),
    ],
)
def test_where_the_unit_of_time_comes_from(keys: dict[str, object], unit: str, source: str) -> None:
    described = layout(**keys)
    found = layout_of(PATH, b"t,t [us],id\n1,2,3\n", described.model_copy(update={"identifier": 3, "data": (4,)}))
    assert found.time is not None
    assert (found.time.unit, found.time.source, found.layout.time_unit) == (unit, source, unit)


@pytest.mark.parametrize(
    ("keys", "delimiter", "skip"),
    [({}, ";", 0), ({"header": True}, ";", 1), ({"delimiter": "|"}, "|", 0)],
)
def test_numbers_need_no_header(keys: dict[str, object], delimiter: str, skip: int) -> None:
    found = layout_of(PATH, b"1,5;2;3\n1,6;2;3\n", layout(**keys))
    assert (found.layout.delimiter, found.skip, found.words) == (delimiter, skip, "")


def test_the_delimiter_of_the_description_counts() -> None:
    head = b"t;id;d\n1;2;3\n"
    assert layout_of(PATH, head, layout(time="t", delimiter="tab")).layout.delimiter == "tab"
    assert layout_of(PATH, head, layout(time="t")).layout.delimiter == ";"


def test_a_known_format_is_read_as_its_header_says_whatever_is_described() -> None:
    head = b"Time Stamp,ID,Extended,Bus,LEN,D1\n1,2,false,0,1,00\n"
    for described in (None, layout(time=2, identifier=1)):
        found = layout_of(PATH, head, described)
        assert (found.layout.time, found.layout.time_unit, found.skip) == (1, "us", 1)


def test_a_column_that_is_not_there_is_named_with_what_is() -> None:
    error = refused("a;b;c\n1;2;3\n", layout(time="zzzzzz"))
    assert str(error) == "a.csv: the log has no column “zzzzzz”. Its first lines have: a, b, c."
    many = ";".join(f"c{k}" for k in range(20))
    assert str(refused(f"{many}\n", layout(time="zzzzzz"))).endswith("c9, c10, c11.")
    assert str(refused("Tiem;b;c\n1;2;3\n", layout(time="Time"))).endswith("Did you mean “Tiem”?")
    assert "“y” " not in str(refused("x;b\n", layout(time="x", identifier="y z w q")))
    assert "no column “y z w q”" in str(refused("x;b\n", layout(time="x", identifier="y z w q")))


# -- what is said where nothing certain can be found ------------------------------------------------


def test_a_doubt_says_its_remedy_and_a_table_of_signals_its_definition() -> None:
    doubt = refused("Time,ID,Data\n1,1AB,0A\n")
    assert str(doubt).startswith(
        "a.csv: no known log format: the content fits none, and as delimited text the unit of the time column is "
    )
    assert 'columns = { time = "Time"' in str(doubt)
    assert doubt.example == ""
    table = refused("Time [s],Speed [rpm],Volts [V]\n0.1,5,300\n0.2,6,301\n0.3,7,302\n")
    assert "this looks like a table of 2 signals" in str(table)
    assert 'name = "Speed"' in table.example
    assert str(refused("dear reader\nthis\n")).endswith("in the README.")


# -- what the kernel is given -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "reading"),
    [
        ({}, Reading(44, 9, 16, 16, -1, 3)),
        ({"time_unit": "ms", "delimiter": ";"}, Reading(59, 6, 16, 16, -1, 3)),
        ({"time_unit": "us", "delimiter": "tab", "identifier_base": 10}, Reading(9, 3, 10, 16, -1, 3)),
        ({"time_unit": "ns", "delimiter": "|", "data_base": 10}, Reading(124, 0, 16, 10, -1, 3)),
        ({"time_unit": "date", "delimiter": "space"}, Reading(32, 100, 16, 16, 2, 2)),  # by blanks, no data, no field
        ({"length": 4}, Reading(44, 9, 16, 16, -1, 4)),
        ({"length": 3, "data": (4,)}, Reading(44, 9, 16, 16, -1, 3)),  # a length of zero may end the row
        ({"data": (3, 4, 5)}, Reading(44, 9, 16, 16, -1, 2)),
        ({"data": (3, 4), "delimiter": "space"}, Reading(32, 9, 16, 16, -1, 2)),
        ({"bus": 7, "direction": 6, "extended": 5}, Reading(44, 9, 16, 16, -1, 7)),
        ({"extended": 9}, Reading(44, 9, 16, 16, -1, 9)),
        ({"direction": 8}, Reading(44, 9, 16, 16, -1, 8)),
    ],
)
def test_how_the_fields_are_read(keys: dict[str, object], reading: Reading) -> None:
    assert delimited._reading(layout(**keys)) == reading


def test_buses_and_what_was_assumed_are_said(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"2026-03-02 09:00:00,1AB,00,1\n2026-03-02 09:00:01,1AB,00,body\n")
    known = Guess(layout(time_unit="date", bus=4, delimiter=","), 0, "columns guessed: x")
    first, block = delimited.blocks(path, known)
    said = (f"{path}: columns guessed: x", f"{path}: dates without a time zone were taken as UTC")
    assert (first.account.notes, first.account.assumptions, len(first.frames)) == (said, said, 0)
    assert block.frames.buses == ("can1", "body")
    path.write_bytes(b"0.5,1AB,00\n")
    (only,) = delimited.blocks(path, Guess(layout(delimiter=","), 0))
    assert (only.frames.buses, only.frames.time_ns.tolist(), only.account.notes) == (("can0",), [500_000_000], ())
