"""The logs of one vehicle or of a shelf as one HTML page: the worst first, each vehicle over time, a row a log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

from logscope.findings import CAUTION_HV, Severity
from logscope.history.rows import History, Row
from logscope.history.sisters import FEWEST, Difference
from logscope.quantities import counted, duration_text, finite, limits_text, value_text
from logscope.report.history_text import date_text, drift_label, drift_text
from logscope.report.html import render_page
from logscope.report.runs_table import Cell
from logscope.report.stack import Drawing
from logscope.report.tuning_page import TuningPage, tuning_page
from logscope.report.vehicle_chart import vehicle_chart
from logscope.report.words import glossary_of

WORST = 10
FAILED = "failed"  # beside the severities: a log that could not be checked
_KEY_MEASURES = 4  # columns of the table of several vehicles: those that most logs have
_MOST_MONTHS = 24  # offered one by one by the filter; a longer time is offered by years
_FEWEST_CHARTED = 2  # logs: one value is no strip


@dataclass(frozen=True, slots=True)
class ShelfLog:
    """One recording on the shelf.

    row : its date, length and measures; severity : of the verdict, or `failed`
    trouble : its gravest origin or finding, or why it was not checked
    dangers, warnings : how many findings; link : to its own page, relative to this one; empty where there is none
    same_as : name of the log that holds the same drive and counts in its place; empty where it counts itself
    """

    row: Row
    vehicle: str
    severity: str
    trouble: str
    dangers: int
    warnings: int
    link: str = ""
    same_as: str = ""


@dataclass(frozen=True, slots=True)
class Shelf:
    """All recordings, each vehicle's history, and the vehicles that differ.

    mixed : how many logs of a vehicle are of each set of identifiers, by its name, where there are several sets
    """

    logs: tuple[ShelfLog, ...]
    histories: tuple[History, ...]
    differing: tuple[Difference, ...] = ()
    mixed: Mapping[str, tuple[int, ...]] = field(default_factory=dict)


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
    tuning: TuningPage | None
    doubt: str


def shelf_to_html(shelf: Shelf) -> str:
    """The shelf as HTML text. Its filters are CSS alone; newer logs come first, so that “since” hides what follows."""
    vehicles = sorted({log.vehicle for log in shelf.logs})
    shown = [_vehicle(history, shelf.mixed.get(history.vehicle_name, ())) for history in shelf.histories]
    headings = _key_measures(shelf)
    lines = [_line(log, vehicles.index(log.vehicle), list(headings)) for log in _newest_first(shelf.logs)]
    periods = _periods(lines)
    counts = Counter(log.severity for log in shelf.logs)
    return render_page(
        "shelf.html.j2",
        title=f"{vehicles[0]}: over time" if len(vehicles) == 1 else "Shelf of logs",
        facts=_facts(shelf, vehicles),
        counts=[(word, counts[word]) for word in _WORDS if counts[word]],
        worst=[_line(log, vehicles.index(log.vehicle), []) for log in worst_first(shelf.logs)[:WORST]],
        vehicles=shown,
        differing=[_differing(each) for each in shelf.differing],
        compared=len(shelf.histories) >= FEWEST,
        names=vehicles,
        headings=list(headings.values()),
        periods=periods,
        notes=_notes(shelf.histories),
        undated=any(not log.row.dated for log in shelf.logs),
        glossary=glossary_of(
            [
                "95 % interval",
                *headings.values(),
                *(c.value for line in lines for c in line.cells),
                *(text for each in shown if each.tuning for text in each.tuning.table.texts),
            ]
        ),
        caution=CAUTION_HV,
    )


_WORDS = (*(each.value for each in reversed(Severity)), FAILED)


def worst_first(logs: Sequence[ShelfLog]) -> list[ShelfLog]:
    """Those with a danger or a warning: the gravest verdict, then the most findings of that kind, then the newest."""
    ranks = {Severity.DANGER.value: 2, Severity.WARNING.value: 1}
    grave = [log for log in logs if log.severity in ranks and not log.same_as]
    return sorted(
        grave, key=lambda log: (ranks[log.severity], log.dangers, log.warnings, log.row.date.timestamp()), reverse=True
    )


def _newest_first(logs: Sequence[ShelfLog]) -> list[ShelfLog]:
    return sorted(logs, key=lambda log: (-log.row.date.timestamp(), log.row.log))


def _facts(shelf: Shelf, vehicles: Sequence[str]) -> list[tuple[str, str]]:
    dates = [log.row.date for log in shelf.logs]
    span = [("From", f"{min(dates):%Y-%m-%d}"), ("To", f"{max(dates):%Y-%m-%d}")] if dates else []
    what = ("Vehicle", vehicles[0]) if len(vehicles) == 1 else ("Vehicles", str(len(vehicles)))
    twice = sum(bool(log.same_as) for log in shelf.logs)
    return [what, ("Logs", str(len(shelf.logs))), *([("Same drive twice", str(twice))] if twice else []), *span]


def _key_measures(shelf: Shelf) -> dict[str, str]:
    """Those that most logs have, with their titles, in the usual order of the measures; of one vehicle all."""
    titles = {name: title for history in shelf.histories for name, title in history.titles.items()}
    held = Counter(name for log in shelf.logs for name in log.row.values if name in titles)
    chosen = {name for name, _ in held.most_common(_KEY_MEASURES if len(shelf.histories) > 1 else None)}
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


def _vehicle(history: History, mixed: Sequence[int]) -> _Vehicle:
    names = [name for name in history.titles if sum(name in row.values for row in history.rows) >= _FEWEST_CHARTED]
    drifts = tuple((drift_label(drift), drift_text(drift)) for drift in history.drifts)
    count = len(history.rows)
    return _Vehicle(
        history.vehicle_name,
        counted(count, "log"),
        drifts,
        vehicle_chart(history, names),
        tuning_page(history),
        _doubt(mixed),
    )


def _doubt(mixed: Sequence[int]) -> str:
    if not mixed:
        return ""
    counts = ", ".join(map(str, mixed[:-1]))
    return (
        f"These logs hold {len(mixed)} different sets of identifiers ({counts} and {counted(mixed[-1], 'log')}). "
        "Are they of several vehicles, or of several buses? Give each its own folder with a vehicle file."
    )


def _differing(each: Difference) -> tuple[str, ...]:
    """One row: vehicle and measure, both levels, how much they differ, and what else may be the reason."""
    level, others, change = (f"{value_text(of)} ({limits_text(of)})" for of in (each.level, each.others, each.change))
    also = f"The vehicles may be alike, for {each.coincides} differs, too." if each.coincides else ""
    return each.vehicle, each.title, counted(each.logs, "log"), level, others, change, also


def _notes(histories: Sequence[History]) -> list[tuple[str, str]]:
    notes = dict.fromkeys(note for history in histories for note in history.notes)
    return [(f"{note.date:%Y-%m-%d %H:%M}", note.text) for note in sorted(notes, key=lambda note: note.date)]
