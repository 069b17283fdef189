"""Which vehicles differ from the others, measure by measure, so that those with few logs do not shout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, expm1, log1p

import numpy as np

from logscope.findings import Measured
from logscope.history.rows import History
from logscope.history.series import SAMPLING, Series, kinds_of_periods, series_of
from logscope.measures import Measure, Repeated
from logscope.statistics.change import levels_of_sets
from logscope.statistics.partial_pooling import partial_pooling
from logscope.statistics.rates import Estimate

FEWEST = 3  # vehicles: of two, nobody can say which is the odd one
# Chance that a vehicle differs by less than what matters. Drawing together takes the place of a correction for many
# comparisons (Gelman, Hill and Yajima, J. Res. Educ. Eff. 5, 2012).
_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class Difference:
    """A vehicle that differs from the others in one measure.

    logs : how many show its present level, since the last step; level, others : with 95 % limits, drawn together
    change : of the vehicle against the others, in percent of a ratio, else in the unit
    coincides : what else is not the same, so that the vehicles may be alike; empty where nothing is
    """

    vehicle: str
    name: str
    title: str
    logs: int
    level: Measured
    others: Measured
    change: Measured
    p_value: float
    coincides: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Present:
    """The present level of a vehicle: its logs since the last step of the measure."""

    vehicle: str
    series: Series
    period_s: float


def differences(histories: Sequence[History], measures: Sequence[Measure]) -> tuple[Difference, ...]:
    """The vehicles that stand apart, the measures in order. Rates and noise are left out: they follow the driving."""
    found: list[Difference] = []
    for measure in measures:
        if isinstance(measure, Repeated):
            present = [_present(measure, history) for history in histories]
            found += _of_measure(measure, [each for each in present if each is not None])
    return tuple(found)


def _present(measure: Repeated, history: History) -> _Present | None:
    steps = [each.step.date for each in history.drifts if each.name == measure.name and each.step is not None]
    rows = [row for row in history.rows if not steps or row.date >= max(steps)]
    series = series_of(measure, rows)
    if series is None:
        return None
    periods = [row.periods_s[measure.name] for row in rows if measure.name in row.periods_s]
    return _Present(history.vehicle_name, series, float(np.median(periods)) if periods else float("nan"))


def _of_measure(measure: Repeated, present: list[_Present]) -> list[Difference]:
    """Vehicles are taken out one by one, the farthest first, so that the rest are not judged against it."""
    found: list[Difference] = []
    most = (len(present) - 1) // 2  # the others must be the majority
    levels = levels_of_sets([(each.series.value, each.series.deviation) for each in present]) if present else []
    left = list(range(len(present)))
    while len(left) >= FEWEST and len(found) < most:
        value, deviation = np.array([levels[number] for number in left]).T
        margin = log1p(measure.margin) if measure.ratio else measure.margin
        pooled = partial_pooling(value, deviation, margin)
        away = [pooled.difference(place, margin) for place in range(len(left))]
        farthest = max(
            range(len(left)), key=lambda place: abs(away[place].value) / (away[place].high - away[place].low)
        )
        if away[farthest].p_value > _CHANCE:
            break
        others = [left[place] for place in range(len(left)) if place != farthest]
        found.append(
            _difference(
                measure, present[left[farthest]], [present[number] for number in others], pooled.unit(farthest),
                pooled.others(farthest), away[farthest],
            )
        )  # fmt: skip
        left = others
    return found


def _difference(
    measure: Repeated, own: _Present, rest: Sequence[_Present], level: Estimate, others: Estimate, away: Estimate
) -> Difference:
    def measured(of: Estimate) -> Measured:
        value, low, high = (exp(each) if measure.ratio else each for each in (of.value, of.low, of.high))
        return Measured(value, measure.unit, low, high)

    value, low, high = (100.0 * expm1(each) if measure.ratio else each for each in (away.value, away.low, away.high))
    unit = "%" if measure.ratio else measure.unit
    return Difference(
        own.vehicle, measure.name, measure.title, len(own.series.rows), measured(level), measured(others),
        Measured(value, unit, low, high), away.p_value, _coincides(own, rest),
    )  # fmt: skip


def _coincides(own: _Present, rest: Sequence[_Present]) -> str:
    kinds, labels = kinds_of_periods(np.array([own.period_s, *(each.period_s for each in rest)]))
    if int(kinds[0]) in kinds[1:].tolist():
        return ""
    here, elsewhere = labels[int(kinds[0])], " or ".join(labels[kind] for kind in sorted({*kinds[1:].tolist()}))
    return f"{SAMPLING} ({here} here, {elsewhere} elsewhere)"
