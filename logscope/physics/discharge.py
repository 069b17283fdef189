"""How the voltage of a capacitor falls when its source is taken away.

Each curve starts at 1 and is described by its initial rate, so that they can be compared with one another. Source: a
capacitor's i = C·dV/dt, integrated for a resistor, a constant current and a constant power; the first as in Alexander &
Sadiku, Fundamentals of Electric Circuits, chapter 7, the others own derivations.
"""

from __future__ import annotations

import math

import numpy as np

from logscope.arrays import FloatArray

# The line between voltage classes A and B (ISO 6469-3:2021), above which UN R100 speaks of high voltage. Clause numbers
# from memory.
SAFE_V = 60.0
# What LV 123 asks of an active discharge (from memory), and Formula SAE Rules 2024 v1.0, EV.8.4.2, of a shutdown.
REFERENCE_ACTIVE_S = 5.0


def through_resistor(elapsed_s: FloatArray, rate: FloatArray, rest: FloatArray | float = 0.0) -> FloatArray:
    """Remaining share through a resistor: rest + (1 − rest)·exp(−rate·t/(1 − rest)).

    elapsed_s : [s]; rate : at the start [1/s], 1/(R·C) where it falls to zero
    rest : the share at which it comes to rest [1], below 1: what a second source holds

    >>> round(float(through_resistor(np.array(1.0), np.array(1.0))), 4)
    0.3679
    """
    span = 1.0 - np.asarray(rest)
    return np.asarray(rest + span * np.exp(np.minimum(-rate * elapsed_s / span, 50.0)))


def at_constant_current(elapsed_s: FloatArray, rate: FloatArray) -> FloatArray:
    """Remaining share at a constant current: 1 − rate·t, not below 0.

    elapsed_s : [s]; rate : I/(C·V0) [1/s]
    """
    return np.asarray(np.maximum(1.0 - rate * elapsed_s, 0.0))


def at_constant_power(elapsed_s: FloatArray, rate: FloatArray) -> FloatArray:
    """Remaining share at a constant power: √(1 − 2·rate·t), not below 0.

    elapsed_s : [s]; rate : P/(C·V0²) [1/s]
    """
    return np.asarray(np.sqrt(np.maximum(1.0 - 2.0 * rate * elapsed_s, 0.0)))


_STRAIGHT = 1e-9  # of the exponent's distance from 1: nearer, the two formulae agree to rounding


def at_power_of_voltage(elapsed_s: FloatArray, rate: FloatArray, exponent: FloatArray) -> FloatArray:
    """Remaining share where the current goes with a power q of the voltage: (1 + (q − 1)·rate·t)^(−1/(q − 1)).

    A resistor has q = 1, a constant current 0, a constant power −1; one that warms while it discharges, or leakage
    that grows with the voltage, lies above 1 or between. Not below 0.

    elapsed_s : [s]; rate : at the start [1/s]; exponent : q [1]

    >>> round(float(at_power_of_voltage(np.array(1.0), np.array(1.0), np.array(1.0))), 4)
    0.3679
    """
    off = np.where(np.abs(exponent - 1.0) < _STRAIGHT, _STRAIGHT, exponent - 1.0)
    base = 1.0 + off * rate * elapsed_s
    return np.asarray(np.where(base > 0, np.exp(np.clip(-np.log(np.maximum(base, 1e-300)) / off, -50.0, 50.0)), 0.0))


def time_to_share_at_power(share: FloatArray, rate: FloatArray, exponent: FloatArray) -> FloatArray:
    """When that curve comes down to a share [s]: (share^(1 − q) − 1)/((q − 1)·rate). The inverse of the above."""
    off = np.where(np.abs(exponent - 1.0) < _STRAIGHT, _STRAIGHT, exponent - 1.0)
    return np.asarray(np.expm1(-off * np.log(share)) / (off * rate))


def time_to_level_s(start_v: float, time_constant_s: float, level_v: float = SAFE_V) -> float:
    """Time in which a resistor brings a capacitor down to a level: R·C·ln(V0/V) [s]; 0 where it is there already.

    start_v, level_v : [V]; time_constant_s : R·C [s]

    >>> round(time_to_level_s(400.0, 2635.57 * 1e-3), 4)
    5.0
    """
    return time_constant_s * math.log(start_v / level_v) if start_v > level_v else 0.0
