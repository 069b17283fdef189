"""What a linear system makes of an input: scipy's discretisation and filter, in a hundredth of the time of its lsim."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy.signal import cont2discrete, lfilter

from logscope.arrays import FloatArray

Loop = tuple[list[float], list[float]]  # numerator and denominator of the transfer function, highest power first


def second_order(frequency_hz: float, damping: float) -> Loop:
    """ωₙ²/(s² + 2ζωₙs + ωₙ²)."""
    natural = 2 * np.pi * frequency_hz
    return [natural**2], [1.0, 2 * damping * natural, natural**2]


def answer(system: Loop, given: FloatArray, tick_s: float, hold: Literal["foh", "zoh"] = "foh") -> FloatArray:
    """The system's output from rest, shape (n,).

    given : the input at each tick, shape (n,), from 0 on
    hold : it moves straight from value to value, or keeps each until the next
    """
    over, under, _ = cont2discrete(system, tick_s, method=hold)
    return np.asarray(lfilter(np.ravel(over), under, given))
