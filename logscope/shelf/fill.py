"""Bring an archive up to date with the logs on a shelf: only what is new or has changed is checked."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from hashlib import sha256
from pathlib import Path

from logscope.shelf.archive import Archive
from logscope.shelf.find import Found, Search
from logscope.shelf.job import CHANGED, CHECKED, Job, Log, Outcome, VehicleFiles
from logscope.shelf.keys import combined_key, file_content
from logscope.shelf.lock import locked
from logscope.shelf.places import is_remote, stamp_of, store_of
from logscope.shelf.schema import Record
from logscope.shelf.together import recordings

Engine = Callable[[Iterable[Job]], Iterator[Outcome]]
Watch = Callable[[int, int], None]  # gets how many logs are done, and of how many
_LONG_AGO = datetime.fromtimestamp(0, UTC)


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is asked of the checks.

    pages, signals : a page for each log, and its mapped signals; again : also what failed before
    limit_s : for one log; memory_MB : for one process; portable : for machines that do not have this disk
    """

    pages: bool = False
    signals: bool = False
    again: bool = False
    limit_s: float = 600.0
    memory_MB: float | None = None
    portable: bool = False


@dataclass(slots=True)
class Tally:
    """What came of a run: logs found, done by an earlier run, checked now, failed now; files that are no logs.

    keys : of the recordings whose logs were all found
    """

    found: int = 0
    kept: int = 0
    checked: int = 0
    failed: int = 0
    other_files: Sequence[str] = ()
    keys: frozenset[str] = frozenset()


@dataclass
class Shelf:
    """The logs that a search found, beside what the archive has of them."""

    archive: Archive
    search: Search
    wishes: Wishes
    logs: dict[str, Log] = field(default_factory=dict)  # by key; of equal logs the first
    keys: dict[str, str] = field(default_factory=dict)  # by name
    vehicles: dict[str, Path | None] = field(default_factory=dict)  # by key
    _contents: dict[Path, list[bytes]] = field(default_factory=dict)

    @cached_property
    def known(self) -> list[Record]:
        """The rows that the archive had before."""
        return self.archive.known()

    @cached_property
    def former(self) -> dict[str, Record]:
        """The row that each log had before, by the log's key."""
        return {key: row for row in self.known for key in row["log_keys"]}

    def jobs(self, found: Sequence[Found], tally: Tally) -> Iterator[Job]:
        """Logs that are new or have changed, and those of recordings of which another log has changed."""
        for each in found:
            log, job = self._job(each)
            self.keys[log.name] = log.key
            if log.key in self.logs:
                tally.kept += 1  # a copy of another log
                continue
            self.logs[log.key] = log
            self.vehicles[log.key] = each.vehicle
            if self._is_done(log.key):
                tally.kept += 1
            else:
                yield job
        for row in self.outdated():
            for key in row["log_keys"]:
                if key in self.logs and self._is_done(key):
                    tally.kept -= 1
                    yield self.single(key)

    def _is_done(self, key: str) -> bool:
        row = self.former.get(key)
        if row is None or row["status"] == CHANGED or (self.wishes.again and row["status"] != CHECKED):
            return False
        if row["status"] != CHECKED:
            return True
        wanted = (
            (self.wishes.pages, self.archive.report(row["key"])),
            (self.wishes.signals, self.archive.samples_file(row)),
        )
        return all(file.is_file() for wished, file in wanted if wished)

    def outdated(self) -> list[Record]:
        """Rows of logs that are found with another content, or with another vehicle file."""
        return [
            row
            for row in self.known
            if any(
                name in self.keys and key not in self.logs
                for name, key in zip(row["logs"], row["log_keys"], strict=True)
            )
        ]

    def renamed(self) -> Iterator[tuple[Record, list[str]]]:
        """Rows whose logs are on the shelf under other names alone, with these."""
        for row in self.known:
            if row["status"] == CHECKED and all(key in self.logs for key in row["log_keys"]):
                pairs = zip(row["logs"], row["log_keys"], strict=True)
                names = [name if self.keys.get(name) == key else self.logs[key].name for name, key in pairs]
                if names != row["logs"]:
                    yield row, names

    def single(self, key: str) -> Job:
        """The job of one log by itself."""
        return self.of([self.logs[key]], self.vehicles[key])

    def of(self, logs: Sequence[Log], vehicle: Path | None, refused: str = "") -> Job:
        """The job of a recording."""
        known = None if vehicle is None else self.search.vehicle_at(vehicle)[0]
        if vehicle is None or known is None:
            return Job(tuple(logs), None, "", refused=refused)
        files = _bundle(known.files) if self.wishes.portable else VehicleFiles(str(vehicle))
        asked = self.wishes
        return Job(
            tuple(logs), files, known.vehicle.name, asked.pages, asked.signals, asked.limit_s, asked.memory_MB, refused
        )

    def _job(self, found: Found) -> tuple[Log, Job]:
        stamp = stamp_of(found.log)  # before the content is read: a log that grows meanwhile is noticed
        size, modified = stamp or (0, _LONG_AGO)
        refused = found.refused
        try:
            content = _content(found.log)
        except OSError as error:
            content = sha256(f"{found.log} {stamp}".encode()).digest()
            refused = refused or f"{found.log}: the log cannot be read ({error.strerror or error})."
        log = Log(found.log, combined_key([content, *self._vehicle_contents(found.vehicle)]), size, modified)
        return log, self.of([log], found.vehicle, refused)

    def _vehicle_contents(self, path: Path | None) -> list[bytes]:
        if path is None:
            return []
        if path not in self._contents:
            vehicle, _ = self.search.vehicle_at(path)
            files = vehicle.files if vehicle is not None else (path,)
            self._contents[path] = [file_content(file) for file in files if file.is_file()]
        return self._contents[path]


def fill(
    archive: Archive, search: Search, places: Sequence[str], engine: Engine, wishes: Wishes, watch: Watch
) -> Tally:
    """Check what is new on the shelf, each log first by itself; then those of one recording together.

    Raises RequestError where another run is filling the archive.
    """
    with locked(archive.folder):
        archive.clear_unfinished()
        return _fill(Shelf(archive, search, wishes), places, engine, watch)


def _fill(shelf: Shelf, places: Sequence[str], engine: Engine, watch: Watch) -> Tally:
    archive, search = shelf.archive, shelf.search
    found = list(search.logs(places))
    tally = Tally(found=len(found), other_files=search.other_files)
    for outcome in engine(shelf.jobs(found, tally)):
        _keep(shelf, outcome, tally)
        watch(tally.kept + tally.checked + tally.failed, tally.found)
    for row in shelf.outdated():
        archive.remove(row["key"])
    for row, names in shelf.renamed():
        archive.rename(row, names)
    joint = [
        shelf.of([shelf.logs[key] for row in rows for key in row["log_keys"]], shelf.vehicles[rows[0]["log_keys"][0]])
        for rows in recordings(_present(shelf))
    ]
    for outcome in engine(joint):
        if outcome.row["status"] == CHECKED:  # else the rows of the single logs stay
            archive.put(outcome)
            for log in outcome.job.logs:
                archive.remove(log.key)
    tally.keys = frozenset(row["key"] for row in _present(shelf))
    return tally


def _keep(shelf: Shelf, outcome: Outcome, tally: Tally) -> None:
    former = shelf.former.get(outcome.job.key)
    if former is not None and _place(former) != _place(outcome.row):
        shelf.archive.remove(former["key"])
    shelf.archive.put(outcome)
    if outcome.row["status"] == CHECKED:
        tally.checked += 1
    else:
        tally.failed += 1


def _place(row: Record) -> tuple[str, str, str]:
    """What decides whether a row is written over: it may have been of several logs, or dated by the file."""
    return row["key"], row["status"], f"{row['date']:%Y-%m}"


def _present(shelf: Shelf) -> list[Record]:
    """The rows of which every log is on the shelf."""
    return [row for row in shelf.archive.known() if all(key in shelf.logs for key in row["log_keys"])]


def _content(name: str) -> bytes:
    """A digest of a log; of one elsewhere, of what its store says of it, so that it need not travel."""
    if not is_remote(name):
        return file_content(Path(name))
    store, path = store_of(name)
    return sha256(store.ukey(path).encode()).digest()


def _bundle(files: Sequence[Path]) -> VehicleFiles:
    """A vehicle file with its definitions, by their paths relative to the folder that holds them all."""
    real = [Path(os.path.normpath(file.absolute())) for file in files]
    root = Path(os.path.commonpath([file.parent for file in real]))
    contents = {file.relative_to(root).as_posix(): file.read_bytes() for file in real}
    return VehicleFiles(real[0].relative_to(root).as_posix(), contents)
