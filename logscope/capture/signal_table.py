"""A delimited log that holds signals instead of frames: the console definition that would read it, to copy.

Such a log has a column of time and one column for each quantity (a spreadsheet export, a data logger). It is read
through `[[serial]]`, not `[[can]]`, and its own header fills the definition.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from logscope.capture.columns import DELIMITER_CHARACTERS, Delimiter, TimeUnit
from logscope.capture.delimited_guess import HEADER_WITHIN, most_regular, split
from logscope.capture.delimited_header import is_time, time_unit_of

_MOST_ROWS = 200  # enough to see what the columns hold
_SHARE = 0.9  # of the rows that must read as numbers; the rest may be damaged or a second header line of units
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?")
_DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d|\d\d:\d\d:\d\d")
_UNIT = re.compile(r"\s*[\[(<{/]\s*([^\])>}]*?)\s*[\])>}]?\s*$")


@dataclass(frozen=True, slots=True)
class SignalTable:
    """What a table of signals looks like: its separator, decimal mark, column names, and the place of the time."""

    separator: str
    decimal: str
    names: tuple[str, ...]
    has_header: bool
    time: int
    time_is_date: bool

    def as_toml(self, name: str) -> str:
        """A console definition for the table.

        name : of the console, as the vehicle file will call it
        """
        unit = time_unit_of(self.names[self.time])
        lines = ["[console]", f"name = {_text(name)}"]
        if self.time_is_date and self.has_header:
            lines.append(f"other = [{_text('^' + re.escape(self.names[0]))}]      # the header line")
        lines += ["", "[delimited]", f"separator = {_text(self.separator)}"]
        if self.decimal != ".":
            lines.append(f"decimal = {_text(self.decimal)}")
        if self.time_is_date or not self.has_header:
            kept = [each for place, each in enumerate(self.names) if not (self.time_is_date and place == self.time)]
            lines.append(f"columns = [{', '.join(map(_text, kept))}]")
        lines += ["", "[time]", *self._time(unit)]
        for place, column in enumerate(self.names):
            if place != self.time:
                lines += ["", "[[signal]]", *_signal(column)]
        return "\n".join(lines) + "\n"

    def _time(self, unit: TimeUnit | None) -> list[str]:
        if self.time_is_date:
            return ['stamp = "iso"                # "clock" where it is a time of day without a date']
        known = unit is not None and unit != "date"
        flags = (
            f'unit = "{unit}"'
            if known
            else 'unit = "s"                   # not in the header: "s", "ms", "us" or "ns"?'
        )
        return [f"field = {_text(self.names[self.time])}", flags]


def _signal(column: str) -> list[str]:
    unit = _UNIT.search(column)
    bare = column[: unit.start()] if unit and unit.start() else column
    name = re.sub(r"[.:]+", "_", bare).strip() or "Column"
    lines = [f"name = {_text(name)}"]
    if name != column:
        lines.append(f"field = {_text(column)}")
    return [*lines, f"unit = {_text(unit[1] if unit and unit.start() else '')}"]


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a JSON text is a TOML basic string


def signal_table(lines: Sequence[str]) -> SignalTable | None:
    """The table that the first lines of a log show, or None where they are no table of numbers beside a time."""
    if not lines:
        return None
    delimiter = most_regular(lines)
    for number, line in enumerate(lines[:HEADER_WITHIN]):
        fields = split(line.lstrip("# "), delimiter)
        while fields and not fields[-1]:
            fields.pop()
        rows = [split(each, delimiter) for each in lines[number + 1 : number + 1 + _MOST_ROWS] if each.strip()]
        if len(fields) < 2 or not rows:
            continue
        has_header = not any(_NUMBER.fullmatch(field) or _DATE.match(field) for field in fields)
        names = tuple(fields) if has_header else tuple(f"column{k}" for k in range(1, len(fields) + 1))
        if len(set(names)) < len(names) or not all(names):
            continue
        return _table(names, has_header, rows if has_header else [fields, *rows], delimiter)
    return None


def _table(names: tuple[str, ...], has_header: bool, rows: list[list[str]], delimiter: Delimiter) -> SignalTable | None:
    width = len(names)
    rows = [row[:width] for row in rows if len(row) == width or (len(row) == width + 1 and not row[-1])]
    if not rows:
        return None
    columns = list(zip(*rows, strict=True))
    dates = [_share(_DATE.match(field) is not None for field in column) >= _SHARE for column in columns]
    numbers = [_share(not field or _NUMBER.fullmatch(field) is not None for field in column) for column in columns]
    if any(share < _SHARE and not dated for share, dated in zip(numbers, dates, strict=True)):
        return None
    time = _time_column(names, dates, columns)
    if time is None or (dates[time] and time != 0):  # a stamp is only read in front of a line
        return None
    fields = [field for column, dated in zip(columns, dates, strict=True) if not dated for field in column]
    decimal = "," if delimiter != "," and any("," in field for field in fields) else "."
    return SignalTable(DELIMITER_CHARACTERS[delimiter], decimal, names, has_header, time, dates[time])


def _time_column(names: Sequence[str], dates: Sequence[bool], columns: Sequence[Sequence[str]]) -> int | None:
    """The column named as a time, or the first that holds dates, or the first whose numbers never fall."""
    named = next((place for place, name in enumerate(names) if is_time(name)), None)
    if named is not None:
        return named
    dated = next((place for place, is_date in enumerate(dates) if is_date), None)
    return dated if dated is not None else next((p for p, c in enumerate(columns) if _rises(c)), None)


def _rises(column: Sequence[str]) -> bool:
    values = [float(field.replace(",", ".")) for field in column if _NUMBER.fullmatch(field)]
    return len(values) > 2 and values[0] < values[-1] and all(a <= b for a, b in pairwise(values))


def _share(truths: object) -> float:
    flags = [bool(truth) for truth in truths]  # type: ignore[attr-defined]
    return sum(flags) / len(flags) if flags else 0.0


def advice(lines: Sequence[str], path: Path) -> tuple[str, str, str] | None:
    """What the log is, what to do, and the definition to copy; None where it is no table of signals."""
    table = signal_table(lines)
    if table is None:
        return None
    name = re.sub(r"[^0-9A-Za-z]+", "_", path.name.split(".")[0]).strip("_") or "Log"
    file = f"{name}-signals.toml"
    count = len(table.names) - 1
    signals = f"{count} signals" if count > 1 else "one signal"
    what = f"this looks like a table of {signals} (a column of time, then values), not a log of CAN frames"
    example = next((each for place, each in enumerate(table.names) if place != table.time), "")
    first = _signal(example)[0].removeprefix("name = ").strip('"')
    do = (
        f"Save the definition that follows on standard output as {file}. Write in the vehicle file: [[serial]] "
        f'definitions = "{file}". Then map signals as "{name}.{first}". If its rows are CAN frames, describe their '
        "columns under [[can]] instead."
    )
    return what, do, table.as_toml(name)
