"""A part as last known at the moments of another: what the inverter, too, has to go by between messages."""

from __future__ import annotations

import numpy as np

from logscope.findings import BoolArray, FloatArray
from logscope.signals import Part


def held_at(part: Part, at_s: FloatArray, stale_s: float) -> tuple[FloatArray, BoolArray]:
    """The last value at each time, and whether there was one that is no older than `stale_s`; shape (n,) each."""
    if not part.time_s.size:
        return np.zeros(at_s.size), np.zeros(at_s.size, dtype=bool)
    index = np.searchsorted(part.time_s, at_s, side="right") - 1
    held = np.maximum(index, 0)
    return part.value[held], (index >= 0) & (at_s - part.time_s[held] <= stale_s)
