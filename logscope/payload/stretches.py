"""A part of a long log that stands for all of it: whole stretches, so that neighbours stay neighbours."""

from __future__ import annotations

import numpy as np

from logscope.arrays import IndexArray

_STRETCHES = 8  # a vehicle stands, drives and charges in one log: one stretch would see one of these


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
