"""The signals of a log as a table in the terminal, or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from logscope.capture.frames import Account
from logscope.findings import Measured
from logscope.parts import part_name
from logscope.quantities import counted, duration_text, stated, value_text
from logscope.report.json import number, to_json_text, version
from logscope.report.terminal import Cell, print_cells, printable
from logscope.survey.collect import CELLS, SignalRow
from logscope.survey.spark import spark_text

if TYPE_CHECKING:
    from rich.console import Console

SCHEMA = 1
_LARGE = 1e7  # a number that is longer than a column
_TEXT = 10  # characters of the last value's text
_COURSE = "course"  # the blanks in it have a meaning
_HEADINGS = ("signal", "lowest", "highest", "last", "unit", _COURSE, "resembles")
_NUMBERS = frozenset({"lowest", "highest", "last"})
_FOLDED, _NARROWEST = 16, 8  # characters of a column that folds: the names of parts take two lines; the least


def rows_to_json(rows: Sequence[SignalRow], account: Account, duration_s: float, notes: Sequence[str]) -> str:
    """The signals as JSON text; times in s, values in the signal's unit."""
    return to_json_text(
        {
            "schema": SCHEMA,
            "logscope": version(),
            "files": list(account.files),
            "duration_s": number(duration_s),
            "signals": [
                {
                    "name": row.name,
                    "unit": row.unit,
                    "samples": row.samples,
                    "period_s": number(row.period_s),
                    "lowest": number(row.lowest),
                    "highest": number(row.highest),
                    "last": number(row.last),
                    "last_text": row.last_text or None,
                    "resembles": row.resembles or None,
                    "surely": row.surely,
                    "reasons": list(row.reasons),
                }
                for row in rows
            ],
            "notes": list(notes),
        }
    )


def print_rows(rows: Sequence[SignalRow], duration_s: float, console: Console) -> None:
    """A table a message, its columns in line with those of the others, within 80 columns."""
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    def text(content: str, style: str = "") -> Text:
        return Text(printable(content, console.encoding), style=style)

    widths = _widths(rows, console.width - 1)

    def table(lines: Sequence[Sequence[str]], style: str = "") -> Table:
        grid = Table.grid(padding=(0, 1, 0, 0), pad_edge=False)
        for width, heading in zip(widths, _HEADINGS, strict=True):
            grid.add_column(width=width, justify="right" if heading in _NUMBERS else "left", overflow="fold")
        for line in lines:
            shown = zip(_HEADINGS, line, strict=True)
            grid.add_row(*(Text(cell, style) if name == _COURSE else text(cell, style) for name, cell in shown))
        return grid

    console.print(Padding(table([_HEADINGS], "bold"), (0, 0, 0, 1), expand=False))
    for message, own in ((name, list(several)) for name, several in groupby(rows, key=lambda row: row.message)):
        most = max(own, key=lambda row: row.samples)
        every = f", every {value_text(Measured(most.period_s, 's'))}" if most.period_s else ""
        console.print(text(f"{message}: {counted(most.samples, 'sample')}{every}", "bold"))
        lines = [_cells(row, most.samples, console.encoding) for row in own]
        console.print(Padding(table(lines), (0, 0, 0, 1), expand=False))
    count = len({row.message for row in rows})
    for meaning in (
        f"{counted(len(rows), 'signal')} in {counted(count, 'message')} over {duration_text(duration_s)}.",
        f"course: the whole log in {CELLS} steps, each at the sample furthest from the signal's median.",
        "resembles: the part that it fits best by name, unit and behaviour; “?” where something speaks against it.",
    ):
        print_cells(console, (Cell(meaning),))


def _cells(row: SignalRow, usual: int, encoding: str) -> tuple[str, ...]:
    fewer = f" ({counted(row.samples, 'sample')})" if row.samples != usual else ""
    last = row.last_text[:_TEXT] or _value(row.last)
    name = f"{row.signal}{fewer}"
    return (
        name,
        _value(row.lowest),
        _value(row.highest),
        last,
        row.unit,
        spark_text(row.levels, encoding),
        _resembles(row),
    )


def _widths(rows: Sequence[SignalRow], room: int) -> list[int]:
    """The columns as wide as what is in them; signal and resemblance share what is left, and fold."""
    lines = [_HEADINGS, *(_cells(row, row.samples, "utf-8") for row in rows)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(_HEADINGS))]
    left = max(room - sum(widths[1:-1]) - len(widths) + 1, 2 * _NARROWEST)
    widths[-1] = min(widths[-1], max(left - widths[0], min(_FOLDED, left // 2)))
    widths[0] = min(widths[0], left - widths[-1])
    return widths


def _value(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{value:.4g}" if abs(value) >= _LARGE else stated(value)


def _resembles(row: SignalRow) -> str:
    return f"{part_name(row.resembles)}{'' if row.surely else ' ?'}" if row.resembles else ""
