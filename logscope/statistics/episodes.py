"""Samples gathered into episodes: runs of equal values, neighbours joined."""

from __future__ import annotations

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray


def join_neighbours(joined: BoolArray) -> tuple[IndexArray, IndexArray]:
    """First and last item of each group of n items, shape (groups,) each.

    joined : whether item i belongs with item i + 1, shape (n − 1,)

    >>> [ends.tolist() for ends in join_neighbours(np.array([True, False, True, True]))]
    [[0, 2], [1, 4]]
    """
    breaks = np.flatnonzero(~joined)
    return np.concatenate(([0], breaks + 1)), np.concatenate((breaks, [joined.size]))


def runs_of_equal(values: FloatArray | BoolArray) -> tuple[IndexArray, IndexArray]:
    """First and last sample of each run of equal values, shape (runs,) each.

    values : the samples, shape (n,), at least one
    """
    return join_neighbours(values[1:] == values[:-1])
