"""Lines of a console to numbers, by hand: what is a value, what is a line, and what is said of the rest."""

from __future__ import annotations

from math import isnan

import pytest
from serial_definitions import CONSOLE, DELIMITED, FIELD_TIME, PAIRS, PATTERN, defined

from logscope.capture import serial_text
from logscope.capture.frames import BadLine
from logscope.capture.line_formats import Row, Unmatched, line_reader
from logscope.capture.samples import SerialAccount
from logscope.capture.serial_text import TextReader, checked, has_zone, read_text
from logscope.definitions.serial import LineChecksum, SerialDefinition

SPEED = '[[signal]]\nname = "Speed"\nfield = "rpm"\n'


def one(keys: str, shape: str = "[pairs]\n") -> SerialDefinition:
    """A console with one signal that has these keys, its time in `t` [ms]."""
    return defined(f"{CONSOLE}{shape}{FIELD_TIME}{SPEED}{keys}")


def row_of(definition: SerialDefinition, line: str) -> Row | str | None:
    """The row of a line, with 0 where there is none; or what is wrong with it."""
    try:
        row = line_reader(definition)(line)
    except ValueError as reason:
        return f"{type(reason).__name__}: {reason}"
    return None if row is None else tuple(0.0 if isnan(value) else value for value in row)


# -- one value --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "text", "value"),
    [
        ("", "12.5", 12.5), ("", "-1e3", -1000.0), ("", "nan", 0.0), ("", "", 0.0),
        ("", "inf", None), ("", "-inf", None), ("", "1_0", None), ("", "١", None),  # what Python alone takes
        ('unit = "V"\n', "312V", 312.0), ('unit = "V"\n', "312", 312.0), ('unit = "V"\n', "infV", None),
        ('unit = "V"\n', "312A", None),
        ('choices = { 3 = "Run", 4 = "7" }\n', "Run", 3.0), ('choices = { 3 = "Run" }\n', "run", None),
        ('choices = { 3 = "Run", 4 = "7" }\n', "7", 7.0),
        ("base = 16\n", "ff", 255.0), ("base = 16\n", "0xFF", 255.0), ("base = 16\n", "0Xa0", 160.0),
        ("base = 16\n", "10", 16.0), ("base = 16\n", "-1", None), ("base = 16\n", "1_0", None),
        ("base = 16\n", "g", None), ("base = 16\n", "", 0.0),
    ],
)  # fmt: skip
def test_what_is_a_value(keys: str, text: str, value: float | None) -> None:
    found = row_of(one(keys), f"t=1 rpm={text}")
    assert found == ((1.0, value) if value is not None else f"ValueError: Speed: “{text}” is not a value")


@pytest.mark.parametrize(
    ("text", "value"), [("12,5", 12.5), ("12", 12.0), ("inf", None), ("1_0", None), ("", 0.0), ("٣", None)]
)
def test_what_is_a_value_with_a_decimal_comma(text: str, value: float | None) -> None:
    definition = one("", '[delimited]\nseparator = ";"\ndecimal = ","\ncolumns = ["t", "rpm"]\n')
    found = row_of(definition, f"1;{text}")
    assert found == ((1.0, value) if value is not None else f"ValueError: Speed: “{text}” is not a value")


@pytest.mark.parametrize(
    ("keys", "text", "said"),
    [
        ("", "312V", '“312V” is not a value; if it ends in its unit, add unit = "V" to the signal'),
        ("", "-3.5km/h", '“-3.5km/h” is not a value; if it ends in its unit, add unit = "km/h" to the signal'),
        ("", "5abcdefg", "“5abcdefg” is not a value"),  # no unit is so long
        ('unit = "A"\n', "312V", "“312V” is not a value"),
        ("", "x" * 30, f"“{'x' * 24}” is not a value"),
    ],
)
def test_what_is_no_value_is_quoted_and_a_unit_behind_it_proposed(keys: str, text: str, said: str) -> None:
    assert row_of(one(keys), f"t=1 rpm={text}") == f"ValueError: Speed: {said}"


# -- one line ---------------------------------------------------------------------------------------

THREE = '[delimited]\ncolumns = ["t", "rpm", "x"]\n'


@pytest.mark.parametrize(
    ("line", "row"),
    [
        ("1,2,3", (1.0, 2.0)),
        ("1,2,3,", (1.0, 2.0)),  # a separator after the last value
        ("1,2,3,4", "Unmatched: it has 4 instead of 3 columns"),
        ("1,2", "Unmatched: it has 2 instead of 3 columns"),
        ("1,2,", (1.0, 2.0)),
        (",2,3", "ValueError: the time column is empty"),
        ('1,"2",3', (1.0, 2.0)),
        ('1,"2,3",4', "ValueError: Speed: “2,3” is not a value"),
        ("x,t,rpm", None),  # another header
    ],
)
def test_a_line_in_columns(line: str, row: Row | str | None) -> None:
    assert row_of(one("", THREE), line) == row


def test_a_header_names_the_columns_from_then_on() -> None:
    read = line_reader(one("", "[delimited]\n"))
    with pytest.raises(Unmatched, match="no header line before it names rpm, t"):
        read("1,2")
    assert read(" x , rpm ,t,") is None  # a separator after the last name
    assert read("9,2,1") == (1.0, 2.0)
    assert read("9,2,1,") == (1.0, 2.0)
    assert read("t,rpm") is None
    assert read("1,2") == (1.0, 2.0)
    with pytest.raises(ValueError, match="is not a value"):
        read("t,speed")


@pytest.mark.parametrize(
    ("separator", "line"), [(" ", "1   2\t3"), ("\\t", "1\t2\t3"), ("; ", '1; 2; "3'), ("|", "1|2|3")]
)
def test_separators(separator: str, line: str) -> None:
    shape = THREE.replace("[delimited]\n", f'[delimited]\nseparator = "{separator}"\n')
    assert row_of(one("", shape), line) == (1.0, 2.0)


def test_without_a_time_field_the_first_number_is_none() -> None:
    definition = defined(f'{CONSOLE}[delimited]\ncolumns = ["rpm"]\n[time]\nrate_Hz = 10\n{SPEED}')
    row = line_reader(definition)("7")
    assert row is not None
    assert (isnan(row[0]), row[1]) == (True, 7.0)


@pytest.mark.parametrize(
    ("line", "row"),
    [
        ("t=1 rpm=2", (1.0, 2.0)),
        ("t: 1; rpm : 2|x", (1.0, 2.0)),
        ("rpm=2", (0.0, 2.0)),
        ("t=1 xrpm=2", (1.0, 0.0)),  # within a longer name
        ("t=1 a.rpm=2", (1.0, 0.0)),
        ("t=1 rpm=2 rpm=3", "ValueError: it holds a value twice"),
        ("hello", "Unmatched: it holds none of the defined values"),
    ],
)
def test_a_line_of_pairs(line: str, row: Row | str) -> None:
    assert row_of(one(""), line) == row


def test_of_names_that_begin_alike_the_longest_counts() -> None:
    definition = defined(f'{CONSOLE}[pairs]\nassign = "_"\n{FIELD_TIME}{SPEED}[[signal]]\nname = "rpm_a"\n')
    assert row_of(definition, "t_1 rpm_a_2 rpm_3") == (1.0, 3.0, 2.0)
    assert row_of(definition, "t=1") == "Unmatched: it holds none of the defined values"


def test_a_line_of_a_pattern_has_the_values_of_its_groups() -> None:
    assert row_of(defined(PATTERN), "T5 n=1 u=2") == (5.0, 1.0, 2.0, 0.0)
    assert row_of(defined(PATTERN), "T5 state Run") == (5.0, 0.0, 0.0, 1.0)
    assert row_of(defined(PATTERN), "T5 n=1 u=2 ") == "Unmatched: it matches no pattern"


COLUMNS = 'columns = ["t", "rpm", "udc", "st"]'


# -- all lines --------------------------------------------------------------------------------------


def read(content: bytes, definition: SerialDefinition) -> tuple[list[tuple[int, int]], SerialAccount]:
    """Line and turn of each sample, and the account."""
    rows, account = read_text([content], definition, "c.txt")
    return list(zip(rows.line.tolist(), rows.turn.tolist(), strict=True)), account


def test_every_line_is_counted_as_one_thing() -> None:
    toml = f'{CONSOLE}other = ["^boot"]\n[delimited]\ncolumns = ["rpm"]\n[time]\nstamp = "uptime"\n{SPEED}'
    lines = [
        b"boot 1", b"[1.0] 5", b"", b"[2.0] x", b"[3.0] boot", b"[4.0]", b"no stamp", b"[5.0] 6", b"[6.0] \xff",
        b"[7.0] 7",
    ]  # fmt: skip
    samples, account = read(b"\n".join(lines), defined(toml))
    assert samples == [(2, 0), (8, 3), (10, 5)]  # turns: samples and damaged lines before
    assert account == SerialAccount(
        files=("c.txt",), lines=10, sample_lines=3, other=4, lines_bad=3,
        bad=(
            BadLine("c.txt", 4, "Speed: “x” is not a value"),
            BadLine("c.txt", 7, "it does not begin with a timestamp"),
            BadLine("c.txt", 9, "it holds bytes that are not text"),
        ),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("toml", "other", "bad"),
    [
        (PAIRS, 1, 1),  # free text between pairs is no damage, a damaged value is
        (PAIRS.replace("[pairs]", 'unmatched = "bad"\n[pairs]'), 0, 2),
        (DELIMITED.replace("[delimited]", f'unmatched = "other"\n[delimited]\n{COLUMNS}'), 1, 1),
        (DELIMITED.replace("[delimited]", f"[delimited]\n{COLUMNS}"), 0, 2),
    ],
)  # fmt: skip
def test_a_line_without_a_sample_is_damage_where_every_line_is_one(toml: str, other: int, bad: int) -> None:
    damaged = b"t=1 rpm=x" if "[pairs]" in toml else b"1,x,2,0"
    account = read(b"free text\n" + damaged + b"\n", defined(toml))[1]
    assert (account.other, account.lines_bad) == (other, bad)


def test_twenty_bad_lines_are_named_and_all_are_counted() -> None:
    account = read(b"t=1 rpm=x\n" * 25, defined(PAIRS))[1]
    assert [bad.line for bad in account.bad] == list(range(1, 21))
    assert account.lines_bad == 25


@pytest.mark.parametrize(
    ("stamp", "zone"),
    [
        ("2026-03-02T09:00:00Z", True), ("2026-03-02 09:00:00.123+01:00", True), ("[2026-03-02 09:00:00-0500]", True),
        ("2026-03-02T09:00:00", False), ("2026-03-02 09:00:00,5", False), ("boot", False),
    ],
)  # fmt: skip
def test_a_stamp_without_a_zone_is_taken_as_utc_and_said(stamp: str, zone: bool) -> None:
    assert has_zone(f"{stamp} rpm=1") is zone
    definition = defined(f'{CONSOLE}[pairs]\n[time]\nstamp = "iso"\n{SPEED}')
    account = read(f"2026-03-02T09:00:00Z rpm=1\n{stamp} rpm=1\n".encode(), definition)[1]
    said = ("c.txt: its timestamps name no time zone and were taken as UTC",)
    assert (account.notes, account.assumptions) == ((), ()) if zone or stamp == "boot" else (said, said)


def test_a_header_of_an_older_program_is_read_all_the_same() -> None:
    """Windows-1252 has the degree sign as B0, which is no UTF-8."""
    definition = defined(f'{CONSOLE}[delimited]\n{FIELD_TIME}[[signal]]\nname = "Heat"\nfield = "T [°C]"\n')
    samples, account = read(b"t,T [\xb0C],x\n10,41,\xb0\n10,41,5\n", definition)
    assert (samples, account.other) == ([(3, 1)], 1)
    assert account.bad == (BadLine("c.txt", 2, "it holds bytes that are not text"),)


def test_what_is_taken_is_not_taken_again() -> None:
    reader = TextReader(defined(PAIRS), "c.txt")
    reader.add([b"t=1 rpm=2 udc=3 st=1"])
    rows = reader.take_rows()
    assert (rows.time.tolist(), rows.value.tolist(), rows.stamp_ns) == ([1.0], [[2.0, 3.0, 1.0]], None)
    reader.add([b"t=2 rpm=4"])
    assert (reader.take_rows().line.tolist(), len(reader.take_rows())) == ([2], 0)
    stamped = TextReader(defined(f'{CONSOLE}[pairs]\n[time]\nstamp = "epoch"\n{SPEED}'), "c.txt")
    stamped.add([b"1700000000.5 rpm=2"])
    assert stamped.rows().stamp_ns.tolist() == [1_700_000_000_500_000_000]  # type: ignore[union-attr]


def test_a_line_ends_in_the_checksum_of_what_it_covers() -> None:
    """The XOR of “A” (41) and “B” (42) is 03; of the rest of “$AB” after “$” the same."""
    plain, after = (LineChecksum(algorithm="xor8", start=start) for start in ("", "$"))
    texts = ["AB*03", "AB*04", "AB", None, "AB*3", "AB*0G", "A*B*29", "AB*003"]
    found = checked(texts, plain)
    assert [str(each) for each in found] == [
        "AB", "its checksum is wrong", "it has no checksum", "None", "its checksum is wrong", "its checksum is wrong",
        "A*B", "its checksum is wrong",
    ]  # fmt: skip
    assert [str(each) for each in checked(["x$AB*03", "AB*03", "$ABC*40"], after)] == [
        "AB",
        "it has no checksum",
        "ABC",
    ]
    assert isinstance(found[2], Unmatched)
    assert not isinstance(found[1], Unmatched)


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b" \tab\tc ", "ab\tc"), (b"\x1b[1;32mab\x1b[0m", "ab"), (b"a\x00b", None), (b"a\xffb", None),
        ("a°b".encode(), "a°b"), (b"\x1b[32m \tab \x1b[0m", "ab"), (b"a\x07b", None),
    ],
)  # fmt: skip
def test_what_of_a_line_is_text(line: bytes, text: str | None) -> None:
    assert serial_text._as_text(line) == text


def test_clocks_of_the_day_end_before_24() -> None:
    read_stamp = serial_text.stamp_reader("clock")
    good = [read_stamp(f"{text} x") for text in ("23:59:59", "00:00:60", "24:00:00", "23:60:00", "23:59:61")]
    assert good == [(86_399 * 10**9, "x"), (60 * 10**9, "x"), None, None, None]
    epoch = serial_text.stamp_reader("epoch")
    assert [epoch(f"{'1' * digits} x") is not None for digits in (8, 9, 10, 11)] == [False, True, True, False]
    assert serial_text.stamp_reader("uptime")("[ 12.5 ]: x") == (12_500_000_000, "x")
