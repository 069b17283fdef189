"""Two senders of one identifier, shown by their phases: each sends with the same period, and their clocks drift apart.

A single sender that sends twice a period keeps the distance between the two. Two crystals differ by some 10 to 100 ppm,
so that the distance between the frames of two senders wanders steadily, through zero and beyond.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.bus.facts import MessageFacts

_PART = 32  # frames of which one distance is taken: even, so that the two take turns in it
_FEWEST_PARTS = 6
_STEADY = 0.1  # of the period: scatter from one frame of a sender to its next
_UNEVEN = 0.05  # of the period: nearer to half of it, there may be one sender of half the period
_CERTAIN = 8.0  # standard errors of the drift
_EXPLAINED = 0.9  # of the variance of the distances, by a steady drift
_SLOWEST, _FASTEST = 2e-6, 1e-3  # drift of two clocks against each other: crystals, and ceramic resonators (practice)


@dataclass(frozen=True, slots=True)
class TwoSenders:
    """period_s : of each of them; drift_ppm : of one clock against the other; low, high : 95 % limits."""

    period_s: float
    drift_ppm: float
    low_ppm: float
    high_ppm: float


def two_senders(message: MessageFacts) -> TwoSenders | None:
    """The two senders of an identifier; None where its frames do not show two."""
    times, distances, periods = _distances(message)
    if times.size < _FEWEST_PARTS:
        return None
    period = float(np.median(periods))
    uneven = float(np.mean(np.abs(distances / period - 0.5) > _UNEVEN)) > 0.5
    best = min((_line(times, phase) for phase in _phases(distances, period)), key=lambda line: line.left)
    if not (uneven and best.explained >= _EXPLAINED and best.slope > _CERTAIN * best.error):
        return None
    if not _SLOWEST < best.slope < _FASTEST:
        return None
    half = 1.96 * best.error
    return TwoSenders(period, best.slope * 1e6, (best.slope - half) * 1e6, (best.slope + half) * 1e6)


@dataclass(frozen=True, slots=True)
class _Line:
    """A steady drift: slope, without its sign, and its standard error; the sum of squares left; share explained."""

    slope: float
    error: float
    left: float
    explained: float


def _line(times: FloatArray, phase: FloatArray) -> _Line:
    centred = times - times.mean()
    spread = float(centred @ centred)
    slope = float(centred @ phase / spread)
    rest = phase - phase.mean() - slope * centred
    left, whole = float(rest @ rest), float(np.sum((phase - phase.mean()) ** 2))
    error = float(np.sqrt(left / (times.size - 2) / spread))
    return _Line(abs(slope), error, left, 1.0 - left / whole if whole > 0 else 0.0)


def _phases(distances: FloatArray, period: float) -> Iterator[FloatArray]:
    """The distances as they may have gone: without a turn, or through zero at some part.

    Which of the two comes first does not show, so that a distance through zero looks as if it turned back there.
    """
    near = np.where(distances > period / 2, distances - period, distances)
    yield distances
    for turn in range(1, distances.size):
        yield np.concatenate((-np.abs(near[:turn]), np.abs(near[turn:])))


def _distances(message: MessageFacts) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of parts of the log: when, the distance from the one frame to the other, and the period of both [s].

    The frames at even places are one sender's within a part. Where the next part begins with the other's, the distance
    is the rest of the period; of both the one that continues the part before is taken.
    """
    times: list[float] = []
    distances: list[float] = []
    periods: list[float] = []
    for window in np.unique(message.window):
        stamps = message.stamps_ns[message.window == window] / 1e9
        for first in range(0, stamps.size - _PART, _PART):
            part = stamps[first : first + _PART + 1]
            over_two = part[2:] - part[:-2]
            period = float(np.median(over_two))
            if period <= 0 or float(np.median(np.abs(over_two - period))) > _STEADY * period:
                continue
            between = np.diff(part)
            even, odd = float(np.median(between[::2])), float(np.median(between[1::2]))
            if distances and abs(odd - distances[-1] % period) < abs(even - distances[-1] % period):
                even = odd
            times.append(float(part.mean()))
            distances.append(even)
            periods.append(period)
    return np.array(times), np.array(distances), np.array(periods)
