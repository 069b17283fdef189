"""`drive.toml`: what was recorded, on which clocks, what was lost, what was noted. Written whole, again and again."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from logscope import __version__
from logscope.capture.drive_folder import NAME, SCHEMA, SERIAL_FORMS
from logscope.recording.source import Outage, SourceAccount

_HEAD = """\
# A recording made by logscope: `logscope check` reads this folder as one log.
# Times are seconds since 1970 (UTC), on one clock that no setting of the computer's clock moves.
"""


@dataclass(slots=True)
class Described:
    """One source as it is described. account : kept up to date by its thread; files : those written so far"""

    name: str
    form: str
    given: str
    stamps: str
    listening: str
    account: SourceAccount
    files: Sequence[str]
    lost_in_queue: int = 0
    definition: str = ""


@dataclass(slots=True)
class Description:
    """The whole recording. ended : why, empty while it lasts; notes, events : with their times [ns]"""

    vehicle: str
    start_ns: int
    sources: list[Described]
    wall_moved_ns: int = 0
    ended: str = ""
    events: list[int] = field(default_factory=list)
    notes: list[tuple[int, str]] = field(default_factory=list)

    @property
    def first_ns(self) -> int | None:
        """The first stamp of all sources."""
        stamps = [source.account.first_ns for source in self.sources if source.account.first_ns is not None]
        return min(stamps, default=None)

    def text(self) -> str:
        """As TOML."""
        return _HEAD + "".join(f"{line}\n" for line in self._lines())

    def _lines(self) -> Iterator[str]:
        yield f"schema = {SCHEMA}"
        yield f"logscope = {_text(__version__)}"
        yield f"vehicle = {_text(self.vehicle)}"
        yield f"ended = {_text(self.ended)}" if self.ended else "# it lasts, or did not end by itself"
        yield ""
        yield "[clock]"
        yield f"start_utc = {datetime.fromtimestamp(self.start_ns / 1e9, UTC):%Y-%m-%dT%H:%M:%SZ}"
        yield f"start = {_seconds(self.start_ns)}"
        if self.first_ns is not None:
            yield f"first_stamp = {_seconds(self.first_ns)}"
        yield f"wall_moved_s = {self.wall_moved_ns / 1e9:.3f}"
        for source in self.sources:
            yield from _source_lines(source)
        for at in self.events:
            yield from ("", "[[event]]", f"at = {_seconds(at)}")
        for at, text in self.notes:
            yield from ("", "[[note]]", f"at = {_seconds(at)}", f"text = {_text(text)}")


def _source_lines(source: Described) -> Iterator[str]:
    account = source.account
    yield from ("", "[[source]]", f"name = {_text(source.name)}", f"form = {_text(source.form)}")
    yield f"given = {_text(source.given)}"
    if source.definition:
        yield f"definition = {_text(source.definition)}"
    yield f"files = [{', '.join(map(_text, source.files))}]"
    yield f"stamps = {_text(source.stamps)}"
    yield f"listening = {_text(source.listening)}"
    if source.form not in SERIAL_FORMS:
        yield f"frames = {account.frames}"
        yield f"error_frames = {account.error_frames}"
        yield f"lost_in_driver = {account.lost_in_driver}"
    else:
        yield f"bytes = {account.bytes}"
    yield f"lost_in_queue = {source.lost_in_queue}"
    for outage in list(account.outages):
        yield from _outage_lines(outage)


def _outage_lines(outage: Outage) -> Iterator[str]:
    yield from ("", "[[source.outage]]", f"start = {_seconds(outage.start_ns)}")
    if outage.end_ns is not None:
        yield f"end = {_seconds(outage.end_ns)}"
    yield f"reason = {_text(outage.reason)}"


def _seconds(stamp_ns: int) -> str:
    return f"{stamp_ns // 1_000_000_000}.{stamp_ns % 1_000_000_000 // 1000:06d}"


def _text(text: str) -> str:
    """A basic string of TOML, of which JSON's are a part but for one character."""
    valid = text.encode("utf-8", "replace").decode()
    return json.dumps(valid, ensure_ascii=False).replace("\x7f", "\\u007f")


class DriveFile:
    """The description on the disk. Another file holds some room, so that a full disk can still be described."""

    _ROOM_BYTES = 1 << 16

    def __init__(self, folder: Path) -> None:
        self._path, self._next, self._room = folder / NAME, folder / f".{NAME}", folder / ".room"
        self._room.write_bytes(bytes(self._ROOM_BYTES))

    def write(self, description: Description) -> None:
        """Replace the description. Raises OSError where it cannot be written; the former one then stays."""
        with self._next.open("wb") as file:
            file.write(description.text().encode())
            file.flush()
            os.fsync(file.fileno())
        os.replace(self._next, self._path)

    def finish(self, description: Description) -> None:
        """The last description, for which the room that was held is given up."""
        self._room.unlink(missing_ok=True)
        self.write(description)
