"""Which columns a delimited log has, by its first rows: made rows on both sides of each limit, expected by hand."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from logscope.capture import delimited_guess as guesses
from logscope.capture.columns import ColumnLayout, Delimiter
from logscope.capture.delimited_guess import Doubt, Guess, guess, most_regular
from logscope.capture.time_unit import TimeColumn


def layout(**keys: object) -> ColumnLayout:
    return ColumnLayout.model_validate({"time": 1, "identifier": 2, "data": (3,), "header": False} | keys)


def doubt_of(lines: Sequence[str]) -> Doubt:
    with pytest.raises(Doubt) as raised:
        guess(lines)
    return raised.value


# -- fields, delimiter, header ----------------------------------------------------------------------


def test_a_header_is_looked_for_in_the_first_forty_lines() -> None:
    remarks, rows = ["a remark"] * 39, [f"{k / 100},1AB,00" for k in range(20)]
    assert guess([*remarks, "Time [s],ID,Data", *rows]).skip == 40
    assert "no header" in str(doubt_of([*remarks, "", "Time [s],ID,Data", "1,1AB,0A"]))


def test_the_delimiter_is_seen_in_the_first_five_hundred_lines() -> None:
    assert most_regular(["a,b"] * 500 + ["a;b"] * 2000) == ","
    assert most_regular(["1,5;2;3", "1;2;3", "2,5;2;3"]) == ";"  # three columns each; by commas one or two
    assert most_regular(["a", "b"]) == ";"  # none of them parts the lines


# -- the whole guess --------------------------------------------------------------------------------


def test_a_guess_by_a_header_says_every_column() -> None:
    lines = ["# Time [ms]; ID (hex); Ch; DLC; Dir; IDE; Data", "10;100;1;2;Rx;0;1122", "20;101;2;1;Tx;1;0A"]
    keys = {"time_unit": "ms", "identifier_base": 16, "data_base": 16}
    by_name = ColumnLayout.model_validate(
        keys
        | {"time": "Time [ms]", "identifier": "ID (hex)", "bus": "Ch", "length": "DLC", "direction": "Dir"}
        | {"extended": "IDE", "data": ("Data",)}
    )
    found = guess(lines)
    assert found == Guess(
        layout(bus=3, length=4, direction=5, extended=6, data=(7,), delimiter=";", **keys),
        1,
        "columns guessed: time in column “Time [ms]”, milliseconds; identifier in “ID (hex)”, hexadecimal; data in "
        "“Data”, hexadecimal; bus in “Ch”; extended in “IDE”; length in “DLC”; direction in “Dir”",
        TimeColumn("ms", "named in the header", by_name),
    )


def test_bytes_in_columns_are_said_from_the_first_to_the_last_and_a_decimal_base_is_named() -> None:
    """Step 10 of one identifier: 10 ms; as seconds too slow, as microseconds too fast."""
    lines = ["Time,ID (dec),B0,B1", *(f"{10 * k},300,{k},{100 + k}" for k in range(12))]
    found = guess(lines)
    keys = {"time_unit": "ms", "identifier_base": 10, "data_base": 10}
    assert found.layout == layout(data=(3, 4), delimiter=",", **keys)
    assert found.words == (
        "columns guessed: time in column “Time”, milliseconds; identifier in “ID (dec)”, decimal; data in “B0” to "
        "“B1”, decimal"
    )
    assert found.time == TimeColumn(
        "ms",
        "guessed from the timestamps",
        ColumnLayout.model_validate(keys | {"time": "Time", "identifier": "ID (dec)", "data": ("B0", "B1")}),
    )


@pytest.mark.parametrize(
    ("header", "row", "data"),
    [
        ("Time [s],ID,Data", "1,1AB,11,22,33", (3, 4, 5)),  # one name over all the bytes
        ("Time [s],ID,Data", "1,1AB,11", (3,)),
        ("Time [s],Data,ID", "1,11,1AB,0A", (2,)),  # the last column is another
        ("Time [s],ID,D0,D1", "1,1AB,11,22,33", (3, 4, 5)),
        ("Time [s],ID,Data", "1,1AB" + ",00" * 80, tuple(range(3, 67))),  # 64 bytes are the most of a frame
        ("Time[s] ID Data", "1 1AB 11 22 33", (3,)),  # by blanks, one column goes on to the end
    ],
)
def test_one_name_may_stand_over_all_the_bytes(header: str, row: str, data: tuple[int, ...]) -> None:
    found = guess([header, row, "2" + row[1:]])
    assert found.layout.data == data
    assert found.layout.delimiter == ("space" if " " in row else ",")


def test_a_column_by_blanks_is_named_with_its_delimiter() -> None:
    found = guess(["Time[s] ID Data", *(f"{k} 1AB 11 22 33" for k in range(3))])
    assert found.time is not None
    assert found.time.layout.delimiter == "space"
    assert guess(["Time [s],ID,Data", "1,1AB,11"]).time.layout.delimiter is None  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("header", "row", "names", "has_header"),
    [
        ("Time [s],ID,Data", "1,1AB,11", ("Time [s]", "ID", "Data"), None),
        ("Time [s],ID,Data,Data", "1,1AB,11,22", ("Time [s]", "ID", "Data"), None),  # the other one is not used
        ("Time [s],ID,Data", "1,1AB,11,22", (1, 2, 3), True),  # the second byte has no name of its own
        ("", "0.{k},1AB,1,11", (1, 2, 4), False),
    ],
)
def test_columns_are_named_where_their_names_are_sound(
    header: str, row: str, names: tuple[object, ...], has_header: bool | None
) -> None:
    rows = [row.replace("{k}", f"{k:02d}") for k in range(12)]
    time = guess([header, *rows] if header else rows).time
    assert time is not None
    assert (time.layout.time, time.layout.identifier, time.layout.data[0]) == names
    assert time.layout.header == has_header


def test_a_log_without_a_header_is_described_by_numbers() -> None:
    found = guess([f"{k / 100:.2f};{0x1A0 + k:X};2;AA;0B" for k in range(10)])
    keys = {"length": 3, "data": (4, 5), "time_unit": "s", "identifier_base": 16, "data_base": 16}
    assert found == Guess(
        layout(delimiter=";", **keys),
        0,
        "columns guessed: time in column “1”, seconds; identifier in “2”, hexadecimal; data in “4” to “5”, "
        "hexadecimal; length in “3”",
        TimeColumn("s", "guessed from the timestamps", layout(**keys)),
    )
    too_few = doubt_of([f"{k / 100:.2f};{0x1A0 + k:X};2;AA;0B" for k in range(9)])
    assert str(too_few) == (
        "the log has no header that names time, identifier and data, and too few rows to determine them from"
    )
    assert too_few.remedy == ""


def test_a_header_in_other_words_gives_names_unit_and_base() -> None:
    lines = ["my logger", "moment [us];frame (dec);n;content", *(f"{k};{300 + 7 * k % 10};2;AA0B" for k in range(10))]
    found = guess(lines)
    assert (found.skip, found.layout.time_unit, found.layout.identifier_base) == (2, "us", 10)
    assert found.words.startswith("columns guessed: time in column “moment [us]”, microseconds; identifier in “frame")
    assert found.time is not None
    assert found.time.source == "named in the header"


def test_dates_need_no_unit() -> None:
    found = guess(["Time,ID,Data", *(f"2026-03-02 09:00:{k:02d},1AB,0A" for k in range(12))])
    assert (found.layout.time_unit, found.time) == ("date", None)
    assert found.words.startswith("columns guessed: time in column “Time”, dates or times of day; ")


def test_everything_in_doubt_is_asked_for_at_once() -> None:
    doubt = doubt_of(["Time,ID,Data", "0,100,1", "0.5,200,2", "100,300,3"])
    assert str(doubt) == (
        "the unit of the time column is unknown: it is not given, and there are too few rows to determine it; it "
        "cannot be determined whether the identifiers are hexadecimal or decimal; it cannot be determined whether the "
        "data are hexadecimal or decimal"
    )
    assert doubt.remedy == (
        'Describe the columns in the vehicle file, under [[can]]: columns = { time = "Time", time_unit = "s", '
        'identifier = "ID", identifier_base = 16, data_base = 16, data = ["Data"] }, where time_unit is "s", "ms", '
        '"us" or "ns", as the logger writes it; identifier_base is 16 (hexadecimal) or 10 (decimal); data_base is 16 '
        "(hexadecimal) or 10 (decimal). The first 3 rows span 100 s in seconds, 100 ms in milliseconds, 100 µs in "
        "microseconds, 0.1 µs in nanoseconds."
    )


def test_the_length_of_the_rows_is_only_said_where_the_unit_is_asked_for() -> None:
    known = doubt_of(["Time [ms],ID,Data", "0,100,1A", "5,200,2A"])
    assert known.remedy.endswith("where identifier_base is 16 (hexadecimal) or 10 (decimal).")
    assert 'time_unit = "ms"' in known.remedy
    one = doubt_of(["Time,ID,Data", "5,1AB,1A"])
    assert one.remedy.endswith('where time_unit is "s", "ms", "us" or "ns", as the logger writes it.')
    comma = doubt_of(["Time;ID;Data", "5,5;1AB;1A", "7,75;1AB;1A"])
    assert "The first 2 rows span 2.25 s in seconds, 2.25 ms in" in comma.remedy


# -- unit of time -----------------------------------------------------------------------------------

LIMITS = [
    # without repetitions, a mean step of 23 µs to 0.3 s
    (2.2e-5, None), (2.4e-5, "s"), (0.0229, "s"), (0.0231, None), (0.29, None), (0.31, "ms"), (22.9, "ms"),
    (23.1, None), (299.0, None), (301.0, "us"), (22_900.0, "us"), (23_100.0, None), (301_000.0, "ns"),
    (2.99e8, "ns"), (3.01e8, None),
]  # fmt: skip


@pytest.mark.parametrize(("step", "unit"), LIMITS)
def test_the_mean_step_decides_where_it_fits_one_unit(step: float, unit: str | None) -> None:
    """A frame takes 47 µs at 1 Mbit/s (ISO 11898-1), two buses half; buses are silent for some tenths of a second."""
    assert unit_of([step * k for k in range(10)]) == unit


def unit_of(times: Sequence[float], identifiers: Sequence[str] | None = None, first: float = 0.0) -> str | None:
    """The unit by these stamps; None where there is a doubt."""
    written = [repr(first + each) for each in times]
    try:
        return guesses._unit_from_steps(written, identifiers or [f"{k:X}" for k in range(len(written))])
    except Doubt:
        return None


@pytest.mark.parametrize(
    ("repeats", "step", "unit"),
    [
        # five of one identifier in ten rows are 9/4 steps apart: 1 ms to 5 s
        (5, 0.00044, None), (5, 0.00045, "s"), (5, 0.44, "s"), (5, 0.45, None), (5, 2.22, None), (5, 2.23, "ms"),
        (5, 440.0, "ms"), (5, 450.0, None), (5, 2_230.0, "us"), (5, 2.22e9, "ns"), (5, 2.23e9, None),
        # four do not count: the step of at most 0.3 s decides
        (4, 0.44, "ms"), (4, 0.00044, "s"),
    ],
)  # fmt: skip
def test_the_period_of_the_most_frequent_identifier_decides(repeats: int, step: float, unit: str | None) -> None:
    identifiers = ["7"] * repeats + [f"{k:X}" for k in range(10, 20 - repeats)]
    assert unit_of([step * k for k in range(10)], identifiers) == unit


@pytest.mark.parametrize(("step", "unit"), [(2.2e-5, None), (2.4e-5, "s")])
def test_a_period_does_not_make_frames_closer_than_they_can_be(step: float, unit: str | None) -> None:
    """Five of one identifier among 401 rows are a hundred steps apart, more than a millisecond."""
    identifiers = ["7"] * 5 + [f"{k:X}" for k in range(100, 496)]
    assert unit_of([step * k for k in range(401)], identifiers) == unit


@pytest.mark.parametrize(
    ("first", "step", "count", "unit"),
    [
        (1.7e9, 0.1, 10, "s"),  # a step that fits two units: the date decides
        (1.7e12, 0.1, 10, "ms"),
        (1.7e12, 0.01, 10, "s"),  # no date in the one that fits
        (1.7e9, 43_199.0, 3, "s"),  # few rows, within a day
        (1.7e9, 43_200.0, 3, None),
        (1e9, 1.0, 2, "s"),  # September 2001
        (0.99e9, 1.0, 2, None),
        (4.09e9, 1.0, 2, "s"),  # the end of the century
        (4.11e9, 1.0, 2, None),
        (1.7e15, 1.0, 2, "us"),
        (1.7e18, 1000.0, 2, "ns"),
        (1.7e9, 0.0, 12, "s"),  # stamps that stand still
        (5.0, 0.0, 12, None),
        (0.0, 0.01, 9, None),  # too few rows
        (0.0, 0.01, 10, "s"),
    ],
)
def test_a_number_that_is_a_date_decides_where_the_pace_allows_it(
    first: float, step: float, count: int, unit: str | None
) -> None:
    assert unit_of([step * k for k in range(count)], first=first) == unit


@pytest.mark.parametrize(("dates", "unit"), [(10, "date"), (9, "ms")])
def test_ten_dates_are_a_column_of_dates(dates: int, unit: str) -> None:
    times = ["2026/03/02T09:00:00"] * 5 + ["09:00:00"] * (dates - 5) + ["later"] * 3
    assert guesses._date_or("ms", times) == unit
    assert guesses._date_or(None, []) is None


# -- columns by what they hold ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "delimiter", "columns"),
    [
        ([["1", "100", "2", "AA", "BB"], ["2", "100", "1", "AA"]], ",", (3, (4, 5))),
        ([["1", "100", "2", "AA", "BB"], ["2", "100", "1", "AA", ""]], ",", (3, (4, 5))),
        ([["1", "100", "2", "AABB"], ["2", "100", "0", ""]], ",", (3, (4,))),
        ([["1", "100", "2", "AABB"], ["2", "100", "0"]], ",", (3, (4,))),
        ([["1", "100", "2", "AA", "BB"], ["2", "100", "1", "AA"]], "space", (3, (4,))),
        ([["1", "100", "3", "AA", "BB"]], ",", None),
        ([["1", "100", "0", ""], ["2", "100", "0", ""]], ",", None),  # lengths of zero show nothing
        ([["x", "100", "2", "AA", "BB"], ["1", "100", "x", "AA", "BB"]], ",", None),
    ],
)
def test_a_length_counts_the_bytes_after_it(
    rows: list[list[str]], delimiter: Delimiter, columns: tuple[int, tuple[int, ...]] | None
) -> None:
    if columns is None:
        with pytest.raises(Doubt, match="no column counts the data bytes after it"):
            guesses._length_and_data(rows, delimiter)
    else:
        assert guesses._length_and_data(rows, delimiter) == columns


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (["moment;frame;content"], (["moment", "frame", "content"], 1)),
        (["my;logger", "", "moment;frame;content"], (["moment", "frame", "content"], 3)),
        (["moment;frame;5"], ([], 0)),
        (["moment;frame;1AB"], ([], 0)),
        (["moment;;content"], ([], 0)),
        (["my;logger"] * 39 + ["moment;frame;content"], (["moment", "frame", "content"], 40)),
        (["my;logger"] * 40 + ["moment;frame;content"], ([], 0)),
    ],
)
def test_a_header_of_unknown_words_has_no_number_and_no_gap(lines: list[str], found: tuple[list[str], int]) -> None:
    assert guesses._unknown_header(lines, ";") == found


def test_two_columns_that_could_be_the_time_or_the_identifier_are_a_doubt() -> None:
    two_clocks = [f"{k / 100:.2f};{k / 100:.3f};1A0;1;AA" for k in range(12)]
    two_identifiers = [f"{k / 100:.2f};1A0;1A1;1;AA" for k in range(12)]
    for lines in (two_clocks, two_identifiers):
        assert "more than one column could be the time or the identifier" in str(doubt_of(lines))


def test_rows_are_no_remarks_and_have_three_fields() -> None:
    rows = guesses._rows(["# 1;2;3", "  #1;2;3", "", "1;2", "1;2;3", "4;5;6;7"], ";")
    assert rows == [["1", "2", "3"], ["4", "5", "6", "7"]]
