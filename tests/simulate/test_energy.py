"""Energy closes to a thousandth over machine and vehicle: what goes in is stored, burnt or handed on.

First law, with the powers of the textbook equations that the modules' heads give. Pack and link are in
test_link.py, the circuit in test_circuits.py, heat in test_thermal.py.
"""

from __future__ import annotations

from math import tanh

import pytest

from logscope.simulate.machine import Electrical, Inverter, Machine, advance_machine, current_loop
from logscope.simulate.motion import Body, Motion, Road, advance_motion

STEP_S = 1e-4
LINK_V = 330.0
GRAVITY = 9.81


def field_energy(machine: Machine, state: Electrical) -> float:
    """In leakage and magnetising inductance [J], of amplitudes: ¾·Lσ·|i|² + ¾·|ψ|²/Lm."""
    leakage = machine.leakage_H * (state.id**2 + state.iq**2)
    return 0.75 * (leakage + (state.flux_d**2 + state.flux_q**2) / machine.magnetising_H)


def copper_loss(machine: Machine, state: Electrical) -> float:
    """In stator and rotor [W]: 1.5·Rs·|i|² + 1.5·Rr·|iᵣ|², with iᵣ = ψ/Lm − i and Rr = Lm/Tr."""
    rotor_ohm = machine.magnetising_H / machine.rotor_time_constant_s
    rotor_d = state.flux_d / machine.magnetising_H - state.id
    rotor_q = state.flux_q / machine.magnetising_H - state.iq
    stator = machine.stator_ohm * (state.id**2 + state.iq**2)
    return 1.5 * (stator + rotor_ohm * (rotor_d**2 + rotor_q**2))


def test_what_the_inverter_gives_turns_heats_or_magnetises_the_machine() -> None:
    machine, inverter = Machine(), Inverter()
    loop = current_loop(machine, 150.0, 0.7, STEP_S)
    state = Electrical(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    given_J = shaft_J = burnt_J = 0.0
    for step in range(40_000):
        now_s = step * STEP_S
        torque, speed = 80.0 * min(max(now_s - 0.8, 0.0), 1.0), 100.0 + 80.0 * now_s
        before = copper_loss(machine, state)
        state, drawn = advance_machine(machine, inverter, loop, state, torque, speed, speed, LINK_V, STEP_S)
        given_J += drawn.power * STEP_S
        shaft_J += drawn.torque * speed * STEP_S
        burnt_J += (before + copper_loss(machine, state)) / 2 * STEP_S
    assert burnt_J > 0.02 * given_J
    assert shaft_J + burnt_J + field_energy(machine, state) == pytest.approx(given_J, rel=1e-3)


def motion_energy(body: Body, now: Motion) -> float:
    """Of rotor, wheels, half shafts and vehicle [J]."""
    turning = body.rotor_inertia_kgm2 * now.rotor**2 + body.wheel_inertia_kgm2 * now.wheel**2
    return 0.5 * (turning + body.shaft_Nm_per_rad * now.twist**2 + body.mass_kg * now.speed**2)


def power_lost(body: Body, road: Road, now: Motion) -> float:
    """To rotor drag, half-shaft damping, tyre slip, rolling and brake, air, and the grade [W]."""
    twisting = now.rotor / road.ratio - now.wheel
    slip = now.wheel * body.wheel_radius_m - now.speed
    weight = body.mass_kg * GRAVITY
    grip = road.grip * weight * body.driven_share * tanh(slip / (0.4 + 0.06 * abs(now.speed)))
    held = tanh(now.speed / 0.05) * weight * (body.rolling + 0.8 * road.brake) + weight * road.grade
    air = 0.6 * body.drag_area_m2 * now.speed**2  # ½·1.2 kg/m³
    damped = body.rotor_drag_Nms * now.rotor**2 + body.shaft_Nms_per_rad * twisting**2
    return damped + grip * slip + (held + air) * now.speed


@pytest.mark.parametrize("grip", [0.9, 0.2], ids=["road", "gravel"])
def test_what_the_shaft_gives_moves_the_vehicle_or_is_lost(grip: float) -> None:
    body, now = Body(), Motion(0.0, 0.0, 0.0, 0.0, 0.0)
    given_J = lost_J = 0.0
    for step in range(60_000):
        now_s = step * STEP_S
        road = Road(8.2, 0.3 if now_s > 5.0 else 0.0, 0.04, grip)
        torque = 110.0 if now_s < 4.0 else 0.0
        before, rotor = power_lost(body, road, now), now.rotor
        now = advance_motion(body, road, now, torque, STEP_S)
        given_J += torque * (rotor + now.rotor) / 2 * STEP_S
        lost_J += (before + power_lost(body, road, now)) / 2 * STEP_S
    assert lost_J > 0.2 * given_J
    assert motion_energy(body, now) + lost_J == pytest.approx(given_J, rel=1e-3)
