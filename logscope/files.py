"""Files: which paths lead to one and the same, and how one is written so that it is there whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Hashable, Iterable, Sequence
from pathlib import Path

from logscope.errors import RequestError

Paths = Path | str | Sequence[Path | str]  # one, or several


def as_paths(given: Path | str | Iterable[Path | str]) -> list[Path]:
    """One path or several, as a list: a text is one path and not its letters."""
    return [Path(given)] if isinstance(given, str | os.PathLike) else [Path(path) for path in given]


def file_key(path: Path | str) -> Hashable:
    """The same for all paths that lead to one file, whether or not it exists yet.

    Relative or absolute, with “..”, over symbolic or hard links, and in other letter case where the system ignores it.
    """
    real = os.path.realpath(path)
    try:
        found = os.stat(real)
    except (OSError, ValueError):
        pass
    else:
        return found.st_dev, found.st_ino
    folder, name = os.path.split(real)
    try:
        there = os.stat(folder)
    except (OSError, ValueError):
        return os.path.normcase(real)
    return there.st_dev, there.st_ino, name.casefold() if _ignores_case(folder) else name


def _ignores_case(folder: str) -> bool:
    """Whether names in a folder that exists differ in more than their letter case; found by the folder's own name."""
    other = folder.swapcase()
    try:
        return os.path.samefile(folder, other) if other != folder else os.path.normcase("A") == "a"
    except OSError:
        return False


def refuse_repeated(logs: Iterable[Path | str]) -> None:
    """Refuse a log that is given twice, by whatever spelling: each frame would count twice."""
    seen: dict[Hashable, Path | str] = {}
    for log in logs:
        key = file_key(log)
        if key in seen:
            named = "" if str(seen[key]) == str(log) else f", first as {seen[key]}"
            raise RequestError(f"this log is given twice{named}", where=log, do="Name each log once.")
        seen[key] = log


def refuse_on_both_sides(before: Iterable[Path | str], after: Iterable[Path | str]) -> None:
    """Refuse a log that is to be compared with itself, by whatever spelling."""
    first = {file_key(log) for log in before}
    if shared := next((log for log in after if file_key(log) in first), None):
        raise RequestError(
            "this log is given both before and after the change", where=shared, do="Name each log on one side only."
        )


def write_text(path: Path | str, text: str) -> None:
    """Write `text` as UTF-8 with '\\n' line ends, as `write_file` does.

    File names that are no valid Unicode were read with lone surrogates; those are written as escapes.
    """
    write_bytes(path, text.encode("utf-8", "backslashreplace"))


def write_bytes(path: Path | str, content: bytes) -> None:
    """Write `content`, as `write_file` does."""
    write_file(path, lambda target: target.write_bytes(content))


def write_file(path: Path | str, write: Callable[[Path], object]) -> None:
    """Have a file written whole.

    write : is called with a temporary file in the same folder, which then takes the place of `path`: an
        interrupted run leaves the former file, or none, but no half one. No folder is created.

    Raises RequestError, naming the path, where the file cannot be written.
    """
    target = Path(os.path.realpath(path))  # a link stays a link; the file it leads to is replaced
    refuse_no_place(path)
    try:
        if target.exists() and not target.is_file():  # a pipe or device cannot be replaced
            write(target)
        else:
            _replace(target, write)
    except OSError as error:
        raise RequestError(
            f"cannot write the file ({error.strerror or error})",
            where=path,
            do="Close it in other programs, and check that the folder allows writing and has room.",
        ) from None


def refuse_no_place(path: Path | str) -> None:
    """Refuse a path at which no file can be: a folder, or one in a folder that does not exist."""
    target = Path(os.path.realpath(path))
    if target.is_dir():
        raise RequestError("this is a folder, not a file", where=path, do="Add a file name.")
    if not target.parent.is_dir():
        raise RequestError(
            "cannot write the file: its folder does not exist",
            where=path,
            do=f"Create “{target.parent}” first.",
        )


def create_folder(folder: Path) -> None:
    """Create a folder, with those around it, where it does not exist. Raises RequestError where that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise RequestError(f"cannot create the folder ({reason})", where=folder, do="Name another.") from None


def _replace(target: Path, write: Callable[[Path], object]) -> None:
    temporary = target.with_name(f".logscope-{os.getpid()}{target.suffix}")
    try:
        write(temporary)
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())  # the content is on the disk before the name leads to it
        os.replace(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)
