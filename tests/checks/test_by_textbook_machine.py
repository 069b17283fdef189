"""Machine and regeneration judged against the equivalent circuit of a published machine.

Machine: S. J. Chapman, Electric Machinery Fundamentals, examples 7-3 and 7-5 (values from memory): 460 V, 25 hp, 60 Hz,
four poles, wye; 0.641 and 0.332 Ω, 1.106 and 0.464 Ω, 26.3 Ω, 1100 W of rotational losses. At 2.2 % slip it prints
18.88 A, 12,530 W in, 62.8 N·m induced, 56.9 N·m at the shaft and 83.7 %; the pull-out torque is 229 N·m at 19.8 %.
"""

from __future__ import annotations

import numpy as np
import pytest
from one_check import findings_of
from scipy.optimize import minimize_scalar
from tuning_traces import TICK_S, logged, signals

from logscope.arrays import FloatArray
from logscope.checks.machine.check import machine
from logscope.checks.regeneration.check import regeneration
from logscope.vehicle import DcLink, Limits, Motor, Vehicle

R1, R2, X1, X2, XM, ROTATIONAL_W = 0.641, 0.332, 1.106, 0.464, 26.3, 1100.0
PHASE_V, SYNCHRONOUS_RPM, HERTZ = 460.0 / np.sqrt(3.0), 1800.0, 60.0
VEHICLE = Vehicle(motor=Motor(pole_pairs=2))


def at_slip(slip: FloatArray | float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Stator current [A], power drawn [W] and torque induced [N·m] of the equivalent circuit."""
    rotor = R2 / np.asarray(slip, complex) + 1j * X2
    behind = 1j * XM * rotor / (rotor + 1j * XM)
    amps = PHASE_V / (R1 + 1j * X1 + behind)
    gap_w = 3.0 * np.abs(amps) ** 2 * behind.real
    return np.abs(amps), 3.0 * (PHASE_V * np.conj(amps)).real, gap_w / (SYNCHRONOUS_RPM * np.pi / 30.0)


def test_the_circuit_is_that_of_the_book() -> None:
    amps, watts, torque = at_slip(0.022)
    assert (amps, watts, torque) == pytest.approx((18.88, 12_530.0, 62.8), rel=2e-3)
    pull_out = minimize_scalar(lambda s: -float(at_slip(s)[2]), bounds=(0.01, 0.9), method="bounded")
    assert pull_out.x == pytest.approx(0.198, abs=0.004)  # the book takes X1 for the reactance of its Thevenin source
    assert -pull_out.fun == pytest.approx(229.0, rel=0.02)


def test_the_efficiency_of_the_example_is_the_printed_one() -> None:
    """One operating point for a minute, and the same with a stop before and after it."""
    rng = np.random.default_rng(91)
    t = np.arange(0.0, 80.0, TICK_S)
    on = (t > 10.0) & (t < 70.0)
    rpm = np.where(on, 1760.4, 0.0)
    made = signals(
        logged(rng, "motor_speed", rpm, 0.01, 1, 1),
        logged(rng, "torque", np.where(on, 56.9, 0.0), 0.01, 0.2, 0.1),
        logged(rng, "battery_voltage", np.full(t.size, 650.0), 0.05, 0.2, 0.1),
        logged(rng, "battery_current", np.where(on, 12_530.0 / 650.0, 0.0), 0.05, 0.1, 0.1),
        logged(rng, "motor_current", np.where(on, 18.88, 0.0), 0.01, 0.1, 0.1),
    )
    (found,) = [each for each in findings_of(machine, made, VEHICLE) if each.kind == "machine.operating_points"]
    assert found.measured["efficiency_percent"].value == pytest.approx(83.7, abs=0.3)
    assert found.measured["peak_power_W"].value == pytest.approx(10_485.0, rel=0.02)


def test_torque_per_ampere_peaks_where_the_circuit_does() -> None:
    """scipy.optimize on the circuit; a converter keeps voltage and frequency, and the load moves the slip."""
    best = minimize_scalar(lambda s: -float(at_slip(s)[2] / at_slip(s)[0]), bounds=(0.003, 0.3), method="bounded")
    rng = np.random.default_rng(92)
    t = np.arange(0.0, 240.0, TICK_S)
    slip = rng.uniform(0.005, 0.15, 481)[(t / 0.5).astype(int)]
    amps, _, torque = at_slip(slip)
    made = signals(
        logged(rng, "motor_speed", SYNCHRONOUS_RPM * (1 - slip), 0.01, 2, 1),
        logged(rng, "torque", torque, 0.01, 0.3, 0.1),
        logged(rng, "motor_current", amps, 0.01, 0.2, 0.1),
        logged(rng, "slip", HERTZ * slip, 0.01, 0.02, 0.01),
    )
    (found,) = [each for each in findings_of(machine, made, VEHICLE) if each.kind == "machine.slip"]
    peak = found.measured["slip_Hz"]
    assert peak.low is not None
    assert peak.high is not None
    assert peak.low <= HERTZ * best.x <= peak.high
    assert peak.high - peak.low < 3.0
    assert found.measured["torque_per_ampere_Nm_per_A"].value == pytest.approx(-best.fun, rel=0.03)


def test_regeneration_gives_back_what_the_circuit_gives_as_a_generator() -> None:
    """At 3 % above synchronism the circuit's power turns round: braking torque, current and power are its own."""
    _, watts, torque = (float(each) for each in at_slip(-0.03))
    assert torque < 0
    assert watts < 0
    rng = np.random.default_rng(93)
    t = np.arange(0.0, 60.0, TICK_S)
    phase = t % 12.0
    braking = (phase > 5.0) & (phase < 9.0)
    rpm = np.interp(phase, [0, 3, 9, 10, 12], [0, 1.03 * SYNCHRONOUS_RPM, 1.03 * SYNCHRONOUS_RPM, 0, 0])
    made = signals(
        logged(rng, "motor_speed", rpm, 0.01, 2, 1),
        logged(rng, "torque", np.where(braking, torque, np.where(phase < 3.0, 60.0, 0.0)), 0.01, 0.3, 0.1),
        logged(rng, "battery_voltage", np.full(t.size, 650.0), 0.05, 0.2, 0.1),
        logged(rng, "battery_current", np.where(braking, watts / 650.0, 0.0), 0.05, 0.1, 0.1),
    )
    vehicle = Vehicle(dc_link=DcLink(max_voltage_V=800), limits=Limits(battery_min_V=500, battery_max_V=700))
    (found,) = [e for e in findings_of(regeneration, made, vehicle) if e.kind == "regeneration.braking"]
    assert found.measured["count"].value == 5
    assert found.measured["peak_Nm"].value == pytest.approx(-torque, rel=0.03)
    assert found.measured["peak_power_W"].value == pytest.approx(-watts, rel=0.02)  # into the battery
