"""Cells of alike driving, speed by load, and where both sides of a comparison drove."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.comparison.driving import TICK_S, Driving

# Fine enough that a gentler run is hardly gentler within a cell: where the rate grows threefold over a third of the
# largest current, it grows by a seventh over a cell, and the means of both sides within it differ by far less.
SPEED_CELLS, LOAD_CELLS = 8, 25
STANDSTILL = 0.02  # of the top speed: below it the vehicle does not drive
_TOP = 0.999  # quantile taken as the largest, so that one wild sample does not stretch the cells
# Coarse enough that a cell in which a side drives holds seconds of it.
REACH_CELLS = (4, 10)
_FEWEST_S = 1.0  # in a cell: less is passed through
# A side that spends less than a tenth of the other's share of its time in a cell cannot answer for it (judgement).
_COMPARABLE = 0.1
RUNS_AS_UNITS = 4  # runs a side from which their own scatter can be judged


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Edges of the cells: speed_edges, shape (speeds + 1,), and load_edges, shape (loads + 1,), rising."""

    speed: str
    load: str
    speed_edges: FloatArray
    load_edges: FloatArray

    @property
    def cells(self) -> int:
        """How many cells there are; cell = speed band × load bands + load band."""
        return (self.speed_edges.size - 1) * (self.load_edges.size - 1)

    def cell(self, run: Driving) -> IndexArray:
        """The cell of each tick, −1 where it stands still or is not known."""
        loads = self.load_edges.size - 1
        fast = np.clip(np.searchsorted(self.speed_edges, run.speed, side="right") - 1, -1, self.speed_edges.size - 2)
        high = np.clip(np.searchsorted(self.load_edges, run.load, side="right") - 1, 0, loads - 1)
        return np.where(run.known & (fast >= 0), fast * loads + high, -1)


def make_grid(speed: str, load: str, runs: Sequence[Driving]) -> Grid | None:
    """Cells for all runs of both sides; None where the vehicle never drives."""
    known = [run.known for run in runs]
    speeds = np.concatenate([run.speed[k] for run, k in zip(runs, known, strict=True)])
    if not speeds.size:
        return None
    top = float(np.quantile(speeds, _TOP))
    loads = np.concatenate([run.load[k] for run, k in zip(runs, known, strict=True)])
    most = float(np.quantile(loads, _TOP))
    if not top > 0:
        return None
    return Grid(
        speed,
        load,
        np.linspace(STANDSTILL * top, top, SPEED_CELLS + 1),
        np.linspace(0.0, max(most, 1e-9), LOAD_CELLS + 1),
    )


def coarser(grid: Grid, speeds: int, loads: int) -> Grid:
    """The same span in fewer cells."""
    spans = (grid.speed_edges, speeds), (grid.load_edges, loads)
    edges = [np.linspace(each[0], each[-1], count + 1) for each, count in spans]
    return Grid(grid.speed, grid.load, *edges)


def runs_are_units(before: Sequence[object], after: Sequence[object]) -> bool:
    """Whether both sides hold enough runs to judge how much runs differ."""
    return min(len(before), len(after)) >= RUNS_AS_UNITS


def time_in_cells(cells: Sequence[IndexArray], grid: Grid) -> FloatArray:
    """Driving by cell [s], shape (cells,), from the cell of each tick of each run, −1 where it does not drive."""
    cell = np.concatenate(cells)
    return np.asarray(np.bincount(cell[cell >= 0], minlength=grid.cells) * TICK_S, dtype=np.float64)


def shared_cells(first_s: FloatArray, second_s: FloatArray) -> BoolArray:
    """In which cells both sides drove, from the time in each [s]: none of them there by mere chance; shape (cells,)."""
    shares = [each / max(float(each.sum()), TICK_S) for each in (first_s, second_s)]
    both = np.minimum(first_s, second_s) >= _FEWEST_S
    return np.asarray(both & (np.minimum(*shares) >= _COMPARABLE * np.maximum(*shares)))
