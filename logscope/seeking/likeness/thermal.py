"""Temperatures: they rise slowly with the heat of the last minutes, and fall slowly without.

A first-order body: dT/dt = P·R/τ − (T − T₀)/τ. The heat goes with the square of current or torque.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from logscope.arrays import FloatArray

TIME_CONSTANTS_S = (20.0, 60.0, 180.0, 600.0)
_FASTEST_SHARE = 0.1  # of its span that a temperature changes in a second
_LEAST_COUNTS = 2


def slow(row: FloatArray, step_s: float) -> bool:
    """Whether a field changes as slowly as a temperature, and hardly ever back and forth."""
    span = float(np.ptp(row))
    if span < _LEAST_COUNTS:
        return False
    steps = max(1, round(1.0 / step_s))
    change = np.abs(row[steps:] - row[:-steps])
    rate = float(np.quantile(change, 0.999))
    turns = float(np.sum(np.abs(np.diff(row))))
    return rate <= max(_FASTEST_SHARE * span, 2.0) and turns <= 12 * span


def heated(power: FloatArray, step_s: float) -> list[FloatArray]:
    """The response of bodies with several time constants to a heat, shape (t,) each."""
    made = []
    for tau in TIME_CONSTANTS_S:
        keep = np.exp(-step_s / tau)
        made.append(np.asarray(lfilter([1 - keep], [1, -keep], power)))
    return made
