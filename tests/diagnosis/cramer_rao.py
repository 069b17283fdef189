"""The Cramér–Rao bound of the time constant of a simulated precharge: what no unbiased estimate can beat.

Source: Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), chapter 3: the covariance of any
unbiased estimate is at least the inverse of the Fisher information, here that of readings in cells of the rounding
step, Σ over cells of p′p′ᵀ/p. The curve is the simulator's exponential from its own truth.

The stamps jitter uniformly, and their law is unknown to whoever reads a log. They enter as a normal of the same
standard deviation, which of all laws with that deviation tells least (Kay, appendix 3B on non-Gaussian noise).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from precharge_cases import PrechargeCase
from scipy.stats import norm

from logscope.arrays import FloatArray

BEFORE_S = 0.5  # of the level before the rise: earlier, the link may have been bleeding down
_CELLS_REACH = 7.0  # standard deviations around the expected reading that the cells cover
_MOST_CELLS = 400  # a cell per step, or finer cells where readings are not rounded
_STEP = 1e-4  # of the numerical derivative, in the scaled parameters


@dataclass(frozen=True, slots=True)
class Bounds:
    """Least standard deviations of unbiased estimates: time constant [s] and the level approached [V]."""

    time_constant_s: float
    end_V: float


def bounds(case: PrechargeCase) -> Bounds:
    """The bounds of one case; infinite where its samples hold nothing of a parameter."""
    truth, record = case.truth, case.recording
    end_s = truth.close_s if truth.close_s is not None else truth.relay_open_s
    time_s = case.time_s[(case.time_s >= truth.start_s - BEFORE_S) & (case.time_s < end_s)]
    jitter_s = record.jitter_s / np.sqrt(12)
    rise = truth.end_V - truth.start_V
    # start, rise (as shares of the rise), log time constant, onset (as a share of the constant), log noise, log jitter
    centre = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0])

    def cells(theta: FloatArray) -> FloatArray:
        start_v = truth.start_V + theta[0] * rise
        height, tau = rise * np.exp(theta[1]), truth.time_constant_s * np.exp(theta[2])
        elapsed = time_s - truth.start_s - theta[3] * truth.time_constant_s
        decay = np.where(elapsed > 0, np.exp(-np.maximum(elapsed, 0.0) / tau), 1.0)
        volts = start_v + height * (1 - decay)
        rate = np.where(elapsed > 0, height / tau * decay, 0.0)
        noise = np.hypot(record.noise_V * np.exp(theta[4]), rate * jitter_s * np.exp(theta[5]))
        return norm.cdf((edges - volts[:, None]) / noise[:, None])

    edges = _edges(time_s, case, jitter_s)
    base = np.maximum(np.diff(cells(centre), axis=1), 0.0)
    slopes = np.array(
        [np.diff(cells(centre + step) - cells(centre - step), axis=1) / (2 * _STEP) for step in _STEP * np.eye(6)]
    )
    weight = np.where(base > 1e-14, 1 / np.maximum(base, 1e-14), 0.0)
    information = np.einsum("aij,bij,ij->ab", slopes, slopes, weight)
    keep = np.diag(information) > 1e-9  # a jitter of zero, say, is no parameter of these data
    if not keep[:4].all():
        return Bounds(np.inf, np.inf)
    covariance = np.linalg.pinv(information[np.ix_(keep, keep)], hermitian=True, rcond=1e-13)
    end_variance = float(covariance[:2, :2].sum())
    return Bounds(truth.time_constant_s * float(np.sqrt(covariance[2, 2])), rise * end_variance**0.5)


def _edges(time_s: FloatArray, case: PrechargeCase, jitter_s: float) -> FloatArray:
    """The edges of the cells around each expected reading, shape (n, cells + 1) [V]."""
    truth, record = case.truth, case.recording
    elapsed = np.maximum(time_s - truth.start_s, 0.0)
    rise = truth.end_V - truth.start_V
    decay = np.exp(-elapsed / truth.time_constant_s)
    volts = truth.end_V - rise * decay
    rate = np.where(time_s > truth.start_s, rise / truth.time_constant_s * decay, 0.0)
    reach = _CELLS_REACH * float(np.max(np.hypot(record.noise_V, rate * jitter_s))) + record.quantum_V
    if record.quantum_V <= 0 or 2 * reach / record.quantum_V > _MOST_CELLS:
        return np.asarray(volts[:, None] + np.linspace(-reach, reach, _MOST_CELLS + 1))
    many = int(np.ceil(reach / record.quantum_V))
    middle = np.round(volts / record.quantum_V)[:, None] + np.arange(-many, many + 1)
    return np.asarray((np.append(middle, middle[:, -1:] + 1, axis=1) - 0.5) * record.quantum_V)
