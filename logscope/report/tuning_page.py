"""The part of a history's page that is about tuning: a row a run, step responses over one another, what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logscope.findings import Chart, Series
from logscope.history.rows import History, Row
from logscope.history.tuning import ASPECTS, Advice, bests
from logscope.parts import part_name
from logscope.report.history_text import date_text
from logscope.report.runs_table import RunsTable, runs_table
from logscope.report.stack import Drawing
from logscope.report.xy import xy_chart

_MOST_RUNS = 20  # in the table: settings are compared with those shortly before; the archive has all
_OVERLAID = 6  # the latest responses: there are no more colours


@dataclass(frozen=True, slots=True)
class TuningPage:
    """What the page shows.

    loops : by what part the control was judged, in words; empty where it was not
    latest : how many runs are shown, where there are more; else 0
    next : what the latest run that shows anything of the tuning asks for, and that run's date; None if nothing
    """

    table: RunsTable
    loops: str
    latest: int
    steps: Drawing | None
    next: tuple[str, Advice] | None


def tuning_page(history: History) -> TuningPage | None:
    """The tuning of the latest runs; None where no log has any."""
    measured = [row for row in history.rows if row.tuning.values][-_MOST_RUNS:]
    if not measured:
        return None
    titles = [aspect.title for aspect in ASPECTS]
    table = runs_table(
        measured, titles, [row.tuning.values for row in measured], bests([row.tuning for row in measured])
    )
    last = next(row for row in reversed(history.rows) if row.tuning.values or row.tuning.advice)
    advice = (date_text(last), last.tuning.advice) if last.tuning.advice else None
    more = sum(bool(row.tuning.values) for row in history.rows) > len(measured)
    return TuningPage(table, _loops(measured), len(measured) if more else 0, _steps(history.rows), advice)


def _loops(measured: Sequence[Row]) -> str:
    """Which parts judged the control: runs judged by different ones are not alike in it."""
    by: dict[str, list[str]] = {}
    for row in measured:
        if row.tuning.loop:
            by.setdefault(part_name(row.tuning.loop), []).append(Path(row.log).name)
    if len(by) == 1:
        return f"The control is judged by the {next(iter(by))}."
    judged_by = "; ".join(f"by the {part} in {', '.join(logs)}" for part, logs in by.items())
    return f"The control is judged {judged_by}." if by else ""


def _steps(rows: Sequence[Row]) -> Drawing | None:
    stepped = [row for row in rows if row.tuning.step_s][-_OVERLAID:]
    if not stepped:
        return None
    series = tuple(
        Series(f"{Path(row.log).name}, {date_text(row)}", np.array(row.tuning.step_s), np.array(row.tuning.step_share))
        for row in stepped
    )
    return xy_chart(Chart("time since the target changed", "s", "response as a fraction of the step", "", series))
