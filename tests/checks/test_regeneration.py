"""Made stops. Common practice, no published source: torque, voltages and fade are true by construction."""

from __future__ import annotations

import numpy as np
import pytest
from one_check import findings_of
from tuning_traces import TICK_S, logged, signals

from logscope.checks.regeneration.check import regeneration
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.signals import MissingPart, Signals
from logscope.vehicle import DcLink, Limits, Vehicle

OWN = Vehicle(dc_link=DcLink(max_voltage_V=400), limits=Limits(battery_min_V=240, battery_max_V=344))


def stops(
    seed: int, open_v: float = 320.0, fade: tuple[float, float] = (300.0, 1000.0), late_nm: float = 0.0
) -> Signals:
    """Five drives to 3000 rpm and stops with −40 Nm that fade between two speeds."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 60, TICK_S)
    phase = t % 12
    rpm = np.interp(phase, [0, 3, 5, 10, 10.5, 12], [0, 3000, 3000, 0, -100 if late_nm else 0, 0])
    braking = (phase > 5) & (phase < 10.5)
    torque = np.where(phase < 3, 60.0, 0.0)
    torque = np.where(
        braking, -40 * np.clip((rpm - fade[0]) / (fade[1] - fade[0]), 0, 1) - late_nm * (rpm < 500), torque
    )
    amps = torque * np.maximum(rpm, 0) * np.pi / 30 / open_v
    volts = open_v - 0.1 * amps
    return signals(
        logged(rng, "motor_speed", rpm, 0.01, 2, 1),
        logged(rng, "torque", torque, 0.01, 0.3, 0.1),
        logged(rng, "battery_voltage", volts, 0.05, 0.15, 0.1),
        logged(rng, "battery_current", amps, 0.05, 0.3, 0.1),
        logged(rng, "dc_link_voltage", volts, 0.01, 0.15, 0.1),
    )


def outcomes(made: Signals) -> dict[str, Finding]:
    return {each.kind.removeprefix("regeneration."): each for each in findings_of(regeneration, made, OWN)}


def test_peak_power_margin_and_fade_are_those_of_the_stops() -> None:
    """By hand: 40 Nm at 3000 rpm is 12.57 kW and 39.3 A, 3.9 V above 320 V; half of the fade is at 650 rpm."""
    found = outcomes(stops(1))
    assert list(found) == ["braking"]
    measured = found["braking"].measured
    assert measured["count"].value == 5
    assert measured["peak_power_W"].value == pytest.approx(12_570, rel=0.03)
    assert measured["voltage_margin_V"].value == pytest.approx(344 - 323.9, abs=0.8)
    fade = measured["fade_rpm"]
    assert fade.value == pytest.approx(650, abs=30)
    assert measured["reverse_s"].value == 0
    assert found["braking"].severity is Severity.GOOD


def test_current_into_a_full_pack_is_a_danger() -> None:
    found = outcomes(stops(2, open_v=343.0))
    assert found["full_pack"].severity is Severity.DANGER
    assert found["full_pack"].caution
    assert found["braking"].severity is Severity.WARNING


def test_braking_that_turns_the_motor_back_warns() -> None:
    found = outcomes(stops(3, late_nm=20.0))["braking"]
    assert found.severity is Severity.WARNING
    assert "fade out at a higher speed" in found.next_step


def test_a_run_without_braking_holds_nothing_to_check() -> None:
    rng = np.random.default_rng(4)
    level = np.full(20_000, 1000.0)
    made = signals(logged(rng, "motor_speed", level, 0.01, 2, 1), logged(rng, "torque", level / 50, 0.01, 0.3, 0.1))
    with pytest.raises(NothingToCheck):
        findings_of(regeneration, made, OWN)
    with pytest.raises(MissingPart):
        findings_of(regeneration, signals(made["torque"]), OWN)


def test_a_foot_that_lets_go_at_once_is_no_fade() -> None:
    """The torque ends between two samples, at 1500 rpm, while the motor slows."""
    found = outcomes(stops(5, fade=(1499.9, 1500.0)))["braking"]
    assert "fade_rpm" not in found.measured or found.measured["fade_rpm"].value is None
