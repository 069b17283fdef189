"""Whether a measure changes over the logs of a project: a capacitor that ages, or parts that were changed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import exp, expm1

from logscope.findings import Measured
from logscope.history.rows import Drift, Note, Row, StepChange
from logscope.history.series import Series, series_of
from logscope.measures import Measure, Repeated
from logscope.statistics.course import LEVEL, Course, LevelStep, course
from logscope.statistics.holm import holm
from logscope.statistics.rates import Estimate

LEAST_LOGS = 5  # a line through fewer leaves too little to judge its scatter by


@dataclass(frozen=True, slots=True)
class Changes:
    """What changes, in order of the measures and of time; `levels` as in `History`."""

    drifts: tuple[Drift, ...]
    levels: Mapping[str, Mapping[int, float]]


@dataclass(frozen=True, slots=True)
class _Claim:
    """A drift, or a step of it, that the course of a measure shows."""

    series: Series
    course: Course
    step: LevelStep | None
    change: Estimate

    @property
    def matters(self) -> bool:
        return abs(self.change.value) >= self.series.measure.margin


def changes(rows: Sequence[Row], notes: Sequence[Note], measures: Sequence[Measure]) -> Changes:
    """The measures that change beyond chance and beyond what matters. Rates are left out: they follow the driving.

    Levels, steps and a common slope over the dates, as in `statistics.course`; in the logarithm for what is compared as
    a ratio. Holm's correction counts every measure, and every change of it.
    """
    claims: list[_Claim] = []
    without = 0
    for measure in measures:
        if isinstance(measure, Repeated):
            found = list(_claims(measure, rows))
            claims += found
            without += not found
    chances = holm([*(each.change.p_value for each in claims), *[1.0] * without])
    shown = [
        (claim, chance)
        for claim, chance in zip(claims, chances[: len(claims)], strict=True)
        if chance <= LEVEL and claim.matters
    ]
    levels = {claim.series.measure.name: _levels(claim) for claim, _ in shown}
    return Changes(tuple(_drift(claim, chance, rows, notes) for claim, chance in shown), levels)


def _claims(measure: Repeated, rows: Sequence[Row]) -> Iterator[_Claim]:
    series = series_of(measure, rows)
    if series is None or len(series.rows) < LEAST_LOGS:
        return
    found = course(series.days, series.value, series.deviation, [each.kind for each in series.conditions])
    if found is None:
        return
    for step in found.steps:
        yield _Claim(series, found, step, step.change)
    if found.slope is not None:
        value, low, high = (series.days[-1] * each for each in (found.slope.value, found.slope.low, found.slope.high))
        yield _Claim(series, found, None, Estimate(value, low, high, found.slope.p_value))


def _levels(claim: _Claim) -> dict[int, float]:
    level, ratio = claim.course.level.tolist(), claim.series.measure.ratio
    return {row: exp(each) if ratio else each for row, each in zip(claim.series.rows, level, strict=True)}


def _drift(claim: _Claim, chance: float, rows: Sequence[Row], notes: Sequence[Note]) -> Drift:
    series, measure = claim.series, claim.series.measure
    of = [rows[number] for number in series.rows]
    step = None if claim.step is None else _step_change(claim, claim.step, of)
    first, last = (of[0].date, of[-1].date) if step is None else (step.since, step.until)
    change = claim.change
    value, low, high = (
        100.0 * expm1(each) if measure.ratio else each for each in (change.value, change.low, change.high)
    )
    return Drift(
        name=measure.name,
        title=measure.title,
        logs=len(of),
        days=float(series.days[-1]),
        change=Measured(value, "%" if measure.ratio else measure.unit, low, high),
        p_value=chance,
        changed=any(first < note.date <= last for note in notes),
        step=step,
        coincides=() if claim.step is None else _coincides(claim, claim.step),
        by_file=sum(row.date_from == "file" for row in of),
    )


def _sides(claim: _Claim, step: LevelStep) -> tuple[slice, slice]:
    """The items from the step before, and to the step after."""
    bounds = [0, *(each.at for each in claim.course.steps), len(claim.series.rows)]
    place = bounds.index(step.at, 1)
    return slice(bounds[place - 1], step.at), slice(step.at, bounds[place + 1])


def _coincides(claim: _Claim, step: LevelStep) -> tuple[str, ...]:
    return tuple(claim.series.conditions[number].changes(*_sides(claim, step)) for number in step.confounded)


def _step_change(claim: _Claim, step: LevelStep, of: Sequence[Row]) -> StepChange:
    measure, (before, after) = claim.series.measure, _sides(claim, step)
    return StepChange(
        log=of[step.at].log,
        date=of[step.at].date,
        since=of[step.earliest - 1].date,
        until=of[step.latest].date,
        before=_level(measure, step.before),
        after=_level(measure, step.after),
        logs_before=before.stop - before.start,
        logs_after=after.stop - after.start,
    )


def _level(measure: Repeated, level: Estimate) -> Measured:
    value, low, high = (exp(each) if measure.ratio else each for each in (level.value, level.low, level.high))
    return Measured(value, measure.unit, low, high)
