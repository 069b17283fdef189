"""Induction machine and the inverter that drives it, in the frame of the inverter's own angle.

The inverter turns its frame with *measured* speed plus slip and feeds the machine's back-voltage
forward from measured speed, as field-oriented control does. A reading that jumps is therefore a
real voltage error across the leakage inductance, and the current surges until the loop catches up.

Each axis has an integral controller with proportional feedback of the current, so that current
follows its target as the textbook second-order system ωₙ²/(s² + 2ζωₙs + ωₙ²).

Equations of the machine with rotor flux ψ and stator current i as complex numbers, frame speed ωₑ,
rotor speed p·ω (W. Leonhard, Control of Electrical Drives, from memory; all leakage drawn into the
stator):

    Lσ·di/dt = v − R·i − jωₑLσ·i − e,   e = Lm·i/Tr − ψ/Tr + jpω·ψ
    dψ/dt    = (Lm·i − ψ)/Tr − j(ωₑ − pω)·ψ
    torque   = 1.5·p·Im(conj(ψ)·i)
"""

from __future__ import annotations

from math import cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.linalg import expm

from logscope.arrays import FloatArray

_GATES_OFF_S = 1e-3  # the diodes return the leakage energy to the link within about a millisecond
_HEADROOM = 0.8  # share of the voltage that field weakening gives to the rotor flux; leakage takes the rest
_NOTHING_A, _NOTHING_WB = 1e-6, 1e-9  # gone; arithmetic on ever smaller numbers would be very slow
_LEAST_FLUX = 0.3  # of nominal, where the estimate divides: torque waits until there is flux


class Machine(NamedTuple):
    """The motor's constants; flux [Wb] is the nominal rotor flux. Amplitudes, not r.m.s. values."""

    pole_pairs: float = 2.0
    stator_ohm: float = 0.02
    leakage_H: float = 0.15e-3
    magnetising_H: float = 1.5e-3
    rotor_time_constant_s: float = 0.13
    flux_Wb: float = 0.18


class Inverter(NamedTuple):
    """Limits of the inverter: most torque, power, target current, and where and how late it trips."""

    max_torque_Nm: float = 160.0
    max_power_W: float = 65e3
    max_current_A: float = 340.0
    trip_current_A: float = 400.0
    trip_delay_s: float = 0.3e-3
    under_V: float = 180.0
    over_V: float = 400.0
    supply_delay_s: float = 0.5e-3
    regeneration_Nm: float = 28.0


class Electrical(NamedTuple):
    """Current and integrators of both axes, true flux, the inverter's flux estimate."""

    id: float
    iq: float
    xd: float
    xq: float
    flux_d: float
    flux_q: float
    flux_estimate: float


class Drawn(NamedTuple):
    """What one step gave: torque [Nm], power from the link [W], current and target magnitude [A]."""

    torque: float
    power: float
    current: float
    target: float


def current_loop(machine: Machine, frequency_Hz: float, damping: float, step_s: float) -> FloatArray:
    """The exact step of one axis: gains and transition, [Kp, Ki, φ11, φ12, φ21, φ22, γi*, γd, χi*, χd].

    Current i and integrator x follow L·di/dt = Ki·x − (R + Kp)·i + d and dx/dt = i* − i, with target i*
    and disturbance d [V] held over the step; Kp and Ki place the poles at ωₙ and ζ. R is the transient
    resistance Rs + Lm/Tr: the rotor's, seen from the stator, counts as well.
    """
    natural = 2 * pi * frequency_Hz
    L, R = machine.leakage_H, machine.stator_ohm + machine.magnetising_H / machine.rotor_time_constant_s
    kp, ki = 2 * damping * natural * L - R, natural**2 * L
    system = np.zeros((4, 4))
    system[0] = [-(R + kp) / L, ki / L, 0.0, 1.0 / L]
    system[1] = [-1.0, 0.0, 1.0, 0.0]
    phi = expm(system * step_s)
    return np.array([kp, ki, *phi[0, :2], *phi[1, :2], *phi[0, 2:], *phi[1, 2:]])


@njit(cache=False)
def advance_machine(
    machine: Machine,
    inverter: Inverter,
    loop: FloatArray,
    now: Electrical,
    torque_target: float,
    measured: float,
    rotor: float,
    link_V: float,
    step_s: float,
) -> tuple[Electrical, Drawn]:
    """One step with the gates on; `measured` and `rotor` are measured and true shaft speed [rad/s]."""
    p, L, Lm, Tr = machine.pole_pairs, machine.leakage_H, machine.magnetising_H, machine.rotor_time_constant_s
    most_V = link_V / sqrt(3.0)
    electrical = p * measured
    weak = min(1.0, _HEADROOM * most_V / (machine.flux_Wb * max(abs(electrical), 1.0)))
    id_target = machine.flux_Wb * weak / Lm
    flux = max(now.flux_estimate, _LEAST_FLUX * machine.flux_Wb)
    most_q = sqrt(max(inverter.max_current_A**2 - id_target**2, 0.0))
    iq_target = min(max(torque_target / (1.5 * p * flux), -most_q), most_q)

    frame = electrical + Lm * iq_target / (Tr * flux)
    slip = frame - p * rotor
    back_d = (Lm * now.id - now.flux_d) / Tr - p * rotor * now.flux_q
    back_q = (Lm * now.iq - now.flux_q) / Tr + p * rotor * now.flux_d
    forward_d, forward_q = -frame * L * now.iq, frame * L * now.id + electrical * flux

    control_d, control_q = loop[1] * now.xd - loop[0] * now.id, loop[1] * now.xq - loop[0] * now.iq
    vd, vq = control_d + forward_d, control_q + forward_q
    size = sqrt(vd * vd + vq * vq)
    if size <= most_V:
        off_d = now.flux_d / Tr + p * rotor * now.flux_q
        off_q = now.flux_q / Tr - p * rotor * now.flux_d + electrical * flux
        id_ = loop[2] * now.id + loop[3] * now.xd + loop[6] * id_target + loop[7] * off_d
        xd = loop[4] * now.id + loop[5] * now.xd + loop[8] * id_target + loop[9] * off_d
        iq = loop[2] * now.iq + loop[3] * now.xq + loop[6] * iq_target + loop[7] * off_q
        xq = loop[4] * now.iq + loop[5] * now.xq + loop[8] * iq_target + loop[9] * off_q
    else:  # out of voltage: the vector is shortened, and the integrators go back to what it can give
        vd, vq = vd * most_V / size, vq * most_V / size
        id_ = now.id + (vd - machine.stator_ohm * now.id + frame * L * now.iq - back_d) / L * step_s
        iq = now.iq + (vq - machine.stator_ohm * now.iq - frame * L * now.id - back_q) / L * step_s
        xd = (vd - forward_d + loop[0] * now.id) / loop[1] + (id_target - now.id) * step_s
        xq = (vq - forward_q + loop[0] * now.iq) / loop[1] + (iq_target - now.iq) * step_s

    flux_d, flux_q = _advance_flux(machine, now.flux_d, now.flux_q, id_, iq, slip, step_s)
    estimate = now.flux_estimate + (Lm * id_ - now.flux_estimate) / Tr * step_s
    torque = 1.5 * p * (flux_d * iq - flux_q * id_)
    drawn = Drawn(
        torque,
        1.5 * (vd * id_ + vq * iq),
        sqrt(id_ * id_ + iq * iq),
        sqrt(id_target * id_target + iq_target * iq_target),
    )
    return Electrical(id_, iq, xd, xq, flux_d, flux_q, estimate), drawn


@njit(cache=False)
def retune(before: FloatArray, after: FloatArray, now: Electrical) -> Electrical:
    """Integrators for other gains, such that the voltage does not jump: Ki·x − Kp·i stays what it was."""
    xd = (before[1] * now.xd + (after[0] - before[0]) * now.id) / after[1]
    xq = (before[1] * now.xq + (after[0] - before[0]) * now.iq) / after[1]
    return Electrical(now.id, now.iq, xd, xq, now.flux_d, now.flux_q, now.flux_estimate)


@njit(cache=False)
def coast(machine: Machine, now: Electrical, step_s: float) -> tuple[Electrical, Drawn]:
    """One step with the gates off: the current dies in the diodes, the flux at the rotor's own pace."""
    if abs(now.flux_d) + abs(now.flux_q) < _NOTHING_WB and abs(now.id) + abs(now.iq) < _NOTHING_A:
        return Electrical(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0), Drawn(0.0, 0.0, 0.0, 0.0)
    fade = max(1.0 - step_s / _GATES_OFF_S, 0.0)
    id_, iq = now.id * fade, now.iq * fade
    flux_d, flux_q = _advance_flux(machine, now.flux_d, now.flux_q, id_, iq, 0.0, step_s)
    estimate = now.flux_estimate * (1.0 - step_s / machine.rotor_time_constant_s)
    torque = 1.5 * machine.pole_pairs * (flux_d * iq - flux_q * id_)
    return Electrical(id_, iq, 0.0, 0.0, flux_d, flux_q, estimate), Drawn(torque, 0.0, sqrt(id_ * id_ + iq * iq), 0.0)


@njit(cache=False)
def _advance_flux(
    machine: Machine, flux_d: float, flux_q: float, id_: float, iq: float, slip: float, step_s: float
) -> tuple[float, float]:
    """The rotor flux follows the current and turns back against the frame by the slip."""
    share = step_s / machine.rotor_time_constant_s
    d = flux_d + (machine.magnetising_H * id_ - flux_d) * share
    q = flux_q + (machine.magnetising_H * iq - flux_q) * share
    c, s = cos(slip * step_s), sin(slip * step_s)
    return d * c + q * s, q * c - d * s
