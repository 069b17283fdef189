"""Serial text logs. What a log should hold is known from how the test wrote it, with the csv module where it fits."""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_definitions import CONSOLE, DELIMITED, FIELD_TIME, PAIRS, PATTERN, SIGNALS, closes, defined

from logscope.capture.serial import read_serial, sniff
from logscope.capture.serial_assemble import assemble
from logscope.capture.serial_text import read_text
from logscope.definitions.serial import load_serial_definition

DECODERS = Path(__file__).parents[2] / "decoders"

HEADER = "t,rpm,udc,st\n"


def read(content, definition, blocks=1):
    content = content.encode() if isinstance(content, str) else content
    lines = content.splitlines(keepends=True)
    size = -(-len(lines) // blocks) or 1
    parts = [b"".join(lines[k : k + size]) for k in range(0, len(lines), size)]
    return assemble(definition, *read_text(parts, definition, "console.log"))


def values(log, name):
    samples = log.signals[name]
    return list(zip((samples.time_ns // 1_000_000).tolist(), samples.value.tolist(), strict=True))


FINITE = st.floats(allow_nan=False, allow_infinity=False)
ROWS = st.lists(st.tuples(FINITE, FINITE, st.sampled_from(["0", "1", "Off", "Run"])), max_size=30)


@given(
    rows=ROWS,
    separator=st.sampled_from([",", ";", "\t", "|"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_columns_come_back_as_the_csv_module_wrote_them(rows, separator, quoting):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, quoting=quoting, lineterminator="\r\n")
    writer.writerow(["t", "udc", "unused", "st", "rpm"])
    writer.writerows([10 * k, volts, "x y", state, speed] for k, (speed, volts, state) in enumerate(rows))
    toml = DELIMITED.replace("[delimited]", f'[delimited]\nseparator = "{separator}"'.replace("\t", "\\t"))
    log = read(text.getvalue(), defined(toml), blocks=3)
    assert values(log, "Speed") == [(10 * k, speed) for k, (speed, _, _) in enumerate(rows)]
    assert values(log, "Volts") == [(10 * k, volts) for k, (_, volts, _) in enumerate(rows)]
    assert values(log, "State") == [(10 * k, float(state in ("1", "Run"))) for k, (_, _, state) in enumerate(rows)]
    assert (log.account.sample_lines, log.account.other, log.account.lines_bad) == (len(rows), 1, 0)


@settings(max_examples=150)
@given(
    content=st.one_of(
        st.binary(max_size=300),
        st.lists(
            st.sampled_from([b"t,rpm,udc,st\n", b"10,1,2,0\n", b"t=1 rpm=", b"T5 n=1 u=2\n", b",", b"\x00", b"\r"])
        ).map(b"".join),
    ),
    toml=st.sampled_from([DELIMITED, PAIRS, PATTERN]),
)
def test_any_bytes_are_accounted_for(content, toml):
    log = read(content, defined(toml))
    assert closes(log.account)
    assert log.account.lines == len(content.removeprefix(b"\xef\xbb\xbf").splitlines())
    for samples in log.signals.values():
        assert np.isfinite(samples.value).all()
        assert (np.diff(samples.time_ns) >= 0).all()
    sniff(content, defined(toml))


def test_pairs_are_found_anywhere_in_a_line():
    log = read("drive: t=10 rpm: 1500, udc=312.5V st=Run\nt=20;udc = 313 V\nfree text\n", defined(PAIRS))
    assert values(log, "Speed") == [(10, 1500.0)]
    assert values(log, "Volts") == [(10, 312.5), (20, 313.0)]
    assert values(log, "State") == [(10, 1.0)]
    assert (log.account.sample_lines, log.account.other, log.account.lines_bad) == (2, 1, 0)


def test_lines_without_a_time_take_that_of_the_last_line_with_one():
    log = read("rpm=1\nt=10\nrpm=2\nudc=300\nt=20\nrpm=3\n", defined(PAIRS))
    assert values(log, "Speed") == [(10, 2.0), (20, 3.0)]
    assert values(log, "Volts") == [(10, 300.0)]
    assert (log.account.sample_lines, log.account.lines_bad) == (5, 1)
    assert "lines without a time got the time of the last line that has one (3)" in log.account.notes[0]
    assert (log.account.bad[0].line, log.account.bad[0].reason) == (1, "it comes before the first time")


def test_each_line_is_read_by_the_pattern_that_it_fits_wholly():
    log = read("T10 n=1500 u=312.5\nT10 state Run\nT20 n=1510 u=312.5 T30\nT20 n=1510 u=x\n", defined(PATTERN))
    assert values(log, "Speed") == [(10, 1500.0)]
    assert values(log, "State") == [(10, 1.0)]
    assert [(bad.line, bad.reason) for bad in log.account.bad] == [
        (3, "it matches no pattern"),
        (4, "Volts: “x” is not a value"),
    ]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"30,15", "it has 2 instead of 4 columns"),
        (b"30,1500,312.5,040,1500,312.5,0", "it has 7 instead of 4 columns"),
        (b"30,15x0,312.5,0", "Speed: “15x0” is not a value"),
        (b"30,1_0,312.5,0", "Speed: “1_0” is not a value"),
        (b"30,inf,312.5,0", "Speed: “inf” is not a value"),
        (b"30,1500,312.5,Stop", "State: “Stop” is not a value"),
        (b",1500,312.5,0", "the time column is empty"),
        (b"30,15\xff0,312.5,0", "it holds bytes that are not text"),
        (b"30,15\x000,312.5,0", "it holds bytes that are not text"),
        (b"-30,1500,312.5,0", "its time is out of range"),
        (b"1e300,1500,312.5,0", "its time is out of range"),
        (b"99999,1500,312.5,0", "its time does not fit the lines before and after it"),
        (b"boot 4", "it has 1 instead of 4 columns"),
    ],
)
def test_a_damaged_line_is_named_and_the_next_one_read(line, reason):
    sound = [f"{10 * k},1500,312.5,0\n".encode() for k in range(6)]
    log = read(HEADER.encode() + b"".join(sound[:3]) + line + b"\n" + b"".join(sound[3:]), defined(DELIMITED))
    assert [(bad.file, bad.line, bad.reason) for bad in log.account.bad] == [("console.log", 5, reason)]
    assert (log.account.sample_lines, log.account.lines_bad, log.account.other) == (6, 1, 1)
    assert len(log.signals["Speed"]) == 6


def test_empty_and_nan_are_no_samples_and_no_damage():
    log = read(HEADER + "10,,312.5,0\n20,nan,313,0\n30,7,314,0\n", defined(DELIMITED))
    assert values(log, "Speed") == [(30, 7.0)]
    assert len(log.signals["Volts"]) == 3
    assert log.account.lines_bad == 0


def test_a_header_may_come_again_with_other_columns():
    log = read("10,1,2,0\n" + HEADER + "20,1,2,0\nst,t,x,rpm,udc\n1,30,9,5,6\n", defined(DELIMITED))
    assert values(log, "Speed") == [(20, 1.0), (30, 5.0)]
    assert log.account.bad[0].reason == "no header line before it names rpm, st, t, udc"


def test_columns_of_the_definition_serve_a_log_without_a_header():
    toml = DELIMITED.replace("[delimited]", '[delimited]\nseparator = " "\ncolumns = ["t", "rpm", "udc", "st"]')
    assert values(read("10  1\t2 0\n20 3 4 1\n", defined(toml)), "Volts") == [(10, 2.0), (20, 4.0)]


def test_decimal_commas_and_closing_separators_are_read():
    toml = DELIMITED.replace("[delimited]", '[delimited]\nseparator = ";"\ndecimal = ","')
    log = read("t;rpm;udc;st;\n10;1500;312,5;Run;\n20;1500;-0,25;Off;\n", defined(toml))
    assert values(log, "Volts") == [(10, 312.5), (20, -0.25)]


def test_two_signals_may_come_from_one_value():
    toml = PAIRS + '[[signal]]\nname = "Moving"\nfield = "rpm"\nscale = 2\n'
    log = read("t=10 rpm=7\n", defined(toml))
    assert (values(log, "Speed"), values(log, "Moving")) == ([(10, 7.0)], [(10, 14.0)])


def test_a_line_longer_than_any_sample_is_damaged():
    log = read(HEADER + '10,"' + "9" * 200_000 + "\n20,1,2,0\n", defined(DELIMITED))
    assert (log.account.sample_lines, log.account.lines_bad) == (1, 1)


def test_scale_offset_and_hexadecimal_digits_apply():
    toml = PAIRS + '[[signal]]\nname = "Heat"\nbase = 16\nscale = 0.5\noffset = -40\nunit = "°C"\n'
    assert values(read("t=10 Heat=0xFF\nt=20 Heat=a0\n", defined(toml)), "Heat") == [(10, 87.5), (20, 40.0)]


def test_line_ends_colours_and_byte_order_marks_do_not_disturb():
    content = b"\xef\xbb\xbft,rpm,udc,st\r\n10,1,2,0\r20,1,2,0\n\r\n\x1b[32m30,1,2,0\x1b[0m\r\n  40,1,2,0"
    log = read(content, defined(DELIMITED))
    assert [time for time, _ in values(log, "Speed")] == [10, 20, 30, 40]
    assert log.account.lines_bad == 0


def test_lines_named_as_other_are_no_damage():
    toml = DELIMITED.replace('name = "Console"', 'name = "Console"\nother = ["^boot:", "^#"]')
    log = read(HEADER + "boot: 4\n# 10,1\n10,1,2,0\nready\n", defined(toml))
    assert (log.account.sample_lines, log.account.other, log.account.lines_bad) == (1, 3, 1)


def test_a_16_bit_counter_is_unrolled_and_a_restart_bridged():
    toml = DELIMITED.replace('unit = "ms"\n', 'unit = "ms"\nwrap_bits = 16\n', 1)
    ticks = [65_500, 65_520, 4, 24, 40_000, 40_020, 300, 320]
    log = read(HEADER + "".join(f"{tick},1,2,0\n" for tick in ticks), defined(toml))
    assert (log.signals["Speed"].time_ns // 1_000_000 - 65_500).tolist() == [
        0,
        20,
        40,
        60,
        40_036,
        40_056,
        40_356,
        40_376,
    ]
    assert log.account.resets == 1
    assert "restarted once" in log.account.notes[0]


def test_stamps_of_the_computer_give_the_time_and_pass_midnight():
    toml = CONSOLE + '[pairs]\n[time]\nstamp = "clock"\n' + SIGNALS
    log = read("[23:59:59.900] rpm=1\n[00:00:00.100] rpm=2\nrpm=3\n[00:00:00.300] boot\n", defined(toml))
    assert values(log, "Speed") == [(86_399_900, 1.0), (86_400_100, 2.0)]
    assert (log.account.sample_lines, log.account.other, log.account.resets, log.dated) == (2, 2, 0, False)


def test_dated_stamps_count_from_1970_and_may_be_out_of_order():
    toml = CONSOLE + '[delimited]\ncolumns = ["rpm", "udc", "st"]\n[time]\nstamp = "iso"\n' + SIGNALS
    log = read("2026-03-02T09:00:00Z,1,2,0\n2026-03-02T09:00:02Z,2,2,0\n2026-03-02T09:00:01Z,3,2,0\n", defined(toml))
    assert values(log, "Speed") == [(1772442000000, 1.0), (1772442001000, 3.0), (1772442002000, 2.0)]
    assert (log.dated, log.account.out_of_order, log.account.notes) == (True, 1, ())
    log = read("2026-03-02T09:00:00,1,2,0\n", defined(toml))
    assert log.account.notes == ("console.log: its timestamps name no time zone and were taken as UTC",)


def test_a_log_without_times_gets_the_stated_rate_and_a_note():
    toml = CONSOLE + "[pairs]\n[time]\nrate_Hz = 10\n" + SIGNALS
    log = read("boot\nrpm=1\nrpm=x\nrpm=3\n", defined(toml))
    assert values(log, "Speed") == [(0, 1.0), (200, 3.0)]  # the damaged line took its turn
    assert "10 samples per second are assumed" in log.account.notes[0]


def test_the_checksum_of_a_line_is_checked():
    # A sentence with its checksum as printed by T. Igoe, “XOR calculation for NMEA checksums”, 2007.
    sentence = "$GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,*28"
    columns = [f"c{k}" for k in range(12)]
    toml = (
        CONSOLE
        + f'[delimited]\ncolumns = {columns}\n[line_checksum]\nalgorithm = "xor8"\nstart = "$"\n[time]\nrate_Hz = 1\n'
        + '[[signal]]\nname = "RoadSpeed"\nfield = "c7"\n'
    )
    log = read(f"{sentence}\n{sentence.replace('0.15', '0.25')}\n{sentence[:-3]}\n", defined(toml))
    assert values(log, "RoadSpeed") == [(0, 0.15)]
    assert [bad.reason for bad in log.account.bad] == ["its checksum is wrong", "it has no checksum"]


def test_a_log_looks_like_its_definition_and_like_no_other():
    logs = {
        DELIMITED: HEADER + "10,1,2,0\n20,1,2,0\n30,1",
        PAIRS: "boot\nt=10 rpm=1\nt=20 rpm=",
        PATTERN: "T10 n=1 u=2\nT20 n",
    }
    for toml in logs:
        assert [sniff(content.encode(), defined(toml)) for content in logs.values()] == [
            known == toml for known in logs
        ]
    candump = b"(1436509052.249713) can0 123#DEADBEEF\n"
    assert not any(sniff(candump, defined(toml)) for toml in logs)


def test_a_packed_log_is_read_and_a_cut_one_says_so(tmp_path):
    content = (HEADER + "".join(f"{10 * k},{k * k},2,0\n" for k in range(5000))).encode()
    whole, cut = tmp_path / "a log.txt.gz", tmp_path / "cut.gz"
    whole.write_bytes(gzip.compress(content))
    cut.write_bytes(gzip.compress(content)[:-4000])
    log = read_serial(whole, defined(DELIMITED))
    assert (log.account.sample_lines, log.account.lines_bad) == (5000, 0)
    log = read_serial(cut, defined(DELIMITED))
    assert 0 < log.account.sample_lines < 5000
    assert closes(log.account)
    assert "cut short" in log.account.notes[-1]


def test_a_definition_without_a_time_field_ignores_the_logs_own():
    toml = (CONSOLE + "[delimited]\n" + FIELD_TIME + SIGNALS).replace(FIELD_TIME, "[time]\nrate_Hz = 100\n")
    assert values(read(HEADER + "7,1,2,0\n8,1,2,0\n", defined(toml)), "Speed") == [(0, 1.0), (10, 1.0)]


def test_the_example_of_the_console_is_read_as_it_says():
    example = load_serial_definition(DECODERS / "hazel-console.toml")
    shown = [line[1:].strip() for line in (DECODERS / "hazel-console.toml").read_text("utf-8").splitlines()[2:5]]
    log = read("\n".join(shown), example)
    assert {name: samples.value.tolist() for name, samples in log.signals.items()} == {
        "MotorSpeed": [1830], "MotorCurrent": [96.4], "DcLinkVoltage": [318.2], "HeatSinkTemperature": [41.5],
        "State": [2], "Fault": [0],
    }  # fmt: skip
    assert (log.account.sample_lines, log.account.other, log.account.lines_bad) == (1, 2, 0)
