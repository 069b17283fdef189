"""One log as one row of the history: when it was, how long, and the value of every measure with its limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import exp

import numpy as np

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
from logscope.statistics.distributions import student_quantile
from logscope.statistics.rates import clustered_rate
from logscope.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class Row:
    """One log.

    log : its path; date : UTC, of the log's first stamp, or where that has none (`dated` is False) of its file or name
    values : by name of the measure, only those in this log; tuning : its tuning measures
    cautions : what is in doubt, or was assumed, to read the log
    date_named : whether the date is that in its name
    periods_s : of the samples that each measure rests on, by its name
    made_with : digests of what else a value depends on beside the vehicle, by name (`MAPPING`, `CHECKS`)
    """

    log: str
    date: datetime
    dated: bool
    duration_s: float
    values: Mapping[str, Measured]
    tuning: Tuning = field(default_factory=Tuning)
    cautions: tuple[str, ...] = ()
    date_named: bool = False
    periods_s: Mapping[str, float] = field(default_factory=dict)
    made_with: Mapping[str, str] = field(default_factory=dict)

    @property
    def date_from(self) -> str:
        """Whose date it is: the log's, that in its name, or the file's, which copying may have changed."""
        return "log" if self.dated else "name" if self.date_named else "file"


MAPPING = "the signals and definitions of the vehicle file"
CHECKS = "the version of the checks"


@dataclass(frozen=True, slots=True)
class Note:
    """What was changed on the vehicle, and when (UTC)."""

    date: datetime
    text: str


@dataclass(frozen=True, slots=True)
class StepChange:
    """One step of a measure.

    log, date : the first log after it; since, until : dates of two logs between which it lies, at 95 %
    before, after : levels; logs_before, logs_after : how many logs show them, to the next step on either side
    """

    log: str
    date: datetime
    since: datetime
    until: datetime
    before: Measured
    after: Measured
    logs_before: int
    logs_after: int


@dataclass(frozen=True, slots=True)
class Drift:
    """A measure that drifts, or one step of it.

    logs, days : how many hold the measure, and over what time
    change : over that time, or at the step, in percent of a ratio, else in its unit
    p_value : chance of such a change by chance alone, over all measures
    changed : whether notes lie in between; step : None for a drift
    coincides : what else changed at a step, so that the vehicle need not have changed; empty where nothing did
    by_file : how many of the logs stand where the dates of their files put them
    """

    name: str
    title: str
    logs: int
    days: float
    change: Measured
    p_value: float
    changed: bool
    step: StepChange | None = None
    coincides: tuple[str, ...] = ()
    by_file: int = 0


@dataclass(frozen=True, slots=True)
class History:
    """All rows and notes in order of time, what could not be read with the reason, the measures by name, and drifts.

    levels : the fitted level of each measure that changed, by its name, at the number of each row that holds it
    """

    vehicle_name: str
    rows: tuple[Row, ...]
    notes: tuple[Note, ...]
    skipped: tuple[tuple[str, str], ...]
    titles: Mapping[str, str] = field(default_factory=dict)
    drifts: tuple[Drift, ...] = ()
    levels: Mapping[str, Mapping[int, float]] = field(default_factory=dict)


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


def periods_of(result: Result, measures: Sequence[Measure]) -> dict[str, float]:
    """How closely the parts that each measure is taken from were sampled [s], by its name."""
    found: dict[str, float] = {}
    for measure in measures:
        parts = [measure.part] if not isinstance(measure, Repeated) else [
            part for f in result.findings if f.kind.startswith(measure.kinds) and measure.value in f.measured
            for part in f.parts[:1]
        ]  # fmt: skip
        periods = [result.signals[part].spacing_s for part in parts if part in result.signals]
        if periods and max(periods) > 0:
            found[measure.name] = max(periods)
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
    reach = student_quantile(0.975, known.size - 1) * float(np.std(known, ddof=1)) / float(np.sqrt(known.size))
    return Measured(value, measure.unit, value * exp(-reach), value * exp(reach))
