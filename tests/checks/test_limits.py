"""The margins to stated limits. Common practice, no published source: the values are true by construction."""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import part, signals
from one_check import findings_of

from logscope.checks.limits.check import limits
from logscope.checks.merge_findings import merge_findings
from logscope.checks.trips.check import trips
from logscope.findings import NothingToCheck, Severity
from logscope.signals import MissingPart
from logscope.vehicle import Limits, Motor, Vehicle

T = np.arange(0, 100, 0.01)
OWN = Vehicle(limits=Limits(motor_current_A=350, battery_min_V=240, battery_max_V=340, motor_temperature_C=140))


def bump(level: float, top: float, start_s: float, end_s: float) -> np.ndarray:
    return np.where((start_s <= T) & (end_s > T), top, level)


def test_margins_moments_and_time_near_are_those_of_the_signal() -> None:
    current = -bump(100, 320, 20, 25)  # by its magnitude
    found = findings_of(
        limits, signals(part("motor_current", T, current), part("battery_voltage", T, bump(300, 245, 50, 51))), OWN
    )
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
    (kept,) = findings_of(limits, signals(part("motor_current", T, bump(100, 150, 1, 2))), OWN)
    assert kept.severity is Severity.GOOD
    assert kept.title.startswith("Limits: all kept")


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
    found = findings_of(limits, signals(part(name, T, value)), OWN)
    assert found[0].severity is severity
    assert "its limit of" in found[0].title
    assert len(found[0].events) == 1
    assert found[0].start_s == pytest.approx(20, abs=0.02)


def test_a_pack_that_is_charged_to_its_limit_passes_it_by_more_than_noise_only() -> None:
    """The end of every charge to battery_max_V: half of all readings lie above by their noise."""
    noise = np.random.default_rng(91).normal(0.0, 0.15, T.size)
    held = np.round((bump(300, 340, 20, 60) + noise) / 0.1) * 0.1
    (kept,) = findings_of(limits, signals(part("battery_voltage", T, held)), OWN)
    assert kept.severity is Severity.INFO
    assert "within the noise of a reading" in kept.title
    passed = findings_of(limits, signals(part("battery_voltage", T, held + 1.5)), OWN)
    assert passed[0].severity is Severity.DANGER


def test_a_pack_monitor_that_sleeps_is_no_empty_pack() -> None:
    found = findings_of(limits, signals(part("battery_voltage", T, bump(300, 0, 0, 1))), OWN)
    assert [f.severity for f in found] == [Severity.GOOD]


def test_a_lone_wild_speed_reading_is_no_overspeed() -> None:
    speed = bump(3000, 12000, 20.0, 20.015)
    own = Vehicle(motor=Motor(max_speed_rpm=9000))
    (kept,) = findings_of(limits, signals(part("motor_speed", T, speed)), own)
    assert kept.severity is Severity.GOOD
    assert (
        findings_of(limits, signals(part("motor_speed", T, bump(3000, 9100, 20, 21))), own)[0].severity
        is Severity.DANGER
    )


def test_the_margin_may_have_been_smaller_between_samples() -> None:
    (kept,) = findings_of(limits, signals(part("motor_current", T, bump(100, 300, 1, 2), step=1.0)), OWN)
    margin = kept.measured["motor_current_margin_A"]
    assert (margin.low, margin.high) == (None, 50.5)


def test_without_limits_or_parts_it_is_not_checked() -> None:
    with pytest.raises(NothingToCheck):
        findings_of(limits, signals(part("motor_current", T, T)), Vehicle())
    with pytest.raises(MissingPart):
        findings_of(limits, signals(part("throttle", T, T)), OWN)


@pytest.mark.parametrize("lasts_s", [0.01, 0.12, 0.5])
@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.05])
def test_a_speed_that_the_encoder_check_calls_disturbed_passes_no_limit(lasts_s: float, period_s: float) -> None:
    t = np.arange(0, 100, period_s)
    speed = 3000 + np.random.default_rng(1).normal(0, 2, t.size).round()
    for at in (t.size // 3, t.size // 2):
        speed[at : at + max(1, round(lasts_s / period_s))] = 12000
    found = findings_of(limits, signals(part("motor_speed", t, speed, 1.0)), Vehicle(motor=Motor(max_speed_rpm=9000)))
    assert [each.severity for each in found] == [Severity.GOOD]


def test_a_trip_and_the_limit_passed_in_it_are_one_event_and_the_limits_are_not_called_kept() -> None:
    """What is passed elsewhere stays a finding of its own."""
    current = bump(100, 700, 20, 20.03)
    current[T >= 20.03] = 0.0
    fault = np.where(T >= 20.08, 3.0, 0.0)
    parts = [
        part("fault", T, fault, overcurrent=fault == 3, healthy=fault == 0),
        part("battery_voltage", T, bump(300, 290, 50, 51)),
    ]
    made = signals(part("motor_current", T, current, 1.0), *parts)
    told = merge_findings([*findings_of(trips, made, OWN), *findings_of(limits, made, OWN)])
    assert [each.kind for each in told] == ["trip.overcurrent", "limits.margin"]
    assert told[0].measured["motor_current_margin_A"].value == pytest.approx(-350)
    assert "Motor current:" in told[0].explanation
    assert told[1].title.startswith("Limits: kept except in the trips")
    assert told[1].severity is Severity.INFO
    current[(T > 5) & (T < 5.2)] = 360
    made = signals(part("motor_current", T, current, 1.0), *parts)
    told = merge_findings([*findings_of(trips, made, OWN), *findings_of(limits, made, OWN)])
    passed = [each for each in told if "above its limit" in each.title]
    assert [each.start_s for each in passed] == [pytest.approx(5, abs=0.02)]
    assert passed[0].measured["motor_current_margin_A"].value == pytest.approx(-10)


def test_a_hot_reading_says_what_it_would_be_in_fahrenheit() -> None:
    """By hand: 149 °F is 65 °C."""
    found = findings_of(limits, signals(part("motor_temperature", T, bump(80, 149, 20, 30))), OWN)
    assert "149 °F is 65 °C" in found[0].explanation
