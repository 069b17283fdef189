"""Files as they are given: patterns that no shell has expanded, and standard input in place of a log."""

from __future__ import annotations

import atexit
import glob
import shutil
import sys
import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from logscope.errors import RequestError

STANDARD_INPUT = Path("-")


def given_files(paths: Iterable[Path], *, stream: bool) -> list[Path]:
    """The files to read.

    stream : whether `-` is standard input

    The command prompt of Windows hands `*.log` on as it stands, and so does every shell where it is quoted. A path
    that exists is itself, whatever its name; one that fits nothing is left for the command to complain of.
    """
    found: list[Path] = []
    for path in paths:
        if path == STANDARD_INPUT and stream:
            found.append(standard_input())
        else:
            found += [path] if path.exists() else _matching(path) or [path]
    return found


def _matching(pattern: Path) -> list[Path]:
    """What a pattern fits, in the order of the names. Folders that exist stand for themselves, as “logs [old]” does."""
    if not glob.has_magic(str(pattern)):
        return []
    there = next((folder for folder in pattern.parents if folder.exists()), Path())
    below = str(pattern.relative_to(there))
    return sorted(there / name for name in glob.glob(below, root_dir=there, recursive=True))


@cache
def standard_input() -> Path:
    """Standard input as a file, since a log is looked into before it is read. It is removed when the program ends.

    Raises RequestError where nothing is piped in.
    """
    if sys.stdin is None or sys.stdin.isatty():
        raise RequestError("“-” reads standard input, and nothing is piped into it", do="Pipe a log in, or name one.")
    folder = Path(tempfile.mkdtemp(prefix="logscope-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "standard-input"
    with path.open("wb") as file:
        shutil.copyfileobj(sys.stdin.buffer, file)
    return path
