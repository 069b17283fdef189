"""The likelihood of readings that were rounded to a step."""

from __future__ import annotations

from math import exp, pi

import numpy as np
from scipy.special import ndtr

from logscope.arrays import FloatArray

OUTLIER_SHARE = 1e-3  # readings that follow no model: keeps one wild sample from deciding a fit


def rounded_normal_log_likelihood(
    reading: FloatArray,
    expected: FloatArray,
    noise: FloatArray,
    step: float,
    span: float,
    outlier_share: float | FloatArray = OUTLIER_SHARE,
    floor: float = -np.inf,
) -> FloatArray:
    """Log-probability of readings rounded to a step, the noise before rounding being normal.

    A reading y stands for all values in y ± step/2, so its probability is the normal probability of that
    cell. Treating the rounding as more noise of step/√12 instead would claim to know a level that
    never moves far better than one step. Source: Sheppard's grouped-data likelihood.

    reading : shape (n,); expected, noise (standard deviation, > 0) : shape (k, n), k sets of parameters
    step : rounding step, 0 for readings that are not rounded; span : range of possible readings
    floor : the lowest possible reading: it stands for everything below as well (a censored reading)
    outlier_share : chance that a reading follows no model, of all or of each, shape (n,)
    Returns shape (k,): the sum over the readings, for a mix with that share uniform over the span.
    """
    each = log_likelihood_of_each(reading, expected, noise, step, span, outlier_share, floor)
    return np.asarray(each.sum(axis=-1))


def log_likelihood_of_each(
    reading: FloatArray,
    expected: FloatArray,
    noise: FloatArray,
    step: float,
    span: float,
    outlier_share: float | FloatArray = OUTLIER_SHARE,
    floor: float = -np.inf,
) -> FloatArray:
    """The same of each reading by itself, shape (k, n)."""
    deviation = reading - expected
    censored = np.flatnonzero(reading <= floor)
    if step > 0:
        below = ndtr((deviation - step / 2) / noise)
        below[..., censored] = 0.0
        near = ndtr((deviation + step / 2) / noise) - below
        background = outlier_share * step / max(span, step)
    else:
        away = deviation / noise
        near = np.exp(-0.5 * away**2) / (noise * np.sqrt(2 * np.pi))
        near[..., censored] = ndtr(away[..., censored])
        background = outlier_share / span
    return np.asarray(np.log((1 - outlier_share) * near + background))


# Of a step. Readings of a level half-way between two steps flip between them however little noise there is, and scatter
# by half a step; the noise of so few levels is overrated by a tenth of that.
_FLIPS = 0.55


def largest_rounding_bias(noise: float, step: float) -> float:
    """By how much the mean of rounded readings of a level can be wrong at most, in the unit of the step.

    Noise before the rounding evens it out: (step/π)·exp(−2π²·noise²/step²), never more than half a step. Source: first
    term of the mean error of a quantiser with Gaussian input (Widrow and Kollár, Quantization Noise, 2008; from
    memory). Readings scatter by the rounding as well, by step²/12, which is no part of that noise; and where they
    scatter no more than by flipping between two steps, they do not show that there is any.

    noise : standard deviation of the readings, rounding included; step : of them, 0 where they are not rounded

    >>> largest_rounding_bias(0.05, 0.1), round(largest_rounding_bias(0.06, 0.1), 6)
    (0.05, 0.000135)
    """
    if step <= 0.0:
        return 0.0
    share = noise / step
    return step / 2.0 if share < _FLIPS else step / pi * exp(-2.0 * pi**2 * (share**2 - 1.0 / 12.0))
