"""Levels of the 12 V side: with the converter running, on the battery alone, how they move, and the lowest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.aux_supply.side import Side
from logscope.findings import Measured
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust import NORMAL_95
from logscope.statistics.sampling import gap_threshold_s, typical_period_s
from logscope.statistics.trend import Trend, weighted_trend

BLOCK_S, _BLOCK_ROWS = 2.0, 5  # a level is the median over the longer of the two: dips and inrush are shorter
_LEAST_BLOCKS = 3  # fewer say nothing of how far they differ
_TREND_S = 20.0  # a fall is looked for over at least so long: the battery relaxes for as long after a load (practice)
_HALF = 0.5  # of its readings a block must have


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Short stretches of one state of the converter: middle [s] and median [V], shape (n,).

    deviation_V : of each median; rounding_V : what no mean takes out of them; length_s : of a block
    """

    time_s: FloatArray
    volts: FloatArray
    deviation_V: float
    rounding_V: float
    length_s: float

    @property
    def level(self) -> Measured:
        """The mean over the blocks [V]; its limits hold how far they differ, and rounding that no mean takes out."""
        value, root = float(self.volts.mean()), float(np.sqrt(self.volts.size))
        reach = NORMAL_95 * self.deviation_V / root
        if self.volts.size >= _LEAST_BLOCKS:
            student = student_quantile(0.975, self.volts.size - 1)
            reach = max(reach, student * float(self.volts.std(ddof=1)) / root)
        return Measured(value, "V", value - reach - self.rounding_V, value + reach + self.rounding_V)

    @property
    def trend(self) -> Trend | None:
        """The straight line through the blocks [V/s]; None where they span too little time."""
        if self.time_s.size < 2 * _LEAST_BLOCKS or np.ptp(self.time_s) < _TREND_S:
            return None
        deviation = float(np.hypot(self.deviation_V, self.rounding_V / np.sqrt(3.0)))  # of a uniform error
        return weighted_trend(self.time_s, self.volts, np.full(self.time_s.size, deviation))

    def since(self, from_s: float, until_s: float) -> Blocks | None:
        """Those of a stretch of time; None where there is none."""
        kept = (self.time_s >= from_s) & (self.time_s <= until_s)
        if not kept.any():
            return None
        return replace(self, time_s=self.time_s[kept], volts=self.volts[kept])


def blocks_of(time_s: FloatArray, volts: FloatArray, where: BoolArray, step_V: float, noise_V: float) -> Blocks | None:
    """The blocks of the rows in question; None where there is not a whole one.

    time_s, volts : all rows, shape (n,); where : which of them, shape (n,)
    step_V : resolution, 0 where unknown; noise_V : of single readings, rounding included
    """
    rows = np.flatnonzero(where)
    if not rows.size:
        return None
    period_s = max(typical_period_s(time_s), 1e-6)
    anew = (np.diff(rows) > 1) | (np.diff(time_s[rows]) > gap_threshold_s(time_s))
    length_s = max(BLOCK_S, _BLOCK_ROWS * period_s)
    begins = np.concatenate(([0], np.flatnonzero(anew) + 1))
    stretch = np.concatenate(([0], np.cumsum(anew)))
    cell = ((time_s[rows] - time_s[rows[begins]][stretch]) // length_s).astype(np.int64)
    edges = np.flatnonzero((np.diff(cell) != 0) | anew) + 1
    whole = [part for part in np.split(rows, edges) if part.size >= _HALF * length_s / period_s]
    if not whole:
        return None
    size = length_s / period_s
    return Blocks(
        np.array([float(time_s[part].mean()) for part in whole]),
        np.array([float(np.median(volts[part])) for part in whole]),
        noise_V * float(np.sqrt(np.pi / 2 / size)),  # of a median of normal values
        step_V / 2,  # the median of rounded readings is rounded too
        length_s,
    )


def of_side(side: Side, where: BoolArray) -> Blocks | None:
    """The blocks of the 12 V side itself."""
    return blocks_of(side.time_s, side.volts, where, side.step_V, side.noise_V)


@dataclass(frozen=True, slots=True)
class Lowest:
    """The lowest reading [V], which has an upper limit only, for between two readings it may have been lower; when."""

    volts: Measured
    time_s: float


def lowest(side: Side) -> Lowest:
    """The lowest reading since the side was awake."""
    at = int(np.argmin(side.volts))
    value = float(side.volts[at])
    return Lowest(Measured(value, "V", None, value + side.step_V / 2), float(side.time_s[at]))
