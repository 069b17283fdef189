"""Lines and clocks of a console, rule by rule: what a value is, what is said of damage, when a clock restarted.

Expected by hand; 20 typical steps, 30 s of starting up are common practice, no published source.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from serial_definitions import CONSOLE, DELIMITED, FIELD_TIME, PAIRS, PATTERN, SIGNALS, defined

from logscope.capture.frames import BadLine, Gap
from logscope.capture.line_formats import Unmatched, _value_reader, line_reader
from logscope.capture.samples import SerialAccount
from logscope.capture.serial import misfit, sniff
from logscope.capture.serial_assemble import (
    Rows,
    Unrolled,
    _drop,
    _held,
    _on_one_clock,
    _onto_arrivals,
    _typical,
    assemble,
    first_bad,
    stray,
    unroll,
)
from logscope.capture.serial_binary import BinaryReader
from logscope.capture.serial_text import _any_of, _as_text, checked, has_zone, read_text
from logscope.definitions.serial import LineChecksum, SerialDefinition, SerialSignal

MS, S = 1_000_000, 1_000_000_000


def signal(**facts: Any) -> SerialSignal:
    return SerialSignal.model_validate({"name": "Speed"} | facts)


@pytest.mark.parametrize(
    ("facts", "decimal", "text", "value"),
    [
        ({}, ".", "1.5", 1.5), ({}, ".", " -2 ", -2.0), ({}, ".", "1e3", 1000.0), ({}, ".", "", math.nan),
        ({}, ".", "  ", math.nan), ({}, ".", "nan", math.nan), ({"unit": "V"}, ".", "312.5V", 312.5),
        ({"unit": "V"}, ".", "312.5 V", 312.5), ({}, ",", "1,5", 1.5), ({}, ",", "1.5", 1.5),
        ({"choices": {"3": "Run"}}, ".", "Run", 3.0), ({"choices": {"3": "Run"}}, ".", " Run", 3.0),
        ({"base": 16}, ".", "ff", 255.0), ({"base": 16}, ".", "0xFF", 255.0), ({"base": 16}, ".", "0XfF", 255.0),
        ({"base": 16, "unit": "h"}, ".", "10h", 16.0),
    ],
)  # fmt: skip
def test_a_text_is_a_number_a_choice_or_no_sample(facts: dict[str, Any], decimal: str, text: str, value: float) -> None:
    np.testing.assert_array_equal(_value_reader(signal(**facts), decimal)(text), value)


@pytest.mark.parametrize(
    ("facts", "text", "said"),
    [
        ({}, "x", "Speed: “x” is not a value"),
        ({}, "inf", "Speed: “inf” is not a value"),
        ({}, "1_0", "Speed: “1_0” is not a value"),
        ({}, "١", "Speed: “١” is not a value"),
        ({}, "12.5 rpm", 'Speed: “12.5 rpm” is not a value; if it ends in its unit, add unit = "rpm" to the signal'),
        ({}, "-3km/h", 'is not a value; if it ends in its unit, add unit = "km/h" to the signal'),
        ({"unit": "V"}, "3A", "Speed: “3A” is not a value"),
        ({}, "y" * 25, f"Speed: “{'y' * 24}” is not a value"),
        ({"base": 16}, "-f", "Speed: “-f” is not a value"),
        ({"base": 16}, "xy", "Speed: “xy” is not a value"),
    ],
)
def test_what_is_no_value_is_named(facts: dict[str, Any], text: str, said: str) -> None:
    with pytest.raises(ValueError, match="is not a value") as caught:
        _value_reader(signal(**facts), ".")(text)
    assert str(caught.value).endswith(said)
    assert ("add unit" in str(caught.value)) == ("add unit" in said)


def test_lines_by_columns_pairs_and_patterns() -> None:
    """The time, then speed, voltage and state."""
    nan = math.nan
    columns = line_reader(defined(DELIMITED))
    assert columns("x,st,rpm,t,udc") is None
    assert columns("9,Run,5,10,6") == (10.0, 5.0, 6.0, 1.0)
    assert columns("9,Run,5,10,6,") == (10.0, 5.0, 6.0, 1.0)
    with pytest.raises(Unmatched, match="it has 4 instead of 5 columns"):
        columns("9,Run,5,10")
    with pytest.raises(ValueError, match="the time column is empty"):
        columns("9,Run,5,,6")
    with pytest.raises(Unmatched, match="no header line before it names rpm, st, t, udc"):
        line_reader(defined(DELIMITED))("1,2,3,4")
    pairs = line_reader(defined(PAIRS))
    np.testing.assert_array_equal(pairs("x.rpm=1 t=5;udc:3|st = Run"), (5.0, nan, 3.0, 1.0))
    np.testing.assert_array_equal(pairs("t=5 rpm="), (5.0, nan, nan, nan))
    for line, said in (("nothing", "it holds none of the defined values"), ("t=1 t=2", "it holds a value twice")):
        with pytest.raises(ValueError, match=said):
            pairs(line)
    pattern = line_reader(defined(PATTERN))
    np.testing.assert_array_equal(pattern("T10 state Run"), (10.0, nan, nan, 1.0))
    np.testing.assert_array_equal(pattern("T10 n=5 u=6"), (10.0, 5.0, 6.0, nan))
    with pytest.raises(Unmatched, match="it matches no pattern"):
        pattern("T10 n=5 u=6 ")


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b" a\tb \t", "a\tb"), ("°C".encode(), "°C"), (b"\x1b[1;32mok\x1b[0m", "ok"), (b"a\x00", None),
        (b"\xb0C", None),
        (b"a\x07", None), (b"", ""),
    ],
)  # fmt: skip
def test_a_line_is_text_without_blanks_and_colours(line: bytes, text: str | None) -> None:
    assert _as_text(line) == text


@pytest.mark.parametrize(
    ("line", "zone"),
    [
        ("2026-03-02T09:00:00Z x", True), ("[2026-03-02 09:00:00.5+0100] x", True), ("2026-03-02 09:00:00 x", False),
        ("x", False),
    ],
)  # fmt: skip
def test_a_stamp_may_say_its_zone(line: str, zone: bool) -> None:
    assert has_zone(line) is zone
    assert _any_of([])("x") is False


def test_a_line_is_checked_up_to_its_mark() -> None:
    """XOR of the letters: A is 41, A with B 03."""
    algorithm = LineChecksum(algorithm="xor8", mark="*", start="$")
    texts = ["x$A*41", "$AB*03", "$A*42", "$A*4", "$A", "A*41", None, "$A*4g", "$A*B*01"]
    found = checked(texts, algorithm)
    assert [each if isinstance(each, str) or each is None else str(each) for each in found] == [
        "A", "AB", "its checksum is wrong", "its checksum is wrong", "it has no checksum", "it has no checksum", None,
        "its checksum is wrong", "its checksum is wrong",
    ]  # fmt: skip


def test_the_account_of_a_text_log() -> None:
    definition = defined(DELIMITED.replace('name = "Console"', 'name = "Console"\nother = ["^#"]'))
    lines = b"\xef\xbb\xbft,rpm,udc,st\n# x\n\n10,1,2,0\n20,1,2\n\xff\n30,1,2,0\n"
    rows, account = read_text([lines[:20], lines[20:]], definition, "a.log")
    assert account == SerialAccount(
        ("a.log",), lines=7, sample_lines=2, other=3, lines_bad=2,
        bad=(BadLine("a.log", 5, "it has 3 instead of 4 columns"),
             BadLine("a.log", 6, "it holds bytes that are not text")),
    )  # fmt: skip
    assert (rows.line.tolist(), rows.turn.tolist(), rows.time.tolist()) == ([4, 7], [0, 3], [10.0, 30.0])
    assert rows.value.tolist() == [[1.0, 2.0, 0.0]] * 2
    assert rows.stamp_ns is None
    kept = rows.only(np.array([False, True]))
    assert (len(kept), kept.line.tolist(), kept.value.tolist()) == (1, [7], [[1.0, 2.0, 0.0]])
    iso = defined(CONSOLE + '[delimited]\ncolumns = ["rpm", "udc", "st"]\n[time]\nstamp = "iso"\n' + SIGNALS)
    stamped, said = read_text([b"2026-03-02T09:00:00,1,2,0\nx\n2026-03-02T09:00:01\n"], iso, "a.log")
    assert stamped.stamp_ns is not None
    assert stamped.stamp_ns.tolist() == [1_772_442_000 * S]
    assert said.notes == said.assumptions == ("a.log: its timestamps name no time zone and were taken as UTC",)
    assert (said.other, [bad.reason for bad in said.bad]) == (1, ["it does not begin with a timestamp"])


@pytest.mark.parametrize(("separator", "speed"), [(",", [5.0, 6.0]), (";", [7.0, 8.0])])
def test_a_comma_that_separates_columns_is_no_decimal_mark_of_a_stamp(separator: str, speed: list[float]) -> None:
    """Of whole seconds the first value follows at once; with another separator a stamp may have a decimal comma."""
    text = f'[delimited]\nseparator = "{separator}"\ncolumns = ["rpm"]\n[time]\nstamp = "iso"\n'
    definition = defined(CONSOLE + text + '[[signal]]\nname = "Speed"\nfield = "rpm"\n')
    lines = {",": b"2026-03-02T09:00:00,5\n2026-03-02T09:00:01.5,6\n",
             ";": b"2026-03-02T09:00:00,25;7\n2026-03-02T09:00:01.5;8\n"}[separator]  # fmt: skip
    found, account = read_text([lines], definition, "a.log")
    assert (account.sample_lines, account.lines_bad, account.other) == (2, 0, 0)
    assert found.value.ravel().tolist() == speed
    assert found.stamp_ns is not None
    first_ns = 0 if separator == "," else 250 * MS
    assert (found.stamp_ns - 1_772_442_000 * S).tolist() == [first_ns, 1500 * MS]


@pytest.mark.parametrize(
    ("toml", "head", "said"),
    [
        (DELIMITED, b"1,2\n3,4\n", "line 1: no header line before it names rpm, st, t, udc"),
        (DELIMITED, b"t,rpm,udc,st\n1,2,3\n", "line 2: it has 3 instead of 4 columns"),
        (PAIRS, b"boot\n", "no line holds any of rpm, udc, st"),
        (CONSOLE + '[record]\nsync = "A5"\n[time]\nrate_Hz = 5\n[[signal]]\nname = "A"\ntype = "u8"\n', b"x",
         "no record as it describes them is found"),
    ],
)  # fmt: skip
def test_why_a_log_is_not_what_was_defined(toml: str, head: bytes, said: str) -> None:
    assert misfit(head, defined(toml)) == said


def test_a_log_looks_like_its_definition_with_no_more_damage_than_samples() -> None:
    for good, bad, alike in ((1, 1, True), (1, 2, False), (0, 0, False), (2, 1, True)):
        head = b"t,rpm,udc,st\n" + b"10,1,2,0\n" * good + b"10,1,2\n" * bad + b"cut"
        assert sniff(head, defined(DELIMITED)) is alike


# ------------------------------------------------------------------------------------------- clocks


def ns(*milliseconds: float) -> np.ndarray:
    return np.array([round(each * MS) for each in milliseconds], np.int64)


@pytest.mark.parametrize(
    ("ticks", "strays"),
    [
        (ns(0, 10, 20, 30, 40), []),
        (ns(0, 10, 231, 30, 40), [2]),  # more than 20 typical steps ahead of the value before
        (ns(0, 10, 209, 220, 230), []),
        (ns(0, 10, 20, 500, 510), []),  # a pause
        (ns(0, 900), []),
    ],
)
def test_a_value_strays_that_its_neighbours_do_not_bear_out(ticks: np.ndarray, strays: list[int]) -> None:
    assert np.flatnonzero(stray(ticks, None)).tolist() == strays


@pytest.mark.parametrize(
    ("ticks", "modulus", "expected"),
    [
        (ns(100, 110, 120, 5), None, Unrolled(ns(100, 110, 120, 130), 0, 1, 0, (3,))),  # a typical step is longer
        (ns(40_000, 40_010, 30_000, 30_010), None, Unrolled(ns(40_000, 40_010, 70_010, 70_020), 0, 1, 0, (2,))),
        (ns(40_000, 40_010, 30_001, 30_011), None, Unrolled(ns(40_000, 40_010, 40_020, 40_030), 0, 1, 1, (2,))),
        (ns(80, 90, 0, 10), 100 * MS, Unrolled(ns(80, 90, 100, 110), 1, 0, 0, ())),
        (ns(600, 610, 10, 20), 800 * MS, Unrolled(ns(600, 610, 810, 820), 1, 0, 0, ())),  # 20 typical steps of 10
        (ns(600, 610, 10, 20), 801 * MS, Unrolled(ns(600, 610, 620, 630), 0, 1, 0, (2,))),
        (ns(10, 20, 15, 30, 40), None, Unrolled(ns(10, 20, 15, 30, 40), 0, 0, 0, ())),  # made good
        (ns(5), None, Unrolled(ns(5), 0, 0, 0, ())),
    ],
)
def test_steps_back_are_overflows_restarts_or_disorder(
    ticks: np.ndarray, modulus: int | None, expected: Unrolled
) -> None:
    found = unroll(ticks, modulus, restarts=True)
    assert found.time_ns.tolist() == expected.time_ns.tolist()
    assert (found.overflows, found.resets, found.unplaced_resets, found.reset_at) == (
        expected.overflows, expected.resets, expected.unplaced_resets, expected.reset_at,
    )  # fmt: skip


def test_the_typical_step_is_the_median_of_those_ahead() -> None:
    assert (_typical(ns(-5, 10, 30, 20)), _typical(ns(-5, 0)), _typical(ns(10, 20))) == (20 * MS, 0, 15 * MS)


def rows(time: list[float], stamp_ns: np.ndarray | None = None) -> Rows:
    count = len(time)
    return Rows(np.arange(1, count + 1), np.arange(count), np.ones((count, 3)), np.array(time), stamp_ns)


ACCOUNT = SerialAccount(("a.log",), lines=9, sample_lines=4)


def test_rows_without_a_time_hold_that_of_the_last() -> None:
    definition, nan = defined(PAIRS), math.nan
    held, account = _held(definition, rows([nan, 10, nan, nan, 20]), ACCOUNT)
    assert held.time.tolist() == [10, 10, 10, 20]
    assert account.notes == ("Console: lines without a time got the time of the last line that has one (2)",)
    assert account.bad == (BadLine("a.log", 1, "it comes before the first time"),)
    assert (account.sample_lines, account.lines_bad) == (3, 1)
    only_late = _held(definition, rows([nan, 10]), ACCOUNT)[1]
    assert only_late.notes == ()
    assert _held(definition, rows([1, 2]), ACCOUNT)[1] is ACCOUNT


def test_dropped_rows_become_bad_lines_in_the_order_of_the_log() -> None:
    before = replace(ACCOUNT, bad=(BadLine("a.log", 3, "old"),), lines_bad=1)
    kept, account = _drop(rows([1, 2, 3, 4]), np.array([False, True, False, True]), "new", before)
    assert kept.line.tolist() == [1, 3]
    assert account.bad == (BadLine("a.log", 2, "new"), BadLine("a.log", 3, "old"), BadLine("a.log", 4, "new"))
    assert (account.sample_lines, account.lines_bad) == (2, 3)
    assert len(first_bad([BadLine("a", k, "") for k in range(25, 0, -1)])) == 20


@pytest.mark.parametrize(
    ("unit", "wrap", "highest"), [("ms", "", 4e12), ("s", "", 4e9), ("ms", "wrap_bits = 16\n", 65_535.0)]
)
def test_a_time_is_possible_up_to_the_end_of_its_counter(unit: str, wrap: str, highest: float) -> None:
    definition = defined(PAIRS.replace('unit = "ms"\n', f'unit = "{unit}"\n{wrap}', 1))
    for time, fits in ((highest, True), (highest * 1.001 + 1, False), (-1.0, False), (0.0, True)):
        log = assemble(definition, rows([time]), replace(ACCOUNT, sample_lines=1))
        assert log.account.sample_lines == int(fits)
        assert [bad.reason for bad in log.account.bad] == ([] if fits else ["its time is out of range"])


def test_a_rate_gives_each_sample_its_turn() -> None:
    definition = defined(CONSOLE + "[pairs]\n[time]\nrate_Hz = 8\n" + SIGNALS)
    made = replace(rows([math.nan] * 3), turn=np.array([0, 2, 3]))
    time_ns, account = _on_one_clock(definition, made, ACCOUNT)
    assert time_ns.tolist() == [0, 250 * MS, 375 * MS]
    assert account.notes == account.assumptions
    assert account.notes == ("Console: the log holds no time; 8 samples per second are assumed",)


def test_restarts_are_said_and_kept() -> None:
    definition = defined(PAIRS)
    time_ns, account = _on_one_clock(definition, rows([100, 110, 120, 5, 15, 40_000, 35_000, 35_010]), ACCOUNT)
    assert (account.resets, len(account.restarts)) == (2, 2)
    assert account.restarts[0] == Gap(120 * MS, int(time_ns[3]))
    assert account.notes == (
        "Console: the clock restarted 2 times; the times continue from there, without the time while the controller "
        "was off",
        "Console: once it went back without starting near zero; the time in between is unknown, and a typical step was "
        "assumed",
    )


def test_a_clock_of_its_own_is_put_onto_the_arrivals() -> None:
    """Delays of 5 and 3 ms, anew after a restart: the least delay of each stretch counts."""
    own, seen = ns(0, 10, 20, 0, 10), ns(1005, 1013, 1024, 2003, 2012)
    assert _onto_arrivals(own, seen, (3,)).tolist()[3:] == ns(2003, 2012).tolist()
    placed = _onto_arrivals(own, seen, (3,))
    assert (placed <= seen).all()
    definition = defined(PAIRS)
    _, account = _on_one_clock(definition, rows([0, 10], ns(1000, 1010)), ACCOUNT)
    assert account.notes == ("Console: its own clock was aligned to the arrival of its samples",)


def test_a_log_is_assembled_in_order_of_time_with_its_units() -> None:
    text = (
        CONSOLE + "[pairs]\n" + FIELD_TIME + '[[signal]]\nname = "A"\nscale = 2\noffset = -1\n[[signal]]\nname = "B"\n'
    )
    value = np.array([[1.0, math.inf], [2.0, math.nan], [math.nan, 3.0], [math.nan, math.nan]])
    made = replace(rows([10, 30, 20, 40]), value=value)
    log = assemble(defined(text), made, ACCOUNT)
    assert (log.signals["A"].time_ns.tolist(), log.signals["A"].value.tolist()) == (ns(10, 30).tolist(), [1.0, 3.0])
    assert (log.signals["B"].time_ns.tolist(), log.signals["B"].value.tolist()) == (ns(20).tolist(), [3.0])
    assert (log.account.out_of_order, log.account.resets, log.dated) == (1, 0, False)
    assert log.account.notes == ("Console.B: 1 infinite values were left out",)


# ------------------------------------------------------------------------------------- binary stretches


@pytest.mark.parametrize(
    ("content", "samples", "other", "damaged"),
    [
        (b"\xa5\x01" * 3, 3, 0, 0),
        (b"\xa5\x01ready\n\xa5\x02\xa5\x03", 2, 0, 4),  # no sync follows the first
        (b"ready\n\xa5\x01\xa5\x02", 2, 1, 0),
        (b"\x00\x01\x02\x03\xa5\x01", 1, 0, 2),  # as many as records fit
        (b"\x00\xa5\x01", 1, 0, 1),
        (b"", 0, 0, 0),
    ],
)
def test_bytes_between_records_are_text_or_damage(content: bytes, samples: int, other: int, damaged: int) -> None:
    text = '[record]\nsync = "A5"\n[time]\nrate_Hz = 5\n[[signal]]\nname = "A"\ntype = "u8"\n'
    reader = BinaryReader(defined(CONSOLE + text), "a.bin")
    reader.add(content)
    reader.finish()
    assert (reader.samples, reader.other, reader.damaged) == (samples, other, damaged)
    assert reader.lines == samples + other + damaged
    assert reader.account().lines_bad == damaged
    assert [len(each) for each in (reader.take_rows(), reader.take_rows())] == [samples, 0]


def test_a_packet_that_is_no_record_says_why() -> None:
    text = (
        '[record]\nframing = "slip"\nsync = "A5"\nchecksum = "xor8"\n[time]\nrate_Hz = 5\n[[signal]]\nname = "A"\n'
        'type = "u8"\n'
    )
    definition: SerialDefinition = defined(CONSOLE + text)
    reader = BinaryReader(definition, "a.bin")
    reader.add(b"\xa5\x01\xa4\xc0\xc0\xa5\x01\xa5\xc0\xa5\x01\xc0\xa4\x01\xa5\xc0\xdb\xc0\xa5\x02\xa7")
    reader.finish()
    assert [(bad.line, bad.reason) for bad in reader.bad] == [
        (2, "its checksum is wrong"), (3, "its length or its first bytes do not match a record"),
        (4, "its length or its first bytes do not match a record"), (5, "it is not a valid SLIP packet"),
    ]  # fmt: skip
    assert (reader.samples, reader.rows().value.tolist(), reader.rows().turn.tolist()) == (2, [[1.0], [2.0]], [0, 5])
