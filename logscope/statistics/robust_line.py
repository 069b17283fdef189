"""A slope through the origin that a few wild points do not turn, with limits that allow for points in clusters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust import MAD_TO_SIGMA

HUBER_C = 1.345  # 95 % as efficient as least squares on normal errors: P. J. Huber, Robust Statistics (1981)
_ROUNDS = 50
_CONVERGED = 1e-9
LEAST_CLUSTERS = 3  # fewer say nothing of how far they differ


@dataclass(frozen=True, slots=True)
class Slope:
    """The slope of y on x with 95 % limits; `scatter` of the residuals in y, robust; `clusters` that bore on it."""

    value: float
    low: float
    high: float
    scatter: float
    clusters: int


def robust_slope(
    x: FloatArray, y: FloatArray, variance: FloatArray | float, cluster: NDArray[np.int64], noise_x: float = 0.0
) -> Slope | None:
    """Huber's M-estimate of y = slope · x; None with fewer than three clusters or no spread in x.

    The limits are from the scores summed by cluster (Liang & Zeger, Biometrika 73, 1986), Student's with one degree of
    freedom less than clusters, so that neighbouring points, which share their errors, do not count as independent.

    x, y : shape (n,); variance : of each y about the line, up to a common factor, shape (n,)
    cluster : number of the cluster each point belongs to, shape (n,)
    noise_x : standard deviation of x about its true value, at most: it flattens the slope. By how much at most is added
        to the limits, not to the value, for a noise read off a moving signal is too large rather than too small
    """
    numbers, place = np.unique(cluster, return_inverse=True)
    if numbers.size < LEAST_CLUSTERS or not np.any(x):
        return None
    precision = 1.0 / np.broadcast_to(np.asarray(variance, dtype=np.float64), x.shape)
    root = np.sqrt(precision)
    slope = float(np.sum(precision * x * y) / np.sum(precision * x * x))
    weight, scale = precision, 0.0
    for _ in range(_ROUNDS):
        away = (y - slope * x) * root
        scale = max(MAD_TO_SIGMA * float(np.median(np.abs(away))), 1e-12)
        weight = precision * np.minimum(1.0, HUBER_C * scale / np.maximum(np.abs(away), 1e-300))
        before, slope = slope, float(np.sum(weight * x * y) / np.sum(weight * x * x))
        if abs(slope - before) <= _CONVERGED * abs(slope):
            break
    power = float(np.sum(weight * x * x))
    score = np.bincount(place, weight * x * (y - slope * x))
    inside = np.abs(y - slope * x) * root <= HUBER_C * scale  # where Huber's score still grows with the residual
    bread = max(float(np.sum(np.where(inside, precision * x * x, 0.0))), 1e-300)
    error = float(np.sqrt(numbers.size / (numbers.size - 1) * np.sum(score**2))) / bread
    kept = 1.0 - noise_x**2 * float(np.sum(weight)) / power
    if kept < 0.5:
        return None  # x is half noise: no line can be determined
    reach = student_quantile(0.975, numbers.size - 1) * error
    flattened = slope * (1.0 / kept - 1.0)
    scatter = scale / float(np.sqrt(np.median(precision)))
    return Slope(
        slope, slope - reach + min(flattened, 0.0), slope + reach + max(flattened, 0.0), scatter, int(numbers.size)
    )
