"""Whether a speed is in gear, what other readings say of it, and brief departures: each guard at its edge, by hand.

Own measures of the trade (practice, no published source); Newton's second law: a rotor of J under M changes by
60/(2π)·M/J rpm in a second.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_speeds import P, T, model, speed
from motor_traces import HAZEL, part

from logscope.observations.motor_speed.brief import (
    _cut_at_standstill,
    _lost,
    _one_impossible,
    _swings_back,
    _swung_by_torque,
    _updates,
    brief_steps,
)
from logscope.observations.motor_speed.departures import departures
from logscope.observations.motor_speed.driveline_state import _as_on_the_road, in_gear_at
from logscope.observations.motor_speed.envelope import free_slew, in_gear_slew
from logscope.observations.motor_speed.other_readings import OtherSpeed, _witness
from logscope.vehicle import Driveline, Motor, Vehicle

CALM = np.full(T.size, 2000.0)


def other(name: str, rpm: Any, known: Any = True, on_shaft: bool = True) -> OtherSpeed:
    return OtherSpeed(
        name, on_shaft, np.broadcast_to(np.asarray(rpm, float), T.shape), np.broadcast_to(known, T.shape), 0.02
    )


@pytest.mark.parametrize(
    ("before_rpm", "after_rpm", "both", "one_side"),
    [(0.0, 0.0, True, True), (80.0, 0.0, False, True), (0.0, 80.0, False, True), (80.0, 80.0, False, False)],
)
def test_a_rotor_is_in_gear_where_its_speed_is_calm_on_both_sides_or_one(
    before_rpm: float, after_rpm: float, both: bool, one_side: bool
) -> None:
    """80 rpm a reading are beyond the tyres' 50."""
    value = CALM + np.where(np.arange(T.size) < 500, before_rpm, after_rpm) * np.arange(T.size)
    at = np.array([500]), np.array([501])
    for one, expected in ((False, both), (True, one_side)):
        assert in_gear_at(speed(value), model(), None, *at, one_side=one).tolist() == [expected]


def test_a_side_is_judged_by_new_values_where_each_is_logged_twice() -> None:
    """Eight of them, 80 rpm each; the last two stand. Of five spans of four the last is calm, of eight samples all."""
    twice = np.repeat(80.0 * np.minimum(np.arange(T.size // 2), 248), 2)
    at = np.array([499]), np.array([500])
    half_s = model(repeat=2, update_s=P)
    assert in_gear_at(speed(twice, T / 2.0), half_s, None, *at, one_side=False).tolist() == [False]
    assert in_gear_at(speed(twice, T / 2.0), model(), None, *at, one_side=False).tolist() == [True]


def test_the_road_speed_decides_whether_it_is_in_gear() -> None:
    road = part("vehicle_speed", T, np.where(T < 11.0, 50.0, 30.0))
    at = np.array([500, 1500])
    assert in_gear_at(speed(CALM), model(), road, at, at + 1, one_side=False).tolist() == [True, False]
    for kmh, known in ((5.0, False), (4.9, True)):  # below 5 km/h it says nothing
        slow = part("vehicle_speed", T, np.where((T > 14.0) & (T < 16.0), kmh, 50.0))
        assert _as_on_the_road(speed(CALM), np.array([2000.0]), slow, np.array([1500])).tolist() == [known]
    stale = part("vehicle_speed", T[T < 14.4], np.full(np.count_nonzero(T < 14.4), 50.0))
    for level, row, alike in ((2200.0, 1485, True), (2400.0, 1485, False), (2400.0, 1495, True)):
        assert _as_on_the_road(speed(CALM), np.array([level]), stale, np.array([row])).tolist() == [alike]


def test_limits_of_a_speed_name_where_they_are_known_from() -> None:
    tyre = 60 * 9.80665 * 8.2 / (2 * pi * 0.31)
    slew, origin = in_gear_slew(HAZEL)
    assert (slew, origin) == (
        pytest.approx(1.2 * tyre, rel=1e-3),
        f"the tyres' limit of 1 g, {tyre:.0f} rpm/s, plus 20 %",
    )
    slew, origin = in_gear_slew(Vehicle(driveline=Driveline(ratio=8.2)))
    assert (slew, origin.startswith("1 g in first gear")) == (5000.0, True)
    none = np.zeros(0)
    _, origin = free_slew(HAZEL, none, none, 0.01, 1.0)
    assert origin == "the free rotor's limit, 160 Nm on 0.05 kg·m² or 30558 rpm/s, plus 20 %"
    geared = Vehicle(driveline=Driveline(ratio=8.2, wheel_radius_m=0.31))
    for vehicle, update, floor, why in (
        (Vehicle(motor=Motor(max_torque_Nm=160)), 0.01, 10_000.0, "a car in gear with a margin"),
        (geared, 0.01, 4 * tyre, "4 times the tyres' limit in gear"),
        (geared, 0.016, 4 * tyre, "4 times the tyres' limit"),  # three steps are 48 ms
        (geared, 0.017, 30_000.0, "a light traction rotor"),
    ):
        slew, origin = free_slew(vehicle, none, none, update, 1.0)
        assert slew == pytest.approx(floor, rel=1e-3)
        assert why in origin
        assert "no motor.max_torque_Nm" in origin
    rising = 100.0 * np.arange(100.0)
    for step_s, slew_to, learnt in ((0.01, 20_000.0, True), (0.021, 10_000.0, False)):
        slew, origin = free_slew(Vehicle(), rising, np.full(99, step_s), 0.01, 0.0)
        assert slew == pytest.approx(slew_to, rel=0.03)
        assert origin.startswith("twice the fastest change") is learnt


@pytest.mark.parametrize(
    ("name", "count", "ratio_off", "is_one"),
    [("motor_speed_second", 50, 0.0, True), ("motor_speed_second", 49, 0.0, False), ("vehicle_speed", 200, 0.14, True),
     ("vehicle_speed", 200, 0.20, False)],
)  # fmt: skip
def test_a_witness_has_fifty_readings_in_one_ratio(name: str, count: int, ratio_off: float, is_one: bool) -> None:
    """Two fifths of them are off by so much."""
    at = np.linspace(0.0, 19.99, count)
    value = 500.0 * np.where(np.arange(count) % 5 < 3, 1.0, 1.0 + ratio_off)
    found = _witness(part(name, at, value), speed(CALM), model())
    assert (found is not None) is is_one
    if found is not None:
        assert found.on_shaft is (name != "vehicle_speed")
        assert np.median(found.rpm[found.known]) == pytest.approx(2000.0)
        assert found.update_s == pytest.approx(19.99 / (count - 1))
    assert _witness(part(name, at, value), speed(19.0), model()) is None  # no more than twice zero


@pytest.mark.parametrize(
    ("lasts_s", "on_shaft", "rpm", "count"),
    [
        (0.32, True, 1000.0, 1), (0.28, True, 1000.0, 0), (1.0, True, 3000.0, 1),
        (1.0, False, 1000.0, 1), (1.0, False, 3000.0, 0),  # a wheel that spins is faster than the road
        (1.0, True, 99.0, 1), (1.0, True, 1650.0, 0),
    ],
)  # fmt: skip
def test_a_departure_lasts_300_ms_and_from_the_road_only_downwards(
    lasts_s: float, on_shaft: bool, rpm: float, count: int
) -> None:
    """2000 rpm by the other: 15 % and 3 % of the highest are room."""
    away = (T >= 10.0 - 1e-9) & (10.0 + lasts_s + 1e-9 >= T)
    beside = other("motor_speed_second", 2000.0, on_shaft=on_shaft)
    found = departures(speed(np.where(away, rpm, 2000.0)), model(), (beside,))
    assert len(found) == count
    if count:
        floor = 0.03 * max(2000.0, rpm)
        off = rpm - (2300.0 + floor) if rpm > 2000.0 else 1700.0 - floor - rpm
        assert found[0].worst_rpm == pytest.approx(off)
        assert (T[found[0].first], T[found[0].last]) == (pytest.approx(10.0), pytest.approx(10.0 + lasts_s))


def test_a_witness_that_is_lost_says_nothing_and_one_that_agrees_overrules_the_road() -> None:
    for witness_rpm, count in ((49.0, 0), (51.0, 1)):  # a twentieth of 1000 rpm
        lost = other("motor_speed_second", witness_rpm)
        assert len(departures(speed(CALM / 2.0), model(), (lost,))) == count
    away = (T >= 10.0) & (T <= 12.0)
    made = speed(np.where(away, 1000.0, 2000.0))
    road = other("vehicle_speed", 2000.0, on_shaft=False)
    agrees = other("stator_frequency", np.where(away, 1000.0, 2000.0))
    assert len(departures(made, model(), (road,))) == 1
    assert departures(made, model(), (agrees, road)) == ()


def runs(**more: Any) -> Any:
    """Away by 400 rpm in 10 ms and back in 10 ms, 20 ms later."""
    given = {
        "move": np.array([400.0, -400.0]), "start_s": np.array([1.0, 1.03]), "end_s": np.array([1.01, 1.04]),
        "before": np.array([10, 13]), "after": np.array([11, 14]), "lasts_s": np.array([0.01, 0.01]), **more,
    }  # fmt: skip
    return SimpleNamespace(**given)


@pytest.mark.parametrize(
    ("beyond", "back_s", "moves", "wrong"),
    [
        ([True, False], 1.099, (400.0, -400.0), True), ([False, True], 1.099, (400.0, -200.0), True),
        ([False, False], 1.099, (400.0, -400.0), False), ([True, False], 1.101, (400.0, -400.0), False),
        ([True, False], 1.099, (400.0, -199.0), False), ([True, False], 1.099, (400.0, 400.0), False),
    ],
)  # fmt: skip
def test_what_leads_away_and_back_with_one_step_beyond_any_rotor_is_wrong(
    beyond: list[bool], back_s: float, moves: tuple[float, float], wrong: bool
) -> None:
    got = _one_impossible(runs(move=np.array(moves)), np.array([True]), np.array(beyond), np.array([back_s]))
    assert got.tolist() == [wrong, wrong]


def test_a_reading_that_is_lost_and_found_by_steps_beyond_any_rotor_is_wrong() -> None:
    """3000 rpm to zero at row 11, back at row 14; 30,000 rpm/s and 12 rpm of slack are 312 rpm in 10 ms."""
    value = np.full(30, 3000.0)
    value[11:14] = 0.0
    made = speed(value, P * np.arange(30))
    found = {"move": np.array([-3000.0, 3000.0])}
    for one, lost_s, wrong in (
        (runs(**found), 1.0, True),
        (runs(**found), 0.019, False),  # away for longer
        (runs(move=np.array([-312.0, 312.0])), 1.0, False),
        (runs(move=np.array([-313.0, 312.0])), 1.0, True),
        (runs(move=np.array([-312.0, 313.0])), 1.0, True),
        (runs(**found, lasts_s=np.array([0.01, 0.034])), 1.0, False),  # a thirtieth of a second
    ):
        assert _lost(made, model(30), one, 10.0, lost_s).tolist() == [wrong, wrong]
    kept = made.value.copy()
    kept[11:14] = 1000.0
    assert not _lost(speed(kept, P * np.arange(30)), model(30), runs(**found), 10.0, 1.0).any()


def test_a_swing_back_is_no_steeper_than_its_driveline() -> None:
    """π · 400 rpm · 30 /s are 377 rpm in 10 ms."""
    for back, swings in ((-376.0, True), (-378.0, False)):
        one = runs(move=np.array([400.0, back]))
        assert _swings_back(one, np.array([True, False])).tolist() == [swings]
        assert _swings_back(one, np.array([False, True])).tolist() == [False]


def test_a_sensor_cuts_what_is_below_twice_its_least_reading() -> None:
    value = np.array([0.0, 199.0, 0.0, 201.0, 150.0])
    got = _cut_at_standstill(value, np.arange(1, 5), model(cut_rpm=100.0), 10.0)
    assert got.tolist() == [True, True, False, False]
    assert [_updates(each, model()) for each in (0.045, 0.1, 0.001)] == [5, 10, 1]


def test_a_brief_departure_in_gear_is_found_and_a_lasting_or_slow_one_is_not() -> None:
    """150 rpm are beyond the tyres' 56 and no more than a free rotor's 312; away for two readings, or for six."""
    for rows, rpm, steps in ((2, 150.0, [500, 502]), (6, 150.0, []), (2, 50.0, [])):
        value = CALM.copy()
        value[500 : 500 + rows] += rpm
        got = brief_steps(speed(value), model(), HAZEL, None, None, zero=10.0, lost_s=1.0)
        assert got.tolist() == steps
    value = CALM.copy()
    value[500:502] += 150.0
    assert brief_steps(speed(value), model(update_s=0.03), HAZEL, None, None, zero=10.0, lost_s=1.0).size == 0
    value[502] += 75.0  # a driveline swings back no faster
    swung = part("torque", T, np.where((T > 4.975) & (T < 5.015), 160.0, 0.0))
    assert brief_steps(speed(value), model(), HAZEL, swung, None, zero=10.0, lost_s=1.0).size == 0
    still = part("torque", T, np.full(T.size, 160.0))
    assert brief_steps(speed(value), model(), HAZEL, still, None, zero=10.0, lost_s=1.0).size > 0


@pytest.mark.parametrize(
    ("begins_s", "move_rpm", "swung"),
    [
        (0.985, 270.0, True), (0.985, 285.0, False), (1.025, 270.0, False), (0.955, 270.0, False),
        (1.015, 270.0, True), (1.015, 300.0, False),  # what acts after the end does not count
        (0.985, -270.0, False),
    ],
)  # fmt: skip
def test_a_torque_acts_from_ten_milliseconds_before_to_half_a_reading_before_the_end(
    begins_s: float, move_rpm: float, swung: bool
) -> None:
    """100 Nm for 7.5 ms on 0.05 kg·m² and 60 % more, and 50 rpm: 279 rpm; the run lasts from 1.0 to 1.02 s."""
    at = np.arange(0.0, 2.0, 0.005)
    torque = part("torque", at, np.where((at >= begins_s - 1e-9) & (at < begins_s + 0.0149), 100.0, 0.0))
    one = runs(start_s=np.array([1.0]), end_s=np.array([1.02]), move=np.array([move_rpm]))
    assert _swung_by_torque(one, np.array([50.0]), torque, 0.05).tolist() == [swung]


def test_a_witness_is_another_where_it_is_replaced() -> None:
    assert replace(other("stator_frequency", 1.0), name="vehicle_speed").words == "the road speed"


def departed(*at: tuple[int, int, float]) -> np.ndarray:
    """Away from 2000 rpm from a row on, for so many rows, by so much."""
    value = CALM.copy()
    for since, rows, rpm in at:
        value[since : since + rows] += rpm
    return value


@pytest.mark.parametrize(
    ("at", "update_s", "found"),
    [
        ([(500, 3, 100.0)], 0.01, [500, 503]),  # 40 ms, from rest
        ([(500, 4, 100.0)], 0.01, []),  # 50 ms: a driveline's swing, or a wheel that breaks away
        ([(500, 3, 100.0), (506, 3, 100.0)], 0.01, [500, 503]),  # what follows may be its ring
        ([(500, 2, 100.0), (505, 2, 100.0)], 0.01, [500, 502, 505, 507]),
        ([(500, 3, 111.0), (506, 3, 111.0)], 0.01, [500, 503]),
        ([(500, 3, 114.0), (506, 3, 114.0)], 0.01, [500, 503, 506, 509]),  # twice 56 rpm: too large to ring
        ([(500, 3, 114.0), (506, 3, 114.0)], 0.0118, [500, 503]),  # seen by fewer than three readings
        ([(500, 3, 100.0), (520, 3, 100.0)], 0.01, [500, 503, 520, 523]),  # another one 0.2 s later
    ],
)
def test_a_departure_is_over_sooner_than_a_driveline_swings(
    at: list[tuple[int, int, float]], update_s: float, found: list[int]
) -> None:
    got = brief_steps(speed(departed(*at)), model(update_s=update_s), HAZEL, None, None, zero=10.0, lost_s=1.0)
    assert got.tolist() == found


@pytest.mark.parametrize(
    ("level_rpm", "rpm", "found"),
    [(8.0, 57.0, []), (8.0, 59.0, [500, 502]), (-4.0, 53.5, []), (-4.0, 54.5, [500, 502])],
)
def test_steps_away_and_back_are_beyond_tyres_by_half_a_quantum(level_rpm: float, rpm: float, found: list[int]) -> None:
    """Of 4 rpm. Each is by more than 56 and 2 rpm; or by no less than 54 to more than 56 off the level around."""
    value = CALM + level_rpm
    value[499:503] = 2000.0 + rpm * np.array([0.0, 1.0, 1.0, 0.0])
    got = brief_steps(speed(value), model(quantum_rpm=4.0), HAZEL, None, None, zero=10.0, lost_s=1.0)
    assert got.tolist() == found


def test_each_run_is_judged_with_the_one_after_it() -> None:
    """Lost from row 11 to row 14; a third run, from row 20 on, has nothing to do with it."""
    value = np.full(30, 3000.0)
    value[11:14] = 0.0
    value[21:] = 2600.0
    three = {
        "move": np.array([-3000.0, 3000.0, -400.0]), "start_s": np.array([0.10, 0.13, 0.20]),
        "end_s": np.array([0.11, 0.14, 0.21]), "before": np.array([10, 13, 20]), "after": np.array([11, 14, 21]),
        "lasts_s": np.array([0.01, 0.01, 0.01]),
    }  # fmt: skip
    made = speed(value, P * np.arange(30))
    assert _lost(made, model(30), runs(**three), 10.0, 1.0).tolist() == [True, True, False]
    value = np.full(30, 3000.0)
    value[24:27] = 0.0
    later = {
        "move": np.array([400.0, -3000.0, 3000.0]), "start_s": np.array([0.05, 0.23, 0.26]),
        "end_s": np.array([0.06, 0.24, 0.27]), "before": np.array([5, 23, 26]), "after": np.array([6, 24, 27]),
    }  # fmt: skip
    late = runs(**{**three, **later})  # away for 20 ms, and 0.2 s after the first run
    assert _lost(speed(value, P * np.arange(30)), model(30), late, 10.0, 0.1).tolist() == [False, True, True]
    got = _one_impossible(late, np.array([False, True]), np.array([False, True, False]), np.array([0.24, 0.27]))
    assert got.tolist() == [False, True, True]
    got = _one_impossible(runs(**three), np.array([True, True]), np.array([True, False, False]), np.array([0.14, 0.21]))
    assert got.tolist() == [True, True, False]
    assert _swings_back(runs(**{**three, "move": np.array([400.0, -376.0, 100.0])}),
                        np.array([True, True, False])).tolist() == [True, True]  # fmt: skip
    assert _swings_back(runs(**{**three, "move": np.array([400.0, -378.0, 100.0])}),
                        np.array([True, False, False])).tolist() == [False, False]  # fmt: skip


def test_a_steady_torque_is_that_of_the_150_ms_before() -> None:
    """It rose from 0 to 100 Nm 0.1 s before: nothing beyond it acts; 0.2 s before it is not looked at."""
    at = np.arange(0.0, 2.0, 0.005)
    one = runs(start_s=np.array([1.0]), end_s=np.array([1.02]), move=np.array([300.0]))
    for since_s, swung in ((0.95, True), (0.88, False)):
        torque = part("torque", at, np.where(at >= since_s, 100.0, 0.0))
        assert _swung_by_torque(one, np.array([50.0]), torque, 0.05).tolist() == [swung]
    late = part("torque", at[at >= 1.0], np.where(at[at >= 1.0] >= 1.005, 100.0, 20.0))
    assert _swung_by_torque(one, np.array([50.0]), late, 0.05).tolist() == [True]  # 80 Nm more than its first
    # read every 100 ms: 100 Nm at 5 ms into the run, half of that within the 100 ms before, 1528 rpm with a margin
    seldom = np.arange(0.005, 2.0, 0.1)
    pulse = part("torque", seldom, np.where(np.abs(seldom - 1.005) < 0.01, 100.0, 0.0))
    for move_rpm, swung in ((1550.0, True), (1600.0, False)):
        far = runs(start_s=np.array([1.0]), end_s=np.array([1.02]), move=np.array([move_rpm]))
        assert _swung_by_torque(far, np.array([50.0]), pulse, 0.05).tolist() == [swung]
    for at_s, swung in ((1.06, True), (1.08, False)):  # risen since the reading before, half a period before the end
        last = np.arange(at_s % 0.1, 2.0, 0.1)
        pulse = part("torque", last, np.where(np.abs(last - at_s) < 0.01, 100.0, 0.0))
        one = runs(start_s=np.array([1.0]), end_s=np.array([1.02]), move=np.array([700.0]))
        assert _swung_by_torque(one, np.array([50.0]), pulse, 0.05).tolist() == [swung]


@pytest.mark.parametrize(("age_s", "known"), [(0.3, True), (0.31, False)])
def test_a_witness_is_as_old_as_its_newest_reading(age_s: float, known: bool) -> None:
    at = np.arange(0.0, 10.0, 0.05)
    found = _witness(part("motor_speed_second", at, 1000.0 + 0.0 * at), speed(CALM), model())
    assert found is not None
    row = int(np.searchsorted(T, at[-1] + age_s - 1e-6))
    assert bool(found.known[row]) is known
    assert found.known[0]


@pytest.mark.parametrize(
    ("on_shaft", "late_s", "apart"),
    [(True, 0.585, True), (True, 0.535, False), (False, 0.985, True), (False, 0.935, False)],
)
def test_a_lag_of_the_reading_is_no_departure(on_shaft: bool, late_s: float, apart: bool) -> None:
    """Filters of 0.2 s on the shaft and 0.6 s on the road, twice 20 and 10 ms of updates, and 0.3 s that it lasts."""
    beside = other("vehicle_speed", np.where(T < 10.0, 1000.0, 2000.0), on_shaft=on_shaft)
    found = departures(speed(np.where(10.0 + late_s > T, 1000.0, 2000.0)), model(), (beside,))
    assert bool(found) is apart
    if found:
        lag_s = (0.2 if on_shaft else 0.6) + 2 * (0.02 + P)
        assert T[found[0].first] == pytest.approx(10.0 + lag_s, abs=0.011)
        assert T[found[0].last] == pytest.approx(10.0 + late_s, abs=0.011)


def test_a_departure_is_apart_for_most_of_its_time_and_as_far_as_at_its_worst() -> None:
    second = other("motor_speed_second", 2000.0)
    for away_s, count in ((0.30, 1), (0.20, 0)):  # of each half second, three times
        value = np.where((T >= 10.0) & (T < 11.5) & (away_s > T % 0.5), 1000.0, 2000.0)
        assert len(departures(speed(value), model(), (second,))) == count
    growing = np.where((T >= 10.0 - 1e-9) & (T <= 11.0 + 1e-9), 1500.0 - 400.0 * (T - 10.0), 2000.0)
    (found,) = departures(speed(growing), model(), (second,))
    assert found.worst_rpm == pytest.approx(1700.0 - 60.0 - 1100.0)  # at its last sample
    assert found.witness is second


def test_near_standstill_a_departure_needs_more_than_what_counts_as_zero_twice() -> None:
    """Of 2000 rpm 3 % are 60; a slack or two zeros of more are the floor instead."""
    second = other("motor_speed_second", np.where(T < 5.0, 2000.0, 200.0))
    away = np.where(T < 5.0, 2000.0, np.where((T >= 10.0) & (T < 12.0), 100.0, 200.0))
    for zero_rpm, count in ((10.0, 1), (36.0, 0)):  # 170 − 100 − 72 are less than nothing
        assert len(departures(speed(away), model(zero_rpm=zero_rpm), (second,))) == count
