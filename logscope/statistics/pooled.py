"""Several estimates of the same parameters as one, with weights that do not depend on what they weigh."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust import NORMAL_95

_DIRECTIONS = 32  # round the ellipse of the limits


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """value : shape (k,); covariance : shape (k, k); reach : half width of 95 % limits in standard errors."""

    value: FloatArray
    covariance: FloatArray
    reach: float

    def figure(self, of: Callable[..., float]) -> tuple[float, float, float]:
        """A figure of the parameters with its limits: the extremes on the ellipse that the reach draws."""
        root = np.linalg.cholesky(self.covariance + 1e-18 * np.eye(self.value.size) * np.trace(self.covariance))
        around = np.array([of(*(self.value + self.reach * root @ way)) for way in _ways(self.value.size)])
        middle = of(*self.value)
        return middle, min(middle, float(around.min())), max(middle, float(around.max()))


def _ways(size: int) -> FloatArray:
    """Unit vectors in all directions, shape (n, size), for one or two parameters."""
    if size == 1:
        return np.array([[-1.0], [1.0]])
    angle = np.arange(_DIRECTIONS) * 2.0 * pi / _DIRECTIONS
    return np.column_stack([np.cos(angle), np.sin(angle)])


def pool(values: FloatArray, covariances: FloatArray, strengths: FloatArray, freedoms: Sequence[float]) -> Pooled:
    """Mean by strength, the squared size of the signal over its noise.

    Weights from the estimates' own errors would depend on the values: small overshoots, or swings that fade slowly,
    have small errors, and would draw the mean towards themselves. The error that a unit of strength leaves is common
    to all; where the estimates differ by more, the error grows to that (Birge ratio; R. T. Birge, Phys. Rev. 40, 1932).

    values : shape (n, k); covariances : of each, shape (n, k, k); strengths : above zero, shape (n,)
    freedoms : degrees of freedom of each, for the limits
    """
    count, size = values.shape
    weight = strengths / strengths.sum()
    mean = weight @ values
    each = np.tensordot(weight, strengths[:, np.newaxis, np.newaxis] * covariances, axes=1)  # of a unit of strength
    covariance = each / strengths.sum()
    reach = student_quantile(0.975, max(float(np.median(freedoms)), 1.0)) if len(freedoms) else NORMAL_95
    if count >= 2:
        away = values - mean
        chi_squared = float(np.sum(strengths * np.sum(away * (away @ np.linalg.pinv(each)), axis=1)))
        excess = chi_squared / (size * (count - 1))
        if excess > 1.0:
            covariance, reach = covariance * excess, student_quantile(0.975, size * (count - 1))
    return Pooled(mean, covariance, reach)
