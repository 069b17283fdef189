"""The link's readings, each once, and when each was taken.

A stamp says when a message came. A sensor slower than its message repeats its readings, a logger may stamp on a coarse
grid: both run on clocks of their own, which even counts reveal where stamps mislead.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.curves.timestamps import (
    CountedTimes,
    Timestamps,
    counted_times,
    counted_timestamps,
    grid_of,
    sensor_clock,
    timestamps_of,
)
from logscope.observations.dc_link.link import Link
from logscope.statistics.episodes import join_neighbours
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import gap_threshold_s

_MOVING_NOISES = 6.0  # a change this much larger than the noise of a reading is the curve's
_MOVING_STEPS = 8.0  # and so many steps: half of that again would not look like none
_MOST_REPEATS = 2  # without a log full of them: more in a row may be a relay that dropped out for a moment
_AT_ONCE = 0.2  # of the typical period: what comes sooner after the last message was sent, or stamped, together with it
_ONE_READING = 0.9  # of the sensor's period: what comes later is a reading of its own, equal or not
# Changes this large leave no reading out and none in doubt: two readings of a link that moves by as much never agree.
_COUNTED_NOISES, _COUNTED_STEPS = 4.0, 2.0
_PASSES = 4
_ROOM = 0.1  # of a message's lateness: for what it is sent off its period
_LATEST = 0.95  # of all intervals between messages: the longest, but for what a busy bus delayed


class OwnReadings(NamedTuple):
    """Which samples of the link are readings of their own.

    first : whether each sample is the first with its reading, shape (n,); repeated : whether any is seen to repeat one
    """

    first: BoolArray
    repeated: bool


class Stretch(NamedTuple):
    """The readings of a stretch of the log, each once.

    time_s : the best time known for each [s], shape (n,); volts : shape (n,)
    stamps : how far these times are from when the reading was taken
    scale_error : by which share, at most, they may tell a wrong length
    """

    time_s: FloatArray
    volts: FloatArray
    stamps: Timestamps
    scale_error: float


def readings_between(link: Link, start_s: float, end_s: float) -> Stretch:
    """The readings between two times, each once."""
    inside = link.part.between(start_s, end_s)
    own = own_readings(link)
    return readings_at(link, own, inside.start + np.flatnonzero(own.first[inside]))


def readings_at(link: Link, own: OwnReadings, rows: IndexArray) -> Stretch:
    """The readings at some samples of the logged link, at the best times known for them.

    Stamps on a coarse grid give way to the count of messages where that holds, and readings that repeat to the count
    of the sensor's own.

    rows : in order, each a reading of its own, shape (n,)
    """
    part = link.part
    time_s, volts = part.time_s[rows], part.value[rows]
    begin = _since_gap(part.time_s, int(rows[0])) if rows.size else 0
    counted = counted_times(part.time_s[begin : int(rows[-1]) + 1]) if rows.size else None
    sent_s, scale_error = part.time_s, 0.0
    if counted is not None:
        time_s, sent_s, scale_error = counted.time_s[rows - begin], counted.time_s, counted.scale_error
    if (sensed := _sensed(link, rows, counted, begin)) is not None:
        stamps = counted_timestamps(float(np.median(np.diff(sensed.time_s))))
        return Stretch(sensed.time_s, volts, stamps, sensed.scale_error + scale_error)
    if counted is not None and not own.repeated:
        return Stretch(time_s, volts, counted_timestamps(part.spacing_s), scale_error)
    return Stretch(time_s, volts, timestamps_of(sent_s, part.spacing_s, own.repeated, time_s), scale_error)


def _sensed(link: Link, rows: IndexArray, counted: CountedTimes | None, begin: int) -> CountedTimes | None:
    """When a sensor that runs evenly took the readings, in the mean as late as their messages; None where none shows.

    Its readings are counted where the link moves by so much at each that none can be mistaken for another. The clock
    that these show says of more of them which reading they are, and is then known better.

    counted : sending times from the sample `begin` on, where the stamps are not to be trusted
    """
    if rows.size < 2:
        return None
    sent_s, late_s = link.part.time_s, 0.0
    if counted is not None:
        sent_s = np.concatenate((sent_s[:begin], counted.time_s))
    else:
        late_s = grid_of(sent_s)
    about = slice(int(rows[0]), int(rows[-1]) + 1)
    late_s += float(np.quantile(np.diff(sent_s[about]), _LATEST))
    volts = link.part.value
    new = about.start + 1 + np.flatnonzero(np.diff(volts[about]))  # what differs is a new reading
    run = _counted_run(link, new)
    if run is None or np.all(np.diff(new[run]) == 1):  # none repeats where it would be seen
        return None
    first_s = sent_s[new]
    turn = np.full(new.size, np.nan)
    turn[run] = np.arange(run.stop - run.start)
    clock = None
    for _ in range(_PASSES):
        known = np.isfinite(turn)
        better = sensor_clock(first_s[known], turn[known], late_s)
        if better is None:
            break
        clock = better
        room_s = clock.most_error * np.abs(first_s - float(np.median(first_s[known]))) + _ROOM * late_s
        since_s = first_s - clock.begin_s
        earliest = np.ceil((since_s - late_s - room_s) / clock.period_s)
        latest = np.floor((since_s + room_s) / clock.period_s)
        sure = ~known & (earliest == latest)
        turn[sure] = latest[sure]
    if clock is None:
        return None
    time_s = sent_s[rows]
    of_row = np.floor((time_s - clock.begin_s) / clock.period_s)
    at = np.minimum(np.searchsorted(new, rows), new.size - 1)
    is_new = new[at] == rows
    counts = is_new & np.isfinite(turn[at])
    of_row[counts] = turn[at[counts]]
    # Of two values in one turn of the sensor, one that repeats the value before it was sent just before that turn.
    of_row[:-1] -= ~is_new[:-1] & is_new[1:] & (of_row[:-1] == of_row[1:])
    taken_s = np.maximum.accumulate(clock.begin_s + of_row * clock.period_s)
    late = float(np.mean(first_s[run] - clock.begin_s - clock.period_s * turn[run]))
    return CountedTimes(taken_s + late, clock.scale_error)


def _counted_run(link: Link, new: IndexArray) -> slice | None:
    """The longest run of new readings of which none is left out; None where there is none. new : their samples"""
    change = link.part.value[new] - link.part.value[new - 1]
    least = max(_COUNTED_NOISES * link.noise_v, _COUNTED_STEPS * link.step_v)
    # A reading may last for several messages: what parts two of them is a message that is missing in between.
    gaps = np.cumsum(np.diff(link.part.time_s, prepend=link.part.time_s[:1]) > gap_threshold_s(link.part.time_s))
    near = np.diff(gaps[new], prepend=-1) == 0
    runs = []
    for moving in (change >= least, change <= -least):
        steady = np.flatnonzero(moving & near)
        if steady.size:
            first, last = join_neighbours(np.diff(steady) == 1)
            longest = int(np.argmax(last - first))
            runs.append(slice(int(steady[first[longest]]), int(steady[last[longest]]) + 1))
    return max(runs, key=lambda run: run.stop - run.start, default=None)


def _since_gap(time_s: FloatArray, index: int) -> int:
    """The first sample from which on the log has no gap until one of them."""
    gaps = np.flatnonzero(np.diff(time_s[: index + 1]) > gap_threshold_s(time_s))
    return int(gaps[-1]) + 1 if gaps.size else 0


def own_readings(link: Link) -> OwnReadings:
    """Which samples are readings of their own."""
    part = link.part
    if part.value.size < 3:
        return OwnReadings(np.ones(part.value.size, np.bool_), False)
    if part.period_s > part.spacing_s:
        return OwnReadings(_new_readings(part.time_s, part.value, part.period_s) & ~_repeats(link), True)
    first = ~_repeats(link)
    return OwnReadings(first, not bool(first.all()))


def last_of_bursts(link: Link, rows: IndexArray) -> IndexArray:
    """Those of some samples that come last in their burst, or of several with one stamp: the earlier ones are stale."""
    if rows.size < 3:
        return rows
    grid_s, at_once_s = grid_of(link.part.time_s), _AT_ONCE * link.part.spacing_s
    if grid_s < link.part.spacing_s / 2:  # one burst may bear two stamps of a grid that is finer than the messages
        at_once_s += grid_s
    last: BoolArray = np.append(np.diff(link.part.time_s[rows]) >= at_once_s, True)
    return rows[last]


def at_rows(link: Link, rows: IndexArray) -> Link:
    """The link at some of its samples only."""
    part = link.part
    if rows.size == part.time_s.size:
        return link
    time_s = part.time_s[rows]
    jitter_s = noise_floor(time_s) if time_s.size > 2 else link.jitter_s
    return replace(link, part=replace(part, time_s=time_s, value=part.value[rows]), jitter_s=jitter_s)


def _new_readings(time_s: FloatArray, volts: FloatArray, sensor_s: float) -> BoolArray:
    """Whether each sample is a reading of its own, where a sensor is known to read once in `sensor_s`."""
    kept = np.ones(volts.size, np.bool_)
    last_s, last_v = float(time_s[0]), float(volts[0])
    for k in range(1, volts.size):
        if volts[k] == last_v and time_s[k] - last_s < _ONE_READING * sensor_s:
            kept[k] = False
        else:
            last_s, last_v = float(time_s[k]), float(volts[k])
    return kept


def _repeats(link: Link) -> BoolArray:
    """Samples that repeat the one before although the voltage moves on either side, shape (n,)."""
    change = np.diff(link.part.value)
    least = max(_MOVING_NOISES * link.noise_v, _MOVING_STEPS * link.step_v)
    repeated = np.zeros(link.part.value.size, np.bool_)
    moves = np.flatnonzero(change)
    if moves.size < 2:
        return repeated
    size = change[moves]
    runs = np.diff(moves)
    between = (np.minimum(size[:-1], size[1:]) >= least) & (runs > 1) & (runs <= 1 + _MOST_REPEATS)
    for k in np.flatnonzero(between):
        repeated[moves[k] + 2 : moves[k + 1] + 1] = True
    return repeated
