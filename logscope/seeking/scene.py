"""The fields and what is known of the vehicle, side by side on one grid of time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.seeking.candidates import Candidate

_MOST_POINTS = 8192  # of the grid: an hour at 0.44 s; what is faster is judged on the samples themselves
_FINEST_S = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Fields and known parts over time.

    time_s : the grid, shape (t,); rows : the fields' raw values, shape (n, t); known : parts in their units, each (t,)
    """

    time_s: FloatArray
    rows: FloatArray
    known: Mapping[str, FloatArray]

    @property
    def step_s(self) -> float:
        """From one point of the grid to the next."""
        return float(self.time_s[1] - self.time_s[0])


def grid(start_s: float, end_s: float) -> FloatArray:
    """Points from the start to the end, as fine as is of use."""
    step = max((end_s - start_s) / _MOST_POINTS, _FINEST_S)
    return np.arange(start_s, max(end_s, start_s + 2 * step), step)


def held(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """The last value at each moment, and the first one before it; shape (t,)."""
    return np.asarray(values[np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, values.size - 1)])


def scene_of(
    fields: Sequence[Candidate], known: Mapping[str, tuple[FloatArray, FloatArray]], at_s: FloatArray
) -> Scene:
    """Put fields and known parts, given as times and values, on a grid."""
    rows = np.empty((len(fields), at_s.size))
    for number, field in enumerate(fields):
        rows[number] = held(*field.samples(), at_s)
    return Scene(at_s, rows, {part: held(*series, at_s) for part, series in known.items() if series[0].size})
