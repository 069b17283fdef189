"""The logs in folders, by their content, each with the vehicle file that serves it."""

from __future__ import annotations

import os
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from logscope.capture.open import refuse_unknown
from logscope.errors import LogscopeError, RequestError
from logscope.files import file_key
from logscope.logs import formats_of, loaded
from logscope.shelf.archive import is_archive
from logscope.shelf.places import is_remote, store_of

if TYPE_CHECKING:
    from logscope.vehicle import Vehicle

VEHICLE_FILE = "vehicle.toml"
# A file with such a name is meant as a log: where its content fits none, that is said in a row of its own.
_LOG_NAMES = frozenset({".log", ".asc", ".blf", ".trc", ".mf4"})
_PACKED = frozenset({".gz", ".xz", ".zip"})


@dataclass(frozen=True, slots=True)
class Found:
    """A log, its vehicle file, and why it cannot be checked, where that is known already."""

    log: str
    vehicle: Path | None
    refused: str = ""


@dataclass
class Search:
    """A search for logs.

    vehicle : the vehicle file for all of them; None takes the nearest above each
    notes : of what was changed, which is no log wherever it lies
    other_files : what it passed over, for its content is no log
    """

    vehicle: Path | None = None
    notes: Path | None = None
    other_files: list[str] = field(default_factory=list)
    _vehicles: dict[Path, tuple[Vehicle | None, str]] = field(default_factory=dict)
    _nearest: dict[Path, Path | None] = field(default_factory=dict)

    def logs(self, places: Sequence[str]) -> Iterator[Found]:
        """The logs in folders and below them, and those named themselves, each once. Raises RequestError: no place."""
        seen: set[Hashable] = set() if self.notes is None else {file_key(self.notes)}
        for place in places:
            for name, named in _files(place):
                key = name if is_remote(name) else file_key(Path(name))
                if key not in seen:
                    seen.add(key)
                    if (found := self._found(name, named)) is not None:
                        yield found

    def vehicle_at(self, path: Path) -> tuple[Vehicle | None, str]:
        """A vehicle file, read once; or why it cannot be used."""
        if path not in self._vehicles:
            try:
                vehicle = loaded(path)
                formats_of(vehicle)
                self._vehicles[path] = vehicle, ""
            except LogscopeError as error:
                self._vehicles[path] = None, str(error)
        return self._vehicles[path]

    def _above(self, folder: Path) -> Path | None:
        """The vehicle file in a folder or the nearest above it."""
        if folder not in self._nearest:
            own = folder / VEHICLE_FILE
            above = None if folder.parent == folder else self._above(folder.parent)
            self._nearest[folder] = own if own.is_file() else above
        return self._nearest[folder]

    def _found(self, name: str, named: bool) -> Found | None:
        if is_remote(name):
            if self.vehicle is None:
                raise RequestError("logs at a URL need --vehicle", where=name, do="Name their vehicle file.")
            meant = named or _is_log_name(name)
            if not meant:
                self.other_files.append(name)
            return Found(name, self.vehicle) if meant else None
        path = Path(name)
        vehicle = self.vehicle or self._above(path.parent.resolve())
        known, why = (None, "") if vehicle is None else self.vehicle_at(vehicle)
        try:
            refuse_unknown(path, *formats_of(known))
        except (LogscopeError, OSError) as error:
            if named or _is_log_name(name):
                return Found(name, vehicle, str(error))
            self.other_files.append(name)
            return None
        if vehicle is None:
            why = f"no {VEHICLE_FILE} lies beside or above this log. Write one, or name it with --vehicle."
        return Found(name, vehicle, why)


def _files(place: str) -> Iterator[tuple[str, bool]]:
    """Each file, and whether it was named itself."""
    if is_remote(place):
        store, path = store_of(place)
        if not store.exists(path):
            raise RequestError("there is nothing at this URL", where=place, do="Check the address.")
        if store.isdir(path):
            yield from ((store.unstrip_protocol(each), False) for each in sorted(store.find(path)))
        else:
            yield place, True
        return
    start = Path(place)
    if not start.exists():
        raise RequestError("there is no such file or folder", where=place, do="Check the path.")
    if start.is_file():
        yield str(start), True
        return
    for folder, folders, files in os.walk(start):
        folders[:] = sorted(n for n in folders if not n.startswith(".") and not is_archive(Path(folder) / n))
        named = (os.path.join(folder, name) for name in sorted(files) if not _is_none(name))
        yield from ((path, False) for path in named if os.path.isfile(path))  # a pipe would be waited for


def _is_none(name: str) -> bool:
    """Hidden files, and those of ours that lie beside logs."""
    return name.startswith(".") or name.lower().endswith((".toml", ".dbc", ".html", ".json", ".parquet"))


def _is_log_name(name: str) -> bool:
    path = PurePosixPath(name.replace(os.sep, "/"))
    inner = path.with_suffix("") if path.suffix.lower() in _PACKED else path
    return inner.suffix.lower() in _LOG_NAMES
