"""What parts inlet and outlet, and where a temperature ends: by hand.

Oracles: heat = density · heat capacity · flow · difference (any textbook); for the time to a limit
τ·ln((end − now)/(end − limit)).
"""

from __future__ import annotations

from math import hypot, log
from typing import Any

import numpy as np
import pytest
from cooling_steps import AT, ROWS, steps

from logscope.checks.cooling.balance import Parted, _offset, find_parted
from logscope.checks.cooling.outlook import outlook_of
from logscope.checks.cooling.response import Warming
from logscope.findings import Measured
from logscope.statistics.first_order import Branch, Response

MOTOR, PLATE = "motor_temperature", "inverter_temperature"
OUTLET, INLET = "coolant_temperature_out", "coolant_temperature"
NAN = float("nan")


FOUR: dict[str, Any] = {
    "motor_temperature": 60.0, "inverter_temperature": 50.0, "coolant_temperature_out": 55.0,
    "coolant_temperature": 35.0,
}  # fmt: skip


def parted(loss_W: float = 1000.0, power_W: float = 0.0, **other: Any) -> Parted | None:
    """No cold start in the log, so that two sound sensors may differ by 2 K."""
    celsius = {**FOUR, "coolant_temperature": 35.0 + np.interp(AT, [0.0, 50.0], [0.0, 1.0])}
    given = {name: other.pop(name) for name in list(other) if name in FOUR}
    heats = {"loss": loss_W, "power": power_W, "current": 100.0}
    return find_parted(steps(heats, **{**celsius, **given}, **other))


def test_a_flow_is_bounded_by_the_heat_over_the_difference() -> None:
    """1000 W, 8 % of 5000 W and 300 W over 19 K less 2 K: 100 W/K, of 3600 J/(L·K) 1.67 L/min."""
    found = parted(
        1000.0, 5000.0, coolant_temperature=36.0, coolant_temperature_out=55.0 + np.where(AT < 100, 0.0, 1e-9)
    )
    assert found is not None
    assert found.flow_L_per_min == pytest.approx(100.0 / 3600.0 * 60.0, rel=0.01)
    assert found.apart_K == pytest.approx(17.0)
    assert found.heat_W == pytest.approx(1700.0)
    assert found.outlet_C == pytest.approx(55.0)
    assert not found.moves
    assert found.end_s - found.start_s >= 60.0


@pytest.mark.parametrize(
    ("loss_W", "other", "known"),
    [
        (2700.0, {}, True), (3000.0, {}, False),  # 3 L/min over 17 K are 3060 W
        (100.0, {"coolant_temperature": 45.1}, False), (100.0, {"coolant_temperature": 44.9}, True),  # 8 K and 2 K
        (100.0, {"pumping": np.arange(ROWS) % 60 < 59}, False),  # never a minute on end
        (100.0, {"pumping": np.arange(ROWS) % 65 < 63}, True),
        (-301.0, {}, False),  # a battery that is charged
    ],
)  # fmt: skip
def test_inlet_and_outlet_part_by_eight_kelvin_for_a_minute(loss_W: float, other: dict[str, Any], known: bool) -> None:
    given = {"coolant_temperature": 36.0, **other}
    assert (parted(loss_W, **given) is not None) is known
    celsius = {name: value for name, value in FOUR.items() if name != MOTOR}
    assert find_parted(steps({"loss": 100.0, "power": 0.0}, **celsius)) is None
    assert find_parted(steps({"current": 100.0}, **FOUR)) is None


def test_bodies_that_cool_give_off_heat_and_a_sensor_that_stands_may_be_stuck() -> None:
    """A motor that falls by 10 K over 399 s gives off 27 kJ/K: 677 W in the mean; the other two 9 and 8 kJ/K."""
    cools = {
        "motor_temperature": (27e3, 80.0), "inverter_temperature": (9e3, 60.0), "coolant_temperature_out": (8e3, 65.0),
    }  # fmt: skip
    base = parted(500.0, coolant_temperature=36.0)
    assert base is not None
    for name, (capacity, from_C) in cools.items():
        falls = from_C - 10.0 * np.arange(ROWS) / (ROWS - 1)
        inlet = falls - 19.0 if name == OUTLET else 36.0
        found = parted(500.0, **{name: falls, "coolant_temperature": inlet})
        assert found is not None
        per_s = capacity * 10.0 / (ROWS - 1)
        assert found.heat_W == pytest.approx(base.heat_W + per_s, rel=0.01)
    moving = 36.0 + np.interp(AT, [0.0, 399.0], [0.0, 1.1])
    both = parted(500.0, coolant_temperature=moving, coolant_temperature_out=moving + 19.0)
    assert both is not None
    assert both.moves
    assert not parted(500.0, coolant_temperature=moving, coolant_temperature_out=55.0).moves  # type: ignore[union-attr]
    warm = parted(500.0, coolant_temperature=30.0, coolant_temperature_out=49.9)
    assert warm is not None
    assert not warm.open


@pytest.mark.parametrize(
    ("cold", "rows", "offset"),
    [
        ((18.0, 18.0, 20.0, 19.0), 5, (1.0, 1.0)),  # outlet less inlet before the load, known to a kelvin
        ((18.0, 18.0, 21.0, 19.0), 5, (2.0, 1.0)),
        ((18.0, 18.0, 21.1, 19.0), 5, (0.0, 2.0)),  # they do not agree within three
        ((18.0, 18.0, 20.0, 19.0), 4, (0.0, 2.0)),
    ],
)
def test_sensors_that_agree_when_cold_are_known_better(
    cold: tuple[float, ...], rows: int, offset: tuple[float, float]
) -> None:
    names = (MOTOR, PLATE, OUTLET, INLET)
    celsius = {name: np.where(np.arange(ROWS) < rows, value, 50.0) for name, value in zip(names, cold, strict=True)}
    amps = np.where(np.arange(ROWS) < rows, 3.0, 100.0)
    assert _offset(steps({"current": amps}, **celsius)) == pytest.approx(offset)
    assert _offset(steps({}, **celsius)) == (0.0, 2.0)
    assert _offset(steps({}, 0.5, **celsius)) == (0.0, 2.5)
    if offset == (1.0, 1.0):
        assert _offset(steps({"current": amps}, 0.5, **celsius)) == pytest.approx((1.0, 1.5))


def branch(offset: float = 0.5) -> Branch:
    return Branch(0, 100.0, 90.0, 110.0, np.array([20.0]), offset, np.diag([1e-8, 1e-8]), 2.0)


def outlook(
    limit_C: float | None = 85.0, continuous_A: float | None = 150.0, loss_W: float = 200.0, last_C: float = 40.0
) -> Any:
    """A plate that rises by 20 K at 100 A above coolant of 30 °C in the last minute; 50 A in the mean."""
    coolant = np.where(np.arange(ROWS) >= ROWS - 60, 30.0, 10.0)
    value = np.full(ROWS, last_C)
    one = steps(
        {"current": 50.0, "current2": 2500.0, "loss": loss_W},
        1.0,
        inverter_temperature=value,
        coolant_temperature=coolant,
    )
    warming = Warming(PLATE, INLET, np.full(ROWS, True), 1.0, "current", Response((branch(),), np.zeros(ROWS), 0.1))
    return outlook_of(warming, one, limit_C, continuous_A)


def test_a_temperature_ends_at_the_level_of_its_load_above_the_coolant_of_the_last_minute() -> None:
    """10 K at 50 A, 30 K at 150 A, beside 30.5 °C; half a step of the coolant's rounding is in the limits."""
    found = outlook()
    end, rise, hundred = (found.measured[name] for name in ("end_temperature_C", "continuous_rise_K", "rise_at_100A_K"))
    assert (end.value, end.unit) == (pytest.approx(40.5, abs=0.01), "°C")
    assert (end.low, end.high) == (pytest.approx(40.0, abs=0.02), pytest.approx(41.0, abs=0.02))
    assert (hundred.value, rise.value) == (pytest.approx(20.0), pytest.approx(30.0))
    assert found.measured["continuous_end_temperature_C"].value == pytest.approx(60.5, abs=0.01)
    assert found.measured["thermal_resistance_K_per_W"].value == pytest.approx(10.0 / 200.0)
    assert found.beside_C == pytest.approx(30.5)
    assert (found.passes, found.may_pass, found.left_s) == (False, False, None)
    assert "thermal_resistance_K_per_W" not in outlook(loss_W=99.0).measured
    bare = outlook(None, None)
    assert "continuous_rise_K" not in bare.measured
    assert (bare.limit_C, bare.passes, bare.may_pass) == (None, False, False)


@pytest.mark.parametrize(
    ("limit_C", "passes", "may_pass"),
    [(59.9, True, True), (60.2, False, True), (60.9, False, True), (61.2, False, False)],
)
def test_a_limit_is_passed_by_the_end_at_the_continuous_current(limit_C: float, passes: bool, may_pass: bool) -> None:
    """60.5 °C, and half a kelvin to either side."""
    found = outlook(limit_C)
    assert (found.passes, found.may_pass) == (passes, may_pass)


def test_the_time_left_counts_from_the_newest_reading_to_the_limit_at_this_load() -> None:
    """From 35 °C to 38 °C on the way to 40.5 °C: 100 s · ln(5.5/2.5); at the limits of both, 90 and 110 s."""
    found = outlook(38.0, last_C=35.0)
    left = found.measured["time_left_s"]
    end = found.measured["end_temperature_C"]
    assert found.left_s == left.value == pytest.approx(100.0 * log(5.5 / 2.5), rel=1e-3)
    low_s, high_s = 100.0 - hypot(10.0, 0.5), 100.0 + hypot(10.0, 0.5)
    assert left.low == pytest.approx(low_s * log((end.high - 35.0) / (end.high - 38.0)), rel=1e-3)
    assert left.high == pytest.approx(high_s * log((end.low - 35.0) / (end.low - 38.0)), rel=1e-3)
    assert outlook(40.2, last_C=35.0).measured["time_left_s"].high is None  # the coolest end never reaches it
    assert "time_left_s" not in outlook(45.0, last_C=35.0).measured
    assert outlook(30.0, last_C=35.0).left_s == 0.0
    assert isinstance(left, Measured)
