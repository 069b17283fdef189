"""Whether a link as expected, seen through sensing lags, explains a curve as well as a slow link does.

A lag makes a curve slower, never faster. Sampling that is too coarse to show the S at its beginning leaves a slow link
and a lagging sensor alike; so does a contactor that closes near the end of the curve, whose step the lag rounds off.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import NamedTuple

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
_LEAST_TWO_LAGS, _LEAST_CLOSING = 8, 12  # samples that two lags want, and a closing behind them
_LATEST_CLOSING = 5.0  # constants more: then nothing is left for a contactor to step over
_TRIES = 60
_MOST_DEVIATIONS = 5.0  # a reading farther off belongs to no curve


class SoundLink(NamedTuple):
    """A link as expected: its time constant lies between two values [s]. When its contactor closes is open, or limited.

    closes_after : so many time constants after the onset at least
    closes_by : and so many at most; where that is a limit, only a curve on which it closes explains the readings
    """

    low_s: float
    high_s: float
    closes_after: float
    closes_by: float = np.inf


class _Samples(NamedTuple):
    """Times [s], voltages and their standard deviations [V], shape (n,) each."""

    time_s: FloatArray
    volts: FloatArray
    noise: FloatArray


def explained_behind_lag(problem: Problem, theta: FloatArray, sound: SoundLink, *, few_do: bool = False) -> bool:
    """Whether a sound link behind one or two lags explains the readings as well.

    problem, theta : the curve that fits best, and its parameters, shape (size,)
    few_do : whether samples too few for every such curve count as explained
    """
    slowest_s = float(np.exp(theta[2]))
    if not problem.layout.fits_onset:  # behind its beginning the curve is an exponential of the slowest constant
        return slowest_s <= LONGEST_LAG_S
    expected, noise = (row[0] for row in problem.expected(theta[None, :]))
    noise = np.sqrt(noise**2 + problem.step_v**2 / 12)
    off = (problem.volts - expected) / noise
    kept = np.abs(off) < _MOST_DEVIATIONS  # the last reading before a closing may follow neither curve
    known = float(np.sum(off[kept] ** 2))
    samples = _Samples(problem.time_s[kept], problem.volts[kept], noise[kept])
    count = samples.time_s.size
    if few_do and count < _LEAST_CLOSING:
        return True
    lags_alone = [_one_lag, *([_two_lags] * (count >= _LEAST_TWO_LAGS))] if np.isinf(sound.closes_by) else []
    shapes = [*lags_alone, *([_lags_and_closing] * (count >= _LEAST_CLOSING))]
    return any(_fits(problem, theta, samples, sound, shape, known + _AS_WELL) for shape in shapes)


_Shape = Callable[[FloatArray, FloatArray], FloatArray]


def _one_lag(time_s: FloatArray, free: FloatArray) -> FloatArray:
    """What the levels before and after the rise add to each reading, shape (n, 2).

    free : onset [s], log of the link's constant, log of the lag
    """
    settled = settled_fraction_two_pole(time_s - free[0], *np.exp(free[1:]))
    return np.column_stack([1 - settled, settled])


def _two_lags(time_s: FloatArray, free: FloatArray) -> FloatArray:
    """The same behind two lags."""
    settled = settled_fraction_three_pole(time_s - free[0], *np.exp(free[1:]))
    return np.column_stack([1 - settled, settled])


def _lags_and_closing(time_s: FloatArray, free: FloatArray) -> FloatArray:
    """The same of a link that is joined to its pack on the way, behind two lags, shape (n, 3): the third is the pack's.

    The link's own curve continues, and what the pack adds to it after the closing passes the same lags: its step, less
    what was left of the curve, which continues to fade. By superposition, with g what was left of the rise.

    free : onset [s], logs of the link's constant and of both lags, and how many constants after the onset it closes
    """
    tau, lag, second = np.exp(free[1:4])
    closed_s = free[0] + free[4] * tau
    settled = settled_fraction_three_pole(time_s - free[0], tau, lag, second)
    step = settled_fraction_two_pole(time_s - closed_s, lag, second)
    fading = np.exp(-free[4]) * (step - settled_fraction_three_pole(time_s - closed_s, tau, lag, second))
    return np.column_stack([1 - settled - fading, settled + fading - step, step])


def _starts(shape: _Shape, onset_s: float, link: float, tau: float, share: float) -> list[list[float]]:
    """Where the search starts, for a link's constant and a lag of a share of the fitted one (logarithms)."""
    lag = tau + np.log(share)
    if shape is _two_lags:
        return [[onset_s, link, lag, lag - 1]]
    if shape is _lags_and_closing:
        return [[onset_s, link, lag, lag - 1, closes] for closes in (0.0, 3.0, 5.0)]
    return [[onset_s, link, lag]]


def _fits(problem: Problem, theta: FloatArray, samples: _Samples, sound: SoundLink, shape: _Shape, most: float) -> bool:
    """Whether such a curve has a squared misfit [1], in variances, of no more than that."""
    time_s, volts, noise = samples
    period_s = problem.period_s
    shortest, longest = np.log(period_s / 20), np.log(LONGEST_LAG_S)
    closes_by = min(sound.closes_by, sound.closes_after + _LATEST_CLOSING)
    further: dict[_Shape, list[tuple[float, float]]] = {
        _one_lag: [],
        _two_lags: [(shortest, longest)],
        _lags_and_closing: [(shortest, longest), (sound.closes_after, closes_by)],
    }
    band = (float(np.log(sound.low_s)), float(np.log(sound.high_s)))
    bounds = [(time_s[0] - period_s, time_s[-1]), band, (shortest, longest), *further[shape]]
    low, high = (np.array(ends, dtype=np.float64) for ends in zip(*bounds, strict=True))
    if np.any(high <= low):
        return False

    def residuals(free: FloatArray) -> FloatArray:
        basis = shape(time_s, free) / noise[:, None]
        levels = np.linalg.lstsq(basis, volts / noise, rcond=None)[0]
        return np.asarray(basis @ levels - volts / noise)

    onset_s, tau = float(problem.layout.onset(theta[None, :])[0]), float(theta[2])
    for link, share in product(band, (0.3, 1.0)):
        for first in _starts(shape, onset_s, link, tau, share):
            start = np.clip(first, low + 1e-6 * (high - low), high - 1e-6 * (high - low))
            found = least_squares(residuals, start, bounds=(low, high), x_scale=(high - low) / 20, max_nfev=_TRIES)
            if 2 * float(found.cost) <= most:
                return True
    return False
