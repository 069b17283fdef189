"""Delimited layouts that their header line fully determines: nothing about them is guessed.

One is known: the logger CSV with the columns `Time Stamp,ID,Extended,[Dir,]Bus,LEN,D1…`. Its stamps are whole
microseconds, whatever they start at; identifiers and data are hexadecimal. Source: real captures of several vehicles
in this layout, each compared with the periods that its messages repeat with.
"""

from __future__ import annotations

from collections.abc import Sequence

from logscope.capture.columns import Column, ColumnLayout, Delimiter

_SINGLE: dict[str, str] = {
    "time stamp": "time",
    "id": "identifier",
    "extended": "extended",
    "bus": "bus",
    "len": "length",
}
_OPTIONAL: dict[str, str] = {"dir": "direction"}
_LARGEST_FRAME = 64  # bytes, ISO 11898-1


def known_layout(header: Sequence[str], delimiter: Delimiter) -> ColumnLayout | None:
    """The layout by column numbers where a header line is that of a known format, else None.

    header : the fields of one line, without quotes and outer blanks; empty ones at its end do not count
    """
    names = [name.casefold() for name in header]
    while names and not names[-1]:
        names.pop()
    known = _SINGLE | _OPTIONAL
    columns: dict[str, Column] = {known[name]: place for place, name in enumerate(names, 1) if name in known}
    if not columns.keys() >= set(_SINGLE.values()) or len(names) != len(set(names)):
        return None
    count = len(names) - len(columns)
    data = [f"d{number}" for number in range(1, count + 1)]
    if not 1 <= count <= _LARGEST_FRAME or not set(data) <= set(names):
        return None
    return ColumnLayout.model_validate(
        columns
        | {"data": tuple(names.index(name) + 1 for name in data), "time_unit": "us"}
        | {"identifier_base": 16, "data_base": 16, "delimiter": delimiter, "header": False}
    )
