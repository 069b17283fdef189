"""What the resistance means at the moment of the greatest power."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from logscope.checks.battery.resistance import Resistance
from logscope.findings import Measured
from logscope.physics.battery import power_at_voltage_w

_PEAK_ROWS = 3  # the middle one of three rows: a lone pair of voltage and current may not belong together


@dataclass(frozen=True, slots=True)
class Sag:
    """At the greatest power: when, terminal voltage [V], current [A], power [W]; sag and open-circuit voltage [V].

    power_left : beyond that power before the least voltage is reached [W]; None where the vehicle file states none
    """

    time_s: float
    volts: float
    amps: float
    power_w: float
    sag: Measured
    open_circuit: Measured
    power_left: Measured | None


def find_sag(resistance: Resistance, least_v: float | None) -> Sag:
    """The moment of the greatest power drawn."""
    load, slope = resistance.load, resistance.slope
    power = np.asarray(median_filter(load.volts * load.amps, _PEAK_ROWS, mode="nearest"))
    at = int(np.argmax(power))
    volts, amps = float(load.volts[at]), float(load.amps[at])
    low, high = (max(ohm, 1e-6) for ohm in (slope.low, slope.high))
    left = None
    if least_v is not None:
        value, *edges = (
            power_at_voltage_w(volts + ohm * amps, ohm, least_v) - float(power[at]) for ohm in (slope.value, low, high)
        )
        left = Measured(value, "W", min(edges), max(edges))
    return Sag(
        float(load.time_s[at]),
        volts,
        amps,
        float(power[at]),
        Measured(slope.value * amps, "V", low * amps, high * amps),
        Measured(volts + slope.value * amps, "V", volts + low * amps, volts + high * amps),
        left,
    )
