"""Rotor, driveline, tyres and vehicle against elementary mechanics."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest

from logscope.simulate.motion import Body, Motion, Road, advance_motion

BODY, REST = Body(), Motion(0.0, 0.0, 0.0, 0.0, 0.0)


def run(road, torque, seconds, start=REST, body=BODY, step_s=1e-4):
    """Motions after each step."""
    motion, motions = start, []
    for _ in range(round(seconds / step_s)):
        motion = advance_motion(body, road, motion, torque, step_s)
        motions.append(motion)
    return motions


def test_rotor_alone_speeds_up_by_torque_over_inertia():
    # 60/(2π)·T/J rpm/s
    last = run(Road(0.0, 0.0, 0.0, 1.0), 20.0, 0.1)[-1]
    assert last.rotor == pytest.approx(20.0 / BODY.rotor_inertia_kgm2 * 0.1, rel=0.01)


def test_vehicle_accelerates_as_force_over_all_that_moves():
    # T·G/r against mass, wheels and rotor seen at the road, less rolling
    ratio, radius = 8.2, BODY.wheel_radius_m
    last = run(Road(ratio, 0.0, 0.0, 1.0), 60.0, 3.0)[-1]
    inertia = BODY.mass_kg + (BODY.wheel_inertia_kgm2 + BODY.rotor_inertia_kgm2 * ratio**2) / radius**2
    rolling = BODY.rolling * BODY.mass_kg * 9.81
    assert last.speed == pytest.approx((60.0 * ratio / radius - rolling) / inertia * 3.0, rel=0.05)


def test_loose_ground_lets_the_wheels_spin_and_bounds_the_vehicle():
    last = run(Road(8.2, 0.0, 0.0, 0.2), 150.0, 2.0)[-1]
    assert last.wheel * BODY.wheel_radius_m > 2 * last.speed
    assert last.speed <= 0.2 * BODY.driven_share * 9.81 * 2.0 * 1.001


def test_wheels_off_the_ground_leave_the_vehicle_standing():
    last = run(Road(8.2, 0.0, 0.0, 0.0), 5.0, 1.0)[-1]
    assert last.speed == 0.0
    assert last.wheel > 5.0


def test_half_shafts_ring_at_their_natural_frequency():
    # two inertias on a spring, wheels off the ground: ω² = k·(1/(J·G²) + 1/Jw)
    body = BODY._replace(shaft_Nms_per_rad=2.0, rotor_drag_Nms=0.0)
    ratio = 8.2
    motions = run(Road(ratio, 0.0, 0.0, 0.0), 0.0, 1.0, start=REST._replace(twist=0.02), body=body)
    twist = np.array([motion.twist for motion in motions])
    rising = np.flatnonzero((twist[:-1] < 0) & (twist[1:] >= 0))
    stiffness = body.shaft_Nm_per_rad * (1 / (body.rotor_inertia_kgm2 * ratio**2) + 1 / body.wheel_inertia_kgm2)
    assert 1 / (np.diff(rising).mean() * 1e-4) == pytest.approx(sqrt(stiffness) / 2 / pi, rel=0.02)


def test_brake_brings_it_to_rest_and_keeps_it_there():
    start = Motion(10 / 0.31 * 8.2, 10 / 0.31, 0.0, 0.0, 10.0)
    motions = run(Road(8.2, 0.5, 0.0, 1.0), 0.0, 6.0, start=start)
    assert abs(motions[-1].speed) < 0.05
