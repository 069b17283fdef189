"""The part of a history's page that is about tuning: a row a run, step responses over one another, what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logscope.findings import Chart, Series
from logscope.history.rows import History, Row
from logscope.history.tuning import ASPECTS, Advice, bests
from logscope.report.comparison_words import level_text
from logscope.report.history_text import date_text
from logscope.report.stack import Drawing
from logscope.report.xy import xy_chart

_OVERLAID = 6  # the latest responses: more lines than there are colours tell nothing


@dataclass(frozen=True, slots=True)
class TuningRun:
    """One run: its date and log, and for each told aspect its title, value with limits, and whether it is the best."""

    date: str
    log: str
    values: tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True, slots=True)
class TuningPage:
    """What the page shows. next : what the latest run with something to change asks for, and that run's date."""

    runs: tuple[TuningRun, ...]
    steps: Drawing | None
    next: tuple[str, Advice] | None


def tuning_page(history: History) -> TuningPage | None:
    """The tuning of all runs; None where no log tells any."""
    told = [row for row in history.rows if row.tuning.values]
    if not told:
        return None
    best = bests([row.tuning for row in told])
    runs = tuple(
        TuningRun(
            date_text(row),
            Path(row.log).name,
            (
                *([("Control judged by", row.tuning.loop.replace("_", " "), False)] if row.tuning.loop else []),
                *(
                    (aspect.title, text, best[aspect.title] == k)
                    for aspect in ASPECTS
                    if (text := level_text(row.tuning.values.get(aspect.title)))
                ),
            ),
        )
        for k, row in enumerate(told)
    )
    last = history.rows[-1]
    return TuningPage(runs, _steps(history.rows), (date_text(last), last.tuning.advice) if last.tuning.advice else None)


def _steps(rows: Sequence[Row]) -> Drawing | None:
    stepped = [row for row in rows if row.tuning.step_s][-_OVERLAID:]
    if not stepped:
        return None
    series = tuple(
        Series(f"{Path(row.log).name}, {date_text(row)}", np.array(row.tuning.step_s), np.array(row.tuning.step_share))
        for row in stepped
    )
    return xy_chart(Chart("time since the target moved", "s", "answer as a share of the step", "", series))
