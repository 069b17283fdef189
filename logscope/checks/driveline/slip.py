"""Wheels that turn faster, or slower, than the road."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.motor_speed.analysis import WrongSpeed
from logscope.signals import Part, Signals
from logscope.statistics.sampling import between_samples, stretches
from logscope.vehicle import Vehicle

# Tyres pull with a few per cent of slip; a tenth and 3 km/h on top is a wheel that has let go (common practice).
_SHARE, _FLOOR_KMH = 0.10, 3.0
_LEAST_S, _APART_S = 0.1, 0.3
_LEARN_KMH = 20.0  # above it the ratio is learnt where the vehicle file gives none
_LEARN_ROWS = 200


@dataclass(frozen=True, slots=True)
class Slip:
    """Episodes (from, until) [s], the largest difference of speeds [km/h]."""

    spans: tuple[tuple[float, float], ...]
    worst_kmh: float
    worst_s: float


def find_slip(signals: Signals, wrong: WrongSpeed | None, vehicle: Vehicle) -> Slip | None:
    """Where the wheels leave the road speed; None where the two speeds are not both logged or no ratio is known."""
    motor, road = signals.get("motor_speed"), signals.get("vehicle_speed")
    if motor is None or road is None:
        return None
    kmh = between_samples(road.time_s, road.value, motor.time_s)
    per_rpm = _kmh_per_rpm(vehicle, motor.value, kmh)
    if per_rpm is None:
        return None
    apart = np.nan_to_num(np.abs(motor.value) * per_rpm - np.abs(kmh))
    apart[_misread(motor, wrong)] = 0.0
    off = apart > _FLOOR_KMH + _SHARE * np.nan_to_num(np.abs(kmh))
    first, last = stretches(off, motor.time_s, _APART_S)
    spans = [(float(motor.time_s[a]), float(motor.time_s[b])) for a, b in zip(first, last, strict=True)]
    spans = [span for span in spans if span[1] - span[0] >= _LEAST_S]
    worst = int(np.argmax(np.where(off, apart, 0.0))) if apart.size else 0
    return Slip(tuple(spans), float(apart[worst]) if apart.size else 0.0, float(motor.time_s[worst]))


def _misread(motor: Part, wrong: WrongSpeed | None) -> BoolArray:
    """Samples of the motor speed that are wrong: it is the reading that jumps there, not a wheel that slips."""
    bad = np.zeros(motor.time_s.size, bool)
    for each in wrong.study.disturbances if wrong is not None else ():
        bad[each.before : each.after + 1] = True
    for lost in wrong.lost if wrong is not None else ():
        bad[lost.before : motor.time_s.size if lost.after is None else lost.after + 1] = True
    return bad


def _kmh_per_rpm(vehicle: Vehicle, rpm: FloatArray, kmh: FloatArray) -> float | None:
    if vehicle.driveline.ratio and vehicle.driveline.wheel_radius_m:
        return 2 * pi * vehicle.driveline.wheel_radius_m / vehicle.driveline.ratio / 60.0 * 3.6
    fast = (np.nan_to_num(kmh) > _LEARN_KMH) & (np.abs(rpm) > 1)
    return float(np.median(kmh[fast] / np.abs(rpm[fast]))) if np.count_nonzero(fast) >= _LEARN_ROWS else None
