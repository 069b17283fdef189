"""Whether a link as expected, seen through sensing lags, explains a curve as well as a slow link does.

A lag makes a curve slower, never faster. Sampling that is too coarse to show the S at its beginning leaves a slow link
and a lagging sensor alike.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.curves.rise_likelihood import Problem
from logscope.physics.rc import settled_fraction_three_pole, settled_fraction_two_pole

# The longest lag that a link's sensing has: filters up to 0.1 s are seen in production (own measurements of public
# captures); half of that more, for those not seen. A slower curve is the link's own.
LONGEST_LAG_S = 0.15
# By how much the squared misfit, in variances, may be larger: 3.1 standard deviations, one in a thousand, as for any
# claim on one side of its limits.
_AS_WELL = 9.5
_LEAST_TWO_LAGS = 8  # samples that two lags want
_TRIES = 60


def explained_behind_lag(problem: Problem, theta: FloatArray, low_s: float, high_s: float) -> bool:
    """Whether a link with a constant between two values, behind one or two lags, explains the readings as well.

    problem, theta : the curve that fits best, and its parameters, shape (size,)
    """
    slowest_s = float(np.exp(theta[2]))
    if not problem.layout.fits_onset:  # behind its beginning the curve is an exponential of the slowest constant
        return slowest_s <= LONGEST_LAG_S
    expected, noise = (row[0] for row in problem.expected(theta[None, :]))
    noise = np.sqrt(noise**2 + problem.step_v**2 / 12)
    known = float(np.sum(_bounded((problem.volts - expected) / noise) ** 2))
    lags = (1, 2) if problem.time_s.size >= _LEAST_TWO_LAGS else (1,)
    return any(_misfit(problem, theta, noise, (low_s, high_s), count) <= known + _AS_WELL for count in lags)


def _misfit(problem: Problem, theta: FloatArray, noise: FloatArray, band: tuple[float, float], lags: int) -> float:
    """The squared misfit [1], in variances, of the best such curve."""
    time_s, volts = problem.time_s, problem.volts
    period_s = problem.period_s
    shortest = np.log(period_s / 20)
    low = np.array([time_s[0] - period_s, np.log(band[0]), *([shortest] * lags)])
    high = np.array([time_s[-1], np.log(band[1]), *([np.log(LONGEST_LAG_S)] * lags)])
    if np.any(high <= low):
        return float("inf")

    def residuals(free: FloatArray) -> FloatArray:
        elapsed = time_s - free[0]
        constants = np.exp(free[1:])
        fraction = settled_fraction_two_pole if lags == 1 else settled_fraction_three_pole
        settled = fraction(elapsed, *constants)
        basis = np.column_stack([1 - settled, settled]) / noise[:, None]
        levels = np.linalg.lstsq(basis, volts / noise, rcond=None)[0]
        return _bounded(basis @ levels - volts / noise)

    best = np.inf
    onset_s, tau = float(problem.layout.onset(theta[None, :])[0]), float(theta[2])
    for link, share in product(np.log(band), (0.3, 1.0)):
        start = np.array([onset_s, link, *([tau + np.log(share)] if lags == 1 else [tau, tau + np.log(share) - 1])])
        start = np.clip(start, low + 1e-6 * (high - low), high - 1e-6 * (high - low))
        found = least_squares(residuals, start, bounds=(low, high), x_scale=(high - low) / 20, max_nfev=_TRIES)
        best = min(best, 2 * float(found.cost))
    return best


def _bounded(deviations: FloatArray) -> FloatArray:
    """A reading that follows no model, as the last before a closing, counts for no more than a few deviations."""
    return np.asarray(np.clip(deviations, -_MOST_DEVIATIONS, _MOST_DEVIATIONS))


_MOST_DEVIATIONS = 5.0
