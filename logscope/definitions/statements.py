"""The text of a DBC file as statements with their lines, also where the text is damaged.

A sound DBC file needs no line breaks. A damaged one is read by its lines: a line that begins with the
word of a statement begins one, whatever was left open before it. So one missing quotation mark or
semicolon costs one statement and not the rest of the file.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

# Statements that end with a semicolon, and those that end with their line.
CLOSED = frozenset(
    {"CM_", "BA_DEF_", "BA_DEF_DEF_", "BA_", "BA_DEF_REL_", "BA_DEF_DEF_REL_", "BA_REL_", "VAL_", "VAL_TABLE_"}
    | {"SIG_VALTYPE_", "SG_MUL_VAL_", "SIG_GROUP_", "BO_TX_BU_", "EV_", "ENVVAR_DATA_"}
)
_OPEN = frozenset({"BO_", "SG_", "VERSION", "NS_", "BS_", "BU_"})
# Words that stand alone on a line in the list of symbols after NS_.
_LISTED = CLOSED | {"NS_DESC_", "CAT_DEF_", "CAT_", "FILTER", "EV_DATA_", "SGTYPE_", "SGTYPE_VAL_", "BA_DEF_SGTYPE_"}
_LISTED |= {"BA_SGTYPE_", "SIG_TYPE_REF_", "SIGTYPE_VALTYPE_", "BU_SG_REL_", "BU_EV_REL_", "BU_BO_REL_"}
_WORD = re.compile(r'([A-Z]+(?:_[A-Z]+)*_?)(?=[\s:"]|$)')
_STRING = r'"(?:\\"|[^"])*"'
_MARKS = re.compile(rf'{_STRING}|[";]')
_COMMENT = re.compile(rf"({_STRING})|//.*")
_CLOSING = re.compile(r'(?<!\\)"')
_GOES_ON = re.compile(r'[-+\d",;]')  # how the next line of a list of values begins
_AFTER_STRING = re.compile(r"\s*(;|,|$)")  # what can follow a string that ends on a later line
_WORDS = re.compile(r"[\w ,\t]+")
_COMPLETE = {
    "BO_": re.compile(r"BO_\s+\S+\s+.*:\s*\d+\s+\w"),
    "SG_": re.compile(rf"SG_\s.*:.*{_STRING}\s*\w", re.DOTALL),
}
_LONGEST = 4  # lines over which a BO_ or SG_ statement is followed; one is usual


@dataclass(frozen=True, slots=True)
class Statement:
    """A statement and the line it begins on. `kind` is its first word; empty for text that begins none."""

    line: int
    kind: str
    text: str


_Lines = deque[tuple[int, str]]


def statements(text: str) -> Iterator[Statement]:
    """The statements of a DBC file in order, without comments of the // kind and blank lines."""
    lines: _Lines = deque(enumerate(text.split("\n"), start=1))
    while lines:
        number, line = lines.popleft()
        line = _without_comment(line).strip()
        if not line or line in _LISTED:
            continue
        kind = _kind(line)
        if kind in CLOSED:
            line = _until_semicolon(number, kind, line, lines)
        elif kind in ("BO_", "SG_"):
            line = _until_complete(number, kind, line, lines)
        elif kind == "BU_":
            while lines and _WORDS.fullmatch(lines[0][1]) and not _begins(lines[0][1]):
                line += "\n" + lines.popleft()[1]
        yield Statement(number, kind, line)


def _kind(line: str) -> str:
    word = _WORD.match(line)
    return word[1] if word and (word[1] in CLOSED or word[1] in _OPEN) else ""


def _begins(line: str) -> bool:
    line = line.strip()
    return not line or line in _LISTED or bool(_kind(line))


def _without_comment(line: str) -> str:
    return _COMMENT.sub(lambda found: found[1] or "", line) if "//" in line else line


def _until_semicolon(number: int, kind: str, line: str, lines: _Lines) -> str:
    """The statement up to its semicolon; what follows it on the line goes back to `lines`."""
    before = ""
    while True:
        end, opened = _scan(line)
        if opened and (inside := _rest_of_string(lines)):
            line = "\n".join([line, *inside])
            number += len(inside)
            continue
        if end is not None:
            rest = line[end:].strip()
            if rest and kind == "CM_" and not _kind(rest):
                return before + line  # the semicolon stands in a comment that has quotation marks inside
            if rest:
                lines.appendleft((number, rest))
            return before + line[:end]
        if opened or not lines or _begins(lines[0][1]) or not _GOES_ON.match(lines[0][1].strip()):
            return before + line
        before += line + "\n"
        number, line = lines.popleft()


def _scan(line: str) -> tuple[int | None, bool]:
    """Where the first semicolon outside strings ends, if there is one, and whether a string is left open."""
    for mark in _MARKS.finditer(line):
        if mark[0] == ";":
            return mark.end(), False
        if mark[0] == '"':
            return None, True
    return None, False


def _rest_of_string(lines: _Lines) -> list[str]:
    """The lines up to the one that closes a string, taken away; none where no line seems to close it."""
    for count, (_, line) in enumerate(lines, start=1):
        if mark := _CLOSING.search(line):
            closes = _AFTER_STRING.match(line, mark.end())
            return [lines.popleft()[1] for _ in range(count)] if closes else []
    return []


def _until_complete(number: int, kind: str, line: str, lines: _Lines) -> str:
    """A BO_ or SG_ statement, with the next lines where it is broken over them; more on it goes back."""
    first, *more = re.split(r"\s(?=SG_\s)", line)
    for rest in reversed(more):
        lines.appendleft((number, rest.strip()))
    whole, taken = first.rstrip(), 0
    while not more and not _COMPLETE[kind].match(whole) and taken < min(_LONGEST, len(lines)):
        following = lines[taken][1].strip()
        if _begins(following):
            break
        whole += "\n" + following
        taken += 1
        if _COMPLETE[kind].match(whole):
            for _ in range(taken):
                lines.popleft()
            return whole
    return first.rstrip()
