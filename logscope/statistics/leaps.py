"""Readings of a slow quantity that it cannot have had: lone ones far from their neighbours, and those before a leap."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.sampling import typical_period_s

# Readings about one; far apart, they may be on either side of a peak.
_BESIDE_OFTEN, _BESIDE_SELDOM, _OFTEN_S = 9, 5, 1.5


def followed(time_s: FloatArray, value: FloatArray, leap: float, fastest_per_s: float) -> BoolArray:
    """Which readings belong to what changes by less than a leap beside its fastest change, shape (n,).

    A controller repeats its last value until it wakes, and then leaps to the true one: all before is left out.

    time_s, value : shape (n,); leap : in the value's unit, resolution included
    """
    if value.size < 2:
        return np.ones(value.size, np.bool_)
    spacing_s = float(np.nan_to_num(typical_period_s(time_s)))
    beside = median_filter(value, _BESIDE_OFTEN if spacing_s < _OFTEN_S else _BESIDE_SELDOM, mode="nearest")
    kept: BoolArray = np.asarray(np.abs(value - beside) <= leap + fastest_per_s * spacing_s)
    moved = np.flatnonzero(value[kept] != value[kept][:1])
    if moved.size:
        first = int(np.flatnonzero(kept)[moved[0]])
        since_s = time_s[first] - time_s[max(first - 1, 0)]
        if abs(value[first] - value[kept][0]) > leap + fastest_per_s * since_s:
            kept[:first] = False
    return kept
