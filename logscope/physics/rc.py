"""Charging and discharging of a capacitor through a resistor.

Source for all of them: the linear first- and second-order step response, as in Alexander & Sadiku,
Fundamentals of Electric Circuits, chapters 7 and 8.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def settled_fraction(elapsed_s: FloatArray, time_constant_s: float | FloatArray) -> FloatArray:
    """How far one pole has settled: 1 − exp(−t/τ), 0 before t = 0.

    elapsed_s : time since the step [s]
    time_constant_s : τ = R·C [s], above 0; broadcast against elapsed_s

    >>> round(float(settled_fraction(np.array(3.0), 1.0)), 4)
    0.9502
    """
    return np.asarray(-np.expm1(-np.maximum(elapsed_s, 0.0) / time_constant_s))


def settled_fraction_two_pole(
    elapsed_s: FloatArray, time_constant_s: float | FloatArray, lag_s: float | FloatArray
) -> FloatArray:
    """How far a pole behind another has settled: the link's RC seen through a sensing low-pass.

    Symmetric in its two constants: 1 − (τ·exp(−t/τ) − λ·exp(−t/λ)) / (τ − λ), and its limit
    1 − (1 + t/τ)·exp(−t/τ) where they are equal.

    elapsed_s : time since the step [s]
    time_constant_s : τ [s], above 0
    lag_s : λ [s], above 0
    """
    x = np.maximum(elapsed_s, 0.0)
    tau, lag = np.asarray(time_constant_s, float), np.asarray(lag_s, float)
    # Nearly equal constants cancel badly; a relative nudge of 1e-6 changes the curve by less than 1e-6.
    lag = np.where(np.abs(tau - lag) < 1e-6 * tau, lag * (1 - 2e-6), lag)
    return np.asarray(1.0 - (tau * np.exp(-x / tau) - lag * np.exp(-x / lag)) / (tau - lag))


def settling_rate(elapsed_s: FloatArray, time_constant_s: float | FloatArray) -> FloatArray:
    """Derivative of `settled_fraction` [1/s].

    elapsed_s : time since the step [s]
    time_constant_s : τ [s], above 0
    """
    rate = np.exp(-np.maximum(elapsed_s, 0.0) / time_constant_s) / time_constant_s
    return np.where(elapsed_s > 0, rate, 0.0)


def settling_rate_two_pole(
    elapsed_s: FloatArray, time_constant_s: float | FloatArray, lag_s: float | FloatArray
) -> FloatArray:
    """Derivative of `settled_fraction_two_pole` [1/s].

    elapsed_s : time since the step [s]
    time_constant_s : τ [s], above 0
    lag_s : λ [s], above 0
    """
    x = np.maximum(elapsed_s, 0.0)
    tau, lag = np.asarray(time_constant_s, float), np.asarray(lag_s, float)
    lag = np.where(np.abs(tau - lag) < 1e-6 * tau, lag * (1 - 2e-6), lag)
    return np.asarray((np.exp(-x / tau) - np.exp(-x / lag)) / (tau - lag))


def time_to_fraction(fraction: float, time_constant_s: float, start_fraction: float = 0.0) -> float:
    """Time in which a charging link rises from one fraction of its end value to another [s].

    fraction : where to, as a fraction of the end value [1]; below 1
    time_constant_s : τ [s]
    start_fraction : where from, as a fraction of the end value [1]

    >>> round(time_to_fraction(0.95, 0.150), 4)
    0.4494
    """
    if fraction <= start_fraction:
        return 0.0
    return time_constant_s * math.log((1.0 - start_fraction) / (1.0 - fraction))


def parallel_ohm(first_ohm: float, second_ohm: float) -> float:
    """Two resistors side by side [ohm].

    first_ohm : [ohm]
    second_ohm : [ohm]
    """
    return first_ohm * second_ohm / (first_ohm + second_ohm)


def inrush_peak_a(difference_v: float, loop_ohm: float, loop_h: float, capacitance_f: float) -> float:
    """Highest current when a voltage difference is closed onto a capacitor through a series RLC loop [A].

    difference_v : voltage across the contactor before it closes [V]
    loop_ohm : resistance of pack, cables and capacitor [ohm]
    loop_h : inductance of the loop [H]
    capacitance_f : link capacitance [F]

    >>> round(inrush_peak_a(20.0, 0.010, 1e-6, 1e-3), 1)
    504.5
    """
    alpha = loop_ohm / (2 * loop_h)
    omega0_squared = 1.0 / (loop_h * capacitance_f)
    discriminant = alpha * alpha - omega0_squared
    beta = math.sqrt(abs(discriminant))
    if beta < 1e-9 * alpha:
        return abs(difference_v) * 2.0 / (math.e * loop_ohm)
    if discriminant < 0:
        peak_s = math.atan2(beta, alpha) / beta
        shape = math.sin(beta * peak_s)
    else:
        peak_s = math.atanh(beta / alpha) / beta
        shape = math.sinh(beta * peak_s)
    return abs(difference_v) / (beta * loop_h) * math.exp(-alpha * peak_s) * shape
