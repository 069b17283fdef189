"""When a controller sends, and what a sensor shows of a value."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from logscope.arrays import FloatArray

_JITTER_SHARE = 0.01  # of the period, of a controller's own cycle…
_LEAST_JITTER_S = 5e-5  # …and never less than its interrupts cost
_CLOCK_ERROR = 50e-6  # of a controller's crystal, as a ratio


def sending_times(rng: np.random.Generator, period_s: float, end_s: float) -> FloatArray:
    """When a message is ready to be sent until `end_s` [s]: its own phase, clock error and jitter."""
    period_s *= 1.0 + rng.uniform(-_CLOCK_ERROR, _CLOCK_ERROR)
    regular = np.arange(rng.uniform(0.0, period_s), end_s, period_s)
    jitter = rng.normal(0.0, max(_JITTER_SHARE * period_s, _LEAST_JITTER_S), regular.size)
    return np.sort(np.clip(regular + jitter, 0.0, end_s))


def within(spans: Iterable[tuple[float, float]], time_s: FloatArray) -> NDArray[np.bool_]:
    """Whether each time lies in one of the spans (from, until) [s]."""
    inside = np.zeros(time_s.size, dtype=np.bool_)
    for begin_s, end_s in spans:
        inside |= (time_s >= begin_s) & (time_s < end_s)
    return inside


def at_rows(column: FloatArray, row_s: float, time_s: FloatArray) -> FloatArray:
    """The value of the last row at each time."""
    rows = np.clip((time_s / row_s).astype(np.int64), 0, column.size - 1)
    return column[rows]


def largest_since(column: FloatArray, row_s: float, span_s: float) -> FloatArray:
    """At each row the largest value of the last `span_s`."""
    size = max(round(span_s / row_s), 1)
    largest = maximum_filter1d(column, size, origin=(size - 1) // 2, mode="nearest")
    return np.asarray(largest, dtype=np.float64)


def noisy(rng: np.random.Generator, values: FloatArray, deviation: float) -> FloatArray:
    """The values with a sensor's white noise, in their unit."""
    return values + rng.normal(0.0, deviation, values.size)
