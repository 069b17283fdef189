"""Rises of the link voltage: where each begins, pauses and ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from logscope.arrays import FloatArray
from logscope.observations.dc_link.link import Link, link_full

_FLAT_SHARE = 0.05  # of the rise: a level that wanders by no more than this has not begun to rise
_REST_SAMPLES = 50  # before the rise, whose median is the level it starts from
_PAUSE_SAMPLES = 5  # samples without a rise that part two attempts
_PAUSE_S = 0.1
# Times as fast as the attempt before: a load that held that one back, or a few samples, make no more of it.
_FASTER = 2.0
_SPLIT_SHARE = 0.1  # a rise behind a pause is an attempt of its own from this share of the whole on


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt. Indices are into the samples of the link voltage.

    onset : the last sample before the rise; top : the first sample at the highest level of the rise
    end : the last sample before the voltage falls, rises anew, or the log ends
    onset_seen : whether the log shows the voltage before the rise
    ended_by : 'fall', 'pause' (another attempt follows), 'log end' or 'level'
    relay_s, relay_end_s, contactor_s : when the flags first show relay on, relay off, contactor on, if mapped
    contactor_after_s : the last sample that shows the contactor off before that
    stayed_open : whether the main contactor's state says open all the while, and the attempt ended within the log
    saws : how often the voltage fell and rose again behind the first rise, as under a load that starts and stops
    """

    onset: int
    top: int
    end: int
    onset_seen: bool
    ended_by: str
    relay_s: float | None = None
    relay_end_s: float | None = None
    contactor_s: float | None = None
    contactor_after_s: float | None = None
    stayed_open: bool = False
    saws: int = 0


def rises_of(volts: FloatArray, least: float) -> list[tuple[int, int, int]]:
    """Legs of the voltage that rise by at least `least` between turning points as large.

    Each as (index of the low, index of the high, index where the fall behind it is confirmed or n).
    """
    turns = _turning_points(volts)
    legs: list[tuple[int, int, int]] = []
    low = high = int(turns[0])
    rising = False
    for index in turns[1:]:
        value = volts[index]
        if rising:
            if value > volts[high]:
                high = int(index)
            elif volts[high] - value >= least:
                legs.append((low, high, int(index)))
                low, rising = int(index), False
        elif value <= volts[low]:
            low = int(index)
        elif value - volts[low] >= least:
            high, rising = int(index), True
    if rising:
        legs.append((low, high, volts.size))
    return legs


def _turning_points(volts: FloatArray) -> np.ndarray:
    """Indices where the voltage turns, the ends, and both ends of every level: all that `rises_of` must see."""
    change = np.sign(np.diff(volts))
    inner = np.flatnonzero(change[1:] != change[:-1]) + 1
    return np.concatenate([[0], inner, [volts.size - 1]])


def parted(link: Link, low: int, high: int, fall: int, least: float) -> list[Attempt]:
    """One rise as one attempt, or as several where it pauses and then goes on gradually."""
    time_s, volts = link.part.time_s, link.part.value
    level = 3 * link.noise_v + link.step_v
    onset = onset_of(volts, low, high, level)
    pieces: list[tuple[int, int]] = []
    start = onset
    for first, last in _pauses(time_s, volts, onset, high, level):
        behind = volts[high] - volts[last]
        jump = last + 2 <= high and volts[last + 2] - volts[last] >= 0.9 * behind
        if volts[first] - volts[start] < least or behind < max(least, _SPLIT_SHARE * link_full(link)) or jump:
            continue
        if not _begins_anew(volts, (start, first, last, high), level):
            continue
        pieces.append((start, last))
        start = last
    pieces.append((start, fall - 1))
    return [as_attempt(link, first, last, low, fall, more=last != fall - 1) for first, last in pieces]


def onset_of(volts: FloatArray, low: int, high: int, level: float) -> int:
    """The last sample before the rise: judged by the median of what came before, not by the lowest."""
    rise = volts[high] - volts[low]
    over = np.flatnonzero(volts[low : high + 1] > volts[low] + max(level, _FLAT_SHARE * rise))
    begun = low + int(over[0]) if over.size else high
    rest = volts[max(low, begun - _REST_SAMPLES) : max(begun, low + 1)]
    calm = np.flatnonzero(volts[low : high + 1] <= np.median(rest) + level)
    return low + int(calm[-1]) if calm.size else low


def _begins_anew(volts: FloatArray, at: tuple[int, int, int, int], level: float) -> bool:
    """Whether a new attempt begins behind a stretch without a rise.

    The voltage then rises faster right behind the stretch than in it; the tail of a curve only ever slows down. And
    through the same resistor it rises no faster than before, as what is missing to the pack's voltage is less: what
    does is a contactor that closes.

    at : where the attempt so far begins, and the first and last sample of the stretch; where the rise is highest
    """
    start, first, last, high = at
    ahead = _PAUSE_SAMPLES
    until = min(high, last + 3 * ahead)
    behind = _most_over(volts[last : until + 1], ahead)
    within = _most_over(volts[first : last + 1], ahead)
    if behind is None or behind <= 3 * max(within or 0.0, level):
        return False
    before = _most_over(volts[start : first + ahead + 1], ahead)
    missing, missing_before = (float(volts[high] - volts[k]) for k in (last, start))
    return before is None or behind <= _FASTER * before * missing / missing_before + level


def _most_over(volts: FloatArray, ahead: int) -> float | None:
    """The largest rise over so many samples [V]; None where there are not so many."""
    return float((volts[ahead:] - volts[:-ahead]).max()) if volts.size > ahead else None


def as_attempt(link: Link, onset: int, end: int, low: int, fall: int, *, more: bool) -> Attempt:
    volts = link.part.value
    level = 3 * link.noise_v + link.step_v
    stretch = volts[onset : end + 1]
    peak = float(stretch.max())
    top = onset + int(np.argmax(stretch >= peak - level))
    if not more and fall < volts.size:  # the fall begins where the voltage last stood at its height
        end = onset + int(np.flatnonzero(stretch >= peak - level)[-1])
    ended_by = "pause" if more else "fall" if fall < volts.size else "level"
    settled_s = link.part.time_s[end] - link.part.time_s[top]
    if ended_by == "level" and settled_s < 3 * link.part.period_s:
        ended_by = "log end"
    return Attempt(onset, top, end, onset_seen=onset > 0 or low > 0, ended_by=ended_by)


def _pauses(time_s: FloatArray, volts: FloatArray, onset: int, high: int, level: float) -> list[tuple[int, int]]:
    """Stretches between onset and high in which the voltage does not rise: (first, last) sample each."""
    if high - onset < _PAUSE_SAMPLES + 2:
        return []
    piece = volts[onset : high + 1]
    ahead = _PAUSE_SAMPLES
    flat = np.flatnonzero(piece[ahead:] - piece[:-ahead] <= level)
    if not flat.size:
        return []
    groups = np.split(flat, np.flatnonzero(np.diff(flat) > 1) + 1)
    found = [(onset + int(g[0]), onset + int(g[-1]) + ahead) for g in groups]
    return [(a, b) for a, b in found if time_s[b] - time_s[a] >= _PAUSE_S]


# Rises in a row from one level to another: two could be a retry that got as far as the first.
_LEAST_RISES = 3
# Of a rise: levels that differ by no more come of one switching threshold, seen a sample early or late.
_ALIKE = 0.25
# First rises within which the next one comes: the same resistor brings the link back; some may fall between samples.
# Swings of a pack under load are slower.
_SOON = 10.0


def joined_hunting(link: Link, attempts: Sequence[Attempt]) -> list[Attempt]:
    """The attempts in order of time, those of a link that saws up and down joined into one each.

    Where the relay's state is mapped it stays on all the while; a retry has an edge of its own. Else it shows by the
    rises, which all begin and end at the thresholds of the load.
    """
    joined: list[Attempt] = []
    run: list[Attempt] = []
    for attempt in attempts:
        if run and not _goes_on(link, run, attempt):
            joined += _as_one(link, run)
            run = []
        run.append(attempt)
    return joined + _as_one(link, run)


def _goes_on(link: Link, run: Sequence[Attempt], attempt: Attempt) -> bool:
    """Whether a rise is one more tooth of the saw."""
    own_edge = attempt.relay_s not in (None, run[0].relay_s)
    return not own_edge and (_relay_held(link, run[0], attempt) or _alike(link, run, attempt))


def _relay_held(link: Link, first: Attempt, attempt: Attempt) -> bool:
    """Whether the relay's state says that it was on from before the first rise to this one."""
    return first.relay_end_s is not None and bool(link.part.time_s[attempt.top] <= first.relay_end_s)


def _alike(link: Link, run: Sequence[Attempt], attempt: Attempt) -> bool:
    """Whether a rise is as high as those before it, from as low, and as soon as the link can be back."""
    time_s, volts, previous = link.part.time_s, link.part.value, run[-1]
    soon = time_s[attempt.top] - time_s[previous.top] <= _SOON * (time_s[run[0].top] - time_s[run[0].onset])
    height = float(volts[attempt.top] - volts[attempt.onset])
    room = max(_ALIKE * height, 4 * link.noise_v + link.step_v)
    same_top = abs(volts[attempt.top] - volts[previous.top]) <= room
    return bool(soon and same_top and (len(run) < 2 or abs(volts[attempt.onset] - volts[previous.onset]) <= room))


def _as_one(link: Link, run: Sequence[Attempt]) -> list[Attempt]:
    held = len(run) > 1 and _relay_held(link, run[0], run[-1])
    closed_before_the_last = any(one.contactor_s is not None for one, _ in pairwise(run))
    if closed_before_the_last or (len(run) < _LEAST_RISES and not held):
        return list(run)
    last = run[-1]
    whole = replace(run[0], end=last.end, ended_by=last.ended_by, stayed_open=last.stayed_open, saws=len(run) - 1)
    return [replace(whole, contactor_s=last.contactor_s, contactor_after_s=last.contactor_after_s)]
