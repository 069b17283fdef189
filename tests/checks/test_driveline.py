"""Made launches: a ring of known frequency and damping on the motor speed, free play, and wheels that slip.

The damping of a free ring follows from the logarithmic decrement, as in any textbook of vibrations.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from limits_study import LimitsStudy
from one_check import findings_of
from tuning_traces import KMH_PER_RPM, TICK_S, launches, logged, signals

from logscope.checks.driveline.backlash import _jump
from logscope.checks.driveline.check import _felt, driveline
from logscope.checks.driveline.judder import Judder, _is_ring
from logscope.findings import Finding, NothingToCheck, Severity
from logscope.signals import Part, Signals
from logscope.statistics.ringing import DampedSinusoid
from logscope.vehicle import Driveline, Motor, Vehicle

HAZEL = Vehicle(motor=Motor(rotor_inertia_kgm2=0.05), driveline=Driveline(ratio=8.2, wheel_radius_m=0.31, mass_kg=1350))


def outcomes(made: Signals) -> dict[str, Finding]:
    return {each.kind.removeprefix("driveline."): each for each in findings_of(driveline, made, HAZEL)}


def test_frequency_and_damping_of_a_launch_judder_lie_within_their_limits() -> None:
    """True by construction; damping by the logarithmic decrement."""
    studies = {"judder_Hz": LimitsStudy(), "damping_ratio": LimitsStudy()}
    for seed in range(800, 840):
        rng = np.random.default_rng(seed)
        frequency, damping = rng.uniform(3, 12), rng.uniform(0.03, 0.15)
        measured = outcomes(launches(rng, frequency, damping))["judder"].measured
        studies["judder_Hz"].of(frequency, measured["judder_Hz"])
        studies["damping_ratio"].of(damping, measured["damping_ratio"])
    for study in studies.values():
        study.judge()


def test_a_harsh_judder_warns_and_a_soft_one_is_noted() -> None:
    """±300 rpm at 5 Hz is by hand 0.05·300·π/30·2π·5·8.2/0.31/1350 = 0.967 m/s² of the vehicle; ±12 rpm is 0.04."""
    hard = outcomes(launches(np.random.default_rng(1), rpm=300))["judder"]
    assert hard.severity is Severity.WARNING
    assert hard.measured["acceleration_m_per_s2"].value == pytest.approx(0.967, rel=0.1)
    soft = outcomes(launches(np.random.default_rng(1), rpm=12))["judder"]
    assert soft.severity is Severity.INFO


def test_a_stiff_driveline_is_quiet() -> None:
    assert list(outcomes(launches(np.random.default_rng(2), rpm=0.0))) == ["quiet"]


def test_wheel_slip_is_kept_apart_from_judder() -> None:
    t = np.arange(0, 15, TICK_S)
    spin = np.interp(t, [6.9, 7.4, 8.2, 8.5], [0, 900, 900, 0])
    found = outcomes(launches(np.random.default_rng(3), rpm=0.0, extra=spin))
    assert found["slip"].measured["peak_km_h"].value == pytest.approx(900 * KMH_PER_RPM, rel=0.1)
    assert "judder" not in found


def test_a_burst_of_disturbed_readings_is_no_wheel_slip() -> None:
    """Every other sample jumps by 1000 rpm for 0.2 s, which no wheel does."""
    t = np.arange(0, 15, TICK_S)
    jumps = 1000.0 * ((t > 8.0) & (t < 8.2) & (np.floor(t / 0.01) % 2 == 0))
    assert "slip" not in outcomes(launches(np.random.default_rng(3), rpm=0.0, extra=jumps))


def test_free_play_knocks_at_the_change_of_sign_and_not_without_it() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0, 32, TICK_S)
    levels = np.tile([60.0, 20.0, -40.0, -10.0], 4)  # with and without a change of sign
    torque = np.repeat(levels, 2000)
    free = np.zeros(t.size)
    for k in range(1, levels.size):
        if levels[k] * levels[k - 1] < 0:
            at = 2.0 * k
            free += np.interp(t, [at, at + 0.03, at + 0.04, at + 0.1], [0, 90, 90, 0]) * np.sign(levels[k])
    speed = 3000 + 40 * np.cumsum(torque) * TICK_S
    made = [logged(rng, "motor_speed", speed + extra, 0.01, 1.0, 1.0) for extra in (free, 0 * free)]
    demand = logged(rng, "torque", torque, 0.01, 0.3, 0.1)
    knock = outcomes(signals(made[0], demand))["knock"]
    assert knock.measured["count"].value == knock.measured["reversals"].value == 7
    assert "knock" not in outcomes(signals(made[1], demand))


def test_rings_of_no_one_frequency_are_no_judder() -> None:
    """Made rings of 2.5, 6 and 13 Hz after the launches at 3, 7 and 11 s."""
    t = np.arange(0, 15, TICK_S)
    extra = np.zeros(t.size)
    for at, hz in ((3.0, 2.5), (7.0, 6.0), (11.0, 13.0)):
        since = np.maximum(t - at, 0.0)
        extra += 80 * (t > at) * np.exp(-0.06 * 2 * np.pi * hz * since) * np.sin(2 * np.pi * hz * since)
    found = outcomes(launches(np.random.default_rng(3), rpm=0.0, extra=extra))
    assert "judder" not in found
    assert "quiet" not in found
    assert "not at one frequency" in found["undetermined"].explanation


def test_the_filter_of_a_device_that_restarts_is_no_judder() -> None:
    plain = launches(np.random.default_rng(3), rpm=0.0)
    speed, torque = plain["motor_speed"], plain["torque"]
    value = speed.value.copy()
    for at in (5.0, 9.0, 13.0):
        off = (speed.time_s >= at) & (speed.time_s < at + 0.8)
        value *= 1 - off * (1 - np.exp(-(speed.time_s - at) / 0.05))
    stops = torque.value * ~np.any(
        [(torque.time_s >= at) & (torque.time_s < at + 0.8) for at in (5.0, 9.0, 13.0)], axis=0
    )
    parts = [part for part in plain.parts.values() if part.name not in ("motor_speed", "torque")]
    made = signals(replace(speed, value=value), replace(torque, value=stops), *parts)
    assert "judder" not in outcomes(made)


def test_slow_messages_tell_nothing_of_judder() -> None:
    found = outcomes(launches(np.random.default_rng(5), period_s=0.2))
    assert "10 to 20 ms" in found["undetermined"].next_step


def test_a_steady_run_holds_nothing_to_judge() -> None:
    rng = np.random.default_rng(6)
    steady = np.full(20_000, 3000.0)
    with pytest.raises(NothingToCheck):
        findings_of(
            driveline,
            signals(
                logged(rng, "motor_speed", steady, 0.01, 1, 1), logged(rng, "torque", steady / 100, 0.01, 0.1, 0.1)
            ),
            HAZEL,
        )


def test_a_ring_ends_where_the_next_change_of_demand_begins() -> None:
    """Two presses 0.9 s apart, each with a ring of its own from rest: what follows the second is not the first's."""
    t = np.arange(0, 15, TICK_S)
    starts = [at + more for at in (3.0, 7.0, 11.0) for more in (0.0, 0.9)]
    torque = sum(40.0 * ((t > at) & (t < 3.0 + 4 * ((at - 3.0) // 4) + 2.0)) for at in starts)
    base = np.cumsum(np.asarray(torque)) * TICK_S * 8
    swing = np.zeros(t.size)
    for k, at in enumerate(starts):
        until = starts[k + 1] if k % 2 == 0 else at + 1.5
        since = np.maximum(t - at, 0)
        sign = 1 if k % 2 == 0 else -1  # against what would be left of the first one
        swing += sign * 40 * ((t > at) & (t < until)) * np.exp(-2.5 * since) * np.sin(2 * np.pi * 5.0 * since)
    rng = np.random.default_rng(12)
    made = signals(
        logged(rng, "motor_speed", base + swing, 0.01, 2.0, 1.0),
        logged(rng, "torque", np.asarray(torque), 0.01, 0.3, 0.1),
    )
    found = outcomes(made)["judder"].measured
    assert found["judder_Hz"].value == pytest.approx(5.0, abs=0.1)
    assert found["damping_ratio"].value == pytest.approx(2.5 / (2 * np.pi * 5.0), abs=0.015)


def test_a_judder_shakes_the_vehicle_by_what_swings_its_rotor() -> None:
    """Rotor, ratio, wheel and mass of a small car; numpy.gradient of the shaft's swing gives its acceleration."""
    time_s = np.arange(0.0, 1.0, 1e-4)
    radian_per_s = 30.0 * 2 * np.pi / 60 * np.sin(2 * np.pi * 5.0 * time_s)
    swing = float(np.max(np.gradient(radian_per_s, time_s)))
    vehicle = Vehicle(
        motor=Motor(rotor_inertia_kgm2=0.05), driveline=Driveline(ratio=8.2, wheel_radius_m=0.31, mass_kg=1350)
    )
    judder = SimpleNamespace(ring=SimpleNamespace(amplitude=30.0, frequency_hz=5.0))
    felt = _felt(cast(Judder, judder), vehicle)
    assert felt is not None
    assert felt.value == pytest.approx(0.05 * swing * 8.2 / 0.31 / 1350, rel=1e-3)
    assert _felt(cast(Judder, judder), Vehicle()) is None


RING = DampedSinusoid(5.0, 3.0, 100.0, 0.0, 0.05, 0.1, 0.0, 80, 5.0, 0.9)


@pytest.mark.parametrize(
    ("change", "is_ring"),
    [
        ({}, True),
        ({"explained": 0.5}, False),
        ({"amplitude": 15.0}, False),  # four noises of 4 rpm, and four times the scatter of 5 rpm
        ({"amplitude": 19.0}, False),
        ({"frequency_error": 0.6}, False),
        ({"decay_per_s": 8.0}, False),  # less than a fifth is left from turn to turn
        ({"decay_per_s": -3.0}, False),  # it grows
        ({"frequency_hz": 0.7}, False),  # less than one and a half turns in two seconds
    ],
)
def test_a_swing_is_a_ring_where_it_is_clear_known_and_dies_away(change: dict[str, float], is_ring: bool) -> None:
    """Each row fails one guard (common practice, no published source)."""
    assert _is_ring(replace(RING, **change), 4.0, 2.0) is is_ring


@pytest.mark.parametrize(
    ("steps_rpm", "jump"),
    [
        ((60.0, 50.0, 40.0), 5000.0),  # rpm in 10 ms: the middle one of the three
        ((-60.0, -50.0, -40.0), 5000.0),
        ((60.0,), 0.0),  # a lone reading
        ((), 0.0),
    ],
)
@pytest.mark.parametrize("slope", [0.0, 800.0])
def test_a_knock_is_what_the_acceleration_has_beyond_that_before_and_after(
    steps_rpm: tuple[float, ...], jump: float, slope: float
) -> None:
    time_s = 0.01 * np.arange(300)
    value = 1000.0 + slope * time_s
    for place, step in enumerate(steps_rpm):
        value[150 + place :] += step
    found = _jump(Part("motor_speed", time_s, value, "rpm", "Made.Speed"), 1.5, 0.01)
    assert found is not None
    assert found[0] == pytest.approx(jump, abs=1.0)
    assert not jump or found[1] == pytest.approx(1.49)
