"""The errors a user can meet.

    LogscopeError
    ├── LogError           a log cannot be opened or holds nothing that can be read
    ├── DefinitionError    a definition file cannot be used
    ├── VehicleError       the vehicle file cannot be used
    └── RequestError       the request itself (a path, an option) cannot be used

Each message says what is wrong, where (file:line if there is one), and what to do. The command line
prints it on one line and exits with 2.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from difflib import get_close_matches
from pathlib import Path


class LogscopeError(Exception):
    """What is wrong, where, and what to do about it, on one line.

    example : text to copy into a file that would help; the command line prints it on standard output
    """

    def __init__(
        self, what: str, *, where: Path | str | None = None, line: int | None = None, do: str = "", example: str = ""
    ) -> None:
        self.example = example
        place = "" if where is None else f"{where}:{line}: " if line else f"{where}: "
        what = what.strip().rstrip(".")
        text = f"{place}{what}{'' if what.endswith('?') else '.'}" + (f" {do.strip()}" if do else "")
        super().__init__(" ".join(text.split()))


class LogError(LogscopeError):
    """A log cannot be opened or holds nothing that can be read."""


class DefinitionError(LogscopeError):
    """A definition file cannot be used."""


class VehicleError(LogscopeError):
    """The vehicle file cannot be used."""


class RequestError(LogscopeError):
    """The request itself cannot be used."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """'Did you mean “x”?' for the nearest of the known words, or an empty text if none is near."""
    by_fold = {name.casefold(): name for name in known}
    near = get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.6)
    return f"Did you mean “{by_fold[near[0]]}”?" if near else ""


def check_the_path(path: Path) -> str:
    """What to do about a file that cannot be opened: a pattern, a name nearly right, a path cut at its spaces."""
    if path.exists():
        return "Check that you may read it, and that no other program holds it."
    if any(mark in path.name for mark in "*?"):
        return "No file fits this pattern."
    with suppress(OSError):
        if hint := did_you_mean(path.name, (each.name for each in path.parent.iterdir() if each.is_file())):
            return hint
    return "Check the path; one with spaces needs quotation marks around it."
