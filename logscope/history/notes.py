"""The notes file: what was changed on the vehicle, and when.

TOML:   [[note]]                        CSV:   date,text
        date = 2026-03-05                      2026-03-05,screen of the encoder cable bonded
        text = "screen bonded"
"""

from __future__ import annotations

import csv
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from logscope.errors import RequestError
from logscope.history.rows import Note
from logscope.toml_file import read_toml

_DO = "Each note has a date, such as 2026-03-05 or 2026-03-05 14:30, and a text."


def read_notes(path: Path) -> tuple[Note, ...]:
    """The notes in order of time. Raises RequestError where the file cannot be read or a note is not sound."""
    entries = _from_toml(path) if path.suffix.lower() == ".toml" else _from_csv(path)
    notes = [Note(_moment(path, line, when), text) for line, when, text in entries]
    return tuple(sorted(notes, key=lambda note: note.date))


def _from_toml(path: Path) -> list[tuple[int | None, Any, str]]:
    content, _ = read_toml(path, "the notes file", RequestError)
    entries = content.get("note", [])
    if set(content) - {"note"} or not isinstance(entries, list):
        raise RequestError("a notes file may hold [[note]] sections only", where=path, do=_DO)
    for entry in entries:
        if not isinstance(entry, dict) or set(entry) != {"date", "text"}:
            raise RequestError("a [[note]] needs exactly date and text", where=path, do=_DO)
    return [(None, entry["date"], str(entry["text"])) for entry in entries]


def _from_csv(path: Path) -> list[tuple[int | None, Any, str]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RequestError(f"cannot read the notes file ({error})", where=path, do="Save it as UTF-8 text.") from None
    entries: list[tuple[int | None, Any, str]] = []
    for line, row in enumerate(rows, 1):
        cells = [cell.strip() for cell in row]
        if not any(cells) or (line == 1 and cells[0].casefold() == "date"):
            continue
        if len(cells) < 2:
            raise RequestError("this line has no date and text", where=path, line=line, do=_DO)
        entries.append((line, cells[0], ", ".join(cells[1:])))
    return entries


def _moment(path: Path, line: int | None, when: Any) -> datetime:
    """A date or time, without a zone taken as UTC."""
    try:
        if isinstance(when, str):
            when = datetime.fromisoformat(when)
        if isinstance(when, date) and not isinstance(when, datetime):
            when = datetime(when.year, when.month, when.day)
        if not isinstance(when, datetime):
            raise ValueError
    except ValueError:
        raise RequestError(f"“{when}” is not a date", where=path, line=line, do=_DO) from None
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
