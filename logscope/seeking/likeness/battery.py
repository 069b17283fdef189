"""Battery voltage and current: the one sags while the other flows, V = V₀ − R·I.

Only what is quicker than the charge level counts: the open-circuit voltage changes over minutes.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.seeking.likeness.driving import detrended

_AWAKE = 0.5  # of its level: below, a monitor has not woken or has lost its mains
_STAYS = 0.25  # of its level, that a battery's voltage leaves at most


def levels(row: FloatArray) -> float:
    """From 0 to 1: 1 where a field stays near one level whenever it is there at all, as a battery does."""
    top = float(np.quantile(row, 0.95))
    if top < 30:
        return 0.0
    awake = row > _AWAKE * top
    spread = float(np.quantile(np.abs(row[awake] / top - 1.0), 0.98))
    return float(np.mean(awake)) * float(np.clip(1.5 - spread / _STAYS, 0.0, 1.0))


def sag(volts: FloatArray, step_s: float) -> FloatArray:
    """What a voltage, shape (t,), loses against its level, the dead stretches before it wakes set to nothing."""
    top = float(np.quantile(volts, 0.95))
    awake = volts > _AWAKE * top
    filled = np.where(awake, volts, np.median(volts[awake]))
    return -detrended(filled, step_s)
