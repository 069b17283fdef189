"""A shelf of logs as one HTML page: the worst first, each vehicle over time, and every log in a row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from logscope.findings import CAUTION_HV, Severity
from logscope.history.rows import History, Row
from logscope.quantities import duration_text, finite, limits_text, value_text
from logscope.report.history_page import history_chart
from logscope.report.history_text import date_text, drift_label, drift_text
from logscope.report.html import render_page
from logscope.report.runs_table import Cell
from logscope.report.stack import Drawing
from logscope.report.words import glossary_of

WORST = 10
FAILED = "failed"  # beside the severities: a log that could not be checked
_KEY_MEASURES = 4  # columns of the table: those that most logs have
_MOST_MONTHS = 24  # offered one by one by the filter; a longer time is offered by years
_FEWEST_CHARTED = 2  # logs: one value is no strip


@dataclass(frozen=True, slots=True)
class ShelfLog:
    """One recording on the shelf.

    row : its date, length and measures; severity : of the verdict, or `failed`
    trouble : its gravest origin or finding, or why it was not checked
    dangers, warnings : how many findings; link : to its own page, relative to this one; empty where there is none
    """

    row: Row
    vehicle: str
    severity: str
    trouble: str
    dangers: int
    warnings: int
    link: str = ""


@dataclass(frozen=True, slots=True)
class Shelf:
    """All recordings, and each vehicle's history."""

    logs: tuple[ShelfLog, ...]
    histories: tuple[History, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    """One log as texts; `vehicle` is its number among the vehicles."""

    log: ShelfLog
    vehicle: int
    date: str
    name: str
    length: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class _Vehicle:
    """One vehicle over time."""

    name: str
    logs: str
    drifts: tuple[tuple[str, str], ...]
    chart: Drawing | None


def shelf_to_html(shelf: Shelf) -> str:
    """The shelf as HTML text. Its filters are CSS alone; newer logs come first, so that “since” hides what follows."""
    vehicles = sorted({log.vehicle for log in shelf.logs})
    headings = _key_measures(shelf)
    lines = [_line(log, vehicles.index(log.vehicle), list(headings)) for log in _newest_first(shelf.logs)]
    periods = _periods(lines)
    counts = Counter(log.severity for log in shelf.logs)
    return render_page(
        "shelf.html.j2",
        title="Shelf of logs",
        facts=_facts(shelf, vehicles),
        counts=[(word, counts[word]) for word in _WORDS if counts[word]],
        worst=[_line(log, vehicles.index(log.vehicle), []) for log in worst_first(shelf.logs)[:WORST]],
        vehicles=[_vehicle(history) for history in shelf.histories],
        names=vehicles,
        headings=list(headings.values()),
        periods=periods,
        notes=_notes(shelf.histories),
        undated=any(not log.row.dated for log in shelf.logs),
        glossary=glossary_of(["95 % interval", *headings.values(), *(c.value for line in lines for c in line.cells)]),
        caution=CAUTION_HV,
    )


_WORDS = (*(each.value for each in reversed(Severity)), FAILED)


def worst_first(logs: Sequence[ShelfLog]) -> list[ShelfLog]:
    """Those with a danger or a warning: the gravest verdict, then the most findings of that kind, then the newest."""
    ranks = {Severity.DANGER.value: 2, Severity.WARNING.value: 1}
    grave = [log for log in logs if log.severity in ranks]
    return sorted(
        grave, key=lambda log: (ranks[log.severity], log.dangers, log.warnings, log.row.date.timestamp()), reverse=True
    )


def _newest_first(logs: Sequence[ShelfLog]) -> list[ShelfLog]:
    return sorted(logs, key=lambda log: (-log.row.date.timestamp(), log.row.log))


def _facts(shelf: Shelf, vehicles: Sequence[str]) -> list[tuple[str, str]]:
    dates = [log.row.date for log in shelf.logs]
    span = [("From", f"{min(dates):%Y-%m-%d}"), ("To", f"{max(dates):%Y-%m-%d}")] if dates else []
    return [("Logs", str(len(shelf.logs))), ("Vehicles", str(len(vehicles))), *span]


def _key_measures(shelf: Shelf) -> dict[str, str]:
    """Those that most logs have, with their titles, in the usual order of the measures."""
    titles = {name: title for history in shelf.histories for name, title in history.titles.items()}
    held = Counter(name for log in shelf.logs for name in log.row.values if name in titles)
    chosen = {name for name, _ in held.most_common(_KEY_MEASURES)}
    return {name: title for name, title in titles.items() if name in chosen}


def _line(log: ShelfLog, vehicle: int, names: Sequence[str]) -> _Line:
    def cell(name: str) -> Cell:
        measured = log.row.values.get(name)
        if measured is None or finite(measured.value) is None:
            return Cell()
        return Cell(value_text(measured), limits_text(measured))

    length = duration_text(log.row.duration_s) if log.severity != FAILED else ""
    return _Line(log, vehicle, date_text(log.row), Path(log.row.log).name, length, tuple(map(cell, names)))


def _periods(lines: Sequence[_Line]) -> list[tuple[str, list[_Line]]]:
    """The lines by month, or by year where there are many months, newest first as they come."""
    months = [(name, list(of)) for name, of in groupby(lines, lambda line: f"{line.log.row.date:%Y-%m}")]
    if len(months) <= _MOST_MONTHS:
        return months
    return [(name, list(of)) for name, of in groupby(lines, lambda line: f"{line.log.row.date:%Y}")]


def _vehicle(history: History) -> _Vehicle:
    names = [name for name in history.titles if sum(name in row.values for row in history.rows) >= _FEWEST_CHARTED]
    drifts = tuple((drift_label(drift), drift_text(drift)) for drift in history.drifts)
    count = len(history.rows)
    return _Vehicle(history.vehicle_name, f"{count} log{'s' * (count != 1)}", drifts, history_chart(history, names))


def _notes(histories: Sequence[History]) -> list[tuple[str, str]]:
    notes = dict.fromkeys(note for history in histories for note in history.notes)
    return [(f"{note.date:%Y-%m-%d %H:%M}", note.text) for note in sorted(notes, key=lambda note: note.date)]
