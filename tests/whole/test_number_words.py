"""Numbers in words, each rule on both sides of its edge. GUM 7.2.6 for digits, ISO 80000-1 for groups; by hand."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from logscope.findings import Measured
from logscope.quantities import (
    clock_text,
    counted,
    decimals,
    duration_text,
    expected_text,
    finite,
    grouped,
    limits_text,
    number_text,
    prefixed,
    quantity_text,
    seconds_text,
    shown_unit,
    stated,
    value_text,
    with_unit,
)
from logscope.time_doubt import LONGEST_S, TimeDoubt, length_text

NAN, INF = float("nan"), float("inf")


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")


def test_counts_have_groups_of_three_and_the_noun_its_number() -> None:
    assert [plain(grouped(count)) for count in (0, 999, 1000, 1_234_567, -12_345)] == [
        "0", "999", "1 000", "1 234 567", "-12 345",
    ]  # fmt: skip
    assert [plain(counted(count, "frame")) for count in (0, 1, 2, 1000)] == [
        "0 frames", "1 frame", "2 frames", "1 000 frames",
    ]  # fmt: skip
    assert "\N{NARROW NO-BREAK SPACE}" in grouped(1000)
    assert [finite(each) for each in (None, NAN, INF, -INF, 0.0, -2.5)] == [None, None, None, None, 0.0, -2.5]


@pytest.mark.parametrize(
    ("measured", "places"),
    [
        (Measured(266.21, "ms", 265.2, 267.2), 0),  # ± 1 bears no more than the value's three digits
        (Measured(266.21, "ms", 266.1, 266.32), 1),  # ± 0.11: its first digit
        (Measured(266.21, "ms", 266.115, 266.305), 2),  # ± 0.095
        (Measured(26.621, "ms", 16.6, 36.6), 0),  # ± 10
        (Measured(26.621, "ms", 25.6, 27.6), 1), (Measured(2.6621, "ms", 2.5621, 2.7621), 2),
        (Measured(0.0, "V", 0.0, 0.0), 0), (Measured(0.0, "V", -0.2, 0.2), 1), (Measured(0.5, "V"), 3),
        (Measured(1.5, "V"), 2), (Measured(15.5, "V"), 1), (Measured(155.5, "V"), 0), (Measured(1555.5, "V"), -1),
        (Measured(1_555_555.5, "V"), -4), (Measured(1.5e12, "V", 1.4e12, 1.6e12), -6), (Measured(1.5e-9, "V"), 6),
        (Measured(1500.0, "V"), 0), (Measured(None, "V", 0.25, None), 3), (Measured(None, "V", None, 25.5), 1),
        (Measured(2.0, "V", 2.0, 2.0), 0), (Measured(2.5, "V", 2.5, 2.5), 2), (Measured(2.0, "V", 1.5, None), 2),
    ],
)  # fmt: skip
def test_decimals_show_three_digits_or_those_that_the_limits_bear(measured: Measured, places: int) -> None:
    assert decimals(measured) == places


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [(12_815.3, -2, "12800"), (-0.0004, 2, "0.00"), (1.005, 1, "1.0"), (-1.26, 1, "-1.3"), (149.0, -2, "100")],
)
def test_a_number_is_rounded_to_its_places(value: float, places: int, text: str) -> None:
    assert number_text(value, places) == text


@pytest.mark.parametrize(
    ("unit", "shown"),
    [("ohm", "Ω"), ("mohm", "mΩ"), ("uF", "µF"), ("degC", "°C"), ("1", ""), ("min^-1", "1/min"), ("V", "V"), ("", "")],
)
def test_units_are_printed_as_people_write_them(unit: str, shown: str) -> None:
    assert shown_unit(unit) == shown
    assert plain(with_unit("3", unit)) == f"3 {shown}".strip()
    assert plain(with_unit("3", "1/h")) == "3 per hour"
    assert plain(with_unit("3", "1/min")) == "3 per minute"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.150, "0.15"), (400.0, "400"), (12345.0, "12345"), (0.12345, "0.1235"), (12.3456, "12.35"), (0.5, "0.5"),
     (100.0, "100"), (1234.56, "1235"), (-0.25, "-0.25"), (0.0, "0")],
)  # fmt: skip
def test_what_the_user_gave_has_four_digits_and_no_trailing_zeros(value: float, text: str) -> None:
    assert stated(value) == text


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        (Measured(0.266, "s", 0.265, 0.267), (266.0, "ms", 265.0, 267.0)),
        (Measured(9173.0, "A"), (9.173, "kA", None, None)),
        (Measured(0.9996, "s", None, 1.2), (0.9996, "s", None, 1.2)),
        (Measured(0.5, "s", 0.4, 600.0), (0.5, "s", 0.4, 600.0)),  # in ms its upper limit would be 600,000
        (Measured(0.5, "s", 0.4, 0.999), (500.0, "ms", 400.0, 999.0)),
        (Measured(0.5, "s", 0.4, 1.0), (0.5, "s", 0.4, 1.0)),
        (Measured(2e-3, "V", -5e-3, 3e-3), (2.0, "mV", -5.0, 3.0)),
        (Measured(0.0, "W", None, 2500.0), (0.0, "kW", None, 2.5)),
        (Measured(0.0, "W"), (0.0, "W", None, None)), (Measured(5e-7, "s"), (0.5, "µs", None, None)),
        (Measured(0.05, "Hz"), (0.05, "Hz", None, None)), (Measured(2.5e6, "Wh"), (2.5, "MWh", None, None)),
        (Measured(2500.0, "J"), (2.5, "kJ", None, None)), (Measured(1500.0, "Nm"), (1500.0, "Nm", None, None)),
        (Measured(None, "A", 1200.0, None), (None, "kA", 1.2, None)), (Measured(3e-4, "F"), (300.0, "µF", None, None)),
        (Measured(2e-3, "F"), (2.0, "mF", None, None)), (Measured(3e6, "bit/s"), (3.0, "Mbit/s", None, None)),
    ],
)  # fmt: skip
def test_the_prefix_leaves_a_number_from_one_to_a_thousand(
    given: Measured, shown: tuple[float | None, str, float | None, float | None]
) -> None:
    found = prefixed(given)
    for got, expected in zip((found.value, found.low, found.high), (shown[0], *shown[2:]), strict=True):
        assert got == (None if expected is None else pytest.approx(expected))
    assert found.unit == shown[1]


@pytest.mark.parametrize(
    ("measured", "value", "limits", "sentence", "expected"),
    [
        (Measured(0.21, "s", 0.2, 0.22), "210 ms", "200 to 220 ms", "210 ms (95 %: 200 to 220 ms)",
         "210 ms (200 to 220 ms)"),
        (Measured(400.0, "V", 380.0, None), "400 V", "at least 380 V", "400 V (95 %: at least 380 V)",
         "400 V (at least 380 V)"),
        (Measured(400.0, "V", None, 420.0), "400 V", "at most 420 V", "400 V (95 %: at most 420 V)",
         "400 V (at most 420 V)"),
        (Measured(None, "V", 380.0, 420.0), "not determined", "380 to 420 V", "380 to 420 V", "380 to 420 V"),
        (Measured(3.25, "V"), "3.25 V", "", "3.25 V", "3.25 V"), (Measured(None, "V"), "not determined", "",
         "not determined", ""),
        (Measured(0.09, "%"), "0.0900 %", "", "< 0.1 %", "0.09 %"), (Measured(-0.09, "%"), "-0.0900 %", "", "< 0.1 %",
         "-0.09 %"),
        (Measured(0.11, "%"), "0.110 %", "", "0.110 %", "0.11 %"),
        (Measured(0.09, "%", 0.01, 0.2), "0.090 %", "0.010 to 0.200 %", "0.090 % (95 %: 0.010 to 0.200 %)",
         "0.09 % (0.01 to 0.2 %)"),
        (Measured(12_345.0, "rpm", 12_100.0, 12_590.0), "12300 rpm", "12100 to 12600 rpm",
         "12345 rpm (95 %: 12100 to 12590 rpm)", "12345 rpm (12100 to 12590 rpm)"),
        (Measured(NAN, "V", -INF, INF), "not determined", "", "not determined", ""),
    ],
)  # fmt: skip
def test_a_value_in_its_four_places(measured: Measured, value: str, limits: str, sentence: str, expected: str) -> None:
    assert plain(value_text(measured)) == value
    assert plain(limits_text(measured)) == limits
    assert plain(quantity_text(measured)) == sentence
    assert plain(expected_text(measured)) == expected


def test_times_and_lengths_in_words() -> None:
    assert plain(seconds_text(1.2344, 1.2346)) == "1.234 to 1.235 s"
    assert plain(seconds_text(1.2341, 1.2342)) == "1.234 s"
    assert seconds_text(NAN, 1.0) == seconds_text(1.0, INF) == "at an unknown time"
    assert [plain(duration_text(each)) for each in (0.0, 119.99, 120.4, 3599.0, 7384.6, INF)] == [
        "0.00 s", "119.99 s", "2 min 0 s", "59 min 59 s", "2 h 3 min 5 s", "not determined",
    ]  # fmt: skip
    start = datetime(2024, 5, 1, 23, 59, 58, 250_000, tzinfo=UTC)
    assert clock_text(start, 1.7) == "23:59:59.950 UTC"
    assert clock_text(None, 1.0) == clock_text(start, NAN) == clock_text(start, 1e15) == ""


@pytest.mark.parametrize(
    ("length_s", "text"),
    [(172_799.9, "48 h"), (172_800.0, "2 days"), (3599.0, "3,599 s"), (3600.0, "1 h"), (9_999 * 86_400.0, "9,999 days"),
     (12_345.6 * 86_400, "12,346 days"), (-2.5, "-2.5 s"), (5e-7, "0.5 µs"), (1234.5678, "1,235 s")],
)  # fmt: skip
def test_a_length_has_four_digits_in_a_readable_unit(length_s: float, text: str) -> None:
    assert length_text(length_s) == text


def test_a_doubt_of_the_time_unit_in_words() -> None:
    made = TimeDoubt("a.log", "ms", "by its header", 0.25, 18.5, (("s", 250.0),), "time_unit = 's'")
    assert made.title() == "The time unit is in doubt: in ms the log is 250 ms long"
    assert made.reason().startswith("Its frames take at least 18.5 s: no bus")
    assert made.next_step() == "Write in the vehicle file, under [[can]]: time_unit = 's'"
    assert made.sentence() == (
        "a.log: The time unit is in doubt: in ms the log is 250 ms long (unit by its header). It would be in s 250 s. "
        "Write in the vehicle file, under [[can]]: time_unit = 's'"
    )
    for length_s, long in ((LONGEST_S, False), (86_401.0, True)):
        doubt = TimeDoubt("a.log", "s", "", length_s, 1.0, (), "")
        assert (doubt.reason() == "A single file that long is unlikely.") is long
