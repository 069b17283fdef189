"""The second-order loop: how it answers a step and a ramp, and the figures a tuner reads off it.

G(s) = ωₙ²/(s² + 2ζωₙs + ωₙ²). Source of all figures: K. Ogata, Modern Control Engineering, chapter 5 (from memory; its
example 5-1 is in the tests).
"""

from __future__ import annotations

from math import exp, inf, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray

ComplexArray = NDArray[np.complex128]

_APART = 1e-4  # from critical damping, where both poles meet and the formula divides by zero


def _poles(natural: float | FloatArray, damping: float | FloatArray) -> tuple[ComplexArray, ComplexArray]:
    damping = np.where(np.abs(np.asarray(damping) - 1.0) < _APART, 1.0 + _APART, damping)
    root = np.sqrt(damping**2 - 1.0 + 0j)
    return natural * (-damping + root), natural * (-damping - root)


def step_response(elapsed_s: FloatArray, natural: float | FloatArray, damping: float | FloatArray) -> FloatArray:
    """Answer to a unit step at 0, of the shape that the three make together; 0 before it.

    elapsed_s : [s]; natural : ωₙ [rad/s]; damping : ζ [1]
    """
    one, other = _poles(natural, damping)
    t = np.maximum(elapsed_s, 0.0)
    return np.asarray((1 + (other * np.exp(one * t) - one * np.exp(other * t)) / (one - other)).real)


def free_responses(elapsed_s: FloatArray, natural: float | FloatArray, damping: float | FloatArray) -> FloatArray:
    """What becomes of a deviation of 1 at rest, and of a speed of ωₙ at no deviation; no input at all.

    elapsed_s : 0 or later [s]; the two solutions of y″ + 2ζωₙy′ + ωₙ²y = 0 that together make every other
    Returns the two side by side along a last axis of their own.
    """
    one, other = _poles(natural, damping)
    first, second = np.exp(one * elapsed_s), np.exp(other * elapsed_s)
    away = (one * second - other * first) / (one - other)
    moving = natural * (first - second) / (one - other)
    return np.stack([away.real, moving.real], axis=-1)


def ramp_response(
    elapsed_s: FloatArray, natural: float | FloatArray, damping: float | FloatArray, ramp_s: float | FloatArray
) -> FloatArray:
    """Answer to an input that rises from 0 to 1 in `ramp_s` [s]: the step response averaged over the ramp.

    ramp_s : one length, or several that are all above 0
    """
    if np.all(np.asarray(ramp_s) <= 0.0):
        return step_response(elapsed_s, natural, damping)
    one, other = _poles(natural, damping)

    def area(t: FloatArray) -> FloatArray:
        t = np.maximum(t, 0.0)
        grown = (other / one) * np.expm1(one * t) - (one / other) * np.expm1(other * t)
        return np.asarray((t + grown / (one - other)).real)

    return (area(elapsed_s) - area(elapsed_s - ramp_s)) / ramp_s


def overshoot_share(damping: float) -> float:
    """Overshoot of a step over its height: exp(−πζ/√(1−ζ²)); 0 from critical damping on.

    >>> round(overshoot_share(0.6), 3)
    0.095
    """
    if damping >= 1.0:
        return 0.0
    return exp(-pi * damping / sqrt(1.0 - damping**2))


def damping_from_overshoot(share: float) -> float:
    """ζ of an overshoot between 0 and 1: L/√(π² + L²) with L = −ln(share).

    >>> round(damping_from_overshoot(0.7), 4)
    0.1128
    """
    size = -log(share)
    return size / sqrt(pi**2 + size**2)


def damping_from_decrement(decrement: float) -> float:
    """ζ of a logarithmic decrement δ, the logarithm of the ratio of two peaks one period apart: δ/√(4π² + δ²)."""
    return decrement / sqrt(4 * pi**2 + decrement**2)


def damping_of(decay_per_s: float, frequency_hz: float) -> float:
    """ζ of a ring that falls as exp(−d·t) at a frequency f: the decrement is d/f; below 0 where it grows."""
    return damping_from_decrement(decay_per_s / frequency_hz)


def rise_time_s(natural: float, damping: float) -> float:
    """From 10 % to 90 % of a step [s], read off the response itself."""
    reach = (12.0 + 8.0 * max(damping, 1.0)) / natural
    t = np.linspace(0.0, reach, 4000)
    y = step_response(t, natural, damping)
    low, high = (t[int(np.argmax(y >= share))] for share in (0.1, 0.9))
    return float(high - low)


def settling_time_s(natural: float, damping: float, band: float = 0.05) -> float:
    """When a step has come into ±band of its height for good [s], by the envelope below critical damping."""
    if damping <= 0.0:
        return inf
    t = np.linspace(0.0, (3.0 * max(damping, 1.0) + 6.0 / min(damping, 1.0)) / natural, 8000)
    outside = np.flatnonzero(np.abs(step_response(t, natural, damping) - 1.0) > band)
    return float(t[outside[-1] + 1]) if outside.size and outside[-1] + 1 < t.size else 0.0
