"""Two sets of checked runs, compared measure by measure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.comparison.cells import Grid, coarser, make_grid
from logscope.comparison.differences import sampling_differences, spoils
from logscope.comparison.driving import LOADS, SPEEDS, Driving, common_part, driving
from logscope.comparison.floor import weigh_floor
from logscope.comparison.judge import LEVEL, judge, whole
from logscope.comparison.outcome import Comparison, Difference, LoadRate, Side
from logscope.comparison.rate import by_load, weigh_rate
from logscope.comparison.repeated import weigh_repeated
from logscope.comparison.weighed import Weighed
from logscope.findings import Finding
from logscope.measures import EventRate, Measure, NoiseFloor, Repeated
from logscope.parts import PARTS, part_title
from logscope.result import Result
from logscope.statistics.rates import poisson_rate
from logscope.vehicle import Vehicle

_CHART_BANDS = 8  # of the load, in the chart of rates


def compare_results(
    before: Sequence[Result],
    after: Sequence[Result],
    vehicles: tuple[Vehicle, Vehicle],
    measures: Sequence[Measure],
    differences: Sequence[Difference] = (),
) -> Comparison:
    """Compare checked runs.

    before, after : at least one run each; vehicles : of both sides
    differences : in vehicle files and definitions, found already; those in the sampling are added
    """
    known = [*differences, *sampling_differences(before, after)]
    speed, load = (common_part(parts, [r.signals for r in (*before, *after)]) for parts in (SPEEDS, LOADS))
    sides = [_side(results, speed, load) for results in (before, after)]
    grid = None
    if speed is not None and load is not None:
        grid = make_grid(speed, load, [run for side in sides for run in side.driving if run is not None])
    judged = judge([_weigh(measure, sides, vehicles, known, grid, LEVEL / len(measures)) for measure in measures])
    verdict, reason = whole(judged)
    return Comparison(
        vehicle_name=after[0].vehicle_name,
        verdict=verdict,
        reason=reason,
        measures=judged,
        differences=tuple(known),
        before=sides[0],
        after=sides[1],
        grid=grid,
        by_load=_rate_by_load(measures, sides, grid),
    )


def _side(results: Sequence[Result], speed: str | None, load: str | None) -> Side:
    drives: list[Driving | None] = [None] * len(results)
    if speed is not None and load is not None:
        drives = [driving(result.signals, speed, load) for result in results]
    return Side(tuple(results), tuple(drives))


def _weigh(
    measure: Measure,
    sides: Sequence[Side],
    vehicles: tuple[Vehicle, Vehicle],
    known: Sequence[Difference],
    grid: Grid | None,
    level: float,
) -> Weighed:
    if isinstance(measure, Repeated):
        before, after = ([f for result in side.results for f in result.findings] for side in sides)
        return weigh_repeated(measure, before, after)
    if why := _not_measured(measure, sides, grid) or spoils(measure, known):
        return Weighed(measure, why)
    assert grid is not None
    if isinstance(measure, EventRate):
        return weigh_rate(measure, _with_findings(sides[0]), _with_findings(sides[1]), grid, level)
    runs = [
        [
            (run, measure.samples(result.signals, vehicle))
            for run, result in zip(side.driving, side.results, strict=True)
            if run is not None
        ]
        for side, vehicle in zip(sides, vehicles, strict=True)
    ]
    return weigh_floor(measure, runs[0], runs[1], grid)


def _not_measured(measure: EventRate | NoiseFloor, sides: Sequence[Side], grid: Grid | None) -> str:
    """Why a measure of driving cannot be taken on both sides; empty where it can."""
    for side, which in zip(sides, ("before", "after"), strict=True):
        if not all(measure.part in result.signals for result in side.results):
            return f"{part_title(measure.part)} was not logged in every run {which} the change."
    if any(run is None for side in sides for run in side.driving):
        return (
            "A gentler run cannot be distinguished from a real change: speed and load (motor current, torque or "
            "battery current) are not logged in every run. Map both in the vehicle file."
        )
    return "" if grid is not None else "The vehicle does not drive in these logs."


def _with_findings(side: Side) -> list[tuple[Driving, Sequence[Finding]]]:
    pairs = zip(side.driving, side.results, strict=True)
    return [(run, result.findings) for run, result in pairs if run is not None]


def _rate_by_load(measures: Sequence[Measure], sides: Sequence[Side], grid: Grid | None) -> LoadRate | None:
    """The first rate by load, before and after, for the chart."""
    rate = next((measure for measure in measures if isinstance(measure, EventRate)), None)
    if rate is None or grid is None:
        return None
    bands = coarser(grid, 1, _CHART_BANDS)
    values = np.full((3, 2, _CHART_BANDS), np.nan)
    for number, side in enumerate(sides):
        events, minutes = by_load(rate, _with_findings(side), bands)
        for band in np.flatnonzero(minutes > 0):
            found = poisson_rate(float(events[band]), float(minutes[band]))
            values[:, number, band] = found.value, found.low, found.high
    return LoadRate(rate.title, grid.load, PARTS[grid.load].unit, bands.load_edges, values[0], values[1], values[2])
