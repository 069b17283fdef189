"""A signal in a few characters."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.arrays import FloatArray

LEVELS = 8  # as many as there are block characters
_BLOCKS, _DIGITS = "▁▂▃▄▅▆▇█", "01234567"


def spark_levels(time_s: FloatArray, value: FloatArray, span: tuple[float, float], cells: int) -> list[int | None]:
    """The level, 0 to 7, in each cell of a span of time; None where it has no sample.

    time_s : within the span; value : finite; shapes (n,)

    Of each cell the sample furthest from the signal's median is shown, so that a spike of one sample is seen.

    >>> spark_levels(np.arange(6.0), np.array([0.0, 0.0, 0.0, 7.0, 0.0, 0.0]), (0.0, 6.0), 3)
    [0, 7, 0]
    """
    levels: list[int | None] = [None] * cells
    if not value.size:
        return levels
    low, high = float(value.min()), float(value.max())
    start, end = span
    cell = np.clip(((time_s - start) / ((end - start) or 1.0) * cells).astype(np.int64), 0, cells - 1)
    away = np.abs(value - np.median(value))
    order = np.lexsort((away, cell))  # the last of each cell is the furthest
    last = np.flatnonzero(np.diff(cell[order], append=cells))
    for at in order[last].tolist():
        share = (float(value[at]) - low) / ((high - low) or 1.0)
        levels[int(cell[at])] = min(int(share * LEVELS), LEVELS - 1)
    return levels


def spark_text(levels: Sequence[int | None], encoding: str = "utf-8") -> str:
    """The levels as blocks, or as digits where the encoding has no blocks; a blank where there is none.

    >>> spark_text([0, None, 7]), spark_text([0, None, 7], "cp1252")
    ('▁ █', '0 7')
    """
    try:
        _BLOCKS.encode(encoding)
        shown = _BLOCKS
    except UnicodeEncodeError:
        shown = _DIGITS
    return "".join(" " if level is None else shown[level] for level in levels)
