"""What a signal does in the log: pure functions on its samples.

Thresholds are wide on purpose: they distinguish kinds of signals, they do not judge the drive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray

LEAST_PACK_V = 30.0  # above a 24 V supply while it is charged (29 V); packs of 48 V nominal end at 36 V and more
LOW, HIGH = 0.2, 0.8  # of the level: an RC rise takes 1.4 time constants from one to the other
_STAYS_S, _STAYS_SAMPLES = 0.5, 3  # a level, and not a spike
_LEVEL_QUANTILE = 0.95  # the level is reached for 5 % of the log at least; single wild samples do not count
_TRACKS_WITHIN, _TRACKS_SHARE = 0.10, 0.80  # tyre slip, sampling at other times, and disturbances are let pass
_MOVING, _STILL = 0.10, 0.01  # of the largest magnitude
_SAME_WITHIN, _SAME_SHARE, _MOVES = 0.05, 0.90, 0.5  # two sensors and two clocks; while one is disturbed they differ
_LEAST_SAMPLES = 20
_LEAST_SPREAD = 1.5  # two constants always have a fixed ratio: moving together takes different magnitudes
_SIGN_SHOWN = 0.3  # lowest correlation, at its lower 95 % limit, that shows which way a current counts


@dataclass(frozen=True, slots=True)
class Rise:
    """A voltage that comes up and stays: when it was last under 20 % of its level, and first over 80 %."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class VoltageShape:
    """How a voltage moves.

    level_V : that it holds while it is up; sinks : whether it is ever under 20 % of it
    gradual : whether samples in between show a curve, up or down, rather than a step
    rise : the first that stays
    """

    level_V: float
    sinks: bool
    gradual: bool
    rise: Rise | None


def voltage_shape(time_s: FloatArray, volts: FloatArray) -> VoltageShape | None:
    """How a voltage [V] moves; None where it has too few samples, or never the level of a traction battery."""
    if volts.size < 2 * _STAYS_SAMPLES or (level := float(np.quantile(volts, _LEVEL_QUANTILE))) < LEAST_PACK_V:
        return None
    side = np.where(volts < LOW * level, -1, np.where(volts > HIGH * level, 1, 0))
    settled = np.flatnonzero(side)
    turns = np.flatnonzero(np.diff(side[settled]))
    last, first = settled[turns], settled[turns + 1]
    rises = (
        Rise(float(time_s[a]), float(time_s[b]))
        for a, b in zip(last.tolist(), first.tolist(), strict=True)
        if side[b] > 0 and _stays(time_s, side, b)
    )
    # Two values in between at least: a monitor that wakes up may hold one before it has measured.
    gradual = any(np.unique(volts[a + 1 : b]).size > 1 for a, b in zip(last.tolist(), first.tolist(), strict=True))
    return VoltageShape(level, bool(np.any(side < 0)), gradual, next(rises, None))


def _stays(time_s: FloatArray, side: NDArray[np.int64], at: int) -> bool:
    end = max(int(np.searchsorted(time_s, time_s[at] + _STAYS_S)), at + _STAYS_SAMPLES)
    return end <= side.size and bool(np.all(side[at:end] > 0))


def tracks(time_s: FloatArray, value: FloatArray, other_time_s: FloatArray, other: FloatArray) -> float | None:
    """The ratio value : other, where the two keep one while they move and are still together; else None.

    Both are series of their own times [s]; shapes (n,) and (m,).
    """
    if value.size < _LEAST_SAMPLES or other.size < _LEAST_SAMPLES:
        return None
    inside = (time_s >= other_time_s[0]) & (time_s <= other_time_s[-1])
    own, beside = value[inside], np.interp(time_s[inside], other_time_s, other)
    if own.size < _LEAST_SAMPLES:
        return None
    size = np.quantile(np.abs(beside), _LEVEL_QUANTILE)
    moving, still = np.abs(beside) > _MOVING * size, np.abs(beside) <= _STILL * size
    if size == 0 or np.count_nonzero(moving) < _LEAST_SAMPLES:
        return None
    low, high = np.quantile(np.abs(beside[moving]), (0.1, 0.9))
    ratios = own[moving] / beside[moving]
    ratio = float(np.median(ratios))
    if high < _LEAST_SPREAD * low or ratio == 0:
        return None
    together = np.mean(np.abs(ratios / ratio - 1) <= _TRACKS_WITHIN)
    rests = np.mean(np.abs(own[still]) <= _MOVING * abs(ratio) * size) if np.any(still) else 1.0
    return ratio if min(together, rests) >= _TRACKS_SHARE else None


def reads_the_same(time_s: FloatArray, value: FloatArray, other_time_s: FloatArray, other: FloatArray) -> bool:
    """Whether two series of one unit agree within 5 % of their size nearly all the time, and move so that it shows."""
    if min(value.size, other.size) < _LEAST_SAMPLES:
        return False
    beside = np.interp(time_s, other_time_s, other)
    size = max(float(np.quantile(np.abs(series), _LEVEL_QUANTILE)) for series in (value, other))
    moves = min(float(np.ptp(value)), float(np.ptp(other))) >= _MOVES * size > 0
    return moves and float(np.mean(np.abs(value - beside) <= _SAME_WITHIN * size)) >= _SAME_SHARE


def slopes(time_s: FloatArray, value: FloatArray, step_s: float = 1.0) -> FloatArray:
    """Changes from the mean of each `step_s` to that of the next one that has samples, per second; shape (k,)."""
    times, means = _means(time_s, value, step_s)
    return np.asarray(np.diff(means) / np.diff(times))


def _means(time_s: FloatArray, value: FloatArray, step_s: float) -> tuple[FloatArray, FloatArray]:
    if value.size == 0:
        return np.zeros(0), np.zeros(0)
    cell = np.floor(time_s / step_s).astype(np.int64)
    cells, start = np.unique(cell, return_index=True)
    means = np.add.reduceat(value, start) / np.diff(np.append(start, value.size))
    return cells.astype(np.float64) * step_s, means


def goes_with(time_s: FloatArray, value: FloatArray, other_time_s: FloatArray, other: FloatArray) -> int:
    """1 where changes of the one from second to second go with those of the other, −1 where against; 0 if not shown.

    By the correlation of the changes, with its 95 % limit from Fisher's transform z = atanh r, sd = 1/√(n − 3).
    """
    cells, own = _means(time_s, value, 1.0)
    others, beside = _means(other_time_s, other, 1.0)
    common, at, there = np.intersect1d(cells, others, return_indices=True)
    if common.size < 8:
        return 0
    a, b = np.diff(own[at]), np.diff(beside[there])
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        return 0
    r = float(np.clip(np.corrcoef(a, b)[0, 1], -0.999999, 0.999999))
    lower = np.tanh(abs(np.arctanh(r)) - 1.96 / np.sqrt(a.size - 3))
    return int(np.sign(r)) if lower > _SIGN_SHOWN else 0


def spells(time_s: FloatArray, on: BoolArray) -> list[tuple[float, float]]:
    """(start, end) [s] of each stretch in which a switch is on; end is the first sample off, or infinity."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], on, [False])).astype(np.int8)))
    return [
        (float(time_s[a]), float(time_s[b]) if b < time_s.size else float("inf"))
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]
