"""Charging and discharging of a capacitor through a resistor.

Source for all of them: the linear first- and second-order step response, as in Alexander & Sadiku,
Fundamentals of Electric Circuits, chapters 7 and 8.
"""

from __future__ import annotations

import math

import numpy as np

from logscope.arrays import FloatArray

# The lowest loop resistance that a contactor closes onto: bounds the inrush (common practice, no published source).
LOOP_OHM = 0.010
LOOP_H = 1e-6


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
    return np.asarray(1.0 - (tau / (tau - lag)) * np.exp(-x / tau) + (lag / (tau - lag)) * np.exp(-x / lag))


def settled_fraction_three_pole(
    elapsed_s: FloatArray,
    time_constant_s: float | FloatArray,
    lag_s: float | FloatArray,
    second_lag_s: float | FloatArray,
) -> FloatArray:
    """How far a pole behind two others has settled: the link's RC seen through two sensing low-passes.

    Symmetric in its three constants: 1 − Σ τi²·exp(−t/τi) / Π(τi − τj), by partial fractions.

    elapsed_s : time since the step [s]
    time_constant_s : [s], above 0
    lag_s : [s], above 0
    second_lag_s : [s], above 0
    """
    x = np.maximum(elapsed_s, 0.0)
    poles = np.sort(
        np.broadcast_arrays(*(np.asarray(p, float) for p in (time_constant_s, lag_s, second_lag_s))), axis=0
    )
    short, middle, long = poles[0], poles[1], poles[2]
    # Nearly equal constants cancel badly; a nudge of 1e-4 changes the curve by less than 1e-4 of itself.
    middle = np.maximum(middle, short * (1 + 1e-4))
    long = np.maximum(long, middle * (1 + 1e-4))
    left = (
        short**2 * np.exp(-x / short) / ((short - middle) * (short - long))
        + middle**2 * np.exp(-x / middle) / ((middle - short) * (middle - long))
        + long**2 * np.exp(-x / long) / ((long - short) * (long - middle))
    )
    return np.asarray(np.clip(1.0 - left, 0.0, 1.0))


def settled_fraction_averaged(
    elapsed_s: FloatArray, time_constant_s: float | FloatArray, length_s: float | FloatArray
) -> FloatArray:
    """How far the moving average of a settling pole has come: the link's RC seen through a filter that averages.

    (G(t) − G(t − M)) / M with G(t) = t − τ·(1 − exp(−t/τ)), the integral of 1 − exp(−t/τ).

    elapsed_s : time since the step [s]
    time_constant_s : τ [s], above 0
    length_s : M, over which the average is taken [s], above 0
    """
    tau, length = np.asarray(time_constant_s, float), np.asarray(length_s, float)

    def integral(t: FloatArray) -> FloatArray:
        x = np.maximum(t, 0.0)
        return np.asarray(x + tau * np.expm1(-x / tau))

    return np.asarray((integral(elapsed_s) - integral(elapsed_s - length)) / length)


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


_SLOW_LOOP = 1e-9  # of the damping's square: what is left out is smaller than that, and rounding would outweigh it


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
    if omega0_squared < _SLOW_LOOP * alpha * alpha:  # the capacitor has hardly begun to charge at the peak
        return abs(difference_v) / loop_ohm
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


_NEWTON_STEPS = 12  # at most: it converges in four or five, and later only where rounding is all that is left
_NEWTON_ENDS = 1e-12  # of a step in ln(1/x): what is left of the distance to the end is known to as many parts


def settled_fraction_heating(
    elapsed_s: FloatArray, time_constant_s: float | FloatArray, growth: float | FloatArray
) -> FloatArray:
    """How far a link has settled through a resistor that its own losses heat.

    The loss so far depends on the remaining difference x alone: E/E∞ = 1 − x² with E∞ = ½·C·(Vs − V0)². With
    R = R0·(1 + h·E/E∞) the charge obeys dx/dt = −x/(R·C), which integrates to
    (1 + h)·ln(1/x) − h·(1 − x²)/2 = t/(R0·C); solved for x by Newton's method. Own derivation.

    elapsed_s : time since the step [s]
    time_constant_s : R0·C with the resistor cold [s], above 0
    growth : h, by what fraction the resistance has grown at the end [1], 0 or more
    """
    wanted = np.maximum(elapsed_s, 0.0) / time_constant_s
    h = np.asarray(growth, float)
    y = wanted / (1 + h)  # y = ln(1/x); below the root, where the function is convex in y and Newton overshoots once
    for _ in range(_NEWTON_STEPS):
        x_squared = np.exp(-2 * y)
        step = ((1 + h) * y - h * (1 - x_squared) / 2 - wanted) / (1 + h - h * x_squared)
        y = y - step
        if np.max(np.abs(step), initial=0.0) < _NEWTON_ENDS:
            break
    return np.asarray(-np.expm1(-y))


def settled_fraction_constant_power(
    elapsed_s: FloatArray,
    time_constant_s: float | FloatArray,
    end_v: float | FloatArray,
    start_v: float | FloatArray,
    cut_in_v: float | FloatArray,
    load: float | FloatArray,
) -> FloatArray:
    """How far a link has settled when a constant-power load starts on it at a cut-in voltage.

    Up to the cut-in it charges towards Vs = V∞·(1 + k). From there C·dV/dt = (Vs − V)/R − P/V, which with w = V/V∞ and
    k = P·R/V∞² is dw/dt = (1 − w)·(1 − k/w)/(R·C) and integrates in partial fractions to
    [ln((1 − w0)/(1 − w)) + k·ln((w − k)/(w0 − k))]/(1 − k) = t/(R·C). Own derivation; the resting points V∞ and k·V∞
    are those of V² − Vs·V + P·R = 0.

    elapsed_s : time since the step [s]
    time_constant_s : R·C [s], above 0
    end_v : V∞, where the link rests [V]
    start_v : where it starts [V]
    cut_in_v : where the load starts [V]; taken as no lower than the lower resting point k·end_v, for from below that
        the link would collapse
    load : k = P·R/V∞² [1], between 0 and 1
    """
    t, k = np.maximum(elapsed_s, 0.0) / time_constant_s, np.asarray(load, float)
    end_v, start_v, cut_in_v = (np.asarray(v, float) for v in (end_v, start_v, cut_in_v))
    source_v = end_v * (1 + k)
    cut_in_v = np.maximum(np.maximum(cut_in_v, start_v), 1.001 * k * end_v)
    until = np.log((source_v - start_v) / (source_v - cut_in_v))
    unloaded = source_v - (source_v - start_v) * np.exp(-np.minimum(t, until))
    w0 = cut_in_v / end_v
    wanted = np.maximum(t - until, 0.0)
    y = (1 - k) * wanted  # y = ln((1 − w0)/(1 − w)); at or above the root
    for _ in range(_NEWTON_STEPS):
        left = (1 - w0) * np.exp(-y)
        w = 1 - left
        excess = (y + k * np.log((w - k) / (w0 - k))) / (1 - k) - wanted
        better = np.maximum(y - excess * (1 - k) / (1 + k * left / (w - k)), 0.0)
        done = np.max(np.abs(better - y), initial=0.0) < _NEWTON_ENDS
        y = better
        if done:
            break
    loaded = end_v * (1 - (1 - w0) * np.exp(-y))
    volts = np.where(t <= until, unloaded, loaded)
    return np.asarray((volts - start_v) / (end_v - start_v))
