"""A ring on a slow trend: frequency and decay of one swing that dies away, stands, or grows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.findings import Measured
from logscope.physics.second_order import damping_of
from logscope.statistics.pooled import pool

LEAST_ROWS = 12  # six parameters and as many again
_FREQUENCIES, _DECAYS = 40, (-0.2, 0.0, 0.1, 0.25, 0.5, 1.0)  # grid; decays in parts of 2π·frequency


@dataclass(frozen=True, slots=True)
class DampedSinusoid:
    """A swing amplitude·exp(−decay·t) at a frequency, t from the first row; standard errors beside them.

    amplitude : at the first row, in the unit of the values; explained : share of what the trend leaves [1]
    freedom : degrees of freedom of the fit; scatter : of the residuals
    """

    frequency_hz: float
    decay_per_s: float
    amplitude: float
    phase: float
    frequency_error: float
    decay_error: float
    correlation: float
    freedom: int
    scatter: float
    explained: float


def pooled_sinusoids(rings: Sequence[DampedSinusoid]) -> tuple[Measured, Measured]:
    """Frequency [Hz] and damping ratio of several rings of the same thing, at least one, with 95 % limits."""
    joint = pool(
        np.array([[ring.frequency_hz, ring.decay_per_s] for ring in rings]),
        np.array([_covariance(ring) for ring in rings]),
        np.array([(ring.amplitude / max(ring.scatter, 1e-12)) ** 2 for ring in rings]),
        [ring.freedom for ring in rings],
    )
    frequency, damping = (
        joint.figure(of) for of in (lambda hz, _: float(hz), lambda hz, decay: damping_of(float(decay), float(hz)))
    )
    return Measured(frequency[0], "Hz", *frequency[1:]), Measured(damping[0], "1", *damping[1:])


def _covariance(ring: DampedSinusoid) -> FloatArray:
    both = ring.correlation * ring.frequency_error * ring.decay_error
    return np.array([[ring.frequency_error**2, both], [both, ring.decay_error**2]])


def fit_damped_sinusoid(
    time_s: FloatArray, value: FloatArray, low_hz: float, high_hz: float, order: int = 2
) -> DampedSinusoid | None:
    """Least squares of polynomial trend and ring; None where there are too few rows or the fit finds no end.

    The linear part (trend, sine and cosine) is solved for on a grid of frequency and decay, and the best refined
    with all parameters together, whose covariance gives the errors (independent normal noise).

    time_s, value : shape (n,); low_hz, high_hz : where the frequency may lie; order : of the trend
    """
    if time_s.size < LEAST_ROWS + order:
        return None
    t = time_s - time_s[0]
    scale = float(t[-1])
    trend = np.vander(t / scale * 2.0 - 1.0, order + 1)
    base = np.linalg.qr(trend)[0]
    flat = value - base @ (base.T @ value)
    frequency, decay = _best_of_grid(t, flat, base, low_hz, high_hz)
    return _refine(t, value, trend, flat, frequency, decay, (low_hz, high_hz))


def _best_of_grid(
    t: FloatArray, flat: FloatArray, base: FloatArray, low_hz: float, high_hz: float
) -> tuple[float, float]:
    """The frequency and decay of the grid that take most off what the trend leaves; all solved for at once."""
    frequency = np.repeat(np.geomspace(low_hz, high_hz, _FREQUENCIES), len(_DECAYS))
    decay = np.tile(_DECAYS, _FREQUENCIES) * 2 * np.pi * frequency
    turning = np.exp(np.clip(-decay[:, None] * t, -50.0, 50.0) + 2j * np.pi * frequency[:, None] * t)
    cos, sin = (part - (part @ base) @ base.T for part in (turning.real, turning.imag))
    cc, ss, cs = (np.sum(a * b, axis=1) for a, b in ((cos, cos), (sin, sin), (cos, sin)))
    cy, sy = cos @ flat, sin @ flat
    explained = (ss * cy**2 - 2 * cs * cy * sy + cc * sy**2) / np.maximum(cc * ss - cs**2, 1e-12 * cc * ss + 1e-300)
    best = int(np.argmax(explained))
    return float(frequency[best]), float(decay[best])


def _ring(t: FloatArray, frequency: float, decay: float) -> tuple[FloatArray, FloatArray]:
    fade = np.exp(np.clip(-decay * t, -50.0, 50.0))
    return fade * np.cos(2 * np.pi * frequency * t), fade * np.sin(2 * np.pi * frequency * t)


def _refine(
    t: FloatArray,
    value: FloatArray,
    trend: FloatArray,
    flat: FloatArray,
    frequency: float,
    decay: float,
    band: tuple[float, float],
) -> DampedSinusoid | None:
    def solved(at: FloatArray) -> tuple[FloatArray, FloatArray]:
        columns = np.column_stack([trend, *_ring(t, at[0], at[1])])
        parts = np.linalg.lstsq(columns, value, rcond=None)[0]
        return np.asarray(columns @ parts - value), np.asarray(parts)

    found = least_squares(lambda at: solved(at)[0], [frequency, decay], x_scale=[frequency, frequency], max_nfev=60)
    frequency, decay = (float(x) for x in found.x)
    left, parts = solved(found.x)
    freedom = t.size - trend.shape[1] - 4
    if freedom < 2 or not band[0] * 0.9 <= frequency <= band[1] * 1.1:
        return None
    cos, sin = _ring(t, frequency, decay)
    a, b = float(parts[-2]), float(parts[-1])
    by_frequency = 2 * np.pi * t * (-a * sin + b * cos)
    by_decay = -t * (a * cos + b * sin)
    jacobian = np.column_stack([by_frequency, by_decay, cos, sin, trend])
    scatter = float(np.sqrt(np.sum(left**2) / freedom))
    try:
        covariance = np.linalg.inv(jacobian.T @ jacobian) * scatter**2
    except np.linalg.LinAlgError:
        return None
    variances = np.diag(covariance)[:2]
    if not bool(np.all(variances > 0.0)):  # what the rows leave open comes out of the inverse as anything
        return None
    errors = np.sqrt(variances)
    if not (isfinite(errors[0]) and isfinite(errors[1])):
        return None
    correlation = float(covariance[0, 1] / max(errors[0] * errors[1], 1e-300))
    explained = 1.0 - float(np.sum(left**2)) / max(float(np.sum(flat**2)), 1e-300)
    amplitude, phase = float(np.hypot(a, b)), float(np.arctan2(-b, a))
    return DampedSinusoid(
        frequency, decay, amplitude, phase, float(errors[0]), float(errors[1]), correlation, freedom, scatter, explained
    )
