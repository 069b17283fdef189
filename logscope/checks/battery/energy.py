"""Energy drawn from the battery and put back, and per km."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.battery.load import awake
from logscope.signals import Signals
from logscope.statistics.integral import Integral, integrate
from logscope.statistics.sampling import between_samples
from logscope.vehicle import Vehicle

_WS_PER_WH = 3600.0
_STANDS_KMH, _STANDS_RPM = 1.0, 30.0  # below what a speed sensor tells from zero; no brake puts anything back there
LEAST_KM = 0.2  # a shorter way says nothing of consumption: pulling away and stopping weigh too much


@dataclass(frozen=True, slots=True)
class Energy:
    """Drawn and put back [Wh], and the way [km], None where no speed is logged; the way's source in words.

    charged : what flowed in while the vehicle stood [Wh], which no brake can have put back
    """

    drawn: Integral
    returned: Integral
    charged: Integral
    way: Integral | None
    way_by: str


def find_energy(lag_s: float, apart_s: float, signals: Signals, vehicle: Vehicle) -> Energy:
    """The sums over the log, at the current's own samples: what it does between them is what the limits carry.

    They also carry what the sums change by where the voltage belongs to another moment, as far as the two messages
    leave that open, and where every other sample of the voltage is left out.

    lag_s : by which the voltage trails the current; apart_s : how well that is known
    """
    time_s, power = _power(lag_s, signals)
    sums = _sums(time_s, power, signals)
    others = [
        _sums(time_s, _like(time_s, power, _power(lag_s + moved_s, signals, every, first)), signals)
        for moved_s, every, first in ((-apart_s, 1, 0), (apart_s, 1, 0), (0.0, 2, 0), (0.0, 2, 1))
    ]
    early, late, even, odd = (np.array([each.value for each in other]) for other in others)
    values = np.array([each.value for each in sums])
    moved = np.maximum(np.abs(early - values), np.abs(late - values))
    reach = np.hypot(moved, np.abs((even + odd) / 2 - values))
    drawn, returned, charged = (
        each.widened(float(more)).scaled(1 / _WS_PER_WH) for each, more in zip(sums, reach, strict=True)
    )
    return Energy(drawn, returned, charged, *_way(signals, vehicle))


def _power(lag_s: float, signals: Signals, every: int = 1, first: int = 0) -> tuple[FloatArray, FloatArray]:
    """Power at the current's samples, the voltage `lag_s` later, of whose samples `every` other one is taken."""
    current = signals["battery_current"]
    time_s, volts = (each[first::every] for each in awake(signals["battery_voltage"]))
    volts = between_samples(time_s, volts, current.time_s + lag_s)
    known = np.isfinite(volts)
    return current.time_s[known], volts[known] * current.value[known]


def _like(time_s: FloatArray, power: FloatArray, other: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Another power at the same moments; the same power where there is no other."""
    return np.interp(time_s, *other) if other[0].size else power


def _sums(time_s: FloatArray, power: FloatArray, signals: Signals) -> tuple[Integral, Integral, Integral]:
    """Drawn, put back, and what flowed in while the vehicle stood [W·s]."""
    inward, stands = np.maximum(-power, 0.0), _stands(time_s, signals)
    return (
        integrate(time_s, np.maximum(power, 0.0)),
        integrate(time_s, np.where(stands, 0.0, inward)),
        integrate(time_s, np.where(stands, inward, 0.0)),
    )


def _stands(time_s: FloatArray, signals: Signals) -> BoolArray:
    """Where the speed is known to be zero; nowhere if no speed is logged."""
    for name, slow in (("vehicle_speed", _STANDS_KMH), ("motor_speed", _STANDS_RPM)):
        part = signals.get(name)
        if part is not None and part.time_s.size > 2:
            return np.asarray(np.abs(between_samples(part.time_s, part.value, time_s)) < slow)
    return np.zeros(time_s.size, bool)


def _way(signals: Signals, vehicle: Vehicle) -> tuple[Integral | None, str]:
    road, motor = signals.get("vehicle_speed"), signals.get("motor_speed")
    ratio, radius_m = vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m
    if road is not None and road.time_s.size > 2:
        return integrate(road.time_s, np.abs(road.value)).scaled(1 / 3600.0), "vehicle speed"
    if motor is not None and motor.time_s.size > 2 and ratio and radius_m:
        km_per_rpm_s = 2 * pi * radius_m / ratio / 60.0 / 1000.0
        return integrate(motor.time_s, np.abs(motor.value)).scaled(km_per_rpm_s), "motor speed, ratio and wheel radius"
    return None, ""
