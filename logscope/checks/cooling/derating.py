"""Torque that is held back as a temperature nears its limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.cooling.thermal_log import DEVICES
from logscope.signals import Signals
from logscope.vehicle import Vehicle

_PRESSED = 20.0  # % of the pedal: below, the share of torque is rounding
_BAND_K, _COOL_K = 15.0, 20.0  # near the limit, and far enough from it to compare
_HELD_BACK = 0.85  # of the torque for the same pedal and speed when cooler: more is a driver's, or a power limit's
_READING = 0.02  # of the share, to which pedal and torque are read
_FEWEST = 40  # samples on either side in one band of speed
_SPEED_BANDS, _PEDAL_BAND = 8, 10.0  # bands of speed, and % of the pedal that count as alike
_LEAST_S = 3.0


@dataclass(frozen=True, slots=True)
class Derating:
    """Torque for the pedal near a temperature's limit, as a share of that when cooler, from, until [s].

    part : the temperature; limit_C : as the vehicle file states; share, low, high : of the torque; hottest_C : then
    """

    part: str
    limit_C: float
    share: float
    low: float
    high: float
    hottest_C: float
    start_s: float
    end_s: float


def find_derating(signals: Signals, vehicle: Vehicle) -> Derating | None:
    """The temperature whose approach to its limit goes with less torque for the pedal at like speeds."""
    pedal, speed = signals.get("throttle"), signals.get("motor_speed")
    torque = signals.get("torque_target") or signals.get("torque")
    if pedal is None or speed is None or torque is None or torque.time_s.size < _FEWEST:
        return None
    limits = (vehicle.limits.motor_temperature_C, vehicle.limits.inverter_temperature_C)
    pressed = pedal.held_at(torque.time_s)
    steady = np.abs(pressed - pedal.held_at(torque.time_s - 0.5)) < 1.0  # not while a ramp brings the torque up
    share = torque.value / np.where(pressed > 0.0, pressed, np.nan)
    turning = speed.held_at(torque.time_s)
    for part, limit_C in zip(DEVICES, limits, strict=True):
        hot = signals.get(part)
        if hot is None or limit_C is None:
            continue
        celsius = hot.held_at(torque.time_s)
        use = (pressed >= _PRESSED) & steady & np.isfinite(share) & np.isfinite(celsius) & np.isfinite(turning)
        near = use & (celsius >= limit_C - _BAND_K)
        cool = use & (celsius < limit_C - _COOL_K)
        found = _less(share, turning, pressed, near, cool)
        if found is not None:
            at_s = torque.time_s[near]
            if at_s[-1] - at_s[0] >= _LEAST_S:
                hottest = float(celsius[near].max())
                return Derating(part, limit_C, *found, hottest, float(at_s[0]), float(at_s[-1]))
    return None


def _less(
    share: FloatArray, turning: FloatArray, pressed: FloatArray, near: BoolArray, cool: BoolArray
) -> tuple[float, float, float] | None:
    """The share of torque near the limit over that when cooler, at like speed and pedal; None where it is not less.

    Torque need not go with the pedal in proportion, so that a gentle drive in the heat alone would look the same.
    """
    if np.count_nonzero(near) < _FEWEST or np.count_nonzero(cool) < _FEWEST:
        return None
    edges = np.quantile(turning[near], np.linspace(0.0, 1.0, _SPEED_BANDS + 1))
    seen = (turning >= edges[0]) & (turning <= edges[-1])
    of_speed = np.searchsorted(np.unique(edges[1:-1]), turning)  # each sample in one: a steady speed is one band
    ratios = []
    pedal = np.floor(np.where(np.isfinite(pressed), pressed, -1.0) / _PEDAL_BAND)
    for speed in np.unique(of_speed[near]):
        for band in np.unique(pedal[near]):
            inside = seen & (of_speed == speed) & (pedal == band)
            if np.count_nonzero(inside & near) >= _FEWEST / 4 and np.count_nonzero(inside & cool) >= _FEWEST / 4:
                ratios.append(float(np.median(share[inside & near]) / np.median(share[inside & cool])))
    if len(ratios) < 3:
        return None
    middle = float(np.median(ratios))
    spread = float(np.std(ratios)) / np.sqrt(len(ratios)) * 2.8 + _READING  # Student's at few bands
    return (middle, middle - spread, middle + spread) if middle + spread < _HELD_BACK else None
