"""Writing a file so that it is either there whole or not there at all."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from logscope.errors import RequestError


def write_text(path: Path | str, text: str) -> None:
    """Write `text` as UTF-8 with '\\n' line ends, as `write_file` does.

    File names that are no valid Unicode were read with lone surrogates; those are written as escapes.
    """
    data = text.encode("utf-8", "backslashreplace")
    write_file(path, lambda target: target.write_bytes(data))


def write_file(path: Path | str, write: Callable[[Path], object]) -> None:
    """Have a file written whole.

    write : is called with a temporary file in the same folder, which then takes the place of `path`: an
        interrupted run leaves the former file, or none, but no half one. No folder is created.

    Raises RequestError, naming the path, where the file cannot be written.
    """
    target = Path(os.path.realpath(path))  # a link stays a link; the file it leads to is replaced
    if target.is_dir():
        raise RequestError("this is a folder, not a file", where=path, do="Add a file name.")
    if not target.parent.is_dir():
        raise RequestError(
            "cannot write the file: its folder does not exist",
            where=path,
            do=f"Create “{target.parent}” first.",
        )
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


def _replace(target: Path, write: Callable[[Path], object]) -> None:
    temporary = target.with_name(f".logscope-{os.getpid()}{target.suffix}")
    try:
        write(temporary)
        os.replace(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)
