"""Two or more parts at common moments, and the ratio that two of them keep to."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.signals import Part

MOMENTS_AT_MOST = 20_000  # more say nothing more of a constant, and an hour's log has 360,000
_STALE_PERIODS, _STALE_S = 3.0, 0.3  # a value older than this is of another moment
_AROUND_S = 0.25  # two messages at 10 Hz, each up to a period late (common practice, no published source)
STEADY = 0.04  # by which a steady value may change around a moment


def mean_period_s(part: Part) -> float:
    """Time between samples on the average [s], whatever bursts they come in; NaN with fewer than two."""
    if part.time_s.size < 2:
        return float("nan")
    return float((part.time_s[-1] - part.time_s[0]) / (part.time_s.size - 1))


def known_at(part: Part, at_s: FloatArray) -> FloatArray:
    """The newest value at each moment, shape (m,); NaN where there is none or it is out of date."""
    if part.time_s.size < 2:
        return np.full(at_s.shape, np.nan)
    stale_s = max(_STALE_PERIODS * mean_period_s(part), _STALE_S)
    index = np.searchsorted(part.time_s, at_s, side="right") - 1
    newest = np.maximum(index, 0)
    fresh = (index >= 0) & (at_s - part.time_s[newest] <= stale_s)
    return np.where(fresh, part.value[newest], np.nan)


def common_moments(*parts: Part) -> FloatArray:
    """The moments of the slowest part, thinned where they are many [s], shape (m,)."""
    slowest = min(parts, key=lambda part: part.time_s.size)
    return slowest.time_s[:: max(1, -(-slowest.time_s.size // MOMENTS_AT_MOST))]


def lag_allowance_s(*parts: Part) -> float:
    """How far apart in time two messages may show the same moment [s]."""
    return max(_AROUND_S, *(2.0 * mean_period_s(part) for part in parts))


def steady_at(part: Part, at_s: FloatArray, around_s: float, steady: float = STEADY) -> tuple[FloatArray, BoolArray]:
    """The value at each moment and whether it changes little about it, shape (m,) each.

    steady : by which share of it
    """
    value = known_at(part, at_s)
    before, after = known_at(part, at_s - around_s), known_at(part, at_s + around_s)
    allowed = steady * np.abs(value) + (part.step or 0.0)
    level = (np.abs(before - value) <= allowed) & (np.abs(after - value) <= allowed)
    return value, np.asarray(level & np.isfinite(value))


def on_at(state: Part, at_s: FloatArray) -> BoolArray:
    """Whether a state was on by its newest sample at each moment, shape (m,)."""
    assert state.on is not None
    index = np.searchsorted(state.time_s, at_s, side="right") - 1
    return np.asarray(state.on[np.maximum(index, 0)] & (index >= 0))


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """The ratio that two parts keep to.

    ratio : of the first to the second, with 95 % limits low and high
    share : of the moments at which it holds; agree : of the moments at which the ratio is near the expected one
    at_s : the moments at which it holds [s]; span : ratio of the largest to the smallest reading there
    """

    ratio: float
    low: float
    high: float
    share: float
    agree: float
    at_s: FloatArray
    span: float


_MODE_WIDTH = 0.06  # ratios within 6 % are one: two sensors, sag between two messages, rounding
_MIN_MOMENTS = 8
_AGREE = 0.15  # readings that ever agree within this are of one scale


def kept_ratio(
    at_s: FloatArray, first: FloatArray, second: FloatArray, use: BoolArray, expected: float = 1.0
) -> Kept | None:
    """The ratio of magnitudes that holds at most moments; None with too few.

    at_s : moments, shape (m,); first, second : readings then, shape (m,); use : which to judge by, shape (m,)
    expected : what the ratio should be
    """
    use = use & np.isfinite(first) & np.isfinite(second) & (first != 0.0) & (second != 0.0)
    if np.count_nonzero(use) < _MIN_MOMENTS:
        return None
    logs = np.log(np.abs(first[use] / second[use]))
    order = np.sort(logs)
    after = np.searchsorted(order, order + _MODE_WIDTH, side="right")
    widest = int(np.argmax(after - np.arange(order.size)))
    inside = (logs >= order[widest]) & (logs <= order[widest] + _MODE_WIDTH)
    middle = float(np.median(logs[inside]))
    half = 1.96 * 1.2533 * float(np.std(logs[inside])) / sqrt(np.count_nonzero(inside))  # of a median, normal
    reading = np.abs(second[use][inside])
    return Kept(
        ratio=exp(middle),
        low=exp(middle - half),
        high=exp(middle + half),
        share=float(np.mean(inside)),
        agree=float(np.mean(np.abs(logs - np.log(expected)) <= _AGREE)),
        at_s=at_s[use][inside],
        span=float(np.quantile(reading, 0.98) / np.quantile(reading, 0.02)),
    )
