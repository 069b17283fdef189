"""What the cooling check makes of a log whose steps last two seconds: each time of it is so many steps, by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from cooling_steps import ROWS, steps

from logscope.checks.cooling.balance import find_parted
from logscope.checks.cooling.outlook import outlook_of
from logscope.checks.cooling.pump import _warmed
from logscope.checks.cooling.response import Warming
from logscope.checks.cooling.sensors import _load_begins, _load_varied, find_offset, find_stuck, find_swapped
from logscope.checks.cooling.thermal_log import ThermalLog
from logscope.checks.cooling.windows import windows_of
from logscope.statistics.first_order import Branch, Response

MOTOR, PLATE = "motor_temperature", "inverter_temperature"
OUTLET, INLET = "coolant_temperature_out", "coolant_temperature"
AT = np.arange(ROWS)
STEP_S = 2.0


def coarse(heats: dict[str, Any] | None = None, **other: Any) -> ThermalLog:
    return replace(steps(heats, **other), step_s=STEP_S, time_s=STEP_S * (AT + 0.5))


def current(amps: Any) -> dict[str, Any]:
    return {"current": amps, "current2": np.asarray(amps, float) ** 2}


@pytest.mark.parametrize(("rows", "warmed"), [(30, True), (29, False)])
def test_a_minute_is_thirty_steps(rows: int, warmed: bool) -> None:
    value = np.interp(AT, [0, 100, 100 + rows], [36.0, 35.0, 60.0])
    assert (_warmed(coarse(inverter_temperature=value)) is not None) is warmed


@pytest.mark.parametrize(("lasts", "found"), [(162, True), (159, False)])
def test_a_sensor_is_stuck_for_two_fifths_of_the_log(lasts: int, found: bool) -> None:
    """Of 800 s: 320 s."""
    load = np.where(AT // 30 % 2 == 0, 200.0, 20.0)
    value = 20.0 + 0.1 * (AT - np.clip(AT - 100, 0, lasts - 1))
    other = np.interp(AT, [100, 100 + lasts - 1], [20.0, 40.0])
    got = [
        e
        for e in find_stuck(coarse(current(load), inverter_temperature=value, motor_temperature=other))
        if e.part == PLATE
    ]
    assert len(got) == found
    if found:
        assert (got[0].start_s, got[0].end_s) == (201.0, 201.0 + 2.0 * (lasts - 1))


def test_half_a_minute_of_load_and_twenty_seconds_of_cold_are_so_many_steps() -> None:
    made = coarse(current(np.where(AT < 8, 0.0, 100.0)), motor_temperature=20.0)
    assert _load_begins(made) == 8
    assert _load_begins(coarse(current(0.0), motor_temperature=20.0)) == 10
    quick = coarse(current(np.where(AT // 8 % 2 == 0, 200.0, 20.0)), motor_temperature=20.0)
    slow = coarse(current(np.where(AT // 30 % 2 == 0, 200.0, 20.0)), motor_temperature=20.0)
    assert (_load_varied(quick, 0, ROWS - 1), _load_varied(slow, 0, ROWS - 1)) == (False, True)  # 16 s, a minute


@pytest.mark.parametrize(("row", "off"), [(14, False), (19, True)])
def test_a_controller_wakes_within_eight_steps_of_the_load(row: int, off: bool) -> None:
    """The load begins at the tenth; 15 s later are 7.5."""
    old = np.where(row > AT, 13.0, 18.0)
    made = coarse(
        current(np.where(AT < 10, 0.0, 100.0)), motor_temperature=old, inverter_temperature=18.0,
        coolant_temperature=18.0,
    )  # fmt: skip
    found = find_offset(made)
    assert (found is not None) is off
    if found is not None:
        assert found.end_s == 19.0


def test_the_heat_of_fifteen_seconds_decides_what_is_loaded() -> None:
    load = np.where(AT % 100 < 40, 200.0, 0.0)
    smooth = np.convolve(load**2, np.ones(8) / 8.0)[:ROWS]
    apart = np.where(smooth > 1000.0, -2.0, 0.0)
    found = find_swapped(coarse(current(load), coolant_temperature_out=30.0 + apart, coolant_temperature=30.0))
    assert found is not None
    assert found.difference_K == pytest.approx(-2.0)


def test_windows_of_ten_seconds_hold_five_steps() -> None:
    made = coarse({"current": 3.0}, inverter_temperature=30.0 + 0.1 * AT, coolant_temperature=20.0)
    found = windows_of(PLATE, INLET, "current", made, 10.0)
    assert found is not None
    assert found.change == pytest.approx(0.5)
    assert found.heat == pytest.approx(30.0)  # 3 A · 10 s
    assert found.excess[0] == pytest.approx(2.0 * (10.0 + 10.1 + 10.2 + 10.3 + 10.4))
    assert (found.start_s[0], found.end_s[0]) == (1.0, 11.0)


@pytest.mark.parametrize(("rows", "known"), [(31, True), (30, False)])
def test_inlet_and_outlet_are_apart_for_a_minute(rows: int, known: bool) -> None:
    """1000 W and 300 W over 17 K that are sure."""
    made = coarse(
        {"loss": 1000.0, "power": 0.0, "current": 100.0}, pumping=rows > AT, motor_temperature=60.0,
        inverter_temperature=50.0, coolant_temperature_out=55.0, coolant_temperature=36.0,
    )  # fmt: skip
    found = find_parted(made)
    assert (found is not None) is known
    if found is not None:
        assert (found.heat_W, found.apart_K) == (pytest.approx(1300.0), pytest.approx(17.0))
        assert found.flow_L_per_min == pytest.approx(1300.0 / 17.0 / 3600.0 * 60.0)
        assert found.end_s - found.start_s == 60.0


def test_the_coolant_of_the_last_minute_is_that_of_thirty_steps() -> None:
    coolant = np.where(AT >= ROWS - 30, 30.0, 10.0)
    made = coarse(current(50.0), inverter_temperature=40.0, coolant_temperature=coolant)
    branch = Branch(0, 100.0, 90.0, 110.0, np.array([20.0]), 0.5, np.diag([1e-8, 1e-8]), 2.0)
    warming = Warming(PLATE, INLET, np.full(ROWS, True), STEP_S, "current", Response((branch,), np.zeros(ROWS), 0.1))
    found = outlook_of(warming, made, None, None)
    assert found.beside_C == pytest.approx(30.5)
    assert found.measured["end_temperature_C"].value == pytest.approx(40.5, abs=0.01)
