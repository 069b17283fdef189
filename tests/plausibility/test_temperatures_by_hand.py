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
    Cure,
    WrongTemperature,
    _all_in_fahrenheit,
    _alone,
    _fits,
    _odd_pack,
    _out_of_range,
    _pack_cures,
    _soaked,
    _start,
    wrong_temperatures,
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


@pytest.mark.parametrize(("after", "start"), [(29.9, 20.0), (30.1, 30.1), (10.1, 20.0), (9.9, 9.9)])
def test_a_default_leaps_by_eight_kelvin_two_steps_and_one_in_a_second(after: float, start: float) -> None:
    """Half a kelvin a step and a reading a second: ten in all."""
    assert _start(part(MOTOR, [20.0] * 10 + [after] * 60)) == start


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


def cure(words: str) -> Cure:
    return next(each for each in _CURES if each.words.startswith(words))


def wrong(count: int = 20, limits: Limits | None = None, **celsius: float) -> list[WrongTemperature]:
    names = {"motor": MOTOR, "sink": SINK, "coolant": COOLANT, "pack": PACK}
    made = [part(names[name], [value] * count) for name, value in celsius.items()]
    signals = Signals({each.name: each for each in made}, 0.0, 20.0)
    return list(wrong_temperatures(signals, Vehicle(limits=limits or Limits())))


def test_one_reading_beside_two_that_agree_is_named_with_what_mends_it() -> None:
    alone = "it starts at 68 °C, where the vehicle's other temperatures start at 20 °C"
    assert wrong(motor=20.0, sink=20.0, coolant=68.0) == [
        WrongTemperature(COOLANT, 68.0, alone, cure("in degrees Fahrenheit"))
    ]
    out = "it reads 293 °C, where -45 to 130 °C is possible"
    assert wrong(motor=20.0, sink=20.0, coolant=293.0) == [WrongTemperature(COOLANT, 293.0, out, cure("in kelvin"))]
    assert [each.part for each in wrong(motor=20.0, sink=20.0, coolant=68.0, pack=20.0)] == [COOLANT]
    assert wrong(2, motor=20.0, sink=20.0, coolant=68.0) == []  # two readings
    assert wrong(motor=20.0, coolant=68.0) == []  # nothing says what the vehicle's own temperature is
    assert wrong(motor=20.0, sink=20.0, coolant=46.0) == []  # no usual slip


def test_a_warm_part_is_no_rare_slip_but_a_cold_one_is_and_so_is_what_cannot_be() -> None:
    assert wrong(motor=20.0, sink=20.0, coolant=40.0) == []  # twice the truth would be rare
    (cold,) = wrong(motor=24.0, sink=24.0, coolant=11.0)
    assert (cold.cure, cold.hot) == (cure("half of the true temperature"), False)
    (hot,) = wrong(motor=20.0, sink=20.0, coolant=20_000.0)
    assert hot.cure == cure("1000 times too high")
    (alone,) = wrong(coolant=2000.0)
    assert alone.cure == cure("100 times too high")  # by what coolant can be


def test_a_pack_is_named_with_its_rival_and_its_danger() -> None:
    (found,) = wrong(motor=20.0, sink=20.0, pack=68.0)
    fact = "it starts at 68 °C, where the vehicle's other temperatures start at 20 °C"
    assert found == WrongTemperature(PACK, 68.0, fact, cure("in degrees F"), cure("40 K too high"), hot=True)
    (kelvin,) = wrong(motor=20.0, sink=20.0, pack=293.15)
    assert (kelvin.cure, kelvin.hot) == (cure("in kelvin"), False)
    assert "reads 293 °C, where -45 to 85 °C" in kelvin.fact
    (by_itself,) = wrong(pack=75.0)
    assert by_itself.fact == "it reads 75 to 75 °C from its first reading on, where no pack is in use"
    assert (by_itself.cure, by_itself.rival, by_itself.hot) == (cure("in degrees F"), cure("40 K too high"), True)
    assert wrong(motor=20.0, sink=20.0, pack=52.0, limits=Limits(battery_temperature_max_C=55.0)) == []
    edge = wrong(motor=20.0, sink=20.0, pack=-25.0)
    assert [(each.cure.words, each.hot) for each in edge] == [("40 K too low, its offset subtracted twice", False)]


def test_coolant_out_of_its_place_is_mended_to_it_by_the_nearest_common_slip() -> None:
    """126 °C above a motor of 62 °C: °F would be 52 °C, 40 K less 86 °C; a place is from 20 K below to 4 K above."""
    (found,) = wrong(70, motor=62.0, sink=55.0, coolant=126.0)
    fact = "it is 64 K hotter than motor and inverter, which heat it"
    assert found == WrongTemperature(COOLANT, 126.0, fact, cure("in degrees Fahrenheit"), None, hot=True)
    (both,) = wrong(70, motor=50.0, sink=40.0, coolant=92.0)  # 33.3 and 52 °C
    assert (both.cure, both.rival) == (cure("40 K too high"), cure("in degrees F"))
    assert wrong(70, motor=50.0, sink=30.0, coolant=110.0) == [
        WrongTemperature(COOLANT, 110.0, "it is 60 K hotter than motor and inverter, which heat it",
                         cure("in degrees F"), None, hot=True)
    ]  # fmt: skip
    for motor, coolant, words in ((30.0, 75.0, "in degrees F"), (100.0, 129.0, "40 K too high")):  # 23.9; 89 °C
        (one,) = wrong(70, motor=motor, sink=25.0, coolant=coolant)
        assert (one.cure, one.rival) == (cure(words), None)


def test_a_vehicle_in_fahrenheit_is_named_part_by_part() -> None:
    found = wrong(motor=68.0, sink=68.0, coolant=69.0, pack=71.0)
    assert [each.part for each in found] == [MOTOR, SINK, COOLANT, PACK]
    assert all(each.cure == cure("in degrees F") and not each.hot and each.rival is None for each in found)
    assert all("no surroundings are so warm" in each.fact for each in found)
    assert [each.start for each in found] == [68.0, 68.0, 69.0, 71.0]
