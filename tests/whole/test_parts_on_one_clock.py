"""What a part says of its samples at the edges of a stretch, of a reading's age and of its bits; and numbers as text.

Expected values by hand; raw integers are those of Python's own integers, digits follow GUM 7.2.6 and ISO 80000-1.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from logscope.findings import Measured
from logscope.measures import EventRate
from logscope.quantities import (
    clock_text,
    decimals,
    duration_text,
    expected_text,
    limits_text,
    number_text,
    prefixed,
    quantity_text,
    seconds_text,
    value_text,
)
from logscope.signals import Encoding, Load, Part, Signals, load_part_name
from logscope.time_doubt import LONGEST_S, TimeDoubt, length_text


def part(time_s: list[float], value: list[float] | None = None, name: str = "motor_speed") -> Part:
    return Part(name, np.array(time_s), np.array(value or time_s), "rpm", f"Bus.Message.{name}")


@pytest.mark.parametrize(
    ("start_s", "end_s", "rows"),
    [(1.0, 3.0, [1, 2, 3, 4]), (1.1, 2.9, [2, 3]), (2.0, 2.0, [2, 3]), (0.0, 0.9, [0]), (5.0, 9.0, []), (3.0, 2.0, [])],
)
def test_a_stretch_holds_both_of_its_ends_and_equal_stamps_together(
    start_s: float, end_s: float, rows: list[int]
) -> None:
    assert np.arange(5)[part([0.0, 1.0, 2.0, 2.0, 3.0]).between(start_s, end_s)].tolist() == rows


def test_a_reading_is_held_from_its_own_moment_until_it_is_too_old() -> None:
    made = part([1.0, 2.0, 4.0], [10.0, 20.0, 40.0])
    at = np.array([0.9, 1.0, 1.9, 2.0, 3.5, 3.6, 4.0])
    assert np.isnan(made.held_at(at)[0])
    assert made.held_at(at)[1:].tolist() == [10.0, 10.0, 20.0, 20.0, 20.0, 40.0]
    aged = made.held_at(at, 1.5)
    assert aged[4] == 20.0
    assert np.isnan(aged[5])


@pytest.mark.parametrize(
    ("bits", "signed", "lowest", "highest"),
    [(1, False, 0, 1), (8, False, 0, 255), (8, True, -128, 127), (12, True, -2048, 2047), (16, False, 0, 65535)],
)
def test_bits_hold_what_integers_of_that_width_hold(bits: int, signed: bool, lowest: int, highest: int) -> None:
    made = Encoding(bits, signed, 0.1, -40.0)
    assert (made.lowest, made.highest) == (lowest, highest)
    raw = np.array([lowest, highest])
    assert made.value(raw).tolist() == pytest.approx([0.1 * lowest - 40.0, 0.1 * highest - 40.0])
    assert made.raw(made.value(raw)).tolist() == raw.tolist()


def test_samples_that_are_kept_keep_their_states() -> None:
    on, over, healthy = (np.array(flags) for flags in ([True, False, True], [False, False, True], [True, True, False]))
    made = Part(
        "fault", np.arange(3.0), np.array([0.0, 0.0, 3.0]), "", "M.Fault", None, {3.0: "Over"}, on, over, healthy
    )
    kept = made.where(np.array([False, True, True]))
    assert kept.time_s.tolist() == [1.0, 2.0]
    assert kept.value.tolist() == [0.0, 3.0]
    assert kept.on is not None
    assert kept.on.tolist() == [False, True]
    assert kept.overcurrent is not None
    assert kept.overcurrent.tolist() == [False, True]
    assert kept.healthy is not None
    assert kept.healthy.tolist() == [True, False]
    assert (kept.label(3.0), kept.label(2.5)) == ("Over", "2.5")
    assert part([0.0]).message == "Bus.Message"


def test_a_period_is_that_of_new_values_and_a_state_is_new_with_each_message() -> None:
    time_s = 0.1 * np.arange(100)
    value = np.repeat(np.arange(50.0) ** 2, 2)
    slow = Part("motor_speed", time_s, value, "rpm", "M.N", 0.1)
    assert (slow.period_s, slow.spacing_s) == pytest.approx((0.2, 0.1))
    state = Part("main_contactor", time_s, value, "", "M.C", 1.0, on=value > 9)
    assert state.period_s == pytest.approx(0.1)
    assert slow.has_period
    assert not part([1.0]).has_period
    assert not part([1.0, 1.0, 1.0, 1.0]).has_period


def test_a_part_of_a_load_is_had_by_its_own_name_and_one_in_doubt_is_not() -> None:
    pump = Load("Pump", part([0.0], name="Pump"), None, part([0.0], name="Pump voltage"))
    assert [each.name for each in pump.logged] == ["Pump", "Pump voltage"]
    assert [load_part_name("Pump", each) for each in ("switch", "voltage")] == ["Pump", "Pump voltage"]
    signals = Signals({"motor_speed": part([0.0])}, 0.0, 1.0, loads=(pump,)).without({"motor_speed": "why"})
    assert signals["Pump voltage"] is pump.voltage
    assert "motor_speed" not in signals
    assert "Pump current" not in signals
    assert signals.missed == ["motor_speed"]
    assert signals.watched().missed == []


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (999.4, "W", "999 W"),
        (999.6, "W", "1.000 kW"),  # three digits would show it as a thousand
        (1.04e6, "ohm", "1.04 MΩ"),
        (0.9994, "V", "999 mV"),
        (0.9996, "V", "1.000 V"),
        (1e-6, "V", "0.00100 mV"),
        (-1500.0, "A", "-1.50 kA"),
        (1500.0, "s", "1500 s"),  # nobody says a kilosecond
        (0.0015, "s", "1.50 ms"),
        (12.3e-6, "s", "12.3 µs"),
        (0.00047, "F", "470 µF"),
        (2.2e-9, "F", "2.20 nF"),
        (0.5, "Hz", "0.500 Hz"),
        (500e3, "bit/s", "500 kbit/s"),
        (1500.0, "rpm", "1500 rpm"),
        (25.0, "degC", "25 °C"),
    ],
)
def test_a_value_has_the_prefix_that_leaves_three_digits(value: float, unit: str, shown: str) -> None:
    assert plain(value_text(Measured(value, unit))) == shown


@pytest.mark.parametrize(
    ("measured", "shown"),
    [
        (Measured(0.266, "s", 0.265, 0.267), "266 ms (95 %: 265 to 267 ms)"),
        (Measured(0.2664, "s", 0.26635, 0.26645), "266.40 ms (95 %: 266.35 to 266.45 ms)"),
        (Measured(400.0, "V", 300.0, 500.0), "400 V (95 %: 300 to 500 V)"),
        (Measured(400.0, "V", 300.0, None), "400 V (95 %: at least 300 V)"),
        (Measured(400.0, "V", None, 500.0), "400 V (95 %: at most 500 V)"),
        (Measured(None, "V", None, None), "not determined"),
        (Measured(None, "V", 3.0, None), "at least 3.00 V"),
        (Measured(0.05, "%"), "< 0.1 %"),
        (Measured(0.1, "%"), "0.100 %"),
        (Measured(0.0, "%"), "0 %"),
    ],
)
def test_a_sentence_gives_a_value_with_the_digits_of_its_limits(measured: Measured, shown: str) -> None:
    assert plain(quantity_text(measured)) == shown


def test_limits_share_the_prefix_of_their_value_and_an_infinite_one_is_none() -> None:
    shown = prefixed(Measured(1500.0, "V", 900.0, 2100.0))
    assert (shown.value, shown.low, shown.high, shown.unit) == (1.5, 0.9, 2.1, "kV")
    assert plain(limits_text(Measured(1.0, "V", 0.5, float("inf")))) == "at least 0.5 V"
    assert plain(expected_text(Measured(None, "V", 300.0, 340.0))) == "300 to 340 V"
    assert plain(expected_text(Measured(0.15, "s"))) == "150 ms"


@pytest.mark.parametrize(
    ("value", "places", "shown"), [(12.5, 0, "12"), (15.0, -1, "20"), (0.125, 2, "0.12"), (-0.4, 0, "0")]
)
def test_numbers_are_rounded_to_even_and_zero_has_no_sign(value: float, places: int, shown: str) -> None:
    """IEEE 754: a tie goes to the even digit."""
    assert number_text(value, places) == shown


def test_digits_end_where_the_second_digit_of_the_half_width_stands() -> None:
    """GUM 7.2.6: ± 0.5 V of 311.27 V bears one decimal, ± 20 V tens."""
    assert decimals(Measured(311.27, "V", 310.77, 311.77)) == 1
    assert decimals(Measured(311.27, "V", 291.27, 331.27)) == 0
    assert decimals(Measured(3112.7, "rpm", 2912.7, 3312.7)) == -1
    assert decimals(Measured(0.00123, "V", 0.0, 0.5)) == 2  # ± 0.25 V
    assert decimals(Measured(5.55, "V", 0.02, None)) == 2  # the value's own three digits
    assert decimals(Measured(3.0, "")) == 0
    assert decimals(Measured(3.0, "", 2.0, 4.0)) > 0


def test_times_are_said_to_the_millisecond_and_in_the_unit_one_would_say() -> None:
    assert plain(seconds_text(1.0004, 1.00049)) == "1.000 s"
    assert plain(seconds_text(1.0, 1.001)) == "1.000 to 1.001 s"
    assert plain(duration_text(119.99)) == "119.99 s"
    assert plain(duration_text(120.0)) == "2 min 0 s"
    assert plain(duration_text(3599.6)) == "1 h 0 min 0 s"
    east = datetime(2024, 5, 1, 14, 0, tzinfo=timezone(timedelta(hours=2)))
    assert clock_text(east, 90.0625) == "12:01:30.062 UTC"
    assert clock_text(datetime(2024, 5, 1, 23, 59, 59), 1.5) == "00:00:00.500 UTC"
    assert clock_text(datetime(2024, 5, 1, tzinfo=UTC), float("inf")) == ""


@pytest.mark.parametrize(
    ("length_s", "shown"),
    [
        (172_800.0, "2 days"), (172_799.0, "48 h"), (86_400.0, "24 h"), (3600.0, "1 h"), (3599.0, "3,599 s"),
        (1.0, "1 s"), (0.999, "999 ms"), (0.001, "1 ms"), (0.0009, "900 µs"), (1e-7, "0.1 µs"),
        (86_400.0 * 12_345, "12,345 days"),
    ],
)  # fmt: skip
def test_a_length_is_said_in_the_largest_unit_that_it_fills(length_s: float, shown: str) -> None:
    assert length_text(length_s) == shown


def test_a_time_unit_is_in_doubt_for_a_log_too_long_or_too_short() -> None:
    assert LONGEST_S == 24 * 3600
    made = TimeDoubt("a.log", "s", "stated", 90_000.0, 18.0, (("ms", 90.0), ("µs", 0.09)), "time_unit = 'ms'")
    assert "too long" in made.reason() or "long is unlikely" in made.reason()
    assert "25 h" in made.title()
    assert made.alternatives() == "It would be in ms 90 s, in µs 90 ms."
    short = TimeDoubt("a.log", "µs", "stated", 0.09, 18.0, (), "")
    assert "at least 18 s" in short.reason()
    assert "No other unit fits" in short.alternatives()


@pytest.mark.parametrize(("unit", "seconds"), [("1/min", 60.0), ("1/h", 3600.0)])
def test_a_rate_counts_by_its_own_unit_of_time(unit: str, seconds: float) -> None:
    assert EventRate("", "", unit, (), "", 0.0, 0.1).per_s == seconds
