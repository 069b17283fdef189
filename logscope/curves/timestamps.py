"""What the stamps of a link voltage are worth: a reading may be older than its stamp says, or the stamp coarse.

A sensor slower than its message has its readings repeated. Those are one reading, taken somewhere between the message
before and the first that carries it. Stamps on a grid as coarse as the message's period do not say when within a step
of the grid a message came, nor how old its value was; they say no more than that the error is at most so large. Where
several messages come at once, or bear one stamp, the last of them was taken last, and its stamp is the nearest to true.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import typical_period_s

_COARSE_SHARE = 0.3  # of a period: a finer grid shows how regular the messages are
_FINEST_S = 1e-4  # grids finer than this are no matter beside any message's period
_ON_GRID = 0.02  # of the finest grid: rounding of the numbers in a log
_LEAST_COUNTED = 10  # messages: fewer leave their period open
_AS_COARSE = 0.95  # of the period: on such a grid one that is missing looks like a slip of two clocks
_MOST_COUNTED = 400  # messages or readings that are compared with one another, spread over all
# By how much messages may be sent off their period, as shares of the grid: more, and the count tells less than stamps.
_UNEVEN_SHARES = (0.0, 0.02, 0.05, 0.1, 0.2)
_CLOCKS_APART = 2e-4  # a controller's clock and a logger's, each off by 100 ppm (quartz, common practice)
_AT_EDGE = 0.05  # of the range of possible periods
_LEAST_READINGS = 5  # of a sensor in a row: fewer hold hardly a clock
_EVEN_TASK = 0.01  # of its period: by how much a controller's task runs off it (common practice, no published source)
_CLOCKS = 65  # periods that are tried


class Known(Enum):
    """How well the error of the stamps is known."""

    BY_SCATTER = "from how the stamps scatter about their period"
    SURELY = "readings repeat: the age of each is uniform over the message's period"
    AT_MOST = "the stamps lie on a coarse grid"
    COUNTED = "the times come from a count, of messages or of a sensor's readings"


@dataclass(frozen=True, slots=True)
class Timestamps:
    """The standard deviation of a stamp about when its reading was taken [s], and how well it is known."""

    error_s: float
    known: Known = Known.BY_SCATTER

    @property
    def range_s(self) -> float:
        """By how much a reading may be older or younger than another with the same stamp [s]: of a uniform error."""
        return float(np.sqrt(12) * self.error_s)

    @property
    def drift_s(self) -> float:
        """By how much the error may drift one way over a curve [s]: from one end of its range to the middle.

        Ages and grids come of two clocks that run past one another: their errors change slowly and do not average out.
        """
        return 0.0 if self.known in (Known.BY_SCATTER, Known.COUNTED) else self.range_s / 2


def timestamps_of(time_s: FloatArray, message_s: float, repeats: bool, kept_s: FloatArray | None = None) -> Timestamps:
    """The error of the stamps of a message.

    time_s : all stamps, shape (n,); message_s : its period; repeats : whether its readings are seen to repeat
    kept_s : the stamps of the readings that are used, shape (k,), where those are not all
    """
    grid_s = grid_of(time_s)
    coarse = grid_s >= _COARSE_SHARE * message_s
    if repeats:
        return Timestamps(float(np.hypot(message_s, grid_s if coarse else 0.0) / np.sqrt(12)), Known.SURELY)
    if coarse:
        return Timestamps(float(np.hypot(message_s, grid_s) / np.sqrt(12)), Known.AT_MOST)
    kept_s = time_s if kept_s is None else kept_s
    scatter = noise_floor(kept_s) if kept_s.size > 2 else 0.0
    return Timestamps(max(scatter, grid_s / float(np.sqrt(12))), Known.BY_SCATTER)


def counted_timestamps(period_s: float) -> Timestamps:
    """The error of times that come from a count, of messages or of readings: by how much a task runs off its period."""
    return Timestamps(_EVEN_TASK * period_s, Known.COUNTED)


def grid_of(time_s: FloatArray) -> float:
    """The coarsest grid that all times lie on [s], counted from the first; 0 where it is finer than a tenth of a ms.

    >>> round(grid_of(np.array([0.0, 0.05, 0.1, 0.3])), 6)
    0.05
    """
    ticks = (time_s - time_s[0]) / _FINEST_S if time_s.size else time_s
    whole = np.round(ticks)
    if ticks.size < 2 or np.any(np.abs(ticks - whole) > _ON_GRID):
        return 0.0
    grid = int(np.gcd.reduce(whole.astype(np.int64)))
    return grid * _FINEST_S if grid > 1 else 0.0


class CountedTimes(NamedTuple):
    """Times from a count.

    time_s : shape (n,), [s]; scale_error : half the range of lengths that the stamps leave open, as a share of them
    """

    time_s: FloatArray
    scale_error: float


def counted_times(time_s: FloatArray) -> CountedTimes | None:
    """When the messages were sent whose stamps lie on a coarse grid; None where the grid is fine or nothing shows it.

    Messages of one period, counted, lie on a line, and every stamp says of it that it is passed within one step of the
    grid. All lines that do so are equally likely: the middle one is returned, and how far their slopes differ.

    time_s : stamps in order without a gap, shape (n,)
    """
    grid_s, period_s = grid_of(time_s), typical_period_s(time_s)
    if time_s.size < _LEAST_COUNTED or not period_s > 0 or grid_s < _COARSE_SHARE * period_s:
        return None
    apart_s = np.diff(time_s)
    if float(apart_s.max()) > period_s + grid_s * (1 + _ON_GRID):
        return None  # a message may be missing, and the count says nothing
    if grid_s >= _AS_COARSE * period_s and np.count_nonzero(apart_s >= _AS_COARSE * (period_s + grid_s)) == 1:
        return None  # one message missing, or clocks that slip by one step of the grid: nothing tells
    count = np.arange(time_s.size, dtype=np.float64)
    thin = np.unique(np.linspace(0, time_s.size - 1, _MOST_COUNTED).astype(int))
    number, stamp = count[thin], time_s[thin]
    apart = number[None, :] - number[:, None]
    later = apart > 0
    step = (stamp[None, :] - stamp[:, None])[later]
    apart = apart[later]
    for share in _UNEVEN_SHARES:
        room_s = grid_s * (1 + 2 * share)
        shortest, longest = float(((step - room_s) / apart).max()), float(((step + room_s) / apart).min())
        if shortest <= longest:
            shortest, longest = _within_clocks(shortest, longest, grid_s)
            between_s = (shortest + longest) / 2
            off_s = time_s - between_s * count
            sent_s = between_s * count + float(off_s.min() + off_s.max()) / 2
            return CountedTimes(sent_s, (longest - shortest) / 2 / between_s)
    return None


class SensorClock(NamedTuple):
    """An even clock: reading k was taken at begin_s + k·period_s [s].

    scale_error : half the range of periods that are likely, as a share of them; most_error : of all that are possible
    """

    begin_s: float
    period_s: float
    scale_error: float
    most_error: float


def sensor_clock(first_s: FloatArray, turn: FloatArray, late_s: float) -> SensorClock | None:
    """The clock of a sensor whose readings come in several messages each; None where no even clock fits.

    A sensor slower than its message takes its readings evenly, and each comes with the first message after it: no
    later than one period of the message. All clocks that do so are equally likely: the mean one is returned, and how
    far they may differ.

    first_s : stamps of the first message with each reading, in order, shape (n,); turn : which reading it is
    late_s : by how much a message may be later than the reading it brings [s]
    """
    if first_s.size < _LEAST_READINGS:
        return None
    thin = np.unique(np.linspace(0, first_s.size - 1, _MOST_COUNTED).astype(int))
    first_s, turn = first_s[thin], turn[thin]
    apart = turn[None, :] - turn[:, None]
    later = apart > 0
    step, apart = (first_s[None, :] - first_s[:, None])[later], apart[later]
    for share in _UNEVEN_SHARES:
        room_s = late_s * (1 + 2 * share)
        shortest, longest = float(((step - room_s) / apart).max()), float(((step + room_s) / apart).min())
        if shortest >= longest:
            continue
        periods_s = np.linspace(shortest, longest, _CLOCKS)
        likely = np.maximum(room_s - np.ptp(first_s - periods_s[:, None] * turn, axis=1), 0.0)  # by room for the phase
        if not likely.sum() > 0:
            continue
        likely /= likely.sum()
        period_s = float(likely @ periods_s)
        deviation_s = float(np.sqrt(likely @ (periods_s - period_s) ** 2))
        off_s = first_s - period_s * turn
        begin_s = float(off_s.min() + off_s.max() - room_s) / 2
        most_s = max(longest - period_s, period_s - shortest)
        return SensorClock(begin_s, period_s, float(np.sqrt(3.0)) * deviation_s / period_s, most_s / period_s)
    return None


def _within_clocks(shortest_s: float, longest_s: float, grid_s: float) -> tuple[float, float]:
    """The periods that are possible: where the stamps never slip against one that fits the grid, it is that one.

    Any other would slip sooner or later, a step of the grid being missing or twice; as far as the clocks agree.
    """
    middle_s = (shortest_s + longest_s) / 2
    fits_s = grid_s * max(round(middle_s / grid_s), 1) / max(round(grid_s / middle_s), 1)
    edge_s = _AT_EDGE * (longest_s - shortest_s)
    if not shortest_s + edge_s < fits_s < longest_s - edge_s:  # a slip leaves it at the edge of what is possible
        return shortest_s, longest_s
    return max(shortest_s, fits_s * (1 - _CLOCKS_APART)), min(longest_s, fits_s * (1 + _CLOCKS_APART))
