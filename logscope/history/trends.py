"""Whether a measure drifts over the logs of a project: a capacitor that ages, a contact that gets worse."""

from __future__ import annotations

from collections.abc import Sequence
from math import expm1

import numpy as np

from logscope.findings import Measured
from logscope.history.rows import Drift, Note, Row
from logscope.measures import Measure, Repeated
from logscope.statistics.holm import holm
from logscope.statistics.robust import NORMAL_95
from logscope.statistics.trend import Trend, weighted_trend

LEAST_LOGS = 5  # a line through fewer leaves too little to judge its scatter by
TREND_LEVEL = 0.01  # chance of a trend claimed where there is none, over all measures together
_DAY_S = 86_400.0


def drifts(rows: Sequence[Row], notes: Sequence[Note], measures: Sequence[Measure]) -> tuple[Drift, ...]:
    """The measures with a trend beyond chance and beyond what matters. Rates are left out: they follow the driving.

    The trend is a weighted line over the dates, in the logarithm for what is compared as a ratio.
    """
    repeated = [measure for measure in measures if isinstance(measure, Repeated)]
    told = [(measure, *_line(measure, rows)) for measure in repeated]
    lines = [(measure, of, trend) for measure, of, trend in told if trend is not None]
    chances = holm([trend.p_value for _, _, trend in lines])
    return tuple(
        _drift(measure, of, trend, chance, notes)
        for (measure, of, trend), chance in zip(lines, chances, strict=True)
        if chance <= TREND_LEVEL and abs(trend.change) >= measure.margin
    )


def _line(measure: Repeated, rows: Sequence[Row]) -> tuple[list[Row], Trend | None]:
    of = [row for row in rows if _limits(row, measure.name) is not None]
    if len(of) < LEAST_LOGS:
        return of, None
    limits = np.array([_limits(row, measure.name) for row in of])
    limits = np.log(limits) if measure.ratio else limits
    value, low, high = limits.T
    days = np.array([row.date.timestamp() for row in of]) / _DAY_S
    return of, weighted_trend(days - days[0], value, (high - low) / (2.0 * NORMAL_95))


def _limits(row: Row, name: str) -> tuple[float, float, float] | None:
    measured = row.values.get(name)
    if measured is None or measured.value is None or measured.low is None or measured.high is None:
        return None
    return measured.value, measured.low, measured.high


def _drift(measure: Repeated, of: Sequence[Row], trend: Trend, chance: float, notes: Sequence[Note]) -> Drift:
    first, last = of[0].date, of[-1].date
    days = (last - first).total_seconds() / _DAY_S
    change = (trend.change, trend.low * days, trend.high * days)
    value, low, high = (100.0 * expm1(each) for each in change) if measure.ratio else change
    between = any(first < note.date <= last for note in notes)
    unit = "%" if measure.ratio else measure.unit
    return Drift(measure.name, measure.title, len(of), days, Measured(value, unit, low, high), chance, between)
