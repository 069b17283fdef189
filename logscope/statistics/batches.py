"""Draws evaluated a few at a time, so that what is computed on the way stays in the processor's cache."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.arrays import FloatArray

# Draws times readings: arrays of 100 kB fit the processor's second-level cache several at once, and stay below the
# 128 kB from which common C libraries ask the operating system for fresh memory each time.
_VALUES = 12_000


def in_batches(of_draws: Callable[[FloatArray], FloatArray], draws: FloatArray, readings: int) -> FloatArray:
    """A function of each draw by itself, shape (k,).

    of_draws : (j, d) draws → (j,); draws : shape (k, d); readings : how many values it computes for each draw
    """
    size = max(_VALUES // max(readings, 1), 1)
    return np.concatenate([of_draws(draws[first : first + size]) for first in range(0, len(draws), size)])
