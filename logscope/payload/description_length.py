"""How many bits it takes to describe what a field did: short where the field is a number of its own.

A field is described by its changes from frame to frame, modulo its span: the class of each (none, or its sign and the
power of two below it) by an ideal code for the classes as often as they occurred, the rest of it as it is. Where that
is shorter, the changes of the changes are described, as of a clock. The changes of a number are small beside its
span, so a number costs less as a whole than cut into pieces, whose carries have to be described one by one; two
numbers cost less apart than as one, for whenever the upper one changes, the lower one adds nothing but digits. Both
byte orders are described, so the cheaper one is the right one.

Minimum description length: Rissanen, Modeling by shortest data description, Automatica 14 (1978), 465–471; the code of
a class's probability costs half a logarithm of the number of frames (his equation for the stochastic complexity).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.payload.fields import Bytes

WIDEST = 32
_CLASSES = 2 * WIDEST + 1
_CROSSING_BITS = 8.0  # more for a short field that crosses bytes: states rarely do
# A number stays in a part of its span: its highest bit rarely changes. One whose highest bit is noise is the lower end
# of another, which costs it so many bits a frame for each change beyond a few.
_RESTLESS, _RESTLESS_BITS = 0.1, 2.0
# Whenever the upper end of a number changes, each bit below it does with a probability of one half: one that never did
# costs a bit for each such change, up to so many. Not in a short field, whose few values may be chosen at will.
_MOST_GAP_BITS, _STATE_WIDTH = 20.0, 4


def costs(rows: Bytes, before: IndexArray, after: IndexArray, usable: BoolArray) -> FloatArray:
    """Bits to describe each possible field, shape (8 · length, 2, 33): by lowest bit, byte order and width.

    before, after : rows that follow each other; usable : the bits that fields may begin and end with

    The second order is big endian. Infinite where a field would leave the payload, or begin or end at a bit that is not
    usable.
    """
    out = np.full((8 * rows.shape[1], 2, WIDEST + 1), np.inf)
    _costs(np.ascontiguousarray(rows), before, after, usable, out)
    _add_what_numbers_do(out, flip_rates_of(rows, before, after), before.size)
    return out


def flip_rates_of(rows: Bytes, before: IndexArray, after: IndexArray) -> FloatArray:
    """The share of these neighbours in which each bit differs, shape (8 · length,)."""
    changed = np.unpackbits(rows[before] ^ rows[after], axis=1, bitorder="little")
    return np.asarray(changed.mean(axis=0))


def _add_what_numbers_do(out: FloatArray, rates: FloatArray, count: int) -> None:
    places = rates.size
    still = np.concatenate(([0], np.cumsum(rates == 0)))
    onwards = np.concatenate(([0], np.cumsum((rates == 0)[np.arange(places) ^ 7])))
    for lowest in range(places):
        for big in (0, 1):
            widths = np.arange(1, min(WIDEST, (lowest ^ 7) + 1 if big else places - lowest) + 1)
            if big:
                first = (lowest ^ 7) - widths + 1
                top, gaps = first ^ 7, onwards[(lowest ^ 7) + 1] - onwards[first]
            else:
                top, gaps = lowest + widths - 1, still[lowest + widths] - still[lowest]
            restless = _RESTLESS_BITS * count * np.maximum(rates[top] - _RESTLESS, 0.0)
            crosses = (widths <= _STATE_WIDTH) & (lowest // 8 != top // 8)
            out[lowest, big, widths] += restless + _CROSSING_BITS * crosses
            out[lowest, big, widths] += np.where(
                widths > _STATE_WIDTH, np.minimum(rates[top] * count, _MOST_GAP_BITS) * gaps, 0.0
            )


@njit(cache=True, nogil=True)
def _value(row, lowest, big, width):  # type: ignore[no-untyped-def]
    """The bits from a lowest one on, at most 40 of them; those beyond the payload are zeros."""
    byte, shift = lowest >> 3, lowest & 7
    value = np.int64(row[byte]) >> shift
    have = 8 - shift
    step = -1 if big else 1
    byte += step
    while have < width and 0 <= byte < row.size:
        value |= np.int64(row[byte]) << have
        have += 8
        byte += step
    return value


@njit(cache=True, nogil=True)
def _costs(rows, before, after, usable, out):  # type: ignore[no-untyped-def]
    places, count = usable.size, before.size
    table = np.zeros((WIDEST + 1, _CLASSES), np.int64)
    for lowest in range(places):
        if not usable[lowest]:
            continue
        for big in range(2):
            room = (lowest ^ 7) + 1 if big else places - lowest
            widest = 0
            for width in range(1, min(WIDEST, room) + 1):
                top = ((lowest ^ 7) - width + 1) ^ 7 if big else lowest + width - 1
                if usable[top]:
                    widest = width
            for second in range(2):
                table[:] = 0
                last, last_row = np.int64(0), np.int64(-1)
                for i in range(count):
                    change = _value(rows[after[i]], lowest, big, widest) - _value(rows[before[i]], lowest, big, widest)
                    described = change - last if second and before[i] == last_row else change
                    last, last_row = change, after[i]
                    _sort_in(table, described, widest)
                for width in range(1, widest + 1):
                    top = ((lowest ^ 7) - width + 1) ^ 7 if big else lowest + width - 1
                    if usable[top]:
                        bits = _length_of(table[width], count)
                        out[lowest, big, width] = min(out[lowest, big, width], bits)


@njit(cache=True, nogil=True)
def _sort_in(table, change, widest):  # type: ignore[no-untyped-def]
    """Count the class of a change, for fields of each width up to the widest."""
    for width in range(1, widest + 1):
        low = change & ((np.int64(1) << width) - 1)
        if low == 0:
            table[width, 0] += 1
            continue
        sign = low >> (width - 1)
        size = (np.int64(1) << width) - low if sign else low
        power = 0
        while size > 1:
            size >>= 1
            power += 1
        table[width, 1 + 2 * power + sign] += 1


@njit(cache=True, nogil=True)
def _length_of(counts, total):  # type: ignore[no-untyped-def]
    bits, used = 0.0, 0
    for k in range(counts.size):
        times = counts[k]
        if times:
            used += 1
            bits += times * (np.log2(total) - np.log2(times))
            if k:
                bits += times * ((k - 1) >> 1)
    return bits + 0.5 * (used - 1) * np.log2(total)
