"""A checked log as a row, and the rows of one vehicle as its history."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import PurePath

from logscope.checks.measures import MEASURES
from logscope.history.dates import date_of
from logscope.history.rows import History, Note, Row, periods_of, values_of
from logscope.history.trends import changes
from logscope.history.tuning import tuning_of
from logscope.result import Result
from logscope.vehicle import Vehicle


def row_of(
    result: Result, vehicle: Vehicle, log: str, written: datetime, made_with: Mapping[str, str] | None = None
) -> Row:
    """A checked log as one row; `written` is the date of its file."""
    date, date_from = date_of(result.capture.start_utc, log, written)
    return Row(
        log=log,
        date=date,
        dated=date_from == "log",
        date_named=date_from == "name",
        duration_s=result.capture.duration_s,
        values=values_of(result, vehicle, MEASURES),
        tuning=tuning_of(result),
        cautions=result.capture.account.cautions,
        periods_s=periods_of(result, MEASURES),
        made_with=made_with or {},
    )


def history_of(
    vehicle_name: str, rows: Iterable[Row], notes: Sequence[Note] = (), skipped: Iterable[tuple[str, str]] = ()
) -> History:
    """The rows of one vehicle in order of time, and what changes over them; of one date, in order of their names."""
    ordered = tuple(sorted(rows, key=lambda row: (row.date, _natural(row.log))))
    found = changes(ordered, notes, MEASURES)
    return History(
        vehicle_name=vehicle_name,
        rows=ordered,
        notes=tuple(notes),
        skipped=tuple(skipped),
        titles={measure.name: measure.title for measure in MEASURES},
        drifts=found.drifts,
        levels=found.levels,
    )


def _natural(log: str) -> list[tuple[int, str]]:
    """A name by its texts and numbers, so that 10.log follows 9.log."""
    return [
        (int(each), "") if each.isdigit() else (-1, each) for each in re.split(r"(\d+)", PurePath(log).name) if each
    ]
