"""The folder of a recording: `drive.toml`, which says what is in it, and the files of each source on one clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logscope.capture.frames import Account
from logscope.errors import LogError
from logscope.toml_file import read_toml

NAME = "drive.toml"
SCHEMA = 1
SUFFIXES = {"candump": ".log", "blf": ".blf", "lines": ".txt", "bytes": ".bin"}
SERIAL_FORMS = ("lines", "bytes")


@dataclass(frozen=True, slots=True)
class DriveSource:
    """One source of a recording: a bus, or a console with its definition; its files in order."""

    name: str
    form: str
    files: tuple[Path, ...]
    definition: Path | None = None


@dataclass(frozen=True, slots=True)
class DriveFolder:
    """A recording: its sources, and the account of what its description says besides."""

    path: Path
    sources: tuple[DriveSource, ...]
    account: Account


def is_drive(path: Path) -> bool:
    """Whether a path is the folder of a recording."""
    return path.is_dir() and (path / NAME).is_file()


def read_drive(folder: Path) -> DriveFolder:
    """What a recording consists of. Raises LogError where its description cannot be used."""
    described = folder / NAME
    content, _ = read_toml(described, "the description of the recording", LogError)
    if content.get("schema") != SCHEMA or not isinstance(content.get("source"), list):
        raise LogError(
            "this is no description of a recording that can be read here",
            where=described,
            do="Name the log files in the folder instead.",
        )
    try:
        sources = tuple(_source(folder, source, described) for source in content["source"])
        account = Account(notes=tuple(_notes(content, folder)), lost=_lost(content))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as wrong:
        what = f"the description of the recording was changed, and cannot be read ({type(wrong).__name__}: {wrong})"
        raise LogError(what, where=described, do="Name the log files in the folder instead.") from None
    sources = tuple(source for source in sources if source.files)
    if not sources:
        raise LogError("the recording holds nothing", where=folder, do="Check that the sources were connected.")
    return DriveFolder(folder, sources, account)


def _source(folder: Path, source: dict[str, Any], described: Path) -> DriveSource:
    name, form = str(source.get("name", "")), str(source.get("form", ""))
    if form not in SUFFIXES or not name or Path(name).name != name:
        raise LogError(f"the source “{name}” is of no known form", where=described, do="Name its log file instead.")
    # by their names rather than by the list, which may be some seconds older than the last file
    files = tuple(sorted(folder.glob(f"{name}-[0-9][0-9][0-9]*{SUFFIXES[form]}")))
    definition = source.get("definition")
    return DriveSource(
        name,
        form,
        tuple(file for file in files if file.stat().st_size),
        folder / str(definition) if definition else None,
    )


def _lost(content: dict[str, Any]) -> int:
    """Frames that the files themselves do not say were lost: those for which the queue had no room, and in BLF all."""
    return sum(
        int(source.get("lost_in_queue", 0)) + (int(source.get("lost_in_driver", 0)) if source["form"] == "blf" else 0)
        for source in content["source"]
    )


def _notes(content: dict[str, Any], folder: Path) -> Iterator[str]:
    clock = content.get("clock", {})
    first = clock.get("first_stamp")
    names = ", ".join(str(source["name"]) for source in content["source"])
    yield f"{folder}: {names} were recorded on one clock, and were not aligned again"
    if content.get("ended") in (None, ""):
        yield f"{folder}: the recording was not ended properly (the process was killed, or the power failed)"
    elif content["ended"] not in ("by the user", "after the time asked for"):
        yield f"{folder}: the recording ended because {content['ended']}"
    if abs(moved := float(clock.get("wall_moved_s", 0.0))) >= 1.0:
        yield f"{folder}: the computer's clock was set by {moved:+.1f} s meanwhile; the recording did not follow it"
    for source in content["source"]:
        if queue := int(source.get("lost_in_queue", 0)):
            yield f"{folder}: {queue} frames or reads of {source['name']} were lost, as the disk was too slow"
        for outage in source.get("outage", []):
            until = f"to {_since(outage['end'], first)}" if "end" in outage else "to the end"
            yield (
                f"{folder}: {source['name']} was unplugged from {_since(outage['start'], first)} {until} "
                f"({outage.get('reason', '')})"
            )
    for event in content.get("event", []):
        yield f"event marked at {_since(event['at'], first)}"
    for note in content.get("note", []):
        yield f"note at {_since(note['at'], first)}: {note['text']}"


def _since(moment: float, first: float | None) -> str:
    """A moment from the first stamp of the recording, as the findings count; a time of day where there was none."""
    if first is None:
        return f"{datetime.fromtimestamp(moment, UTC):%H:%M:%S} UTC"
    return f"{moment - first:.1f} s"
