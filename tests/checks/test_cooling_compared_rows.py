"""Which rows of a cooled drive are compared: how many, which of them, and what a reading just outside changes.

Tails and means by numpy, written out here; all thresholds are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from cooling_steps import ROWS, steps
from motor_traces import part, signals

from logscope.checks.cooling.balance import _offset, find_parted
from logscope.checks.cooling.derating import _less, find_derating
from logscope.checks.cooling.flow import _starved, _takes_up
from logscope.checks.cooling.sensors import _compared, _load_varied, _taken_up, find_offset, find_stuck
from logscope.checks.cooling.thermal_log import thermal_log
from logscope.checks.cooling.windows import Windows
from logscope.vehicle import Limits, Vehicle

MOTOR, PLATE = "motor_temperature", "inverter_temperature"
OUTLET, INLET = "coolant_temperature_out", "coolant_temperature"
ROW = np.arange(ROWS)
RISING = ROW.astype(float)  # a heat that is higher with each row


def compared(rows: int, apart: Any = 0.0) -> tuple[float, float, float] | None:
    made = steps(pumping=rows > ROW, coolant_temperature=20.0)
    return _compared(np.broadcast_to(np.asarray(apart, float), (ROWS,)), RISING, made)


@pytest.mark.parametrize(("rows", "known"), [(73, False), (74, True), (150, True), (400, True)])
def test_thirty_rows_with_most_heat_are_compared_with_thirty_with_fewest(rows: int, known: bool) -> None:
    """Two fifths of the rows at most: of 74 rows 30, of 73 only 29. A fifth of many."""
    tail = {74: 30, 150: 31, 400: 80}.get(rows, 0)
    apart = np.where(tail > ROW, 1.0, 0.0) + np.where(rows - tail <= ROW, 3.0, 0.0)
    found = compared(rows, apart)
    assert (found is not None) is known
    if found is not None:
        assert found == pytest.approx((2.0, 0.0, 3.0))
    assert compared(59) is None


def test_the_error_of_a_difference_counts_every_tenth_row() -> None:
    """Of 400 rows 80 on either side, 8 of which count: ±1 K in turn and ±2 K."""
    sign = np.where(ROW % 2 == 0, 1.0, -1.0)
    found = compared(400, np.where(ROW < 200, sign, 2.0 * sign))
    assert found == pytest.approx((0.0, np.sqrt(1.0 / 8.0 + 4.0 / 8.0), 0.0))


def test_rows_without_heat_or_difference_are_not_compared() -> None:
    """Of 398 rows 80 on either side: up to the 80th, and from the 319th on."""
    apart, heat = np.where(ROW >= 319, 5.0, 1.0), RISING.copy()
    apart[10], heat[390] = np.nan, np.nan
    apart[390], heat[10] = 99.0, -99.0
    found = _compared(apart, heat, steps(coolant_temperature=20.0))
    assert found == pytest.approx((4.0, 0.0, 5.0))


@pytest.mark.parametrize(("row", "found"), [(99, False), (100, True), (299, True), (300, False)])
def test_another_device_moves_while_a_sensor_stands_and_not_after(row: int, found: bool) -> None:
    """It stands from the 100th row to the 299th; the other one reads 13 K more in one row."""
    load = np.where(ROW // 60 % 2 == 0, 200.0, 20.0)
    stands = 20.0 + 0.1 * (ROW - np.clip(ROW - 100, 0, 199))
    made = steps({"current2": load**2}, inverter_temperature=stands, motor_temperature=20.0 + 13.0 * (row == ROW))
    got = [each for each in find_stuck(made) if each.part == PLATE]
    assert len(got) == found
    if found:
        assert (got[0].start_s, got[0].end_s, got[0].moved_K) == (100.5, 299.5, pytest.approx(13.0))


def test_a_load_varies_while_a_sensor_stands_and_not_before_or_after() -> None:
    """Its mean over half a minute: that of the first one still holds what was before."""
    for amps, first, last in (
        (np.where(ROW < 200, 400.0, 100.0), 200, 399),
        (np.where(ROW < 200, 100.0, 400.0), 0, 199),
    ):
        made = steps({"current2": amps**2}, inverter_temperature=20.0)
        assert not _load_varied(made, first, last)
        assert _load_varied(made, 0, 399)


def test_a_cold_start_counts_by_its_newest_half_and_a_jump_within_15_s_is_an_old_value() -> None:
    """The load begins at 20 s. A motor 5 K too cold; the others, and it, may wake late."""
    loads = np.where(ROW < 20, 0.0, 100.0)

    def off(**celsius: Any) -> float | None:
        given = {MOTOR: 13.0, PLATE: 18.0, INLET: 18.0, **celsius}
        found = find_offset(steps({"current": loads}, **given))
        return None if found is None else found.offset_K

    assert off() == -5.0
    assert off(**{PLATE: np.where(ROW < 9, 40.0, 18.0)}) == -5.0  # of another one the first half plays no part
    assert off(**{PLATE: np.where(ROW < 12, 22.0, 18.0)}) is None  # it jumped just before the load
    assert off(**{PLATE: np.where(ROW < 34, 18.0, 22.0)}) is None  # and within 15 s after
    assert off(**{PLATE: np.where(ROW < 35, 18.0, 22.0)}) == -5.0
    assert off(**{MOTOR: np.where(ROW < 3, 18.0, 13.0)}) is None  # the one that is off: at any time before
    assert off(**{MOTOR: np.where(ROW < 35, 13.0, 18.0)}) == -5.0
    for to_C, old in ((15.6, True), (15.4, False)):  # by half of what it is off
        assert (off(**{MOTOR: np.where(ROW < 34, 13.0, to_C)}) is None) is old
    assert off(**{MOTOR: 13.0 + 0.05 * np.maximum(ROW - 20, 0)}) == -5.0  # a device that warms


NEAR = np.arange(1600) < 800


@pytest.mark.parametrize(
    ("near", "cool", "known"), [(40, 800, True), (39, 800, False), (800, 40, True), (800, 39, False)]
)
def test_a_derating_takes_forty_samples_on_either_side(near: int, cool: int, known: bool) -> None:
    """At one speed all fall into one band, and three of them are needed: so at three speeds."""
    rows = np.arange(1600)
    rpm = 1000.0 * (1 + rows % 3)
    hot, cold = NEAR & (rows < near), ~NEAR & (rows < 800 + cool)
    found = _less(np.where(NEAR, 0.5, 1.0), rpm, np.full(1600, 50.0), hot, cold)
    assert (found is not None) is known
    if found is not None:
        assert found == pytest.approx((0.5, 0.48, 0.52))


@pytest.mark.parametrize(("per_band", "known"), [(10, True), (9, False)])
@pytest.mark.parametrize("few_near", [True, False])
def test_each_band_has_ten_samples_on_either_side(per_band: int, known: bool, few_near: bool) -> None:
    """Five pedals of ten percent: so many samples of each on one side, all on the other."""
    rows = np.arange(1600)
    pedal = 30.0 + 10.0 * (rows % 5)
    few, all_ = (NEAR, ~NEAR) if few_near else (~NEAR, NEAR)
    few = few & (rows % 800 < 5 * per_band)
    near, cool = (few, all_) if few_near else (all_, few)
    found = _less(np.where(NEAR, 0.5, 1.0), np.full(1600, 2000.0), pedal, near, cool)
    assert (found is not None) is known


def drive(hot_s: float = 300.0, pedal: Any = 50.0, every_s: float = 0.1) -> Any:
    at = np.arange(0.0, 400.0, every_s)
    hot = (at >= 50.0) & (at < 50.0 + hot_s - every_s / 2)
    pressed = np.broadcast_to(np.asarray(pedal(at) if callable(pedal) else pedal, float), at.shape)
    given = {
        "throttle": pressed, "motor_speed": 1000.0 + 400.0 * (at % 10.0), PLATE: np.where(hot, 75.0, 50.0),
        "torque": 60.0 * np.where(hot, 0.6, 1.0),
    }  # fmt: skip
    return signals(*(part(name, at, value) for name, value in given.items()))


LIMITED = Vehicle(limits=Limits(inverter_temperature_C=85))


@pytest.mark.parametrize(("hot_s", "known"), [(3.1, True), (2.9, False)])
def test_a_derating_lasts_three_seconds(hot_s: float, known: bool) -> None:
    at_speed = drive(hot_s, every_s=0.01)
    assert (find_derating(at_speed, LIMITED) is not None) is known


@pytest.mark.parametrize(("per_s", "known"), [(1.9, True), (2.1, False)])
def test_a_pedal_that_moves_by_a_percent_in_half_a_second_is_not_steady(per_s: float, known: bool) -> None:
    """Up for ten seconds, and back at once."""
    moves = drive(150.0, lambda at: 40.0 + per_s * (at % 10.0))
    assert (find_derating(moves, LIMITED) is not None) is known


def parted(rounding: float = 0.0, pumping: Any = True, **celsius: Any) -> Any:
    given = {MOTOR: 60.0, PLATE: 50.0, OUTLET: 55.0, INLET: 36.0, **celsius}
    heats = {"loss": 1000.0, "power": 0.0, "current": 100.0}
    return find_parted(steps(heats, rounding, pumping, **given))


def test_bodies_may_have_cooled_unseen_by_a_step_of_their_readings() -> None:
    """27, 9 and 8 kJ/K for one kelvin each over the 399 s that bound the flow best, or a part of them."""
    fine, coarse = parted(), parted(1.0)
    assert fine is not None
    assert coarse is not None
    lasts_s = coarse.end_s - coarse.start_s
    assert coarse.heat_W == pytest.approx(1300.0 + 44e3 / lasts_s)
    assert coarse.apart_K == pytest.approx(fine.apart_K - 1.0)  # half a step of either sensor
    assert lasts_s == 399.0  # the longer, the less they matter


def test_bodies_that_warm_give_off_nothing() -> None:
    warms = parted(**{MOTOR: np.linspace(50.0, 70.0, ROWS), PLATE: np.linspace(40.0, 60.0, ROWS)})
    assert warms is not None
    assert warms.heat_W == pytest.approx(1300.0)


def test_a_pump_that_is_never_on_leaves_all_rows_and_one_that_runs_its_own() -> None:
    never = parted(pumping=False)
    assert never is not None
    assert never.end_s - never.start_s >= 60.0
    late = parted(pumping=ROW >= 300)
    assert late is not None
    assert late.start_s >= 300.5
    assert parted(pumping=(ROW >= 300) & (ROW < 360)) is None  # a minute takes 61 rows


@pytest.mark.parametrize(
    ("moved_K", "rounding", "moves"), [(1.01, 0.0, True), (0.99, 0.0, False), (1.51, 0.5, True), (1.49, 0.5, False)]
)
def test_a_sensor_moves_by_a_kelvin_and_a_step_in_the_whole_log(moved_K: float, rounding: float, moves: bool) -> None:
    bump = moved_K * (ROW == 5)
    found = parted(rounding, **{OUTLET: 56.0 + bump, INLET: 34.0 + bump})
    assert found is not None
    assert found.moves is moves


def test_the_offset_of_two_sensors_is_their_mean_difference_before_the_load() -> None:
    amps = np.where(ROW < 10, 0.0, 100.0)
    outlet = 19.0 + np.where(ROW % 2 == 0, 0.5, -0.5)
    cold = steps({"current": amps}, motor_temperature=18.0, inverter_temperature=18.0, coolant_temperature_out=outlet,
                 coolant_temperature=np.where(ROW < 10, 18.0, 50.0))  # fmt: skip
    assert _offset(cold) == pytest.approx((1.0, 1.0))
    holed = steps({"current": amps}, motor_temperature=np.where(ROW < 6, np.nan, 18.0), inverter_temperature=18.0,
                  coolant_temperature_out=outlet, coolant_temperature=18.0)  # fmt: skip
    assert _offset(holed) == (0.0, 2.0)  # four rows with all of them


@pytest.mark.parametrize(("leap_K", "kept"), [(10.5, True), (11.5, False)])
def test_a_leap_of_a_coarse_temperature_is_eight_kelvin_and_two_steps_beyond_one_a_second(
    leap_K: float, kept: bool
) -> None:
    at = np.arange(100.0)
    found = thermal_log(signals(replace(part(MOTOR, at, 30.0 + leap_K * (at == 50.0)), step=1.0)))
    assert found is not None
    assert bool(np.nanmax(found.temperatures[MOTOR]) > 31.0) is kept


@pytest.mark.parametrize(("gap_s", "bridged"), [(29.0, True), (35.0, False)])
def test_a_temperature_is_taken_to_go_on_for_half_a_minute_without_a_message(gap_s: float, bridged: bool) -> None:
    """In steps of two seconds."""
    at = np.arange(0.0, 900.1, 0.25)
    at = at[(at <= 300.0) | (at >= 300.0 + gap_s)]
    found = thermal_log(signals(part(MOTOR, at, 0.1 * at)))
    assert found is not None
    assert found.step_s == pytest.approx(2.0, rel=0.01)
    middle = found.temperatures[MOTOR][155]
    assert bool(np.isfinite(middle)) is bridged
    if bridged:
        assert middle == pytest.approx(0.1 * found.time_s[155], abs=0.1)


@pytest.mark.parametrize(("readings", "pumping"), [(1, True), (2, False)])
def test_two_messages_of_a_pump_show_that_it_is_off(readings: int, pumping: bool) -> None:
    """Of one alone nothing is known; where nothing is known coolant is meant to flow."""
    at = np.arange(20.0)
    state = part("coolant_pump", np.array([0.0, 10.0])[:readings], np.zeros(readings))
    found = thermal_log(signals(part(MOTOR, at, at), replace(state, on=np.zeros(readings, bool))))
    assert found is not None
    assert bool(found.pumping[0]) is pumping


@pytest.mark.parametrize(("share", "pumping"), [(0.75, True), (0.5, False), (0.25, False)])
def test_a_pump_is_on_in_a_step_in_which_it_is_on_for_most(share: float, pumping: bool) -> None:
    at = np.arange(0.0, 20.0, 0.25)
    state = part("coolant_pump", at, np.zeros(at.size))
    found = thermal_log(signals(part(MOTOR, at, at), replace(state, on=at % 1.0 < share)))
    assert found is not None
    assert bool(found.pumping.all()) is bool(found.pumping.any()) is pumping


@pytest.mark.parametrize(("excess_K", "by_temperature"), [(3.9, True), (4.1, False)])
def test_a_device_hardly_above_its_coolant_shows_no_flow_to_compare_with(excess_K: float, by_temperature: bool) -> None:
    """Three kelvin and a step of half a kelvin of either; without flow it is 46 °C, 15 K more than with it."""
    lost = ROW >= 200
    made = steps(None, 0.5, inverter_temperature=np.where(lost, 46.0, 20.0 + excess_K), coolant_temperature=20.0)
    found = _starved(PLATE, made, ((200.5, 400.0),), 0, False, 250.0, None)
    assert found.by_temperature is by_temperature


def test_the_rounding_of_each_temperature_is_its_own() -> None:
    at = np.arange(20.0)
    found = thermal_log(signals(replace(part(MOTOR, at, at), step=0.5), replace(part(PLATE, at, at), step=None)))
    assert found is not None
    assert found.rounding == {MOTOR: 0.5, PLATE: 0.0}


def test_the_load_that_coolant_takes_up_is_the_mean_of_the_last_fifteen_seconds() -> None:
    """Four of fifteen steps after it begins, or four of eight where they last two seconds."""
    made = steps({"current2": np.where(ROW >= 100, 60.0, 0.0)}, coolant_temperature=20.0, inverter_temperature=25.0)
    above, load = _taken_up(made)
    assert above == pytest.approx(5.0)
    assert load[[99, 103, 114, 200]] == pytest.approx([0.0, 16.0, 60.0, 60.0])
    assert _taken_up(replace(made, step_s=2.0))[1][[99, 103, 107]] == pytest.approx([0.0, 30.0, 60.0])


@pytest.mark.parametrize(
    ("warms_s", "warms_K", "takes"), [(300.0, 5.0, True), (300.0, 4.6, False), (700.0, 20.0, False)]
)
def test_coolant_takes_up_heat_in_the_first_ten_minutes(warms_s: float, warms_K: float, takes: bool) -> None:
    """4 · 10⁻⁴ /s of 20 K over 600 s are 4.8 K, less 0.1 K that a reading may hide; later a radiator balances it."""
    at = 10.0 * np.arange(90)
    windows = Windows(np.zeros(90), np.ones(90), np.full(90, 200.0), at, at + 10.0, at > 0.0)
    made = steps(coolant_temperature=30.0 + warms_K * (warms_s < 3.0 * (ROW + 0.5)))
    assert _takes_up(INLET, windows, replace(made, step_s=3.0, time_s=3.0 * (ROW + 0.5))) is takes


def test_a_log_is_taken_from_its_first_temperature_to_its_last() -> None:
    """Two temperatures: from 10 to 60 s and from 30 to 100 s; read twice a second."""
    first, second = np.arange(10.0, 60.1, 0.5), np.arange(30.0, 100.1, 0.5)
    found = thermal_log(signals(part(MOTOR, first, first), part(PLATE, second, second)))
    assert found is not None
    assert (found.time_s[0], found.time_s[-1], found.step_s) == (10.5, 100.5, 1.0)
    assert np.flatnonzero(np.isfinite(found.temperatures[MOTOR])).tolist() == list(
        range(50)
    )  # beyond its last reading nothing is known
    assert found.temperatures[MOTOR][5] == pytest.approx(15.5)
    assert found.temperatures[PLATE][50] == pytest.approx(60.5)
