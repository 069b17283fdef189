"""Pump, sensors and derating, each guard on both sides of its edge: made steps and messages, expected by hand.

Thresholds are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.cooling.derating import Derating, find_derating
from logscope.checks.cooling.pump import (
    PumpTrouble,
    Trouble,
    _episodes,
    _held,
    _largest_rise,
    _on_for,
    _runs,
    _warmed,
    find_pump_trouble,
)
from logscope.checks.cooling.sensors import (
    OffsetSensor,
    StuckSensor,
    _jumps,
    _load_begins,
    _load_varied,
    _longest_still,
    find_offset,
    find_stuck,
    find_swapped,
)
from logscope.checks.cooling.thermal_log import ThermalLog
from logscope.vehicle import Limits, Vehicle

MOTOR, PLATE = "motor_temperature", "inverter_temperature"
OUTLET, INLET = "coolant_temperature_out", "coolant_temperature"
ROWS = 600
AT = np.arange(ROWS) + 0.5


def log(rounding: float = 0.0, amps: Any = 100.0, pumping: bool = True, **celsius: Any) -> ThermalLog:
    """Steps of a second; a current, and temperatures by part."""

    def of(value: Any) -> np.ndarray:
        return np.broadcast_to(np.asarray(value, float), (ROWS,)).copy()

    heats = {} if amps is None else {"current": of(amps), "current2": of(amps) ** 2}
    made = {name: of(value) for name, value in celsius.items()}
    return ThermalLog(1.0, AT, made, dict.fromkeys(made, rounding), heats, np.full(ROWS, pumping))


def ramp(low: float, high: float, since: int = 0, until: int = ROWS - 1) -> np.ndarray:
    return np.interp(np.arange(ROWS), [since, until], [low, high])


@pytest.mark.parametrize(
    ("value", "rise", "steps"),
    [
        ([20.0, 18.0, 30.0, 25.0, 29.0], 12.0, 1),
        ([20.0, np.nan, 15.0, np.nan, 31.0], 16.0, 2),
        ([30.0, 20.0, 10.0], 0.0, 0),
        ([10.0, 30.0, 5.0, 24.0], 20.0, 1),
    ],
)
def test_the_largest_rise_is_from_the_lowest_before(value: list[float], rise: float, steps: int) -> None:
    assert _largest_rise(np.array(value)) == (rise, steps)


@pytest.mark.parametrize(
    ("high", "lasts", "warmed"),
    [(55.1, 60, True), (55.1, 59, False), (44.9, 300, False), (45.0, 300, True)],
)
def test_a_device_warms_by_10_k_in_a_minute_up_to_45_degrees(high: float, lasts: int, warmed: bool) -> None:
    found = _warmed(log(inverter_temperature=np.interp(np.arange(ROWS), [0, 100, 100 + lasts], [36.0, 35.0, high])))
    assert found == ((PLATE, pytest.approx(high - 35.0)) if warmed else None)
    assert _warmed(log(inverter_temperature=ramp(45.0, 54.9))) is None  # 9.9 K
    both = log(motor_temperature=ramp(40.0, 60.0), inverter_temperature=ramp(40.0, 70.0))
    assert _warmed(both) == (PLATE, pytest.approx(30.0))


def pump(name: str, value: Any, unit: str = "", on: Any = None, every_s: float = 0.5) -> Any:
    time_s = np.arange(0.0, ROWS, every_s)
    given = value(time_s) if callable(value) else np.full(time_s.size, float(value))
    return replace(part(name, time_s, given), unit=unit, on=None if on is None else on(time_s))


HOT = log(inverter_temperature=ramp(30.0, 60.0))


@pytest.mark.parametrize(
    ("made", "off"),
    [
        ([pump("coolant_pump", 0.0, on=lambda t: t < 0.0)], "coolant_pump"),
        ([pump("coolant_pump", 0.0, on=lambda t: t > 590.0)], None),
        ([pump("coolant_pump_speed", 50.0, "rpm")], "coolant_pump_speed"),
        ([pump("coolant_pump_speed", 51.0, "rpm")], None),
        ([pump("coolant_pump_current", 0.15, "A")], "coolant_pump_current"),
        ([pump("coolant_pump_current", 0.16, "A")], None),
        ([pump("coolant_pump", 0.0, on=lambda t: t < 0.0), pump("coolant_pump_speed", 900.0, "rpm")], None),
        ([], None),
    ],
)
def test_a_pump_is_never_on_where_nothing_of_it_says_otherwise(made: list[Any], off: str | None) -> None:
    found = find_pump_trouble(signals(*made), HOT)
    assert [each.what for each in found] == ([Trouble.OFF] if off else [])
    if off:
        assert found[0] == PumpTrouble(Trouble.OFF, off, ((0.5, 599.5),), PLATE, pytest.approx(30.0))
        assert find_pump_trouble(signals(*made), log(inverter_temperature=30.0)) == []


def test_what_is_held_and_what_has_been_on_for_three_seconds() -> None:
    state = part("coolant_pump", np.array([1.0, 2.0, 10.0, 20.0]), np.zeros(4), on=np.array([False, True, True, False]))
    at = np.array([0.5, 1.0, 1.5, 2.0, 20.0, 25.0])
    assert _held(state, state.on, at).tolist() == [True, False, False, True, False, False]  # type: ignore[arg-type]
    asked = np.array([3.9, 4.0, 4.9, 5.0, 5.1, 16.9, 17.0, 18.0])
    assert _on_for(state, asked).tolist() == [False, False, False, True, True, True, False, False]
    always = part("coolant_pump", np.array([1.0, 2.0]), np.zeros(2), on=np.array([True, True]))
    assert _on_for(always, np.array([3.9, 4.0])).tolist() == [False, True]
    assert _runs(state).tolist() == [False, True, True, False]
    assert _runs(replace(part("x", AT, np.full(ROWS, -60.0)), unit="rpm")).all()


@pytest.mark.parametrize(
    ("every_s", "count", "found"), [(1.0, 6, True), (1.0, 5, False), (2.0, 4, True), (3.0, 3, False), (0.5, 11, True)]
)
def test_an_episode_lasts_five_seconds_in_four_readings(every_s: float, count: int, found: bool) -> None:
    time_s = every_s * np.arange(60)
    where = (np.arange(60) >= 10) & (np.arange(60) < 10 + count)
    got = _episodes(part("coolant_pump_current", time_s, time_s), where)
    assert got == (((10 * every_s, (9 + count) * every_s),) if found else ())
    where[[12, 13]] = False  # a hole of three readings, more than two and a half
    assert _episodes(part("coolant_pump_current", time_s, time_s), where) != got or not found


ON = {"on": lambda t: t >= 0.0}


@pytest.mark.parametrize(
    ("speed", "amps", "spans"),
    [
        (lambda t: np.where((t > 100) & (t < 110), 0.0, 2000.0), None, [(100.5, 109.5)]),
        (lambda t: np.where((t > 100) & (t < 105), 0.0, 2000.0), None, []),
        (lambda t: np.where(t < 9.9, 0.0, 2000.0), None, []),  # it wakes
        (lambda t: np.where(t < 10.6, 0.0, 2000.0), None, [(3.0, 10.5)]),
        (lambda t: np.where((t > 100) & (t < 110), 0.0, 2000.0), lambda t: 0.0 * t + 3.0, []),  # by its current
        (lambda t: np.where((t > 100) & (t < 110), 0.0, 2000.0),
         lambda t: np.where((t > 102) & (t < 120), 0.0, 3.0), [(102.5, 109.5)]),
        (lambda t: 0.0 * t, None, [(3.0, 599.5)]),  # nothing ever, while a device warms
    ],
)  # fmt: skip
def test_a_pump_stands_while_it_is_on_where_nothing_of_it_runs(speed: Any, amps: Any, spans: list[Any]) -> None:
    made = [pump("coolant_pump", 1.0, **ON), pump("coolant_pump_speed", speed, "rpm")]
    made += [] if amps is None else [pump("coolant_pump_current", amps, "A")]
    found = [each for each in find_pump_trouble(signals(*made), HOT) if each.what is Trouble.STOPPED]
    assert [each.spans for each in found] == ([tuple(spans)] if spans else [])
    assert all(each.part == "coolant_pump_speed" for each in found)
    if speed(np.array([300.0]))[0] == 0.0:
        cold = log(inverter_temperature=30.0)
        assert [e for e in find_pump_trouble(signals(*made), cold) if e.what is Trouble.STOPPED] == []


@pytest.mark.parametrize(
    ("low_A", "rpm", "dry"),
    [(2.59, None, True), (2.61, None, False), (2.59, 1801.0, True), (2.59, 1799.0, False), (0.16, None, True)],
)
def test_a_dry_pump_takes_less_than_65_per_cent_at_its_speed(low_A: float, rpm: float | None, dry: bool) -> None:
    """Usually 4 A at 2000 rpm; nine tenths of that is the same speed."""
    made = [pump("coolant_pump_current", lambda t: np.where((t > 100) & (t < 160), low_A, 4.0), "A")]
    if rpm is not None:
        made.append(pump("coolant_pump_speed", lambda t: np.where((t > 100) & (t < 160), rpm, 2000.0), "rpm"))
    found = find_pump_trouble(signals(*made), HOT)
    if not dry:
        assert found == []
        return
    assert found == [
        PumpTrouble(
            Trouble.DRY, "coolant_pump_current", ((100.5, 159.5),), usual_A=4.0, seen_A=low_A,
            speed_known=rpm is not None,
        )
    ]  # fmt: skip
    off = pump("coolant_pump", 0.0, on=lambda t: t < 90.0)
    assert find_pump_trouble(signals(*made, off), HOT) == []  # switched off then
    coarse = replace(made[0], step=0.5)
    assert (find_pump_trouble(signals(coarse, *made[1:]), HOT) != []) is (low_A < 2.1)  # less than a step below


def test_the_longest_standstill_is_that_of_equal_readings() -> None:
    value = np.array([1.0, 2.0, 2.0, np.nan, 2.0, 3.0, 3.0, 3.0, np.nan])
    assert _longest_still(value) == (1, 4)
    assert _longest_still(np.array([np.nan, 1.0])) == (0, 0)
    assert _longest_still(np.array([1.0, 1.0, 2.0, 2.0, 2.0])) == (2, 4)


LOAD = np.where(np.arange(ROWS) // 60 % 2 == 0, 200.0, 20.0)


def stands(lasts: int, since: int = 100) -> np.ndarray:
    """A plate that warms by a tenth of a kelvin a second, but for a standstill."""
    at = np.arange(ROWS)
    return 20.0 + 0.1 * (at - np.clip(at - since, 0, lasts - 1))


@pytest.mark.parametrize(
    ("lasts", "moved_K", "found"),
    [(241, 13.0, True), (240, 13.0, False), (300, 12.1, True), (300, 11.9, False)],
)
def test_a_sensor_is_stuck_for_two_fifths_of_a_log_while_another_moves_by_12_k(
    lasts: int, moved_K: float, found: bool
) -> None:
    """Of 600 s: 240 s."""
    other = ramp(20.0, 20.0 + moved_K, 100, 100 + lasts - 1)
    got = find_stuck(log(amps=LOAD, inverter_temperature=stands(lasts), motor_temperature=other))
    stuck = StuckSensor(PLATE, 30.0, 100.5, 100.5 + lasts - 1, MOTOR, pytest.approx(moved_K))
    assert [each for each in got if each.part == PLATE] == ([stuck] if found else [])
    assert find_stuck(log(amps=LOAD, inverter_temperature=stands(lasts))) == []
    assert find_stuck(log(amps=150.0, inverter_temperature=stands(lasts), motor_temperature=other)) == []
    coarse = find_stuck(log(0.1, amps=LOAD, inverter_temperature=stands(lasts), motor_temperature=other))
    assert [each for each in coarse if each.part == PLATE] == []  # 13.2 K at a tenth of a kelvin


@pytest.mark.parametrize(("high", "varied"), [(180.0, True), (170.0, False)])
def test_a_load_varies_by_three_times_in_its_mean_over_half_a_minute(high: float, varied: bool) -> None:
    """100 A and more in turn by the square: 3 · 100² is 173²."""
    made = log(amps=np.where(np.arange(ROWS) // 120 % 2 == 0, high, 100.0), motor_temperature=20.0)
    assert _load_varied(made, 0, ROWS - 1) is varied
    assert not _load_varied(log(amps=None, motor_temperature=20.0), 0, ROWS - 1)
    assert not _load_varied(made, 0, 29)  # shorter than the mean
    assert not _load_varied(log(amps=0.0, motor_temperature=20.0), 0, ROWS - 1)


def test_a_load_begins_beyond_three_amperes_and_within_twenty_seconds() -> None:
    for amps, begins in ((3.0, 20), (3.1, 12), (np.nan, 20)):
        load = np.where(np.arange(ROWS) >= 12, amps, 0.0)
        assert _load_begins(log(amps=load, motor_temperature=20.0)) == begins
    assert _load_begins(log(amps=None, motor_temperature=20.0)) == 0
    assert _jumps(np.array([20.0, np.nan, 21.5]), 1.0)
    assert not _jumps(np.array([20.0, 21.4]), 1.0)  # a kelvin and a half is what no device does
    assert not _jumps(np.array([20.0, 22.9]), 3.0)
    assert not _jumps(np.array([20.0]), 0.0)


COLD = np.where(np.arange(ROWS) < 20, 0.0, 100.0)


def cold(rounding: float = 0.0, **celsius: Any) -> OffsetSensor | None:
    return find_offset(log(rounding, COLD, **celsius))


@pytest.mark.parametrize(
    ("celsius", "found"),
    [
        # three: beyond three kelvin from the nearest, and than these from each other; never towards its own warmth
        ({MOTOR: 14.9, PLATE: 18.0, INLET: 18.0}, (MOTOR, -3.1, 0.0, 18.0, None)),
        ({MOTOR: 15.1, PLATE: 18.0, INLET: 18.0}, None),
        ({MOTOR: 24.0, PLATE: 18.0, INLET: 18.0}, None),  # warm from the last drive
        ({MOTOR: 18.0, PLATE: 18.0, INLET: 21.1}, (INLET, 3.1, 0.0, 18.0, None)),
        ({MOTOR: 18.0, PLATE: 18.0, INLET: 14.0}, None),  # it loses its warmth first
        ({MOTOR: 13.0, PLATE: 17.0, INLET: 19.0}, (MOTOR, -5.0, 1.0, 18.0, None)),
        ({MOTOR: 13.9, PLATE: 17.0, INLET: 20.1}, None),  # the others do not agree
        ({MOTOR: 40.0, PLATE: 46.0, INLET: 46.0}, None),  # too hot for a vehicle that stood
        ({MOTOR: 40.0, PLATE: 44.5, INLET: 44.5}, (MOTOR, -4.5, 0.0, 44.5, None)),
        ({MOTOR: -35.0, PLATE: -29.5, INLET: -29.5}, (MOTOR, -5.5, 0.0, -29.5, None)),
        ({MOTOR: -36.0, PLATE: -30.5, INLET: -30.5}, None),
        # two: by five kelvin; the inlet is never named alone
        ({MOTOR: 12.9, INLET: 18.0}, (MOTOR, -5.1, 0.0, 18.0, INLET)),
        ({MOTOR: 13.1, INLET: 18.0}, None),
        ({MOTOR: 12.0, PLATE: 18.0}, None),  # one of them may be warm
        ({MOTOR: 12.0}, None),
    ],
)
def test_a_sensor_is_off_where_no_warmth_of_the_last_drive_explains_it(
    celsius: dict[str, float], found: tuple[Any, ...] | None
) -> None:
    got = cold(**celsius)
    if found is None:
        assert got is None
    else:
        part_, off, error, others, rival = found
        assert got == OffsetSensor(part_, pytest.approx(off), pytest.approx(error), pytest.approx(others), 19.5, rival)


def test_an_offset_is_known_to_its_rounding_and_is_no_old_value() -> None:
    got = cold(1.0, motor_temperature=13.9, inverter_temperature=18.0, coolant_temperature=18.0)
    assert got is not None
    assert got.error_K == 1.0
    assert cold(1.0, motor_temperature=14.1, inverter_temperature=18.0, coolant_temperature=18.0) is None
    for row, none in ((33, True), (36, False)):  # a controller wakes within 15 s of the load
        old = np.where(np.arange(ROWS) < row, 13.0, 18.0)
        got = cold(motor_temperature=old, inverter_temperature=18.0, coolant_temperature=18.0)
        assert (got is None) is none
    late = np.where(np.arange(ROWS) < 9, 13.0, 18.0)  # the newest half of the cold start counts
    assert cold(motor_temperature=late, inverter_temperature=18.0, coolant_temperature=18.0) is None


@pytest.mark.parametrize(
    ("loaded_K", "idle_K", "swapped"),
    [
        (-2.0, 0.0, True),
        (-0.75, 0.0, True),
        (-0.65, 0.0, False),
        (-0.6, 0.4, False),
        (-2.0, -1.5, False),
        (2.0, 0.0, False),
    ],
)
def test_coolant_that_leaves_colder_under_load_is_swapped(loaded_K: float, idle_K: float, swapped: bool) -> None:
    """Half of each two minutes under load; the heat is smoothed over 15 s."""
    load = np.where(np.arange(ROWS) // 60 % 2 == 0, 200.0, 0.0)
    smooth = np.convolve(load**2, np.ones(15) / 15.0)[:ROWS]
    apart = np.where(smooth > 30_000.0, loaded_K, np.where(smooth < 5000.0, idle_K, 0.5 * (loaded_K + idle_K)))
    made = log(amps=load, coolant_temperature_out=30.0 + apart, coolant_temperature=30.0)
    found = find_swapped(made)
    assert (found is not None) is swapped
    if found is not None:
        assert found.difference_K == pytest.approx(loaded_K - idle_K, abs=0.15)
        assert found.low_K <= found.difference_K <= found.high_K
        assert found.high_K - found.difference_K == pytest.approx(found.difference_K - found.low_K)
    stands_ = ThermalLog(1.0, AT, made.temperatures, made.rounding, made.heats, np.zeros(ROWS, bool))
    assert find_swapped(stands_) is None
    assert find_swapped(log(amps=None, coolant_temperature_out=30.0, coolant_temperature=30.0)) is None


def test_noise_leaves_a_difference_unsure() -> None:
    """Noise of 3 K on 240 rows of either side, a tenth of which count: √(2 · 9/24) · 4 are 3.5 K."""
    load = np.where(np.arange(ROWS) // 60 % 2 == 0, 200.0, 0.0)
    smooth = np.convolve(load**2, np.ones(15) / 15.0)[:ROWS]
    noise = np.random.default_rng(1).normal(0.0, 3.0, ROWS)
    for size, swapped in ((2.7, False), (4.6, True)):
        out = 30.0 - size * (smooth > 20_000.0) + noise
        assert (
            find_swapped(log(amps=load, coolant_temperature_out=out, coolant_temperature=30.0)) is not None
        ) is swapped


@pytest.mark.parametrize(
    ("warms_K", "parts_K", "swapped"), [(0.0, -0.75, True), (10.0, -0.95, False), (10.0, -1.05, True)]
)
def test_sensors_that_part_by_three_percent_as_both_warm_are_alike(
    warms_K: float, parts_K: float, swapped: bool
) -> None:
    """0.7 K, and 0.3 K more of 10 K: a drive that warms its coolant evenly, and a device 20 K above it at the end."""
    late = np.where(np.arange(ROWS) < ROWS // 2, 0.0, 1.0)
    inlet = 30.0 + warms_K * late
    made = log(amps=None, coolant_temperature_out=inlet + parts_K * late, coolant_temperature=inlet,
               inverter_temperature=inlet + 20.0 * late)  # fmt: skip
    assert (find_swapped(made) is not None) is swapped


def test_what_parts_the_coolant_most_says_which_way_round() -> None:
    """A motor cooled by air stands warmest where the plate, which alone heats the coolant, stands coolest."""
    late = np.where(np.arange(ROWS) < ROWS // 2, 0.0, 1.0)
    swings = np.where(np.arange(ROWS) % 10 < 5, 0.0, 3.0) - late
    sound = log(amps=None, coolant_temperature_out=30.0 + swings, coolant_temperature=30.0,
                inverter_temperature=30.0 + 5.0 * swings, motor_temperature=40.0 + 40.0 * late)  # fmt: skip
    assert find_swapped(sound) is None
    swapped = log(amps=None, coolant_temperature_out=30.0 - swings, coolant_temperature=30.0,
                  inverter_temperature=30.0 + 5.0 * swings, motor_temperature=40.0 + 40.0 * late)  # fmt: skip
    found = find_swapped(swapped)
    assert found is not None
    assert found.difference_K == pytest.approx(-3.5, abs=0.6)


DRIVE_S = np.arange(0.0, 400.0, 0.1)


def pressed(share: float = 0.7, celsius: float = 75.0, pedal: float = 50.0, lasts_s: float = 200.0, **more: Any) -> Any:
    """Speeds that come again every 10 s; for the last part a plate at so many degrees, and a share of the torque."""
    hot = 400.0 - lasts_s <= DRIVE_S
    rpm = 1000.0 + 400.0 * (DRIVE_S % 10.0)
    torque = 1.2 * pedal * np.where(hot, share, 1.0)
    given = {
        "throttle": np.full(DRIVE_S.size, pedal), "motor_speed": rpm, "torque": torque,
        PLATE: np.where(hot, celsius, 50.0), **more,
    }  # fmt: skip
    return signals(*(part(name, DRIVE_S, value) for name, value in given.items() if value is not None))


LIMITED = Vehicle(limits=Limits(inverter_temperature_C=85))


@pytest.mark.parametrize(
    ("made", "held_back"),
    [
        (pressed(), True), (pressed(0.84), False), (pressed(0.82), True),
        (pressed(celsius=70.0), True), (pressed(celsius=69.9), False),  # 15 K below the limit
        (pressed(pedal=20.0), True), (pressed(pedal=19.9), False),
        (pressed(**{"throttle": None}), False), (pressed(**{"motor_speed": None}), False),
        (pressed(**{PLATE: np.where(DRIVE_S >= 200.0, 75.0, 65.1)}), False),  # cool is 20 K below
        (pressed(**{PLATE: np.where(DRIVE_S >= 200.0, 75.0, 64.9)}), True),
    ],
)  # fmt: skip
def test_torque_is_held_back_near_a_limit_at_a_steady_pedal(made: Any, held_back: bool) -> None:
    found = find_derating(made, LIMITED)
    assert (found is not None) is held_back
    assert find_derating(made, Vehicle()) is None


def test_a_derating_names_its_limit_its_time_and_the_hottest_reading() -> None:
    hot = np.where(DRIVE_S >= 200.0, 75.0, 50.0)
    hot[3000] = 83.0
    found = find_derating(pressed(**{PLATE: hot}), LIMITED)
    assert found is not None
    assert found == Derating(PLATE, 85.0, pytest.approx(0.7), pytest.approx(0.68), pytest.approx(0.72), 83.0,
                             pytest.approx(200.0), pytest.approx(399.9))  # fmt: skip
    wish = pressed(torque_target=np.full(DRIVE_S.size, 60.0))
    assert find_derating(wish, LIMITED) is None  # what is asked for goes before what is given
    both = Vehicle(limits=Limits(inverter_temperature_C=85, motor_temperature_C=85))
    made = pressed(motor_temperature=np.where(DRIVE_S >= 200.0, 75.0, 50.0))
    assert find_derating(made, both).part == MOTOR  # type: ignore[union-attr]
