"""Rates of events before and after, within cells of alike speed and load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.comparison.cells import (
    REACH_CELLS,
    STANDSTILL,
    Grid,
    coarser,
    runs_are_units,
    shared_cells,
    time_in_cells,
)
from logscope.comparison.driving import STRETCH_S, TICK_S, Driving, part_words, stretch_of_ticks
from logscope.comparison.outcome import Exposure, Verdict
from logscope.comparison.weighed import Weighed
from logscope.findings import Finding, Measured
from logscope.measures import EventRate
from logscope.statistics.clustering import Recorded, clustering, spread_of_units, student_widening
from logscope.statistics.detectability import minimum_detectable_ratio, more_exposure_for
from logscope.statistics.rate_change import Law, Observed, RateChange, fit_law, rate_change
from logscope.statistics.rates import Estimate

HALVED = 0.5
_FEWEST_DRIVING_S = 60.0  # on each side: a single burst, of some 30 s at most, is no rate
_FEWEST_SHARED_S = 10.0  # of driving in shared cells on each side: less holds a handful of samples a cell
_FEWEST_SHARE = 0.1  # of each side's driving: less is a chance meeting of two different drives
_FAR_APART = 1.5  # a threshold that differs by more than half sees other events
# Where most of what happened has no counterpart, what is left speaks of another question (judgement): then only a
# difference that shows all the same is limits, and none where nearly all events are such.
_MOST, _NEARLY_ALL = 0.5, 0.8
_FEW_EVENTS = 3  # fewer may lie anywhere
# Where the rate may bend, as fractions of the largest load, and how much steeper than over the whole range it may be
# between two: a plug that moves under torque disturbs from some current on (judgement).
_KNOTS = (0.2, 0.35, 0.5, 0.65, 0.8)
_BEND = 4.0
_CLUSTERED = 1.2  # variance over that of independent events from which it is worth a sentence

Runs = Sequence[tuple[Driving, Sequence[Finding]]]


@dataclass(frozen=True, slots=True, eq=False)
class _Ticks:
    """One run by ticks. cell : coarse cell, −1 where it does not drive; events : that each tick led to; shape (n,)."""

    run: Driving
    cell: IndexArray
    events: FloatArray


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
    coarse = coarser(grid, *REACH_CELLS)
    sides = [[_ticks(measure, run, findings, coarse) for run, findings in runs] for runs in (before, after)]
    driven_s = [time_in_cells([each.cell for each in side], coarse) for side in sides]
    shared = shared_cells(*driven_s)
    happened = [_by_cell(side, coarse) for side in sides]
    all_s, shared_s = ([float(each[where].sum()) for each in driven_s] for where in (slice(None), shared))
    exposure = Exposure(
        (float(happened[0][shared].sum()), float(happened[1][shared].sum())),
        (shared_s[0] / 60.0, shared_s[1] / 60.0),
        (all_s[0] / 60.0, all_s[1] / 60.0),
        "runs" if runs_are_units(before, after) else "gaps between events",
    )
    if why := _no_overlap(all_s, shared_s, grid, before, after) or _other_threshold(measure, before, after):
        return Weighed(measure, why, exposure=exposure)
    rows = _rows(sides, shared, grid)
    dispersion = 1.0
    if rows.events.sum() > 0:
        dispersion = _dispersion(sides, shared, grid, fit_law(rows), level)
    found = rate_change(rows, dispersion, measure.margin)
    apart = _apart(measure, sides, happened, shared, grid)
    if apart.share > _NEARLY_ALL or (apart.share > _MOST and found.ratio.p_value > level):
        return Weighed(measure, apart.words, exposure=exposure)
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
        minimum_detectable_ratio(found.events[0], found.expected, found.dispersion, level, measure.margin),
        more * shared_s[1] / 60.0 if isfinite(more) else inf,
    )


def by_load(measure: EventRate, runs: Runs, grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Events and minutes of driving by load band, shape (bands,) each."""
    side = [_ticks(measure, run, findings, grid) for run, findings in runs]
    bands = grid.load_edges.size - 1
    seconds = time_in_cells([each.cell for each in side], grid)
    events, driven_s = (each.reshape(-1, bands).sum(axis=0) for each in (_by_cell(side, grid), seconds))
    return np.asarray(events), np.asarray(driven_s) / 60.0


def by_stretch(
    measure: EventRate, run: Driving, findings: Sequence[Finding], grid: Grid
) -> tuple[FloatArray, FloatArray]:
    """Events and seconds of driving of one run in each stretch of STRETCH_S, shape (stretches,) each."""
    ticks, stretch = _ticks(measure, run, findings, grid), stretch_of_ticks(run)
    seconds = np.where(ticks.cell >= 0, TICK_S, 0.0)
    events, driven_s = (np.bincount(stretch, each).astype(np.float64) for each in (ticks.events, seconds))
    return events, driven_s


def _ticks(measure: EventRate, run: Driving, findings: Sequence[Finding], cells: Grid) -> _Ticks:
    happened = run.ticks(np.asarray(event_times(measure, findings), dtype=np.float64) - measure.lead_s)
    cell = cells.cell(run)
    events = np.bincount(happened[happened >= 0], minlength=run.known.size).astype(np.float64)
    return _Ticks(run, cell, np.where(cell >= 0, events, 0.0))


def _by_cell(side: Sequence[_Ticks], cells: Grid) -> FloatArray:
    """Events of a side by cell, shape (cells,)."""
    cell, events = (np.concatenate([getattr(each, name) for each in side]) for name in ("cell", "events"))
    inside = cell >= 0
    return np.bincount(cell[inside], events[inside], minlength=cells.cells).astype(np.float64)


def _covariates(run: Driving, grid: Grid) -> FloatArray:
    """What a rate may follow at each tick: load and its bends, speed and its logarithm, load × speed; shape (n, k).

    A rate that rises with a power of the speed, by a factor for each ampere, or from some current on, is near to that.
    """
    load = np.clip(run.load / grid.load_edges[-1], 0.0, 1.2)
    speed = np.clip(run.speed / grid.speed_edges[-1], STANDSTILL, 1.2)
    bends = [_BEND * np.maximum(load - knot, 0.0) for knot in _KNOTS]
    return np.column_stack([load, speed, np.log(speed), load * speed, *bends])


def _rows(sides: Sequence[Sequence[_Ticks]], shared: BoolArray, grid: Grid) -> Observed:
    """Both sides by fine cells within the shared coarse ones, each cell with the mean of its own driving."""
    events, exposure, second, covariates = [], [], [], []
    for number, side in enumerate(sides):
        inside = [(each.cell >= 0) & shared[each.cell] for each in side]
        cell = np.concatenate([grid.cell(each.run)[i] for each, i in zip(side, inside, strict=True)])
        tick_events = np.concatenate([each.events[i] for each, i in zip(side, inside, strict=True)])
        own = np.concatenate([_covariates(each.run, grid)[i] for each, i in zip(side, inside, strict=True)])
        ticks = np.bincount(cell, minlength=grid.cells)
        there = ticks > 0
        means = [np.bincount(cell, column, minlength=grid.cells)[there] / ticks[there] for column in own.T]
        events.append(np.bincount(cell, tick_events, minlength=grid.cells)[there])
        exposure.append(ticks[there] * TICK_S)
        second.append(np.full(np.count_nonzero(there), number == 1))
        covariates.append(np.column_stack(means))
    return Observed(*(np.concatenate(each) for each in (events, exposure, second, covariates)))


def _dispersion(sides: Sequence[Sequence[_Ticks]], shared: BoolArray, grid: Grid, law: Law, level: float) -> float:
    """Variance of the counts over that of independent events: clusters within runs, and runs that differ.

    The variance from few clusters or runs is uncertain, for which Student's distribution allows.
    """
    recorded = [
        [_recorded(each, shared, grid, law, second=number == 1) for each in side] for number, side in enumerate(sides)
    ]
    within = clustering([each for side in recorded for each in side], STRETCH_S)
    dispersion = within.dispersion
    if within.clusters is not None:
        dispersion *= student_widening(within.clusters - 1.0, level)
    if not runs_are_units(*sides):
        return dispersion
    runs = [each for side in recorded for each in side]
    counts, expected = [float(each.events_s.size) for each in runs], [float(each.until[-1]) for each in runs]
    return max(dispersion, spread_of_units(counts, expected, within.dispersion, fitted=2, level=level))


def _recorded(each: _Ticks, shared: BoolArray, grid: Grid, law: Law, *, second: bool) -> Recorded:
    """The shared driving of one run as events and expected events."""
    inside = (each.cell >= 0) & shared[each.cell]
    rate: FloatArray = np.where(inside, law.rate(_covariates(each.run, grid), second), 0.0)
    number = each.run.number
    edge_s = np.asarray(np.append(number, number[-1:] + 1) * TICK_S, dtype=np.float64)
    happened = np.repeat(edge_s[:-1], np.where(inside, each.events, 0.0).astype(np.intp))
    until = np.concatenate([np.zeros(1), np.cumsum(rate) * TICK_S])
    return Recorded(happened, edge_s, np.asarray(until, dtype=np.float64))


@dataclass(frozen=True, slots=True)
class _Apart:
    """The larger share of one side's events where the other side never drove, and that in words."""

    share: float
    words: str


def _apart(
    measure: EventRate,
    sides: Sequence[Sequence[_Ticks]],
    happened: Sequence[FloatArray],
    shared: BoolArray,
    grid: Grid,
) -> _Apart:
    shares = [
        float(each[~shared].sum() / max(each.sum(), 1.0)) if each.sum() >= _FEW_EVENTS else 0.0 for each in happened
    ]
    worst = int(np.argmax(shares))
    side, other = sides[worst], sides[1 - worst]
    names = ("before", "after")
    count, whole = happened[worst][~shared].sum(), happened[worst].sum()
    at = [(each.run, (each.events > 0) & (each.cell >= 0) & ~shared[each.cell]) for each in side]
    driven = [(each.run, each.cell >= 0) for each in other]
    return _Apart(
        shares[worst],
        f"{measure.title}: {count:.0f} of {whole:.0f} {names[worst]} occurred where the other side hardly drove: at "
        f"{_spans(at, grid)}, against {_spans(driven, grid)} in nine tenths of the driving {names[1 - worst]}. "
        "Repeat the drive at the same speed and load.",
    )


def _spans(chosen: Sequence[tuple[Driving, BoolArray]], grid: Grid) -> str:
    """The middle nine tenths of speed and load in chosen ticks, in words."""
    spans = []
    for part, name in ((grid.speed, "speed"), (grid.load, "load")):
        values = np.concatenate([getattr(run, name)[where] for run, where in chosen])
        if values.size:
            low, high = np.quantile(values, [0.05, 0.95])
            spans.append(f"{low:.0f} to {high:.0f} of {part_words(part)}")
    return " and ".join(spans)


def _no_overlap(all_s: Sequence[float], shared_s: Sequence[float], grid: Grid, before: Runs, after: Runs) -> str:
    """Why the driving of both sides has too little in common; empty where it has enough."""
    for seconds, which in zip(all_s, ("before", "after"), strict=True):
        if seconds < _FEWEST_DRIVING_S:
            return (
                f"Only {seconds:.0f} s of driving {which} the change; a rate needs {_FEWEST_DRIVING_S:.0f} s, because "
                "less may hold a single burst."
            )
    enough = all(
        part >= max(_FEWEST_SHARED_S, _FEWEST_SHARE * whole) for part, whole in zip(shared_s, all_s, strict=True)
    )
    if enough:
        return ""
    spans = [_spans([(run, grid.cell(run) >= 0) for run, _ in runs], grid) for runs in (before, after)]
    return (
        f"The two sides were driven too differently: only {shared_s[0]:.0f} of {all_s[0]:.0f} s before and "
        f"{shared_s[1]:.0f} of {all_s[1]:.0f} s after were at similar speed and load. Nine tenths of the driving was "
        f"at {spans[0]} before, at {spans[1]} after. Repeat the drive as it was before."
    )


def _other_threshold(measure: EventRate, before: Runs, after: Runs) -> str:
    """Why events of one side would not have been seen on the other; empty where they would."""
    seen = [value for value in (_threshold(measure, runs) for runs in (before, after)) if value]
    if len(seen) < 2 or max(seen) <= _FAR_APART * min(seen):
        return ""
    return (
        f"Disturbances were detectable from {seen[0]:,.0f} rpm before the change and from {seen[1]:,.0f} rpm after it: "
        "one side misses events that the other shows. State the motor's torque and inertia in the vehicle file, and "
        "log both sides with the same period."
    )


def _threshold(measure: EventRate, runs: Runs) -> float | None:
    """The largest of the thresholds that the findings of a side give."""
    limits = [
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
    return max(limits, default=None)


def _in_words(found: RateChange) -> str:
    count = sum(found.events)
    if count == 0:
        return "None on either side."
    bursts = ""
    if found.dispersion > _CLUSTERED:
        bursts = f" Events cluster: the effective number is {count / found.dispersion:.0f} of {count:.0f}."
    return (
        f"{found.events[0]:.0f} before in {found.exposure[0] / 60.0:.1f} min, {found.events[1]:.0f} after in "
        f"{found.exposure[1] / 60.0:.1f} min, at similar speed and load; {found.expected:.1f} expected after "
        f"without a change in rate.{bursts}"
    )


def _per(rate: Estimate, measure: EventRate) -> Measured:
    value, low, high = (each * measure.per_s for each in (rate.value, rate.low, rate.high))
    return Measured(value, measure.unit, low, high)


def _measured(ratio: Estimate) -> Measured:
    value, low, high = (each if isfinite(each) else None for each in (ratio.value, ratio.low, ratio.high))
    return Measured(value, "1", low, high)
