"""Samples of one signal seen over time: how long each holds, and its value between them."""

from __future__ import annotations

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.statistics.episodes import join_neighbours

GAP_PERIODS = 3.0  # typical periods between two samples beyond which the log has a gap there
# Samples over which a period is taken: whole bursts of 2, 3, 4, 6 or 12 messages fall into them, others nearly; where
# several share a stamp, it is so many stamps.
_BURST_SAMPLES = 12
_WINDOWS = 8  # at least so many such stretches: a gap then spoils few of them
_CLOSE = 0.5  # of a period: a quarter of all intervals shorter than this makes messages that come in bursts
_BURSTY_SHARE = 0.25
_EVENLY = 0.95  # of all steps between stamps: the others lie across gaps
_PAUSE_ROOM = 1.5  # times the usual pause between two bursts: a longer one is a gap
# A value that repeats between two changes of so many steps each, in one direction, did not stand still: a sampled
# quantity that moves by eight steps a reading gives the same reading twice in one of sixteen cases at most.
_MOVING_STEPS = 8.0
_STEP_SHARE = 0.05  # of all changes, the smallest: what a reading moves by where its own step is unknown or finer
_LEAST_RUNS = 12  # of repeated readings in motion: fewer may be a target that goes up in stairs
_SLOWER = 1.15  # times the messages' period: less than this is left to readings that happen to be equal
_EVEN = 0.3  # of the mean run: a sensor's clock is regular, and the run lengths of a target are not


def typical_period_s(time_s: FloatArray) -> float:
    """Typical time per sample [s]; NaN with fewer than two.

    The median over stretches of several samples, so that messages sent in bursts, or stamped together on a coarse grid,
    have the period at which they come on average: three at a time every 60 ms make 20 ms.

    time_s : stamps in order, shape (n,)

    >>> typical_period_s(np.repeat(np.arange(100) * 0.06, 3))
    0.02
    >>> round(typical_period_s(np.repeat(np.arange(100) * 0.05, 50)), 9)
    0.001
    """
    if time_s.size < 2:
        return float("nan")
    alike = time_s.size / (1 + np.count_nonzero(np.diff(time_s)))  # messages with one stamp
    stamps = max(min(_BURST_SAMPLES, int((time_s.size - 1) / _WINDOWS / alike)), 1)
    steps = min(round(stamps * alike), time_s.size - 1)
    return float(np.median(time_s[steps:] - time_s[:-steps])) / steps


def gap_threshold_s(time_s: FloatArray) -> float:
    """The time between two samples beyond which the log has a gap [s]; NaN with fewer than two.

    `GAP_PERIODS` typical periods, or what distinguishes a gap from the pause between two bursts.
    """
    if time_s.size < 2:
        return float("nan")
    period_s, apart_s = typical_period_s(time_s), np.diff(time_s)
    longest_s = GAP_PERIODS * period_s
    close = apart_s < _CLOSE * period_s
    if np.mean(close) < _BURSTY_SHARE or close.all():
        return longest_s
    return max(longest_s, _PAUSE_ROOM * float(np.quantile(apart_s[~close], 0.9)))


def new_value_period_s(time_s: FloatArray, value: FloatArray, step: float = 0.0) -> float:
    """Typical time between two *new* values [s]: longer than that of the samples where a slow sensor repeats its own.

    A sensor slower than its message shows while its value moves: between two large changes in one direction the same
    reading comes more than once, and it does so evenly. A value at rest shows nothing of the kind, nor does a coarse
    one, whose changes are single steps.

    time_s, value : the samples in order, shape (n,); step : the resolution of the value, 0 where unknown
    """
    period_s = typical_period_s(time_s)
    change = np.diff(value)
    at = np.flatnonzero(change)
    if at.size <= _LEAST_RUNS or not period_s > 0:
        return period_s
    size = change[at]
    large = np.abs(size) >= _MOVING_STEPS * max(step, float(np.quantile(np.abs(size), _STEP_SHARE)))
    moving = large[:-1] & large[1:] & (np.sign(size[:-1]) == np.sign(size[1:]))
    lasted_s, runs = np.diff(time_s[at + 1])[moving], np.diff(at)[moving]
    if runs.size < _LEAST_RUNS:
        return period_s
    whole = runs <= GAP_PERIODS * np.median(runs)
    lasted_s, runs = lasted_s[whole], runs[whole]
    low, high = np.quantile(runs, [0.1, 0.9])
    slower = float(lasted_s.mean())
    if slower < _SLOWER * period_s or high - low > max(1.0, _EVEN * float(runs.mean())):
        return period_s
    return slower


def held_time_s(time_s: FloatArray) -> FloatArray:
    """How long each sample stands until the next [s], shape (n,): at most up to where a gap begins.

    time_s : stamps in order, shape (n,)

    >>> held_time_s(np.array([0.0, 1.0, 2.0, 3.0, 13.0])).tolist()
    [1.0, 1.0, 1.0, 3.0, 1.0]
    """
    if time_s.size < 2:
        return np.zeros(time_s.size)
    return np.asarray(np.minimum(np.append(np.diff(time_s), typical_period_s(time_s)), gap_threshold_s(time_s)))


def between_samples(time_s: FloatArray, value: FloatArray, at_s: FloatArray) -> FloatArray:
    """The value on the straight line between samples, shape (m,); NaN outside them and in gaps.

    time_s, value : the samples, shape (n,); at_s : the wanted moments [s], shape (m,)
    """
    if time_s.size < 2:
        return np.full(at_s.shape, np.nan)
    after = np.clip(np.searchsorted(time_s, at_s), 1, time_s.size - 1)
    gap = time_s[after] - time_s[after - 1] > gap_threshold_s(time_s)
    lost = gap | (at_s < time_s[0]) | (at_s > time_s[-1])
    return np.where(lost, np.nan, np.interp(at_s, time_s, value))


def unbunched_s(time_s: FloatArray) -> FloatArray:
    """Stamps of messages that come in bursts, spread evenly over the time since the burst before [s], shape (n,).

    What is sent together was measured one after the other: the first burst, and one after a gap, at the usual pace, but
    not before the capture's start, 0 s. Stamps that come evenly stay.

    >>> unbunched_s(np.repeat(np.arange(1, 40) * 0.06, 3))[3:6].round(3).tolist()
    [0.08, 0.1, 0.12]
    """
    period_s = typical_period_s(time_s)
    apart_s = np.diff(time_s)
    if time_s.size < 3 or np.mean(apart_s < _CLOSE * period_s) < _BURSTY_SHARE:
        return time_s
    first, last = join_neighbours(apart_s < _CLOSE * period_s)
    size = last - first + 1
    number = np.repeat(np.arange(first.size), size)
    ends = time_s[last]
    pause = np.diff(ends, prepend=ends[0])
    anew = (pause > gap_threshold_s(time_s)) | (pause <= 0)
    pause = np.where(anew, np.minimum(size * period_s, ends), pause)
    back = last[number] - np.arange(time_s.size)
    return np.asarray(np.maximum.accumulate(ends[number] - back * (pause / size)[number]))


def spread_error_s(time_s: FloatArray) -> float:
    """By how much the stamps from `unbunched_s` may be wrong [s]; 0 where none was spread.

    The place within a burst is known to one period; bursts of an uneven number, as of messages that are collected and
    then stamped on a grid, deviate from an even pace by more.

    time_s : stamps as logged, in order, shape (n,)

    >>> round(spread_error_s(np.repeat(np.arange(1, 40) * 0.05, 5)), 6)
    0.01
    """
    spread_s, period_s = unbunched_s(time_s), typical_period_s(time_s)
    if spread_s is time_s or spread_s.size < 2:
        return 0.0
    most = min(round(time_s.size / (1 + np.count_nonzero(np.diff(time_s)))) + 1, spread_s.size - 1)
    uneven = [np.quantile(np.abs(spread_s[k:] - spread_s[:-k] - k * period_s), _EVENLY) for k in range(1, most + 1)]
    return period_s + float(max(uneven))


def gap_s(time_s: FloatArray, since_s: float, until_s: float) -> float:
    """The longest time without a sample that reaches into a stretch [s]; 0 where the log has no gap there.

    >>> gap_s(np.array([0.0, 0.1, 0.2, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]), 0.5, 0.6)
    0.7
    """
    elapsed = np.diff(time_s)
    reaches = (time_s[1:] > since_s) & (time_s[:-1] < until_s)
    longest = float(np.max(elapsed[reaches], initial=0.0))
    return round(longest, 9) if longest > gap_threshold_s(time_s) else 0.0


def missing_s(time_s: FloatArray, since_s: float, until_s: float) -> float:
    """How much of a stretch lies in gaps of the log [s].

    time_s : all stamps of the part, in order, shape (n,); what is usual between them is taken from all of them

    >>> missing_s(np.array([0.0, 0.1, 0.2, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]), 0.1, 1.0)
    0.7
    """
    apart = np.diff(time_s)
    inside = np.minimum(time_s[1:], until_s) - np.maximum(time_s[:-1], since_s)
    return round(float(np.sum(inside[(apart > gap_threshold_s(time_s)) & (inside > 0.0)])), 9)


def shortest_sampled_s(time_s: FloatArray, share: float = 0.95) -> float:
    """The shortest event that holds a sample, in this share of all moments at which it may happen [s].

    An event of length d falls between two samples that are L apart at L − d of the L moments; gaps are left out. NaN
    with fewer than two samples.

    time_s : stamps in order, shape (n,)

    >>> round(shortest_sampled_s(np.arange(100) * 0.1), 6)
    0.095
    >>> round(shortest_sampled_s(np.cumsum(np.tile([0.06, 0.14], 50))), 3)
    0.13
    """
    if time_s.size < 2:
        return float("nan")
    apart_s = np.diff(unbunched_s(time_s))
    apart_s = np.sort(apart_s[apart_s <= gap_threshold_s(time_s)])
    from_here = np.cumsum(apart_s[::-1])[::-1]
    missed_s = from_here - apart_s * np.arange(apart_s.size, 0, -1)  # of events as long as each interval
    wanted_s = (1 - share) * float(apart_s.sum())
    lengths = np.concatenate([[0.0], apart_s])
    return float(np.interp(-wanted_s, -np.concatenate([[apart_s.sum()], missed_s]), lengths))


def zero_order_hold(time_s: FloatArray, value: FloatArray, at_s: FloatArray, longest_s: float = np.inf) -> FloatArray:
    """The newest sample at each moment, shape (m,): what a controller, too, has to go by between messages.

    time_s, value : the samples, shape (n,); at_s : the wanted moments [s], shape (m,)
    longest_s : for how long a sample holds; NaN where the newest one is older, and before the first
    """
    if not time_s.size:
        return np.full(at_s.size, np.nan)
    index = np.searchsorted(time_s, at_s, side="right") - 1
    held = np.maximum(index, 0)
    return np.where((index < 0) | (at_s - time_s[held] > longest_s), np.nan, value[held])


def begins(time_s: FloatArray) -> IndexArray:
    """The first sample of each stretch without a gap, shape (stretches,)."""
    anew = np.flatnonzero(np.diff(time_s) > gap_threshold_s(time_s)) + 1
    return np.concatenate(([0], anew)) if time_s.size else anew


def stretch_numbers(time_s: FloatArray) -> IndexArray:
    """The number of the stretch without a gap that each sample belongs to, shape (n,)."""
    number = np.zeros(time_s.size, dtype=np.int64)
    number[begins(time_s)[1:]] = 1
    return np.cumsum(number)


def stretches(where: BoolArray, time_s: FloatArray, apart_s: float) -> tuple[IndexArray, IndexArray]:
    """First and last sample, both included, of each stretch of samples that are in question, shape (stretches,) each.

    where : whether each sample is, shape (n,); apart_s : stretches at most this far apart are one [s]
    """
    index = np.flatnonzero(where)
    if not index.size:
        return index, index
    first, last = join_neighbours(np.diff(time_s[index]) <= apart_s)
    return index[first], index[last]
