"""The covariance that an information matrix leaves, infinite where it determines nothing.

A pseudo-inverse takes the directions of which data say nothing for known: parameters that cannot be told apart then
have limits of no width. Only what is orthogonal to those directions is estimable (C. R. Rao, Linear Statistical
Inference and Its Applications, 2nd ed., 1973, section 4a).
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray

_NOTHING = 1e-12  # of the largest eigenvalue: slopes known to 1e-16 leave squares that small of nothing at all
_BEARS = 1e-8  # squared share of a direction that bears on a parameter


def covariance_of(information: FloatArray) -> FloatArray:
    """The inverse, shape (k, k); a parameter that is not determined has an infinite variance, and no covariances."""
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    units = np.where(scale > 0.0, scale, 1.0)
    sizes, directions = np.linalg.eigh(information / np.outer(units, units))
    nothing = sizes <= _NOTHING * max(float(sizes[-1]), 0.0)
    inverse = (directions / np.where(nothing, np.inf, sizes)) @ directions.T
    covariance: FloatArray = inverse / np.outer(units, units)
    open_ = (directions[:, nothing] ** 2).sum(axis=1) > _BEARS
    covariance[open_, :] = 0.0
    covariance[:, open_] = 0.0
    covariance[open_, open_] = np.inf
    return covariance


def variance_of(weights: FloatArray, covariance: FloatArray) -> float:
    """Of a weighted sum of parameters; infinite where a parameter in it is not determined. weights : shape (k,)"""
    used = weights != 0.0
    if np.isinf(np.diag(covariance)[used]).any():
        return float("inf")
    return max(float(weights[used] @ covariance[np.ix_(used, used)] @ weights[used]), 0.0)
