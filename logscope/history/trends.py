"""Whether a measure changes over the logs of a project: a capacitor that ages, or a part that was changed once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, expm1, log

import numpy as np

from logscope.arrays import FloatArray
from logscope.findings import Measured
from logscope.history.rows import Drift, Note, Row, StepChange
from logscope.measures import Measure, Repeated
from logscope.statistics.holm import holm
from logscope.statistics.robust import NORMAL_95
from logscope.statistics.trend import Step, Trend, weighted_step, weighted_trend

LEAST_LOGS = 5  # a line through fewer leaves too little to judge its scatter by
TREND_LEVEL = 0.01  # chance of a trend claimed where there is none, over all measures together
_WAYS = 2  # a line and a step were looked for
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class _Trend:
    """One measure over the logs: the rows, and the line or the step that explains them better."""

    measure: Repeated
    rows: Sequence[Row]
    best: Trend | Step

    @property
    def p_value(self) -> float:
        return min(1.0, _WAYS * self.best.p_value)

    @property
    def size(self) -> float:
        return abs(self.best.change[0] if isinstance(self.best, Step) else self.best.change)


def drifts(rows: Sequence[Row], notes: Sequence[Note], measures: Sequence[Measure]) -> tuple[Drift, ...]:
    """The measures that change beyond chance and beyond what matters. Rates are left out: they follow the driving.

    A weighted line over the dates, or one step between two logs, whichever explains the values better by Schwarz's
    criterion; in the logarithm for what is compared as a ratio.
    """
    found = [each for m in measures if isinstance(m, Repeated) and (each := _best(m, rows)) is not None]
    chances = holm([each.p_value for each in found])
    return tuple(
        _drift(each, chance, notes)
        for each, chance in zip(found, chances, strict=True)
        if chance <= TREND_LEVEL and each.size >= each.measure.margin
    )


def _best(measure: Repeated, rows: Sequence[Row]) -> _Trend | None:
    of = [row for row in rows if _limits(row, measure.name) is not None]
    if len(of) < LEAST_LOGS:
        return None
    limits = np.array([_limits(row, measure.name) for row in of])
    limits = np.log(limits) if measure.ratio else limits
    value, low, high = limits.T
    deviation = (high - low) / (2.0 * NORMAL_95)
    days = np.array([row.date.timestamp() for row in of]) / _DAY_S
    trend, step = weighted_trend(days - days[0], value, deviation), weighted_step(value, deviation)
    if trend is None or step is None:
        return None
    return _Trend(measure, of, step if _steps(trend, step, days - days[0], value, deviation) else trend)


def _steps(trend: Trend, step: Step, days: FloatArray, value: FloatArray, deviation: FloatArray) -> bool:
    """Whether one step explains the values better than a line, its place counted as one parameter more.

    G. Schwarz, Ann. Statist. 6 (1978), with the deviations scaled to the scatter about the better of the two.
    """
    left = float(np.sum(((value - trend.at(days)) / deviation) ** 2))
    excess = max(1.0, min(left, step.misfit) / max(value.size - 3, 1))
    return (left - step.misfit) / excess > log(value.size)


def _limits(row: Row, name: str) -> tuple[float, float, float] | None:
    measured = row.values.get(name)
    if measured is None or measured.value is None or measured.low is None or measured.high is None:
        return None
    return measured.value, measured.low, measured.high


def _drift(found: _Trend, chance: float, notes: Sequence[Note]) -> Drift:
    measure, of, best = found.measure, found.rows, found.best
    first, last = of[0].date, of[-1].date
    days = (last - first).total_seconds() / _DAY_S
    step = None
    if isinstance(best, Step):
        step, change = _step_change(best, measure, of), best.change
        first, last = of[best.at - 1].date, of[best.at].date
    else:
        change = (best.change, best.low * days, best.high * days)
    value, low, high = (100.0 * expm1(each) for each in change) if measure.ratio else change
    between = any(first < note.date <= last for note in notes)
    unit = "%" if measure.ratio else measure.unit
    return Drift(measure.name, measure.title, len(of), days, Measured(value, unit, low, high), chance, between, step)


def _step_change(step: Step, measure: Repeated, of: Sequence[Row]) -> StepChange:
    before, after = (tuple(exp(v) for v in each) if measure.ratio else each for each in (step.before, step.after))
    row = of[step.at]
    return StepChange(
        row.log,
        row.date,
        Measured(before[0], measure.unit, before[1], before[2]),
        Measured(after[0], measure.unit, after[1], after[2]),
        step.at,
        len(of) - step.at,
    )
