"""Which temperature cannot be, and what would explain it, each side of every edge: tables of starts by hand.

Conversions are those of the units (0 °C is 273.15 K and 32 °F, by definition). Edges are common practice, no published
source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.out_of_place import out_of_place
from logscope.plausibility.temperatures import (
    _CURES,
    _all_in_fahrenheit,
    _alone,
    _fits,
    _odd_pack,
    _out_of_range,
    _pack_cures,
    _soaked,
    _start,
)
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Vehicle

MOTOR, SINK, COOLANT, PACK = (
    "motor_temperature", "inverter_temperature", "coolant_temperature", "battery_temperature_highest",
)  # fmt: skip


def part(name: str, value: list[float] | np.ndarray, period_s: float = 1.0) -> Part:
    read = np.array(value, dtype=float)
    return Part(name, period_s * np.arange(read.size), read, "°C", f"Made.{name}", 0.5)


@pytest.mark.parametrize(
    ("words", "reading"),
    [
        ("in kelvin", 298.15), ("ten times too high", 250.0), ("ten times too low", 2.5),
        ("40 K too high, its offset missing", 65.0), ("40 K too low, its offset subtracted twice", -15.0),
        ("in degrees Fahrenheit", 77.0), ("100 times too high", 2500.0), ("1000 times too high", 25_000.0),
        ("1000 times too low", 0.025), ("100 times too low", 0.25), ("50 K too high, its offset missing", 75.0),
        ("273 K too low, converted from kelvin by mistake", -248.15), ("half of the true temperature", 12.5),
        ("twice the true temperature", 50.0),
    ],
)  # fmt: skip
def test_each_slip_is_mended_back_to_25_degrees(words: str, reading: float) -> None:
    (cure,) = (each for each in _CURES if each.words == words)
    assert cure.of(reading) == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("start", "soaked", "alone"), [(32.0, 20.0, False), (32.1, 20.0, True), (7.9, 20.0, True), (90.0, None, False)]
)
def test_a_part_is_alone_more_than_12_k_from_a_vehicle_that_stood(
    start: float, soaked: float | None, alone: bool
) -> None:
    assert (_alone(start, soaked) is not None) is alone


@pytest.mark.parametrize(
    ("others", "soaked"),
    [
        ([20.0], None), ([20.0, 22.5], 21.25), ([20.0, 22.6], None), ([44.0, 46.0], 45.0), ([45.0, 46.0], None),
        ([-31.0, -29.0], -30.0), ([-32.0, -29.5], None), ([20.0, 21.0, 26.0], None),
    ],
)  # fmt: skip
def test_two_parts_that_agree_within_two_and_a_half_kelvin_are_as_warm_as_their_surroundings(
    others: list[float], soaked: float | None
) -> None:
    assert _soaked(others) == soaked


@pytest.mark.parametrize(
    ("name", "level", "possible"),
    [
        (MOTOR, 230.0, True), (MOTOR, 231.0, False), (SINK, 160.0, True), (SINK, 161.0, False),
        (COOLANT, 130.0, True), (COOLANT, 131.0, False), (PACK, 85.0, True), (PACK, 86.0, False),
        (MOTOR, -45.0, True), (MOTOR, -46.0, False),
    ],
)  # fmt: skip
def test_where_a_part_still_lives_it_may_be_so_warm(name: str, level: float, possible: bool) -> None:
    assert (_out_of_range(part(name, [level] * 9)) is None) is possible
    assert _fits(level, name, None) is possible
    assert _fits(22.5, name, 20.0)
    assert not _fits(22.6, name, 20.0)


def odd(start: float, soaked: float | None, moves: float = 0.0, stated_C: float | None = None) -> bool:
    made = part(PACK, np.linspace(start, start + moves, 200))
    return _odd_pack(made, start, soaked, Vehicle(limits=Limits(battery_temperature_max_C=stated_C))) is not None


@pytest.mark.parametrize(
    ("start", "soaked", "moves", "stated_C", "is_odd"),
    [
        (61.0, 30.0, 0.0, None, True),  # above 60 °C, and 25 K above all else
        (59.0, 30.0, 0.0, None, False),
        (62.0, 38.0, 0.0, None, False),  # 24 K
        (56.0, 30.0, 0.0, 55.0, True),  # the vehicle file states 55 °C
        (54.0, 20.0, 0.0, 55.0, False),
        (51.0, 20.0, 0.0, 45.0, True),  # but never below 50 °C
        (49.0, 20.0, 0.0, 45.0, False),
        (-16.0, 20.0, 0.0, None, True),  # 35 K colder
        (-14.0, 20.0, 0.0, None, False),
        (61.0, 30.0, 19.0, None, False),  # moves by more than 18 K in the log
        (61.0, 30.0, 17.0, None, True),
        (61.0, None, 0.0, None, True),  # from its first reading on
        (59.5, None, 0.0, None, False),
        (-40.0, None, 0.0, None, False),
    ],
)
def test_a_pack_keeps_its_warmth_up_to_a_point(
    start: float, soaked: float | None, moves: float, stated_C: float | None, is_odd: bool
) -> None:
    assert odd(start, soaked, moves, stated_C) is is_odd


def words(start: float, soaked: float | None) -> list[str]:
    return [cure.words for cure in _pack_cures(start, soaked)]


def test_the_slip_that_leads_nearest_to_the_vehicle_is_first_and_common_ones_before_rare_ones() -> None:
    assert words(68.0, 20.0)[:2] == ["in degrees Fahrenheit", "40 K too high, its offset missing"]  # 20 and 28 °C
    assert words(64.0, 24.0)[0] == "40 K too high, its offset missing"  # 24 °C, and 17.8
    assert "50 K too high, its offset missing" in words(64.0, 20.0)  # 14 °C: up to 8 K colder
    assert "50 K too high, its offset missing" not in words(61.0, 20.0)  # 11 °C
    assert "twice the true temperature" in words(64.0, 20.0)  # 32 °C: up to 12 K warmer
    assert "twice the true temperature" not in words(65.0, 20.0)
    assert words(63.0, None)[0] == "40 K too high, its offset missing"  # 23 °C
    assert "50 K too high, its offset missing" not in words(59.0, None)  # 9 °C is unusual
    assert "50 K too high, its offset missing" in words(60.0, None)


@pytest.mark.parametrize(
    ("starts", "fahrenheit"),
    [
        ({MOTOR: 68.0, COOLANT: 70.0, PACK: 72.0}, True),
        ({MOTOR: 68.0, COOLANT: 73.0, PACK: 72.0}, False),  # 2.8 K apart
        ({MOTOR: 68.0, PACK: 72.0}, False),
        ({MOTOR: 68.0, COOLANT: 70.0}, False),
        ({MOTOR: 56.0, COOLANT: 56.0, PACK: 55.0}, True),
        ({MOTOR: 56.0, COOLANT: 56.0, PACK: 54.9}, False),
        ({MOTOR: 68.0, COOLANT: 68.0, PACK: 89.0}, True),  # 11.7 K warmer
        ({MOTOR: 68.0, COOLANT: 68.0, PACK: 90.0}, False),
        ({MOTOR: 70.0, COOLANT: 70.0, PACK: 56.0}, True),  # 7.8 K colder
        ({MOTOR: 71.0, COOLANT: 71.0, PACK: 56.0}, False),
    ],
)
def test_a_vehicle_in_fahrenheit_agrees_on_what_no_surroundings_have(
    starts: dict[str, float], fahrenheit: bool
) -> None:
    assert _all_in_fahrenheit(starts) is fahrenheit


def test_the_start_is_the_median_of_three_seconds_after_the_last_default() -> None:
    assert _start(part(MOTOR, [20.0, 21.0, 22.0, 30.0, 40.0])) == 21.0
    assert _start(part(MOTOR, [20.0])) == 20.0


@pytest.mark.parametrize(
    ("above_K", "seconds", "rows_low", "out"),
    [(20.5, 70, 0, True), (19.5, 70, 0, False), (20.5, 58, 0, False), (25.0, 70, 2, True), (25.0, 70, 6, False)],
)
def test_coolant_is_no_hotter_than_both_devices_that_heat_it(
    above_K: float, seconds: int, rows_low: int, out: bool
) -> None:
    """By 20 K mostly and 8 K nearly always, for a minute; the hotter of both devices counts."""
    hot = np.full(seconds, 40.0 + above_K)
    hot[:rows_low] = 47.0
    made = [part(COOLANT, hot), part(MOTOR, [40.0] * seconds), part(SINK, [20.0] * seconds)]
    found = out_of_place(made[0], Signals({each.name: each for each in made}, 0.0, float(seconds)))
    assert (found is not None) is out
    if found:
        assert found[1:] == (40.0, (-20.0, 4.0))


@pytest.mark.parametrize(
    ("above_K", "amps", "idle_from_s", "out"),
    [(25.5, 4.9, 0, True), (24.5, 4.9, 0, False), (25.5, 5.1, 0, False), (25.5, 0.0, 30, True), (25.5, 0.0, 52, False)],
)
def test_a_heat_sink_falls_to_its_coolant_while_the_motor_idles(
    above_K: float, amps: float, idle_from_s: int, out: bool
) -> None:
    """Idle for 40 s before each of ten readings; here 100 s are logged."""
    at = np.arange(100)
    current = part("motor_current", np.where(at < idle_from_s, 100.0, amps))
    made = [part(SINK, [40.0 + above_K] * 100), part(COOLANT, [40.0] * 100), current]
    found = out_of_place(made[0], Signals({each.name: each for each in made}, 0.0, 100.0))
    assert (found is not None) is out
    if found:
        assert found[1:] == (40.0, (-5.0, 15.0))
