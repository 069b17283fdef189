"""Delimited text with any columns: as the vehicle file describes them, or guessed where they are unmistakable."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from logscope.capture.columns import DELIMITER_CHARACTERS, Column, ColumnLayout
from logscope.capture.delimited_guess import (
    HEADER_WITHIN,
    Doubt,
    Guess,
    find_header,
    guess,
    known_format,
    most_regular,
    split,
)
from logscope.capture.delimited_header import time_unit_of
from logscope.capture.frames import Account, Block
from logscope.capture.signal_table import advice
from logscope.capture.text_encoding import decoded_text
from logscope.capture.time_unit import TimeColumn
from logscope.errors import LogError, did_you_mean

if TYPE_CHECKING:
    from logscope.capture.delimited_kernel import Reading


_CONSOLE = "A serial console needs a definition of its own: see “Serial consoles” in the README."
_SHOWN = 12  # columns of a log that an error names


def layout_of(path: Path, head: bytes, layout: ColumnLayout | None) -> Guess:
    """The layout by column numbers, the lines of header, and what was guessed.

    layout : what the vehicle file says; not used for a format whose header fully determines it

    Raises LogError where a named column is not in the log, or where nothing certain can be determined.
    """
    lines = lines_of(head)
    if known := known_format(lines):
        return known
    try:
        return _numbered(path, lines, layout) if layout is not None else guess(lines)
    except Doubt as doubt:
        if not doubt.remedy and (signals := advice(lines, path)):
            what, do, example = signals
            raise LogError(what, where=path, do=do, example=example) from None
        what = f"no known log format: the content fits none, and as delimited text {doubt}"
        raise LogError(what, where=path, do=doubt.remedy or _describe(lines)) from None


def _describe(lines: list[str]) -> str:
    """How to describe the columns, with the first ones that the log has."""
    delimiter = most_regular(lines) if lines else ","
    fields = next((found for line in lines if len(found := split(line, delimiter)) > 2), [])
    if not fields:
        return f"If it is a CAN log, export it in another format that the README lists. {_CONSOLE}"
    named = not any(field.replace(".", "").isdigit() for field in fields)
    shown = ", ".join(f'"{name}"' if named else f"{k} ({name})" for k, name in enumerate(fields[:_SHOWN], 1))
    one = '"NAME"' if named else "NUMBER"
    return (
        f'Describe the columns in the vehicle file, under [[can]]: columns = {{ time = {one}, time_unit = "s", '
        f"identifier = {one}, data = [{one}, …] }}, with {'names' if named else 'numbers'} from: {shown}"
        f"{', …' if len(fields) > _SHOWN else ''}. {_CONSOLE}"
    )


def lines_of(head: bytes) -> list[str]:
    """The whole lines of the beginning of a log."""
    # as in the compiled reader, a line feed alone ends a line
    lines = decoded_text(head).replace("\r", " ").split("\n")
    return lines[:-1] if len(lines) > 1 else lines  # the last is cut, or is empty after its line end


def _numbered(path: Path, lines: list[str], layout: ColumnLayout) -> Guess:
    names = [column for column in layout.columns() if isinstance(column, str)]
    time = _time_column(layout)
    if time.unit != layout.time_unit:
        layout = layout.model_copy(update={"time_unit": time.unit})
    if not names:
        delimiter = layout.delimiter or most_regular(lines)
        return Guess(layout.model_copy(update={"delimiter": delimiter}), int(layout.has_header), time=time)
    found = find_header(lines, names)
    if found is None:
        delimiter = layout.delimiter or most_regular(lines)
        fields = max((split(line, delimiter) for line in lines[:HEADER_WITHIN]), key=len, default=[])
        missing = next((name for name in names if name not in fields), names[0])
        hint = did_you_mean(missing, fields) or f"Its first lines have: {', '.join(fields[:_SHOWN])}."
        raise LogError(f"the log has no column “{missing}”", where=path, do=hint)
    line, delimiter, header = found

    def number(column: Column | None) -> Column | None:
        return header.index(column) + 1 if isinstance(column, str) else column

    single = ("time", "identifier", "bus", "extended", "length", "direction")
    update = {name: number(getattr(layout, name)) for name in single}
    data = tuple(number(column) for column in layout.data)
    return Guess(
        layout.model_copy(update=update | {"data": data, "delimiter": layout.delimiter or delimiter}),
        line + 1,
        time=time,
    )


def _time_column(layout: ColumnLayout) -> TimeColumn:
    """The unit as the vehicle file says; where it says none, by the name of the column, else seconds."""
    if "time_unit" in layout.model_fields_set:
        return TimeColumn(layout.time_unit, "configured in the vehicle file", layout)
    unit = time_unit_of(layout.time) if isinstance(layout.time, str) else None
    if unit is not None:
        return TimeColumn(unit, "named in the header", layout)
    return TimeColumn("s", "not configured in the vehicle file", layout)


def blocks(path: Path, known: Guess) -> Iterator[Block]:
    """Frames and account of the log, in blocks. Bad rows are counted, never raised."""
    from logscope.capture import delimited_kernel as kernel
    from logscope.capture.rows import Columns, Counts, blocks_of_text, no_frames

    layout = known.layout
    roles = _roles(layout)
    reading = _reading(layout)

    def parse(text: int, size: int, columns: Columns, payload: int, buses: int) -> Counts:
        counts: Counts = kernel.parse(text, size, columns, payload, buses, roles, reading)
        return counts

    assumed = [known.words] if known.words else []
    if layout.time_unit == "date":
        assumed.append("dates without a time zone were taken as UTC")
    first_bus = None if layout.bus is not None else "can0"
    if notes := tuple(f"{path}: {each}" for each in assumed):
        yield Block(no_frames(), Account(files=(str(path),), notes=notes, assumptions=notes))
    read = blocks_of_text(path, parse, kernel.MIN_LINE, kernel.REASONS, (), first_bus, known.skip)
    for block in read:
        buses = tuple(f"can{name}" if name.isdecimal() else name for name in block.frames.buses)
        yield Block(replace(block.frames, buses=buses), block.account)


def _roles(layout: ColumnLayout) -> NDArray[np.int64]:
    from logscope.capture import delimited_kernel as kernel

    single = {
        layout.time: kernel.TIME,
        layout.identifier: kernel.IDENT,
        layout.bus: kernel.BUS,
        layout.extended: kernel.KIND,
        layout.length: kernel.LENGTH,
        layout.direction: kernel.DIRECTION,
    }
    data = kernel.DATA if len(layout.data) == 1 else kernel.DATA_BYTE
    by_column = {column: role for column, role in single.items() if column is not None}
    by_column |= dict.fromkeys(layout.data, data)
    roles = np.zeros(max(int(column) for column in by_column), np.int64)
    for column, role in by_column.items():
        roles[int(column) - 1] = role
    return roles


def _reading(layout: ColumnLayout) -> Reading:
    from logscope.capture import delimited_kernel as kernel
    from logscope.capture.delimited_fields import DATES

    powers = {"s": 9, "ms": 6, "us": 3, "ns": 0, "date": DATES}
    single = (layout.time, layout.identifier, layout.bus, layout.extended, layout.length, layout.direction)
    needed = max(int(column) for column in single if column is not None)
    one_field = len(layout.data) == 1
    by_blanks = layout.delimiter == "space"
    if one_field and layout.length is None and not by_blanks:  # by blanks, no data leave no field
        needed = max(needed, int(layout.data[0]))
    return kernel.Reading(
        delimiter=ord(DELIMITER_CHARACTERS[layout.delimiter or ","]),
        time_power=powers[layout.time_unit],
        identifier_base=layout.identifier_base,
        data_base=layout.data_base,
        rest=int(layout.data[0]) - 1 if one_field and by_blanks else -1,
        needed=needed,
    )
