"""Ripple by shaft order and scale, on speeds whose orders and factors are known by construction."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from limits_study import LimitsStudy
from motor_traces import HAZEL, FloatArray, part, signals
from one_check import findings_of

from logscope.checks.encoder.check import encoder
from logscope.findings import Finding
from logscope.observations.motor_speed.brief import _swung_by_torque
from logscope.signals import Part
from logscope.statistics.departures import Runs


def spin(period_s: float = 0.005, seconds: float = 60.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Timestamps, a speed that wanders between 300 and 900 rpm, and the shaft's angle [turns]."""
    time = np.arange(0, seconds, period_s)
    rpm = 600 + 300 * np.sin(2 * np.pi * time / 17.0)
    return time, rpm, np.cumsum(rpm) * period_s / 60.0


def ripple_of(orders: dict[float, float], period_s: float = 0.005, seed: int = 0) -> Finding | None:
    """The ripple finding on a speed with such shares of itself at such orders."""
    time, rpm, turns = spin(period_s)
    share = sum((a * np.sin(2 * np.pi * order * turns + order) for order, a in orders.items()), np.zeros(time.size))
    value = np.round(rpm * (1 + share) + np.random.default_rng(seed).normal(0, 2, time.size))
    found = findings_of(encoder, signals(part("motor_speed", time, value, step=1.0)), HAZEL)
    return next((each for each in found if each.kind == "encoder.ripple"), None)


@pytest.mark.parametrize(("order", "share"), [(1.0, 0.03), (2.0, 0.05), (3.0, 0.02)])
def test_a_known_order_is_found_with_its_size_within_its_limits(order: float, share: float) -> None:
    for seed in range(10):
        found = ripple_of({order: share}, seed=seed)
        assert found is not None
        assert found.measured["order"].value == order
        size = found.measured["fraction_of_speed"]
        assert size.low is not None
        assert size.high is not None
        assert size.low - 1e-3 <= share <= size.high + 1e-3


def test_the_strongest_of_two_orders_is_told() -> None:
    found = ripple_of({1.0: 0.02, 3.0: 0.04})
    assert found is not None
    assert found.measured["order"].value == 3.0


def test_what_is_no_multiple_of_a_turn_is_no_ripple() -> None:
    assert ripple_of({}) is None
    assert ripple_of({1.4: 0.05}) is None


def test_no_order_is_told_beyond_what_the_sampling_shows() -> None:
    """At 900 rpm and 50 ms a turn has four thirds of a sample: order 3 folds down, and must not be told as another."""
    assert ripple_of({3.0: 0.05}, period_s=0.05) is None


def scale_of(factor: float, second: bool, slip: float = 0.0, seed: int = 3) -> Finding | None:
    time, rpm, _ = spin(0.01, 60.0)
    rng = np.random.default_rng(seed)
    value = np.round(factor * 4 * rpm + rng.normal(0, 2, time.size))
    parts = [part("motor_speed", time, value, step=1.0)]
    if second:
        parts.append(part("motor_speed_second", time, 4 * rpm + rng.normal(0, 4, time.size)))
    else:
        kmh = 4 * rpm / 8.2 / 60.0 * 2 * np.pi * 0.31 * 3.6 / (1 + slip)
        parts.append(part("vehicle_speed", time[::10], kmh[::10]))
    found = findings_of(encoder, signals(*parts), HAZEL)
    return next((each for each in found if each.kind == "encoder.scale"), None)


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.25, 2.0])
@pytest.mark.parametrize("second", [True, False], ids=["second speed", "road speed"])
def test_a_wrong_factor_is_told_with_its_limits(factor: float, second: bool) -> None:
    """A tyre under light torque slips by up to 2 %, either way (practice): anything within is as likely."""
    study = LimitsStudy()
    for seed in range(20):
        slip = 0.0 if second else float(np.random.default_rng([61, seed]).uniform(-0.02, 0.02))
        found = scale_of(factor, second, slip=slip, seed=seed)
        assert found is not None
        study.of(factor, found.measured["scale"])
    study.judge()


@pytest.mark.parametrize("second", [True, False], ids=["second speed", "road speed"])
def test_what_tyres_and_rounding_do_is_no_wrong_factor(second: bool) -> None:
    assert scale_of(1.01, second) is None
    assert scale_of(1.0, second, slip=0.03) is None


@pytest.mark.parametrize(
    ("torque_nm", "move_rpm", "can"),
    [
        (100.0, 550.0, True),  # 382 rpm, 60 % more for what four samples miss, and 50 rpm in gear
        (100.0, 750.0, False),
        (100.0, -550.0, False),  # a torque that drives does not brake
        (-100.0, -550.0, True),
        (-100.0, 550.0, False),
        (0.0, 45.0, True),  # within the tyres' limit
        (0.0, 55.0, False),
    ],
)
@pytest.mark.parametrize("steady_nm", [0.0, 60.0])
def test_a_torque_beyond_its_steady_value_swings_the_rotor_its_own_way(
    torque_nm: float, move_rpm: float, can: bool, steady_nm: float
) -> None:
    """Newton's second law: 100 Nm for 20 ms on 0.05 kg·m² change 60/(2π)·100·0.02/0.05 = 382 rpm."""
    at = np.arange(0.0, 2.0, 0.005)
    value = steady_nm + np.where((at >= 0.9975) & (at < 1.0175), torque_nm, 0.0)
    torque = Part("torque", at, value, "Nm", "M.Torque")
    runs = SimpleNamespace(start_s=np.array([0.995]), end_s=np.array([1.025]), move=np.array([move_rpm]))
    found = _swung_by_torque(cast(Runs, runs), np.array([50.0]), torque, 0.05)
    assert found.tolist() == [can]
