"""Charging with constant current, then constant voltage: how the current of the second part falls.

A battery is taken as a capacitor, its open-circuit voltage over its charge, behind a resistance. Both drift with the
level, so that a time constant belongs to the part of the charge in which it was measured.
"""

from __future__ import annotations

from math import log

import numpy as np

from logscope.arrays import FloatArray


def taper_current_a(start_a: float, time_constant_s: float, elapsed_s: FloatArray) -> FloatArray:
    """Charging current at constant voltage [A]: I₀·exp(−t/τ), τ = R·C; a capacitor fed through a resistor.

    Source: first-order RC circuit, any textbook of circuits.

    elapsed_s : since the constant voltage was reached, shape (n,)
    """
    return np.asarray(start_a * np.exp(-elapsed_s / time_constant_s))


def taper_time_constant_s(start_a: float, end_a: float, lasted_s: float) -> float:
    """Time constant from the current at the beginning and at the end of a taper [s]: Δt/ln(I₀/I₁).

    >>> round(taper_time_constant_s(20.0, 12.13061319425, 185.0), 6)
    370.0
    """
    return lasted_s / log(start_a / end_a)
