"""The noise floor before and after, within cells of alike speed and load."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, log

import numpy as np

from logscope.arrays import FloatArray
from logscope.comparison.cells import Grid, coarser
from logscope.comparison.driving import STRETCH_S, Driving, stretch_of_ticks
from logscope.comparison.outcome import Exposure, Verdict
from logscope.comparison.weighed import Weighed
from logscope.findings import Measured
from logscope.measures import NoiseFloor, Scatter
from logscope.statistics.change import change_in_cells
from logscope.statistics.rates import Estimate
from logscope.statistics.robust import noise_floor

_SPEED_CELLS, _LOAD_CELLS = 4, 4  # coarser than for events, since each cell of each stretch needs a scatter of its own
_LEAST_SAMPLES = 60  # to take a scatter by its median: good to some 15 %
_ROUNDING = (
    1.5 * 12.0**-0.5
)  # of a step: rounding alone scatters by 1/√12 of it, and a scatter not half above that is its
_LARGEST = 700.0  # logarithm near that of the largest number

Runs = Sequence[tuple[Driving, Scatter | None]]


def weigh_floor(measure: NoiseFloor, before: Runs, after: Runs, grid: Grid) -> Weighed:
    """Compare a noise floor; stretches of a run are the units."""
    cells = coarser(grid, _SPEED_CELLS, _LOAD_CELLS)
    sides = [floors(runs, cells) for runs in (before, after)]
    if not all((weight > 0).any() for _, weight, _ in sides):
        return Weighed(measure, "One side has too little driving to determine the noise.")
    if any(hidden for _, _, hidden in sides):
        return Weighed(
            measure,
            "The noise cannot be determined: it is below the resolution of the logged values on at least one side.",
        )
    (first, first_weight, _), (second, second_weight, _) = sides
    found = change_in_cells(first, first_weight, second, second_weight, margin=log(1.0 + measure.margin))
    if found is None:
        return Weighed(measure, "The two sides have too little driving at similar speed and load.")
    minutes = [float(weight.sum()) for weight in (first_weight, second_weight)]
    return Weighed(
        measure,
        f"A change of less than {100 * measure.margin:.0f} % says nothing about the wiring.",
        found.change.p_value,
        Verdict.BETTER if found.change.value < 0 else Verdict.WORSE,
        _scaled(found.first, measure.unit),
        _scaled(found.second, measure.unit),
        _scaled(found.change, "1"),
        Exposure(
            (float(np.count_nonzero(first_weight)), float(np.count_nonzero(second_weight))),
            all_min=(minutes[0], minutes[1]),
            units=f"stretches of {STRETCH_S:g} s",
        ),
    )


def _scaled(estimate: Estimate, unit: str) -> Measured:
    """Back from logarithms; an upper limit beyond all numbers is none."""
    value, low, high = (exp(min(each, _LARGEST)) for each in (estimate.value, estimate.low, estimate.high))
    return Measured(value, unit, low, high if estimate.high < _LARGEST else None)


def floors(runs: Runs, grid: Grid) -> tuple[FloatArray, FloatArray, bool]:
    """Logarithm of the floor by unit and cell, its weight [min], and whether rounding hides it in most cells."""
    rows: list[FloatArray] = []
    weights: list[FloatArray] = []
    hidden = seen = 0
    for run, scatter in runs:
        if scatter is None:
            continue
        cell, unit = grid.cell(run), stretch_of_ticks(run)
        ticks = run.ticks(scatter.time_s)
        inside = ticks >= 0
        of_sample = np.where(inside, cell[ticks], -1)
        period_min = float(np.median(np.diff(scatter.time_s))) / 60.0
        of_unit = np.where(inside, unit[ticks], -1)
        for number in np.unique(of_unit[inside]):
            within = np.flatnonzero(of_unit == number)
            row, weight = np.zeros(grid.cells), np.zeros(grid.cells)
            if within.size < _LEAST_SAMPLES:
                continue
            value, at = scatter.value[within[0] : within[-1] + 1], of_sample[within[0] : within[-1] + 1]
            for index in np.unique(at[at >= 0]):
                where = at == index
                count = int(np.count_nonzero(where))
                if count < _LEAST_SAMPLES:
                    continue
                floor = noise_floor(value, where, scatter.quantum)
                seen += 1
                if floor <= _ROUNDING * scatter.quantum or not floor > 0:
                    hidden += 1
                    continue
                row[index], weight[index] = log(floor), count * period_min
            rows.append(row)
            weights.append(weight)
    if not rows:
        return np.zeros((0, grid.cells)), np.zeros((0, grid.cells)), False
    return np.array(rows), np.array(weights), hidden > seen / 2
