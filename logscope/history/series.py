"""One measure over the logs of a vehicle, in order of time, with all else that its values may depend on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.findings import Measured
from logscope.history.rows import Row
from logscope.measures import Repeated
from logscope.quantities import value_text
from logscope.statistics.robust import NORMAL_95

# Periods within this ratio are one way of sampling: jitter and rounding move a typical period by less, and loggers that
# were set otherwise differ by a factor of two and more (practice).
_SAME_PERIOD = 1.25
# A logger that begins a new file leaves a gap of some messages at most; nobody turns the key off and on within it.
_SPLIT_S = 2.0
SAMPLING = "the sampling period"
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """What values may depend on beside the vehicle: its name, and for each item which of its kinds, shape (n,)."""

    name: str
    kind: NDArray[np.intp]
    labels: tuple[str, ...] = ()

    def changes(self, before: slice, after: slice) -> str:
        """It and, where they have names, the kinds before and after."""
        kinds = [sorted({*self.kind[side].tolist()}) for side in (before, after)]
        if not self.labels or kinds[0] == kinds[1]:
            return self.name
        first, second = (" or ".join(self.labels[kind] for kind in side) for side in kinds)
        return f"{self.name} ({first} before, {second} after)"


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The values of a measure; in logarithms where changes are ratios; shape (n,) each.

    rows : numbers of the rows, the first of those that a logger split; days : since the first
    """

    measure: Repeated
    rows: tuple[int, ...]
    days: FloatArray
    value: FloatArray
    deviation: FloatArray
    conditions: tuple[Condition, ...]


def series_of(measure: Repeated, rows: Sequence[Row]) -> Series | None:
    """The series of a measure over rows in order of time; None where no row holds it with limits."""
    held = [(number, row, limits) for number, row in enumerate(rows) if (limits := _limits(row, measure)) is not None]
    if not held:
        return None
    three = np.array([limits for _, _, limits in held])
    three = np.log(three) if measure.ratio else three
    deviation = np.maximum((three[:, 2] - three[:, 1]) / (2.0 * NORMAL_95), 1e-9)
    first = _firsts([row for _, row, _ in held])
    value, deviation = _joined(three[:, 0], deviation, first)
    kept = [held[number] for number in first]
    dates = np.array([row.date.timestamp() for _, row, _ in kept]) / DAY_S
    of = [row for _, row, _ in kept]
    return Series(
        measure, tuple(number for number, _, _ in kept), dates - dates[0], value, deviation, _conditions(measure, of)
    )


def _limits(row: Row, measure: Repeated) -> tuple[float, float, float] | None:
    found = row.values.get(measure.name)
    if found is None or found.value is None or found.low is None or found.high is None:
        return None
    three = (found.value, found.low, found.high)
    sound = all(np.isfinite(three)) and (min(three) > 0 or not measure.ratio)
    return three if sound else None


def _firsts(rows: Sequence[Row]) -> list[int]:
    """Those rows that do not continue the file before: the files that a logger split are one log."""
    first = [0]
    for number in range(1, len(rows)):
        before, row = rows[number - 1], rows[number]
        gap_s = (row.date - before.date).total_seconds() - before.duration_s
        if not (before.dated and row.dated and -_SPLIT_S <= gap_s <= _SPLIT_S):
            first.append(number)
    return first


def _joined(value: FloatArray, deviation: FloatArray, first: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """The weighted mean of each log; its deviation is that of its best file, for they share what differs by drive."""
    weight = deviation**-2.0
    mean = np.add.reduceat(weight * value, first) / np.add.reduceat(weight, first)
    return mean, np.minimum.reduceat(deviation, first)


def _conditions(measure: Repeated, rows: Sequence[Row]) -> tuple[Condition, ...]:
    """Those that are not the same for all rows."""
    periods = np.array([row.periods_s.get(measure.name, np.nan) for row in rows])
    kinds, labels = kinds_of_periods(periods)
    found = [Condition(SAMPLING, kinds, labels)]
    for name in sorted({name for row in rows for name in row.made_with}):
        values = [row.made_with.get(name, "") for row in rows]
        found.append(Condition(name, np.unique(values, return_inverse=True)[1]))
    return tuple(each for each in found if np.ptp(each.kind) > 0)


def kinds_of_periods(periods: FloatArray) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    """Periods that lie close to a neighbour are of one kind; an unknown one is of the first."""
    known = np.sort(periods[np.isfinite(periods)])
    if not known.size:
        return np.zeros(periods.size, dtype=np.intp), ()
    edges = np.flatnonzero(np.diff(np.log(known)) > log(_SAME_PERIOD)) + 1
    lowest = known[edges]
    kinds = np.searchsorted(lowest, np.where(np.isfinite(periods), periods, known[0]), side="right")
    labels = tuple(value_text(Measured(float(np.median(each)), "s")) for each in np.split(known, edges))
    return kinds, labels
