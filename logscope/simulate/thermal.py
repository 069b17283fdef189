"""Temperatures of motor, inverter and coolant: each a first-order rise above the next colder."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_AMBIENT_C = 18.0
_STEP_S = 0.1

# Rise in K for each W of loss, and time constant in s: the size of a small liquid-cooled drive
# (common practice, no published source).
_MOTOR = (0.030, 420.0)
_INVERTER = (0.018, 45.0)
_COOLANT = (0.006, 260.0)
_WINDING_OHM = 0.02
_SWITCHING_W_PER_A = 3.0


class Temperatures(NamedTuple):
    """Times [s] and temperatures [°C], a value each 0.1 s."""

    time_s: FloatArray
    motor: FloatArray
    inverter: FloatArray
    coolant: FloatArray


def temperatures(current_A: FloatArray, row_s: float) -> Temperatures:
    """Temperatures under a motor current (amplitude, one value each `row_s`), from a cold start."""
    every = max(round(_STEP_S / row_s), 1)
    usable = current_A[: current_A.size // every * every].reshape(-1, every)
    copper_W = 1.5 * _WINDING_OHM * (usable**2).mean(axis=1)
    switching_W = _SWITCHING_W_PER_A * usable.mean(axis=1)
    coolant = _AMBIENT_C + _rise(copper_W + switching_W, *_COOLANT)
    time_s: FloatArray = np.arange(coolant.size, dtype=np.float64) * every * row_s
    return Temperatures(time_s, coolant + _rise(copper_W, *_MOTOR), coolant + _rise(switching_W, *_INVERTER), coolant)


def _rise(loss_W: FloatArray, kelvin_per_W: float, time_constant_s: float) -> FloatArray:
    from scipy.signal import lfilter

    share = -np.expm1(-_STEP_S / time_constant_s)
    return np.asarray(lfilter([share * kelvin_per_W], [1.0, share - 1.0], loss_W), dtype=np.float64)
