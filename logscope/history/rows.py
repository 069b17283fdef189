"""One log as one row of the history: when it was, how long, and the value of every measure with its limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import exp

import numpy as np
from scipy import stats

from logscope.comparison.cells import coarser, make_grid
from logscope.comparison.driving import LOADS, SPEEDS, Driving, common_part, driving
from logscope.comparison.floor import floors
from logscope.comparison.rate import by_stretch
from logscope.comparison.repeated import repeats_of
from logscope.findings import Measured
from logscope.history.tuning import Tuning
from logscope.measures import EventRate, Measure, NoiseFloor, Repeated
from logscope.result import Result
from logscope.statistics.change import level_of_repeats
from logscope.statistics.rates import clustered_rate
from logscope.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class Row:
    """One log.

    log : its path; date : UTC, of the log's first stamp, or of the file where the log has no dates (`dated` is False)
    values : by name of the measure, only those in this log; tuning : its tuning measures
    cautions : what is in doubt, or was assumed, to read the log
    """

    log: str
    date: datetime
    dated: bool
    duration_s: float
    values: Mapping[str, Measured]
    tuning: Tuning = field(default_factory=Tuning)
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Note:
    """What was changed on the vehicle, and when (UTC)."""

    date: datetime
    text: str


@dataclass(frozen=True, slots=True)
class StepChange:
    """One step of a measure: the first log after it, its level before and after, and how many logs say so."""

    log: str
    date: datetime
    before: Measured
    after: Measured
    logs_before: int
    logs_after: int


@dataclass(frozen=True, slots=True)
class Drift:
    """A measure that drifts, or steps once.

    change : over the time from the first log that has it to the last, or at the step, in percent of a ratio, else in
        its unit
    p_value : chance of such a change by chance alone, over all measures; changed : whether notes lie in between
    step : where one step explains the values better than a line
    """

    name: str
    title: str
    logs: int
    days: float
    change: Measured
    p_value: float
    changed: bool
    step: StepChange | None = None


@dataclass(frozen=True, slots=True)
class History:
    """All rows and notes in order of time, what could not be read with the reason, the measures by name, and drifts."""

    vehicle_name: str
    rows: tuple[Row, ...]
    notes: tuple[Note, ...]
    skipped: tuple[tuple[str, str], ...]
    titles: Mapping[str, str] = field(default_factory=dict)
    drifts: tuple[Drift, ...] = ()


def values_of(result: Result, vehicle: Vehicle, measures: Sequence[Measure]) -> dict[str, Measured]:
    """The value of each measure in one checked log.

    Rates are those of all its driving: unlike a comparison, a history does not allow for how hard it was driven.
    """
    run = _driving(result)
    found: dict[str, Measured] = {}
    for measure in measures:
        value = (
            _repeated(measure, result)
            if isinstance(measure, Repeated)
            else None
            if run is None or measure.part not in result.signals
            else _rate(measure, result, run)
            if isinstance(measure, EventRate)
            else _floor(measure, result, vehicle, run)
        )
        if value is not None:
            found[measure.name] = value
    return found


def _driving(result: Result) -> Driving | None:
    speed, load = (common_part(parts, [result.signals]) for parts in (SPEEDS, LOADS))
    return None if speed is None else driving(result.signals, speed, load or speed)


def _rate(measure: EventRate, result: Result, run: Driving) -> Measured | None:
    grid = make_grid("", "", [run])
    if grid is None:
        return None
    events, driven_s = by_stretch(measure, run, result.findings, coarser(grid, 1, 1))
    if not driven_s.any():
        return None
    rate = clustered_rate(events, driven_s / measure.per_s)
    return Measured(rate.value, measure.unit, rate.low, rate.high)


def _repeated(measure: Repeated, result: Result) -> Measured | None:
    repeats = repeats_of(measure, result.findings)
    if not repeats.value.size:
        return None
    level = level_of_repeats(repeats.value, repeats.deviation, repeatability=measure.repeatability)
    three = [level.value, level.low, level.high]
    value, low, high = map(exp, three) if measure.ratio else three
    return Measured(value, measure.unit, low, high)


def _floor(measure: NoiseFloor, result: Result, vehicle: Vehicle, run: Driving) -> Measured | None:
    grid = make_grid("", "", [run])
    if grid is None:
        return None
    level, weight, hidden = floors([(run, measure.samples(result.signals, vehicle))], coarser(grid, 1, 1))
    known = level[weight > 0]
    if hidden or not known.size:
        return None
    value = exp(float(np.mean(known)))
    if known.size < 2:
        return Measured(value, measure.unit)
    reach = float(stats.t.ppf(0.975, known.size - 1)) * float(np.std(known, ddof=1)) / float(np.sqrt(known.size))
    return Measured(value, measure.unit, value * exp(-reach), value * exp(reach))
