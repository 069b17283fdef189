"""Steps and short ramps of a target between two levels, found from the target alone."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from logscope.arrays import FloatArray
from logscope.signals import Part
from logscope.statistics.episodes import join_neighbours
from logscope.statistics.robust import MAD_TO_SIGMA

FLAT_S, FLAT_SAMPLES = 0.2, 5  # a level stands this long at least, before and after
_FLAT_SHARE = 0.01  # of the target's range, within which it counts as level: dither of the demand
LONGEST_S = 1.0  # a slower change is a manoeuvre that any loop follows
LEAST_SHARE = 0.10  # of the target's range: smaller steps drown in the current's ripple
_STAMP_KNOWN = 0.01  # of a period: stamps that look better were rounded or made by a clock of the logger's own
WINDOW_S = 2.0  # of the answer, at the most
STEPS_AT_MOST = 20  # the largest; more cost time and make the limits little better


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """One change of a target between two levels.

    start_s, end_s : the target begins to move, and has arrived [s]; early_s : by how much earlier it may have begun
    ramp_s, ramp_error_s : how long it takes on its way, 0 for a step, and the standard error of that
    low_s, until_s : what the two levels leave to look at [s]
    """

    start_s: float
    end_s: float
    early_s: float
    ramp_s: float
    ramp_error_s: float
    low_s: float
    until_s: float
    before: float
    after: float

    @property
    def height(self) -> float:
        """Signed size of the step."""
        return self.after - self.before


def find_steps(target: Part, value: FloatArray) -> list[Step]:
    """The steps of a target, the largest first.

    value : the target as it is judged, magnitude or signed, shape (n,)
    """
    time_s, period_s = target.time_s, target.period_s
    if value.size < 4 * FLAT_SAMPLES or not target.has_period:
        return []
    rows = max(FLAT_SAMPLES, round(FLAT_S / period_s))
    room = _FLAT_SHARE * float(np.ptp(value)) + 1.01 * (target.step or 0.0)
    spread = maximum_filter1d(value, rows) - minimum_filter1d(value, rows)
    middle = np.flatnonzero(spread <= room)
    if middle.size < 2:
        return []
    begin, end = join_neighbours(np.diff(middle) == 1)
    half = rows // 2
    first = np.maximum(middle[begin] - half, 0)
    last = np.minimum(middle[end] + (rows - 1) // 2, value.size - 1)
    found, stamp_s = [], stamp_error_s(time_s, period_s)
    for k in range(first.size - 1):
        step = _between(time_s, value, (first[k], last[k], first[k + 1], last[k + 1]), room, period_s, stamp_s)
        if step is not None and abs(step.height) >= LEAST_SHARE * np.ptp(value):
            found.append(step)
    return sorted(found, key=lambda step: -abs(step.height))[:STEPS_AT_MOST]


def _between(
    time_s: FloatArray, value: FloatArray, ends: tuple[int, int, int, int], room: float, period_s: float, stamp_s: float
) -> Step | None:
    first, last, onset, stop = (int(end) for end in ends)
    before, after = float(np.median(value[first : last + 1])), float(np.median(value[onset : stop + 1]))
    height = after - before
    way = (value[last + 1 : onset] - before) * np.sign(height)
    if time_s[onset] - time_s[last] > LONGEST_S + 2 * period_s or (way.size > 1 and np.any(np.diff(way) < -room)):
        return None
    on_way = np.flatnonzero((way > max(room, 0.02 * abs(height))) & (way < abs(height) - max(room, 0.02 * abs(height))))
    # From half-way of the level before: by then the answer to the step before it has begun, whatever the delay, and
    # what is left of it is the loop's own ring.
    low_s = max(float(time_s[first] + time_s[last]) / 2, float(time_s[last]) - WINDOW_S)
    until_s = min(float(time_s[stop]), float(time_s[onset]) + WINDOW_S)
    t, y = time_s[last + 1 + on_way], way[on_way]
    if on_way.size >= 2 and t[-1] > t[0]:  # a ramp: its corners lie where its line meets the levels
        slope = float((y[-1] - y[0]) / (t[-1] - t[0]))
        if slope <= 0:  # it halts on its way: neither a step nor a ramp
            return None
        start_s = float(np.mean(t - y / slope))
        ramp_s = abs(height) / slope
        ramp_error_s = ramp_s * sqrt(2.0) * stamp_s / float(t[-1] - t[0])
        return Step(start_s, start_s + ramp_s, 0.0, ramp_s, ramp_error_s, low_s, until_s, before, after)
    seen = last + 1 + int(np.argmax(way > room)) if way.size and np.any(way > room) else onset
    earlier = max(int(np.searchsorted(time_s, time_s[seen])) - 1, 0)  # of those that share a stamp it may be any
    early_s = max(period_s, float(time_s[seen] - time_s[earlier]))
    return Step(float(time_s[seen]), float(time_s[onset]), early_s, 0.0, 0.0, low_s, until_s, before, after)


def stamp_error_s(time_s: FloatArray, period_s: float) -> float:
    """Standard deviation of one stamp [s], from how unevenly they follow one another."""
    uneven = MAD_TO_SIGMA * float(np.median(np.abs(np.diff(time_s) - period_s))) / sqrt(2.0)
    return max(uneven, _STAMP_KNOWN * period_s)
