"""Order analysis: how much of a signal repeats so many times in a turn of the shaft.

Sines are fitted by least squares at the angles where samples lie, so that a shaft whose speed changes is no
hindrance: Lomb, Astrophys. Space Sci. 39 (1976), with the angle in place of time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.distributions import f_tail, student_quantile

Segment = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One order: mean amplitude over segments in the signal's unit, noise taken off, with 95 % limits.

    p_value : of so much power with no line there
    """

    order: float
    amplitude: float
    low: float
    high: float
    p_value: float


def amplitudes(turns: FloatArray, value: FloatArray, orders: FloatArray) -> FloatArray:
    """Amplitude of the best sine at each order, in the unit of `value`; shape (orders,).

    turns : shaft angle of each sample [turns], shape (n,); value : about zero, shape (n,)
    """
    phase = 2.0 * np.pi * orders[:, np.newaxis] * turns
    c, s = np.cos(phase), np.sin(phase)
    cc, ss, cs = (c * c).sum(axis=1), (s * s).sum(axis=1), (c * s).sum(axis=1)
    cy, sy = c @ value, s @ value
    whole = np.maximum(cc * ss - cs * cs, 1e-12 * turns.size**2)
    return np.asarray(np.hypot((ss * cy - cs * sy) / whole, (cc * sy - cs * cy) / whole), dtype=np.float64)


def order_line(segments: Sequence[Segment], order: float, aside: FloatArray) -> OrderLine:
    """The power at one order against the orders aside, over segments of (turns, values), at least two.

    Under noise alone the ratio of mean powers is F-distributed: each fitted sine has two degrees of freedom.

    aside : orders at which no line is expected, far enough apart to be independent
    """
    power = np.array([amplitudes(turns, value, np.append(order, aside)) ** 2 for turns, value in segments])
    line, noise = power[:, 0], power[:, 1:]
    ratio = float(np.mean(line)) / max(float(np.mean(noise)), 1e-300)
    count = len(segments)
    p_value = f_tail(ratio, 2 * count, 2 * count * aside.size)
    above = np.sqrt(np.maximum(line - np.mean(noise, axis=1), 0.0))
    amplitude = float(np.mean(above))
    half = student_quantile(0.975, count - 1) * float(np.std(above, ddof=1)) / sqrt(count)
    return OrderLine(order, amplitude, max(amplitude - half, 0.0), amplitude + half, p_value)
