"""The margins to stated limits. Common practice, no published source: the values are true by construction."""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.limits.check import limits
from logscope.findings import NothingToCheck, Severity
from logscope.signals import MissingPart
from logscope.vehicle import Limits, Motor, Vehicle

T = np.arange(0, 100, 0.01)
OWN = Vehicle(limits=Limits(motor_current_A=350, battery_min_V=240, battery_max_V=340, motor_temperature_C=140))


def bump(level: float, top: float, start_s: float, end_s: float) -> np.ndarray:
    return np.where((start_s <= T) & (end_s > T), top, level)


def test_margins_moments_and_time_near_are_those_of_the_signal() -> None:
    current = -bump(100, 320, 20, 25)  # by its magnitude
    found = limits(signals(part("motor_current", T, current), part("battery_voltage", T, bump(300, 245, 50, 51))), OWN)
    assert [f.kind for f in found] == ["limits.margin"]
    (kept,) = found
    assert kept.severity is Severity.INFO
    assert kept.measured["motor_current_margin_A"].value == pytest.approx(30)
    assert kept.measured["motor_current_near_percent"].value == pytest.approx(5, abs=0.02)
    assert kept.measured["motor_current_near_count"].value == 1
    assert kept.measured["battery_min_margin_V"].value == pytest.approx(5)
    assert kept.measured["battery_max_margin_V"].value == pytest.approx(40)
    assert kept.measured["battery_max_near_count"].value == 0
    assert "Not logged: motor temperature" in kept.explanation


def test_a_run_far_from_every_limit_is_good() -> None:
    (kept,) = limits(signals(part("motor_current", T, bump(100, 150, 1, 2))), OWN)
    assert kept.severity is Severity.GOOD
    assert kept.title.startswith("All limits kept")


@pytest.mark.parametrize(
    ("name", "value", "severity"),
    [
        ("motor_current", bump(100, 360, 20, 21), Severity.DANGER),
        ("motor_temperature", bump(80, 141, 20, 30), Severity.DANGER),
        ("battery_voltage", bump(300, 341, 20, 21), Severity.DANGER),
        ("battery_voltage", bump(300, 239, 20, 21), Severity.WARNING),
    ],
)
def test_a_passed_limit_has_its_own_finding(name: str, value: np.ndarray, severity: Severity) -> None:
    found = limits(signals(part(name, T, value)), OWN)
    assert found[0].severity is severity
    assert found[0].title.startswith("Limit passed")
    assert len(found[0].events) == 1
    assert found[0].start_s == pytest.approx(20, abs=0.02)


def test_a_pack_monitor_that_sleeps_is_no_empty_pack() -> None:
    found = limits(signals(part("battery_voltage", T, bump(300, 0, 0, 1))), OWN)
    assert [f.severity for f in found] == [Severity.GOOD]


def test_a_lone_wild_speed_reading_is_no_overspeed() -> None:
    speed = bump(3000, 12000, 20.0, 20.015)
    own = Vehicle(motor=Motor(max_speed_rpm=9000))
    (kept,) = limits(signals(part("motor_speed", T, speed)), own)
    assert kept.severity is Severity.GOOD
    assert limits(signals(part("motor_speed", T, bump(3000, 9100, 20, 21))), own)[0].severity is Severity.DANGER


def test_the_margin_may_have_been_smaller_between_samples() -> None:
    (kept,) = limits(signals(part("motor_current", T, bump(100, 300, 1, 2), step=1.0)), OWN)
    margin = kept.measured["motor_current_margin_A"]
    assert (margin.low, margin.high) == (None, 50.5)


def test_without_limits_or_parts_it_is_not_checked() -> None:
    with pytest.raises(NothingToCheck):
        limits(signals(part("motor_current", T, T)), Vehicle())
    with pytest.raises(MissingPart):
        limits(signals(part("throttle", T, T)), OWN)
