"""How often each bit changes from one frame to the next."""

from __future__ import annotations

import numpy as np
from numba import njit

from logscope.arrays import FloatArray
from logscope.payload.fields import Bytes


def flip_counts(rows: Bytes) -> FloatArray:
    """Changes of each bit from frame to frame, shape (8 · length,)."""
    counts = np.zeros(8 * rows.shape[1], np.int64)
    _count_flips(np.ascontiguousarray(rows), counts)
    return counts.astype(np.float64)


def flip_rates(rows: Bytes) -> FloatArray:
    """The share of frames in which each bit differs from the frame before, shape (8 · length,)."""
    return flip_counts(rows) / max(len(rows) - 1, 1)


@njit(cache=True, nogil=True)
def _count_flips(rows, counts):  # type: ignore[no-untyped-def]
    for i in range(1, rows.shape[0]):
        for j in range(rows.shape[1]):
            changed = rows[i, j] ^ rows[i - 1, j]
            if changed:
                for k in range(8):
                    counts[8 * j + k] += (changed >> k) & 1
