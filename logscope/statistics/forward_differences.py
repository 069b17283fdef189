"""Slopes of a function by forward differences, all of them in one call of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.arrays import FloatArray

_STEP = float(np.sqrt(np.finfo(float).eps))  # where rounding and curvature cost a first difference about the same


def forward_differences(
    values: Callable[[FloatArray], FloatArray], at: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """The Jacobian at a point, shape (n, d); backwards where a step forwards would leave the bounds.

    A least-squares search spends most of its time on slopes. Asked one parameter at a time, a function of a hundred
    readings costs more for being called than for what it computes.

    values : (k, d) parameters → (k, n) values; at : shape (d,), between low and high, shape (d,) each
    """
    step = _STEP * np.where(at < 0, -1.0, 1.0) * np.maximum(np.abs(at), 1.0)
    step = np.where((at + step < low) | (at + step > high), -step, step)
    step = (at + step) - at  # what remains of it after rounding
    first, *others = values(np.vstack([at, at + np.diag(step)]))
    return np.asarray((np.array(others) - first).T / step)
