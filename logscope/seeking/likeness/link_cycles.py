"""The cycles of a DC link by its voltage alone: when it rises, when it is up, when it begins to fall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.seeking.likeness.link import Precharge, precharge_of

_LEAST_SCORE = 0.3
_GONE = 0.7  # of the step: a link that sags under load keeps more
_NEAR = 0.015  # of the level: where the last moment at the level is sought first
_AT_LEVEL = 0.005  # of the level, or two counts: what the resting link keeps within
_FIRST_FALL_S = 2.0  # of a fall with a time constant of seconds to minutes: still a line
_STILL_LINE = 0.1  # of the step: farther down a fast fall, as that of an active discharge, has bent
_MOST_CYCLES = 50


@dataclass(frozen=True, slots=True)
class LinkCycle:
    """From one precharge to the next fall [s]: the rise begins, reaches 90 and 95 %, and the level is left."""

    rises_s: float
    nearly_up_s: float
    up_s: float
    falls_s: float


def link_cycles(time_s: FloatArray, volts: FloatArray) -> list[LinkCycle]:
    """All cycles, in order."""
    spans = [(0, volts.size)]
    found: list[LinkCycle] = []
    while spans and len(found) < _MOST_CYCLES:
        start, stop = spans.pop()
        rise = precharge_of(time_s[start:stop], volts[start:stop])
        if rise is None or rise.score < _LEAST_SCORE:
            continue
        cycle, begin, end = _cycle(time_s, volts, rise)
        found.append(cycle)
        spans += [(start, min(begin, stop)), (min(end, stop), stop)]
    return sorted(found, key=lambda cycle: cycle.rises_s)


def _cycle(time_s: FloatArray, volts: FloatArray, rise: Precharge) -> tuple[LinkCycle, int, int]:
    """The cycle that begins with a rise, and the rows at which it begins and ends."""
    begin = int(np.searchsorted(time_s, rise.start_s))
    up = int(np.searchsorted(time_s, rise.end_s))
    low = np.flatnonzero(volts[up:] < rise.low + _GONE * (rise.high - rise.low))
    end = up + int(low[0]) if low.size else volts.size
    level = float(np.median(volts[up:end])) if end > up else rise.high
    near = up + np.flatnonzero(volts[up:end] >= (1 - _NEAR) * level)
    last = int(near[-1]) if near.size else end - 1
    rest = (time_s >= time_s[last] - 3.0) & (time_s <= time_s[last] - 0.7) & (time_s >= rise.end_s)
    if rest.any():
        level = float(np.median(volts[rest]))
    at_level = up + np.flatnonzero(volts[up:end] >= level - max(2.0 * _count(volts), _AT_LEVEL * abs(level)))
    last = int(at_level[-1]) if at_level.size else last
    step = rise.high - rise.low
    last_s = _leaves(time_s, volts, min(last, time_s.size - 1), level, step)
    nearly = begin + int(np.argmax(volts[begin : up + 1] >= rise.low + 0.9 * step))
    cycle = LinkCycle(rise.start_s, float(time_s[nearly]), rise.end_s, last_s)
    return cycle, begin, max(end, up + 1)


def _leaves(time_s: FloatArray, volts: FloatArray, last: int, level: float, step: float) -> float:
    """When a voltage that is below its level after a row began to fall, by the line of its first seconds."""
    stop = int(np.searchsorted(time_s, time_s[last] + _FIRST_FALL_S))
    bent = np.flatnonzero(volts[last:stop] < level - _STILL_LINE * step)
    after = slice(last, last + int(bent[0]) if bent.size else stop)
    if time_s[after].size < 5:
        return float(time_s[last])
    slope, base = np.polyfit(time_s[after], volts[after], 1)
    if slope >= 0:
        return float(time_s[last])
    return float(np.clip((level - base) / slope, time_s[last] - _FIRST_FALL_S, time_s[last]))


def _count(volts: FloatArray) -> float:
    """The smallest difference between two of the values: one count."""
    values = np.unique(volts[:: max(1, volts.size // 4096)])
    return float(np.min(np.diff(values))) if values.size > 1 else 0.0
