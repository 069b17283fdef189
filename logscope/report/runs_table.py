"""Runs beside one another: a row a run, a column a measure, each value over its limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from logscope.findings import Measured
from logscope.history.rows import Row
from logscope.quantities import duration_text, finite, limits_text, value_text
from logscope.report.history_text import date_text


@dataclass(frozen=True, slots=True)
class Cell:
    """A value with its limits as texts, and whether it is the best of its column; without text where there is none."""

    value: str = ""
    limits: str = ""
    best: bool = False


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run: its date, log and length, and a cell for each heading."""

    date: str
    log: str
    length: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class RunsTable:
    """The headings of the measures, and the runs in order of time."""

    headings: tuple[str, ...]
    runs: tuple[RunLine, ...]

    @property
    def texts(self) -> tuple[str, ...]:
        """All that it says, for the list of abbreviations."""
        return (*self.headings, *(cell.value for run in self.runs for cell in run.cells))


def runs_table(
    rows: Sequence[Row],
    titles: Sequence[str],
    values: Sequence[Mapping[str, Measured]],
    best: Mapping[str, int | None] | None = None,
) -> RunsTable:
    """The table of some runs; a measure that none of them has gets no column.

    values : of each run, by title; best : by title, which of the runs is marked as the best
    """
    shown = [title for title in titles if any(title in each for each in values)]

    def cell(title: str, run: int) -> Cell:
        measured = values[run].get(title)
        if measured is None or finite(measured.value) is None:
            return Cell()
        return Cell(value_text(measured), limits_text(measured), best is not None and best.get(title) == run)

    lines = (
        RunLine(
            date_text(row),
            Path(row.log).name,
            duration_text(row.duration_s),
            tuple(cell(title, run) for title in shown),
        )
        for run, row in enumerate(rows)
    )
    return RunsTable(tuple(shown), tuple(lines))
