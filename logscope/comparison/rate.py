"""Rates of events before and after, within cells of alike speed and load."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, isfinite

import numpy as np

from logscope.comparison.cells import STRETCH_S, Grid, runs_are_units, table, unit_of_ticks
from logscope.comparison.driving import TICK_S, Driving, part_words
from logscope.comparison.outcome import Exposure, Verdict
from logscope.comparison.weighed import Weighed
from logscope.findings import Finding, FloatArray, Measured
from logscope.measures import EventRate
from logscope.statistics.episodes import IndexArray
from logscope.statistics.power import more_exposure_for, smallest_fall_shown
from logscope.statistics.rates import Estimate
from logscope.statistics.stratified import Exposed, RatioOfRates, stratified_rate_ratio

HALVED = 0.5
_LEAST_DRIVING_S = 2.0 * STRETCH_S  # on each side: scatter needs two stretches
_LEAST_SHARED_S = 10.0  # of driving in shared cells on each side: less holds a handful of samples a cell
_LEAST_SHARE = 0.1  # of each side's driving: less is a chance meeting of two different drives
_FAR_APART = 1.5  # a threshold that differs by more than half sees other events

Runs = Sequence[tuple[Driving, Sequence[Finding]]]


def event_times(measure: EventRate, findings: Sequence[Finding]) -> list[float]:
    """When each episode of the measure's kinds began [s]."""
    return [
        episode.start_s
        for finding in findings
        if finding.kind in measure.kinds
        for episode in (finding.events or (finding,))
    ]


def weigh_rate(measure: EventRate, before: Runs, after: Runs, grid: Grid, level: float) -> Weighed:
    """Compare a rate; both sides have at least one run. level : at which a claim is made, for what could be shown."""
    whole_runs = runs_are_units(before, after)
    sides = [exposed(measure, runs, grid, whole_runs=whole_runs) for runs in (before, after)]
    shared = np.all([side.exposure.sum(axis=0) > 0 for side in sides], axis=0)
    all_s = [float(side.exposure.sum()) for side in sides]
    shared_s = [float(side.exposure[:, shared].sum()) for side in sides]
    counts = (float(sides[0].events[:, shared].sum()), float(sides[1].events[:, shared].sum()))
    exposure = Exposure(
        counts,
        (shared_s[0] / 60.0, shared_s[1] / 60.0),
        (all_s[0] / 60.0, all_s[1] / 60.0),
        "runs" if whole_runs else f"stretches of {STRETCH_S:g} s",
    )
    if why := _no_overlap(all_s, shared_s, grid, before, after) or _other_threshold(measure, before, after):
        return Weighed(measure, why, exposure=exposure)
    found = stratified_rate_ratio(sides[0], sides[1], measure.margin)
    assert found is not None
    more = more_exposure_for(HALVED, found.events[0], found.expected, found.dispersion, level, measure.margin)
    return Weighed(
        measure,
        _in_words(found),
        found.ratio.p_value,
        Verdict.BETTER if found.ratio.value < 1.0 else Verdict.WORSE,
        _per(found.first, measure),
        _per(found.second, measure),
        _measured(found.ratio),
        exposure,
        smallest_fall_shown(found.events[0], found.expected, found.dispersion, level, measure.margin),
        more * shared_s[1] / 60.0 if isfinite(more) else inf,
    )


def exposed(measure: EventRate, runs: Runs, grid: Grid, *, whole_runs: bool) -> Exposed:
    """Events and seconds of driving of one side by unit and cell."""
    drives = [run for run, _ in runs]
    units = unit_of_ticks(drives, whole_runs=whole_runs)
    cells = [grid.cell(run) for run in drives]
    happened = [_per_tick(measure, run, findings) for run, findings in runs]
    lasting = [np.full(run.known.size, TICK_S) for run in drives]
    return Exposed(table(units, cells, happened, grid.cells), table(units, cells, lasting, grid.cells))


def by_load(measure: EventRate, runs: Runs, grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Events and minutes of driving by load band, shape (bands,) each."""
    side = exposed(measure, runs, grid, whole_runs=True)
    bands = grid.load_edges.size - 1
    events, seconds = (
        np.asarray(each.sum(axis=0).reshape(-1, bands).sum(axis=0)) for each in (side.events, side.exposure)
    )
    return events, seconds / 60.0


def _per_tick(measure: EventRate, run: Driving, findings: Sequence[Finding]) -> FloatArray:
    """How many events each tick led to."""
    ticks: IndexArray = np.array(
        [run.tick(time_s - measure.lead_s) for time_s in event_times(measure, findings)], dtype=np.intp
    )
    inside = ticks[(ticks >= 0) & (ticks < run.known.size)]
    return np.bincount(inside, minlength=run.known.size).astype(np.float64)


def _no_overlap(all_s: Sequence[float], shared_s: Sequence[float], grid: Grid, before: Runs, after: Runs) -> str:
    """Why the driving of both sides has too little in common; empty where it has enough."""
    for seconds, which in zip(all_s, ("before", "after"), strict=True):
        if seconds < _LEAST_DRIVING_S:
            return (
                f"There are only {seconds:.0f} s of driving {which} the change; less than {_LEAST_DRIVING_S:.0f} s "
                "cannot tell a rate from a single burst."
            )
    enough = all(
        part >= max(_LEAST_SHARED_S, _LEAST_SHARE * whole) for part, whole in zip(shared_s, all_s, strict=True)
    )
    if enough:
        return ""
    spans = [
        " and ".join(
            f"{low:.0f} to {high:.0f} of {part_words(part)}"
            for part, (low, high) in zip((grid.speed, grid.load), _middle(runs, grid), strict=True)
        )
        for runs in (before, after)
    ]
    return (
        f"The two sides were driven too differently: only {shared_s[0]:.0f} of {all_s[0]:.0f} s before and "
        f"{shared_s[1]:.0f} of {all_s[1]:.0f} s after were at like speed and load. Nine tenths of the driving was at "
        f"{spans[0]} before, at {spans[1]} after. Repeat the drive as it was before."
    )


def _middle(runs: Runs, grid: Grid) -> list[tuple[float, float]]:
    """The middle nine tenths of speed and of load while driving."""
    inside = [grid.cell(run) >= 0 for run, _ in runs]
    values = (
        np.concatenate([getattr(run, name)[k] for (run, _), k in zip(runs, inside, strict=True)])
        for name in ("speed", "load")
    )
    return [(float(np.quantile(v, 0.05)), float(np.quantile(v, 0.95))) for v in values]


def _other_threshold(measure: EventRate, before: Runs, after: Runs) -> str:
    """Why events of one side would not have been seen on the other; empty where they would."""
    seen = [value for value in (_threshold(measure, runs) for runs in (before, after)) if value]
    if len(seen) < 2 or max(seen) <= _FAR_APART * min(seen):
        return ""
    return (
        f"Before the change a disturbance stood out from {seen[0]:,.0f} rpm on, after it from {seen[1]:,.0f} rpm on: "
        "events seen on one side would have been missed on the other. State the motor's torque and inertia in the "
        "vehicle file, and log with one period."
    )


def _threshold(measure: EventRate, runs: Runs) -> float | None:
    """The largest of the thresholds that the findings of a side tell."""
    told = [
        limit
        for _, findings in runs
        for finding in findings
        for name in measure.threshold
        for limit in (
            finding.expected[name].high if name in finding.expected else None,
            finding.measured[name].value if name in finding.measured and name not in finding.expected else None,
        )
        if limit is not None and finding.kind.startswith("encoder.")
    ]
    return max(told, default=None)


def _in_words(found: RatioOfRates) -> str:
    if sum(found.events) == 0:
        return "None was seen on either side."
    bursts = ""
    if found.dispersion > 1.0:
        bursts = f" They come in bursts, so that {found.dispersion:.1f} of them count as one."
    return (
        f"{found.events[0]:.0f} before in {found.exposure[0] / 60.0:.1f} min, {found.events[1]:.0f} after in "
        f"{found.exposure[1] / 60.0:.1f} min, at like speed and load; {found.expected:.1f} were to be expected after "
        f"without a change in rate.{bursts}"
    )


def _per(rate: Estimate, measure: EventRate) -> Measured:
    value, low, high = (each * measure.per_s for each in (rate.value, rate.low, rate.high))
    return Measured(value, measure.unit, low, high)


def _measured(ratio: Estimate) -> Measured:
    value, low, high = (each if isfinite(each) else None for each in (ratio.value, ratio.low, ratio.high))
    return Measured(value, "1", low, high)
