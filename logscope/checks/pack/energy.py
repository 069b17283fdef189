"""Energy drawn from the battery and put back, and per km."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from logscope.checks.pack.load import Load
from logscope.signals import Signals
from logscope.statistics.integral import Integral, integrate
from logscope.vehicle import Vehicle

_WS_PER_WH = 3600.0
LEAST_KM = 0.2  # a shorter way says nothing of consumption: pulling away and stopping weigh too much


@dataclass(frozen=True, slots=True)
class Energy:
    """Drawn and put back [Wh], and the way [km], None where no speed is logged; the way's source in words."""

    drawn: Integral
    returned: Integral
    way: Integral | None
    way_by: str


def find_energy(load: Load, signals: Signals, vehicle: Vehicle) -> Energy:
    """The sums over the log."""
    power = load.volts * load.amps
    drawn = integrate(load.time_s, np.maximum(power, 0.0)).scaled(1 / _WS_PER_WH)
    returned = integrate(load.time_s, np.maximum(-power, 0.0)).scaled(1 / _WS_PER_WH)
    return Energy(drawn, returned, *_way(signals, vehicle))


def _way(signals: Signals, vehicle: Vehicle) -> tuple[Integral | None, str]:
    road, motor = signals.get("vehicle_speed"), signals.get("motor_speed")
    ratio, radius_m = vehicle.driveline.ratio, vehicle.driveline.wheel_radius_m
    if road is not None and road.time_s.size > 2:
        return integrate(road.time_s, np.abs(road.value)).scaled(1 / 3600.0), "vehicle speed"
    if motor is not None and motor.time_s.size > 2 and ratio and radius_m:
        km_per_rpm_s = 2 * pi * radius_m / ratio / 60.0 / 1000.0
        return integrate(motor.time_s, np.abs(motor.value)).scaled(km_per_rpm_s), "motor speed, ratio and wheel radius"
    return None, ""
