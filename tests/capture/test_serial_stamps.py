"""Stamps in front of a line, against the standard library's datetime."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture.serial_text import stamp_reader

ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


def since_1970_ns(moment):
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


@given(
    st.datetimes(min_value=datetime(1971, 1, 1), max_value=datetime(2090, 1, 1), timezones=ZONES), st.sampled_from("T ")
)
def test_iso_stamps_are_the_moments_they_name(moment, separator):
    text = moment.isoformat(separator, timespec="microseconds")
    assert stamp_reader("iso")(f"{text} a=1") == (since_1970_ns(moment), "a=1")


@given(st.times())
def test_clock_stamps_count_from_midnight(clock):
    seconds = 3600 * clock.hour + 60 * clock.minute + clock.second
    assert stamp_reader("clock")(f"[{clock.isoformat('microseconds')}] x") == (
        seconds * 10**9 + clock.microsecond * 1000,
        "x",
    )


@pytest.mark.parametrize(
    ("kind", "line", "time_ns", "rest"),
    [
        (
            "iso",
            "2016-12-31T23:59:60.5Z x",
            1483228800 * 10**9 + 500_000_000,
            "x",
        ),  # a leap second (IERS Bulletin C 52)
        ("iso", "2017-01-01T00:59:60+01:00 x", 1483228800 * 10**9, "x"),
        ("clock", "23:59:60.25 x", 86_400_250_000_000, "x"),
        ("clock", "00:59:60 x", 3_600_000_000_000, "x"),
        ("iso", "2026-03-02T09:00:00Z;1;2", 1772442000 * 10**9, "1;2"),
        ("iso", "2026-03-02 09:00:00,25 x", 1772442000 * 10**9 + 250_000_000, "x"),
        ("clock", "09:00:00.5 > x", 32_400_500_000_000, "x"),
        ("epoch", "1772442000.123456789 x", 1772442000_123456789, "x"),
        ("epoch", "(1772442000.5) x", 1772442000_500000000, "x"),
        ("uptime", "[12.345]x", 12_345_000_000, "x"),
        ("uptime", "[   12.345678] -5", 12_345_678_000, "-5"),
        ("clock", "09:00:00.5 -5", 32_400_500_000_000, "-5"),
    ],
)
def test_stamps_as_terminals_write_them(kind, line, time_ns, rest):
    assert stamp_reader(kind)(line) == (time_ns, rest)


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("iso", "2026-13-02T09:00:00 x"),
        ("iso", "boot"),
        ("iso", "2026-03-02T09:00:61Z x"),
        ("clock", "25:00:00 x"),
        ("clock", "24:00:00 x"),
        ("clock", "23:60:00 x"),
        ("clock", "23:59:61 x"),
        ("clock", "9:00 x"),
        ("epoch", "1772442000123 x"),
        ("uptime", "12.345 x"),
    ],
)
def test_what_is_no_stamp_is_none(kind, line):
    assert stamp_reader(kind)(line) is None
