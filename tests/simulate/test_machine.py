"""Current loop and induction machine against textbook responses."""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np
import pytest

from logscope.simulate.machine import Electrical, Inverter, Machine, advance_machine, coast, current_loop

STEP_S = 1e-4
MACHINE, INVERTER = Machine(), Inverter()


def settled(torque=0.0, speed=0.0, seconds=3.0, loop=None):
    """The machine in the steady state, magnetised, at a held speed [rad/s]."""
    loop = current_loop(MACHINE, 150.0, 0.7, STEP_S) if loop is None else loop
    state = Electrical(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    for _ in range(round(seconds / STEP_S)):
        state, drawn = advance_machine(MACHINE, INVERTER, loop, state, torque, speed, speed, 330.0, STEP_S)
    return state, drawn


def torque_current(loop, torque, steps, state):
    """Torque-producing current after a step of the torque target."""
    currents = []
    for _ in range(steps):
        state, _ = advance_machine(MACHINE, INVERTER, loop, state, torque, 0.0, 0.0, 330.0, STEP_S)
        currents.append(state.iq)
    return np.array(currents)


@pytest.mark.parametrize("damping", [0.2, 0.4, 0.6, 0.8])
def test_overshoot_is_that_of_a_second_order_system(damping):
    # exp(−πζ/√(1−ζ²)): 52.7, 25.4, 9.5, 1.5 %; Ogata, Modern Control Engineering, chapter 5 (from memory)
    loop = current_loop(MACHINE, 150.0, damping, STEP_S)
    state, _ = settled()
    # a fast loop, beside which the rotor flux stays what it is
    current = torque_current(loop, 10.0, 1000, state)
    final = 10.0 / (1.5 * MACHINE.pole_pairs * MACHINE.flux_Wb)
    peak_share = current.max() / final - 1
    assert peak_share == pytest.approx(exp(-pi * damping / sqrt(1 - damping**2)), abs=0.02)


def test_peak_time_is_that_of_ogatas_example():
    # example 5-1 (from memory): ζ 0.6, ωn 5: peak time 0.785 s; the same ωn·t at another ωn
    natural = 2 * pi * 40.0
    state, _ = settled()
    current = torque_current(current_loop(MACHINE, 40.0, 0.6, STEP_S), 40.0, 400, state)
    assert (current.argmax() + 1) * STEP_S * natural == pytest.approx(0.785 * 5, rel=0.03)


def test_exact_step_of_the_loop_has_the_poles_asked_for():
    # eigenvalues of the discrete step are exp(pole·step)
    loop = current_loop(MACHINE, 60.0, 0.5, STEP_S)
    natural = 2 * pi * 60.0
    poles = natural * (-0.5 + 1j * sqrt(1 - 0.25)), natural * (-0.5 - 1j * sqrt(1 - 0.25))
    found = np.linalg.eigvals(np.array([[loop[2], loop[3]], [loop[4], loop[5]]]))
    assert sorted(found, key=np.imag) == pytest.approx(sorted(np.exp(np.array(poles) * STEP_S), key=np.imag))


@pytest.mark.parametrize("torque", [20.0, 80.0, 140.0])
def test_torque_follows_its_target_with_a_sound_encoder(torque):
    # torque = 1.5·p·ψ·iq of rotor-flux orientation
    _, drawn = settled(torque, speed=150.0)
    assert drawn.torque == pytest.approx(torque, rel=0.01)


def test_power_balance_closes_in_the_steady_state():
    # electrical power = shaft power + copper loss of the stator + slip power of the rotor
    torque, speed = 100.0, 200.0
    state, drawn = settled(torque, speed)
    slip = MACHINE.magnetising_H * state.iq / (MACHINE.rotor_time_constant_s * state.flux_d)
    copper = 1.5 * MACHINE.stator_ohm * (state.id**2 + state.iq**2)
    rotor = drawn.torque * slip / MACHINE.pole_pairs
    assert drawn.power == pytest.approx(drawn.torque * speed + copper + rotor, rel=0.01)


def test_wrong_speed_reading_becomes_a_current_surge():
    loop = current_loop(MACHINE, 150.0, 0.7, STEP_S)
    state, before = settled(100.0, 200.0, loop=loop)
    peak = before.current
    for _ in range(200):
        state, drawn = advance_machine(MACHINE, INVERTER, loop, state, 100.0, 300.0, 200.0, 330.0, STEP_S)
        peak = max(peak, drawn.current)
    assert peak > 1.4 * before.current


def test_voltage_never_passes_what_the_link_gives():
    # at 9000 rpm the torque that was asked for is out of reach; power stays within √3/2·V·I
    loop = current_loop(MACHINE, 150.0, 0.7, STEP_S)
    _, drawn = settled(140.0, 9000 * pi / 30, loop=loop)
    assert drawn.power <= sqrt(3) / 2 * 330.0 * drawn.current * 1.001
    assert drawn.torque < 140.0


def test_current_dies_within_milliseconds_when_the_gates_go_off():
    state, before = settled(100.0, 100.0)
    for _ in range(50):
        state, drawn = coast(MACHINE, state, STEP_S)
    assert drawn.current < 0.01 * before.current
