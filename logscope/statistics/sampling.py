"""Samples of one signal seen over time: how long each holds, and its value between them."""

from __future__ import annotations

import numpy as np

from logscope.findings import BoolArray, FloatArray
from logscope.statistics.episodes import IndexArray, join_neighbours

_USUAL, _JUDGED_AT_MOST = 0.9, 100_000
GAP_PERIODS = 3.0  # typical periods between two samples beyond which the log has a gap there


def typical_period_s(time_s: FloatArray) -> float:
    """Median time between samples [s]; NaN with fewer than two."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else float("nan")


def held_time_s(time_s: FloatArray) -> FloatArray:
    """How long each sample stands until the next [s], shape (n,): at most `GAP_PERIODS` typical periods.

    time_s : stamps in order, shape (n,)

    >>> held_time_s(np.array([0.0, 1.0, 2.0, 3.0, 13.0])).tolist()
    [1.0, 1.0, 1.0, 3.0, 1.0]
    """
    if time_s.size < 2:
        return np.zeros(time_s.size)
    period_s = typical_period_s(time_s)
    return np.asarray(np.minimum(np.append(np.diff(time_s), period_s), GAP_PERIODS * period_s))


def between_samples(time_s: FloatArray, value: FloatArray, at_s: FloatArray) -> FloatArray:
    """The value on the straight line between samples, shape (m,); NaN outside them and in gaps.

    time_s, value : the samples, shape (n,); at_s : the wanted moments [s], shape (m,)
    """
    if time_s.size < 2:
        return np.full(at_s.shape, np.nan)
    after = np.clip(np.searchsorted(time_s, at_s), 1, time_s.size - 1)
    gap = time_s[after] - time_s[after - 1] > GAP_PERIODS * typical_period_s(time_s)
    lost = gap | (at_s < time_s[0]) | (at_s > time_s[-1])
    return np.where(lost, np.nan, np.interp(at_s, time_s, value))


def gap_s(time_s: FloatArray, since_s: float, until_s: float) -> float:
    """The longest time without a sample that reaches into a stretch [s]; 0 where all of them came as they usually do.

    What is usual is the longer times between samples (their 90th percentile), so that bursts are no gaps.

    >>> gap_s(np.array([0.0, 0.1, 0.2, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]), 0.5, 0.6)
    0.7
    """
    elapsed = np.diff(time_s)
    if not elapsed.size:
        return 0.0
    reaches = (time_s[1:] > since_s) & (time_s[:-1] < until_s)
    longest = float(np.max(elapsed[reaches], initial=0.0))
    usual = float(np.quantile(elapsed[:: elapsed.size // _JUDGED_AT_MOST + 1], _USUAL))
    return round(longest, 9) if longest > GAP_PERIODS * usual else 0.0


def last_sample(time_s: FloatArray, value: FloatArray, at_s: FloatArray) -> FloatArray:
    """The newest sample at each moment, shape (m,); NaN before the first.

    time_s, value : the samples, shape (n,); at_s : the wanted moments [s], shape (m,)
    """
    index = np.searchsorted(time_s, at_s, side="right") - 1
    return np.where(index < 0, np.nan, value[np.maximum(index, 0)])


def silence_s(time_s: FloatArray) -> float:
    """How long a message must be silent to have begun anew [s]; infinite with fewer than two samples.

    Beyond `GAP_PERIODS` typical periods, and beyond as many of the longest twentieth: messages that come in bursts
    pause after each.
    """
    apart = np.diff(time_s)
    return GAP_PERIODS * max(float(np.median(apart)), float(np.quantile(apart, 0.95))) if apart.size else float("inf")


def begins(time_s: FloatArray) -> IndexArray:
    """The first sample of each stretch without a silence, shape (stretches,)."""
    anew = np.flatnonzero(np.diff(time_s) > silence_s(time_s)) + 1
    return np.concatenate(([0], anew)) if time_s.size else anew


def stretches(where: BoolArray, time_s: FloatArray, apart_s: float) -> tuple[IndexArray, IndexArray]:
    """First and last sample of each stretch of samples that are in question, shape (stretches,) each.

    where : whether each sample is, shape (n,); apart_s : stretches at most this far apart are one [s]
    """
    index = np.flatnonzero(where)
    if not index.size:
        return index, index
    first, last = join_neighbours(np.diff(time_s[index]) <= apart_s)
    return index[first], index[last]
