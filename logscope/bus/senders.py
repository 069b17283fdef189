"""Two senders of one identifier, shown by their phases: each sends with the same period, and their clocks drift apart.

A single sender that sends twice a period keeps the distance between the two. Two crystals differ by some 10 to 100 ppm,
so that the distance between the frames of two senders wanders steadily, through zero and beyond.

A gateway that repeats a message at its own pace wanders too. Its frames bring nothing new: each holds what the frame
before it held.
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
_ABOVE_NOISE = 8.0  # times the noise of a distance, for its growth to show
_ALIKE, _MOSTLY = 0.6, 0.8  # by which that growth may differ from the line's, and where it must not differ more
_REPEATED = 0.9  # of every other frame, which repeat the one before: a copy taken between two changes does not
_SLOWEST, _FASTEST = 2e-6, 1e-3  # drift of two clocks against each other: crystals, and ceramic resonators (practice)


@dataclass(frozen=True, slots=True)
class TwoSenders:
    """period_s : of each of them; drift_ppm : of one clock against the other; low, high : 95 % limits.

    copies : whether the one repeats what the other sent, or nothing ever changes, so that this does not show
    """

    period_s: float
    drift_ppm: float
    low_ppm: float
    high_ppm: float
    copies: bool


def two_senders(message: MessageFacts) -> TwoSenders | None:
    """The two senders of an identifier; None where its frames do not show two."""
    times, distances, periods = _distances(message)
    if times.size < _FEWEST_PARTS:
        return None
    period = float(np.median(periods))
    uneven = float(np.mean(np.abs(distances / period - 0.5) > _UNEVEN)) > 0.5
    lines = ((_line(times, phase), phase) for phase in _phases(distances, period))
    best, phase = min(lines, key=lambda each: each[0].left)
    if not (uneven and best.explained >= _EXPLAINED and best.slope > _CERTAIN * best.error):
        return None
    if not (_SLOWEST < best.slope < _FASTEST and _steady(times, phase, best.slope)):
        return None
    half = 1.96 * best.error
    return TwoSenders(period, best.slope * 1e6, (best.slope - half) * 1e6, (best.slope + half) * 1e6, _copies(message))


def _steady(times: FloatArray, phase: FloatArray, slope: float) -> bool:
    """Whether the distance grows all the while, as far apart as noise lets it show.

    One sender that restarts puts its frames another distance apart each time: stairs, along which a line fits too.
    """
    between = np.diff(phase)
    noise = float(np.median(np.abs(between - np.median(between)))) / np.sqrt(2.0)
    lag = max(int(np.ceil(_ABOVE_NOISE * noise / (slope * float(np.median(np.diff(times)))))), 1)
    if lag > times.size // 3:
        return False
    grown = np.abs(phase[lag:] - phase[:-lag]) / (times[lag:] - times[:-lag]) / slope
    return float(np.mean(np.abs(grown - 1.0) <= _ALIKE)) >= _MOSTLY


def _copies(message: MessageFacts) -> bool:
    """Whether every other frame repeats the one before it."""
    alternate: list[float] = []
    for window in np.unique(message.window):
        rows = message.payloads[message.window == window]
        for first in range(0, len(rows) - _PART, _PART):
            part = rows[first : first + _PART + 1]
            same = (part[1:] == part[:-1]).all(axis=1)
            alternate.append(max(float(np.mean(same[::2])), float(np.mean(same[1::2]))))
    return bool(alternate) and float(np.median(alternate)) >= _REPEATED


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
    """The distances as they may have gone: without a turn, or through zero or half the period at some part.

    Which of the two comes first does not show, so that a distance looks as if it turned back there.
    """
    near = np.where(distances > period / 2, distances - period, distances)
    yield distances
    for turn in range(1, distances.size):
        yield np.concatenate((-np.abs(near[:turn]), np.abs(near[turn:])))
        yield np.concatenate((np.abs(near[:turn]), period - np.abs(near[turn:])))


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
