"""How fast the shaft can truly change its speed: turning freely, and in gear with the tyres on the road.

Told by the vehicle file where it can be; else by practice, and by the fastest change that the log sustains.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from logscope.arrays import FloatArray
from logscope.physics.motion import free_spin_slew, tyre_limited_slew
from logscope.vehicle import Vehicle

ENVELOPE_MARGIN = 1.2  # nameplate torque and inertia, and stamps, are good to some 20 % (practice)
SLIP_MARGIN = 4.0  # a slipping wheel frees the rotor from the tyre's limit (practice)
COUPLED_SLEW = 10_000.0  # rpm/s: a car in gear at 1 g, some 2,500 rpm/s, times the margin for slip
LIGHT_ROTOR_SLEW = 30_000.0  # rpm/s: 200 Nm on 0.064 kg·m², a lively traction rotor (own arithmetic)
FIRST_GEAR_SLEW = 5_000.0  # rpm/s: 1 g with a kept gearbox in first, some 15:1 on a 0.30 m tyre (own arithmetic)
LEARNT_MARGIN = 2.0  # the log need not hold the harshest thing this drive can do
QUANTA_ALLOWED = 2.0  # a count more on one side and one less on the other is no disturbance
QUANTA_FROM_LEVEL = 1.5  # a reading errs by one, the median of several around it by half of one
_SUSTAINED_S = 0.040  # a true change lasts this long at least: tyres and clutches need some 50 ms (practice)
_SHORTEST_SLIP_S = 0.050  # sampled more coarsely than this allows, a slip may hide between samples
_PRACTICE = "common practice, no published source"
_NOT_TOLD = "the vehicle file gives no motor.max_torque_Nm and motor.rotor_inertia_kgm2"


def in_gear_slew(vehicle: Vehicle) -> tuple[float, str]:
    """Fastest change of motor speed in gear while the tyres hold [rpm/s], and where it is known from."""
    ratio, radius = vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m
    if ratio and radius:
        tyre = tyre_limited_slew(ratio, radius)
        return ENVELOPE_MARGIN * tyre, f"the tyres' limit of 1 g, {tyre:.0f} rpm/s, plus 20 %"
    return FIRST_GEAR_SLEW, f"1 g in first gear, {_PRACTICE}; the vehicle file gives no driveline"


def free_slew(
    vehicle: Vehicle, value: FloatArray, step_s: FloatArray, update: float, quantum: float
) -> tuple[float, str]:
    """Fastest change of motor speed whatever it turns [rpm/s], and where it is known from.

    value : each new value of the speed [rpm], shape (n,); step_s : the time its step took, shape (n − 1,)
    update : usual time between new values [s]; quantum : their least step [rpm]
    """
    torque, inertia = vehicle.motor.max_torque_Nm, vehicle.motor.rotor_inertia_kgm2
    if torque and inertia:
        bare = free_spin_slew(torque, inertia)
        return (
            ENVELOPE_MARGIN * bare,
            f"the free rotor's limit, {torque:g} Nm on {inertia:g} kg·m² or {bare:.0f} rpm/s, plus 20 %",
        )
    learnt = LEARNT_MARGIN * _sustained_slew(value, step_s, update, quantum)
    if _sustained_steps(update) * update > _SHORTEST_SLIP_S:
        floor, why = LIGHT_ROTOR_SLEW, f"a light traction rotor at full torque, {_PRACTICE}"
    elif vehicle.driveline.ratio and vehicle.driveline.wheel_radius_m:
        tyre = tyre_limited_slew(vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m)
        floor, why = SLIP_MARGIN * tyre, f"{SLIP_MARGIN:g} times the tyres' limit in gear, {tyre:.0f} rpm/s"
    else:
        floor, why = COUPLED_SLEW, f"a car in gear with a margin for wheel slip, {_PRACTICE}"
    if learnt > floor:
        return learnt, f"twice the fastest change this log sustains; {_NOT_TOLD}"
    return floor, f"{why}; {_NOT_TOLD}"


def _sustained_steps(update: float) -> int:
    return int(np.clip(np.ceil(_SUSTAINED_S / update), 3, 50)) if update > 0 else 3


def _sustained_slew(value: FloatArray, step_s: FloatArray, update: float, quantum: float) -> float:
    """The fastest change kept up over several steps the same way, the largest of them left out [rpm/s].

    A true change keeps its direction; the edge of a disturbance is one large step among small ones.
    """
    span = _sustained_steps(update)
    if value.size <= span:
        return 0.0
    steps = np.diff(value)
    inside = slice(span // 2, steps.size - (span - 1) // 2)
    one_way = (minimum_filter1d(steps, span)[inside] >= 0) | (maximum_filter1d(steps, span)[inside] <= 0)
    largest = maximum_filter1d(np.abs(steps), span)[inside]
    moved = np.maximum(np.abs(value[span:] - value[:-span]) - largest - QUANTA_ALLOWED * quantum, 0.0)
    taken = np.cumsum(np.concatenate(([0.0], step_s[: steps.size])))
    taken_s = np.maximum(taken[span:] - taken[:-span], 1e-9) * (span - 1) / span
    return float(np.max(moved / taken_s, initial=0.0, where=one_way))
