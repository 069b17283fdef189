"""Motor shaft, driveline, tyres and vehicle: what moves, integrated in small steps.

    rotor ── gear ratio ── springy half shafts ── driven wheels ── tyre slip ── vehicle mass

The half shafts let a launch judder, the tyres let the wheels spin on loose ground, and a ratio of
zero (neutral) or a grip of zero (wheels off the ground) lets the rotor or the wheels spin freely.
"""

from __future__ import annotations

from math import tanh
from typing import NamedTuple

from numba import njit

_GRAVITY = 9.81  # m/s²
_AIR_DENSITY = 1.2  # kg/m³ at 20 °C
_STANDSTILL = 0.05  # m/s over which friction reverses, so that a vehicle comes to rest
_STILL = 1e-6  # rad/s, m/s, rad: at rest; arithmetic on ever smaller numbers would be very slow
_SLIP_FLOOR = 0.4  # m/s of tyre slip for most of the grip at low speed
_SLIP_SHARE = 0.06  # of road speed, for most of the grip: passenger tyres peak at about twice this


class Body(NamedTuple):
    """What moves. `driven_share` is the weight on the driven axle over all of it."""

    rotor_inertia_kgm2: float = 0.05
    rotor_drag_Nms: float = 0.0008
    wheel_radius_m: float = 0.31
    wheel_inertia_kgm2: float = 1.8
    shaft_Nm_per_rad: float = 6000.0
    shaft_Nms_per_rad: float = 34.0
    mass_kg: float = 1350.0
    driven_share: float = 0.55
    drag_area_m2: float = 0.68
    rolling: float = 0.012


class Road(NamedTuple):
    """Driver and ground at one moment: ratio 0 is neutral, grip 0 is wheels off the ground."""

    ratio: float
    brake: float
    grade: float
    grip: float


class Motion(NamedTuple):
    """Rotor and wheel speed [rad/s], twist of the half shafts [rad], rotor angle [rad], road speed [m/s]."""

    rotor: float
    wheel: float
    twist: float
    angle: float
    speed: float


@njit(cache=False)
def advance_motion(body: Body, road: Road, now: Motion, torque_Nm: float, step_s: float) -> Motion:
    """One step of semi-implicit Euler under `torque_Nm` at the shaft; `brake` is 0–1 of 0.8 g."""
    idle = torque_Nm == 0.0
    shaft = 0.0
    twist = 0.0
    if road.ratio > 0.0:
        slip = now.rotor / road.ratio - now.wheel
        twist = now.twist + slip * step_s
        shaft = body.shaft_Nm_per_rad * twist + body.shaft_Nms_per_rad * slip
        torque_Nm -= shaft / road.ratio
    rotor = now.rotor + (torque_Nm - body.rotor_drag_Nms * now.rotor) / body.rotor_inertia_kgm2 * step_s

    weight = body.mass_kg * _GRAVITY
    slip_speed = now.wheel * body.wheel_radius_m - now.speed
    full_slip = _SLIP_FLOOR + _SLIP_SHARE * abs(now.speed)
    force = road.grip * weight * body.driven_share * tanh(slip_speed / full_slip)
    wheel = now.wheel + (shaft - force * body.wheel_radius_m) / body.wheel_inertia_kgm2 * step_s

    held = tanh(now.speed / _STANDSTILL) * weight * (body.rolling + 0.8 * road.brake)
    air = 0.5 * _AIR_DENSITY * body.drag_area_m2 * now.speed * abs(now.speed)
    speed = now.speed + (force - held - air - weight * road.grade) / body.mass_kg * step_s
    if abs(rotor) + abs(wheel) + abs(speed) + abs(twist) < _STILL and idle:
        rotor, wheel, twist, speed = 0.0, 0.0, 0.0, 0.0
    return Motion(rotor, wheel, twist, now.angle + rotor * step_s, speed)
