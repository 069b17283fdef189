"""Counter fields: those that a sender steps on from message to message, to show that none was lost.

A counter's step is the same nearly always, and modulo its span it never depends on the value. The span is that of
the values which occur, for some counters do not use them all: 0 to 14 in AUTOSAR's end-to-end profile 1, 0 to 9 where a
decimal digit is counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray
from logscope.payload.fields import Bytes, Field, Integers, from_lowest, room_above
from logscope.payload.flips import flip_rates
from logscope.payload.stretches import neighbours

MOST_ROWS = 8192  # enough for a counter of 12 bits to come round twice; more would only repeat it
LEAST_ROWS = 16
_STEADY = 0.2  # of a clock's step: the jitter of the moments at which it was read
_LEAST_BELOW = 3  # bits beneath a counter that move the same way nearly each time
_MOST_BITS = 32
_LEAST_FLIPS = 0.6  # of the lowest bit, which flips with each step that is odd: 0.8 of it in 0.8 of the frames
_LEAST_SHARE = 0.80  # of steps that fit: a fifth of the messages may be missing from the log
_MOST_STEP = 4  # a sender counts by one, some by two or four; larger steps are a counter beside another field
_TOGGLE_SHARE = 0.98  # a single bit that flips each time; half of the flips come by chance from a noisy one
_TOGGLE_ROWS = 50
_MOST_SPOILED = 0.3  # steps that a further bit spoils, for each that it bears out: lost messages spoil some, a bit of
# another field nearly all


@dataclass(frozen=True, slots=True)
class Counter:
    """A counter: its field, the step from message to message, its lowest and highest value, and the share of steps
    that fit."""

    field: Field
    step: int
    low: int
    high: int
    share: float

    @property
    def span(self) -> int:
        """How many values it takes before it comes round."""
        return self.high - self.low + 1


def find_counters(rows: Bytes) -> tuple[Counter, ...]:
    """The counters in the payloads of one identifier, those of most values first; they share no bit.

    Where a log is too short for a counter to reach its highest bits, those are not part of the field.
    """
    if len(rows) < LEAST_ROWS or not rows.shape[1]:
        return ()
    before, after = neighbours(len(rows), MOST_ROWS)
    used = np.unique(np.concatenate((before, after)))
    rows, before, after = rows[used], np.searchsorted(used, before), np.searchsorted(used, after)
    rates = flip_rates(rows)
    found: list[Counter] = []
    for lowest in np.flatnonzero(rates >= _LEAST_FLIPS).tolist():
        grown = [_grown(rows, before, after, lowest, big, rates > 0) for big in (False, True)]
        found += [each for each in grown if each is not None and not _end_of_a_clock(rows, before, after, each)]
    return _apart(found)


def missing_before(counter: Counter, values: Integers) -> Integers:
    """How many messages are missing before each frame by its counter, shape (n,); 0 for the first frame.

    Counted modulo the counter's span: of a whole round of it nothing shows. A value that repeats reads as a
    whole round less one, span − 1 missing.
    """
    missing = np.zeros(values.size, np.int64)
    change = np.mod(np.diff(values), counter.span)
    # How many steps make the change: the inverse of the step modulo the span, where it has one.
    try:
        inverse = pow(counter.step, -1, counter.span)
    except ValueError:
        missing[1:] = change != counter.step % counter.span
        return missing
    missing[1:] = np.mod(change * inverse - 1, counter.span)
    return missing


def _grown(rows: Bytes, before: Integers, after: Integers, lowest: int, big: bool, moves: BoolArray) -> Counter | None:
    """The widest counter above a lowest bit: each further bit must move, and mostly at steps that fit."""
    best: Counter | None = None
    fitted = np.zeros(after.size, np.bool_)
    for bits in range(1, min(_MOST_BITS, room_above(lowest, rows.shape[1], big)) + 1):
        field = from_lowest(lowest, bits, big)
        top = field.positions()[-1]
        if not moves[top]:
            break
        counter, fits = _judged(field.values(rows), before, after, field)
        if counter is None:
            continue  # the lowest bits of a decimal counter are none by themselves
        flips = _bit(rows, top)[before] != _bit(rows, top)[after]
        spoiled, borne_out = np.count_nonzero(fitted & ~fits), np.count_nonzero(flips & fits)
        if best is None or spoiled <= _MOST_SPOILED * borne_out:
            best, fitted = counter, fits
    if best is not None and best.field.bits == 1 and (best.share < _TOGGLE_SHARE or after.size < _TOGGLE_ROWS):
        return None
    return best


def _end_of_a_clock(rows: Bytes, before: Integers, after: Integers, counter: Counter) -> bool:
    """Whether the bits below a counter belong to the same number: one that grows steadily, as a clock does.

    Its upper bits then count as well, and so may a part of the lower ones.
    """
    places = counter.field.positions()
    big = counter.field.big_endian
    for below in range(1, _MOST_BITS - counter.field.bits):
        lowest = ((places[0] ^ 7) + below) ^ 7 if big else places[0] - below
        if not 0 <= lowest < 8 * rows.shape[1]:
            return False
        field = from_lowest(lowest, counter.field.bits + below, big)
        span = 1 << field.bits
        values = field.values(rows)
        change = np.mod(values[after] - values[before] + span // 2, span) - span // 2
        middle = np.median(change)
        steady = np.mean(np.abs(change - middle) <= max(2.0, _STEADY * abs(middle)))
        lower = np.mod(change + (1 << below >> 1), 1 << below) - (1 << below >> 1)
        one_way = max(np.mean(lower > 0), np.mean(lower < 0))
        if below >= _LEAST_BELOW and steady >= _LEAST_SHARE and one_way >= _LEAST_SHARE:
            return True
    return False


def _bit(rows: Bytes, place: int) -> Bytes:
    return rows[:, place // 8] >> np.uint8(place % 8) & np.uint8(1)


def _judged(values: Integers, before: Integers, after: Integers, field: Field) -> tuple[Counter | None, BoolArray]:
    """The field as a counter, if it is one, and which steps fit."""
    low, high = int(values.min()), int(values.max())
    span = high - low + 1
    change = np.mod(values[after] - values[before], span)
    steps, counts = np.unique(change, return_counts=True)
    step = int(steps[np.argmax(counts)])
    fits = change == step
    share = float(np.mean(fits))
    step = step - span if 2 * step > span else step
    if not 0 < abs(step) <= _MOST_STEP or share < _LEAST_SHARE:
        return None, fits
    return Counter(field, step, low, high, share), fits


def _apart(found: list[Counter]) -> tuple[Counter, ...]:
    """Of counters that share bits, the one with more values; of equal ones the little-endian one."""
    taken, kept = 0, []
    for counter in sorted(found, key=lambda c: (-c.span, c.field.big_endian, c.field.start)):
        mask = counter.field.mask()
        if not mask & taken:
            taken |= mask
            kept.append(counter)
    return tuple(kept)
