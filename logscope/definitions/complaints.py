"""Parser errors turned into messages for the person who has to mend the definition file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from logscope.errors import DefinitionError

_AT = re.compile(r":?\s*(?:at )?line (\d+), column (\d+)")
_QUOTED = re.compile(r':\s*"(?P<before>.*)>>!<<(?P<after>.*)"\s*$', re.DOTALL)
# An empty statement put after a DBC file: the parser would pass over a last statement that is cut off.
END_MARK = '\nCM_ "";\n'
_SHOWN = 40  # characters of the line: enough to recognise the place

# What to do, by what the complaint says; the first that occurs in it counts.
_ADVICE = (
    ("overlapping", "Correct the start bit, the length or the byte order of one of them."),
    ("does not fit", "Correct the signal's start bit, length or byte order, or the message's length."),
    ("more than 11 bits", "In a DBC file, an extended frame's identifier has 2147483648 (0x80000000) added."),
    ("VAL_", "Name an existing message and signal there, or remove the line."),
    ("two signals named", "Rename one of them."),
    ("nvalid syntax", "Correct that line."),
    ("cannot be read", "Correct that line."),
    ("supported", "Save it in a supported version of the format."),
)


@dataclass(frozen=True, slots=True)
class Complaint:
    """What is wrong in a definition file, in which line as far as it is known, and what to do."""

    what: str
    line: int | None
    do: str

    def as_error(self, path: Path) -> DefinitionError:
        """For a file of which nothing can be used."""
        return DefinitionError(self.what, where=path, line=self.line, do=self.do)


def as_complaint(cause: Exception, text: str) -> Complaint:
    """What the parser said about `text`, in plain words."""
    said = str(cause) or type(cause).__name__
    if not text.strip():
        return Complaint("the file is empty", None, "Export the definitions again.")
    if isinstance(cause, KeyError | IndexError | TypeError | AttributeError | AssertionError):
        said = f"the definitions are contradictory or incomplete ({type(cause).__name__}: {said})"
    place = _AT.search(said)
    line = int(place[1]) if place else _line_named(said, text)
    if place and (quoted := _QUOTED.search(said)):
        rest = quoted["after"].strip()
        if rest == END_MARK.strip():
            return Complaint("the last statement is cut off", line and line - 1, "Complete it, or remove it.")
        shown = rest if len(rest) <= _SHOWN else rest[:_SHOWN] + "…"
        said = f"cannot be read from column {place[2]} on" + (f": “{shown}”" if shown else "")
    elif place:
        said = f"cannot be read: {_AT.sub('', said)}, column {place[2]}"
    do = next((advice for words, advice in _ADVICE if words in said), "Correct the definition.")
    return Complaint(said, line, do)


def _line_named(said: str, text: str) -> int | None:
    """The line of a DBC file that holds what the complaint names, as far as it names a line's content."""
    if entry := re.search(r"VAL_ (\d+) (\w+)", said):
        return _first_line(text, rf"\s*VAL_\s+{entry[1]}\s+{entry[2]}\b", 0)
    if not (message := re.search(r"in message (\w+)", said)):
        return None
    start = _first_line(text, rf"\s*BO_\s+\d+\s+{message[1]}\s*:", 0)
    if start is not None and (signal := re.search(r"[Tt]he signals? (\w+)", said)):
        return _first_line(text, rf"\s*SG_\s+{signal[1]}\b", start) or start
    return start


def _first_line(text: str, pattern: str, after: int) -> int | None:
    lines = text.split("\n")  # as the parsers count lines
    return next((n for n, line in enumerate(lines[after:], start=after + 1) if re.match(pattern, line)), None)
