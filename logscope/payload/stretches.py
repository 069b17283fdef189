"""A part of a long log that stands for all of it: whole stretches, so that neighbours stay neighbours."""

from __future__ import annotations

import numpy as np

from logscope.arrays import IndexArray
from logscope.payload.fields import Bytes

_STRETCHES = 8  # a vehicle stands, drives and charges in one log: one stretch would see one of these

_RARE = 100  # changes of a bit in a whole log, all of which count


def stretches(count: int, most: int) -> list[slice]:
    """Up to `most` of `count` rows as stretches spread evenly; all of them where they are no more."""
    if count <= most:
        return [slice(0, count)]
    each = most // _STRETCHES
    starts = np.linspace(0, count - each, _STRETCHES).astype(np.int64)
    return [slice(start, start + each) for start in starts.tolist()]


def neighbours(count: int, most: int) -> tuple[IndexArray, IndexArray]:
    """Pairs of rows that follow each other, before and after, from such stretches; both of shape (m,)."""
    after = np.concatenate([np.arange(part.start + 1, part.stop) for part in stretches(count, most)])
    return after - 1, after


def telling_neighbours(rows: Bytes, most: int) -> tuple[IndexArray, IndexArray]:
    """Such pairs, and those outside the stretches at which a bit changes that rarely does: a carry, a switch.

    Of each rare bit up to 100 changes are taken.
    """
    before, after = neighbours(len(rows), most)
    if len(rows) <= most:
        return before, after
    changed = rows[1:] ^ rows[:-1]
    rare = np.zeros(rows.shape[1], np.uint8)
    for byte in range(rows.shape[1]):
        for bit in range(8):
            if np.count_nonzero(changed[:, byte] >> np.uint8(bit) & np.uint8(1)) <= _RARE:
                rare[byte] |= np.uint8(1 << bit)
    events = np.flatnonzero(np.any(changed & rare, axis=1)) + 1
    after = np.union1d(after, events)
    return after - 1, after
