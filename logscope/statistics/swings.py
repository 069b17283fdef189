"""Swings of a signal: where it turns round by more than a given size."""

from __future__ import annotations

from logscope.arrays import FloatArray


def reversals(value: FloatArray, smallest: float) -> list[int]:
    """Samples at which a signal turns round, each swing between them at least `smallest`; ends left out.

    The reversals that rainflow counting starts from (ASTM E1049), small ones filtered out.

    value : shape (n,), in any unit; smallest : in the same unit, above zero

    >>> import numpy as np
    >>> reversals(np.array([0.0, 5, 1, 6, 5.5, 6, 0]), 2.0)
    [1, 2, 3]
    """
    turns: list[int] = []
    extreme, other, direction = 0, 0, 0  # until the first swing both extremes are kept
    for index in range(1, value.size):
        if direction == 0:
            extreme = index if value[index] > value[extreme] else extreme
            other = index if value[index] < value[other] else other
            if value[extreme] - value[other] >= smallest:
                direction = 1 if extreme > other else -1
                first = min(extreme, other)
                turns += [first] if first > 0 else []
                extreme = max(extreme, other)
        elif (value[index] - value[extreme]) * direction > 0:
            extreme = index
        elif (value[extreme] - value[index]) * direction >= smallest:
            turns.append(extreme)
            extreme, direction = index, -direction
    return turns
