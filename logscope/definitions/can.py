"""CAN definitions: DBC, KCD, SYM and ARXML files as plain `MessageSpec`s.

A file is read strictly first. Only where that fails is it mended: what is sound is used, and every place
that is not is reported with its line.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from logscope.definitions.complaints import Complaint, as_complaint
from logscope.definitions.database import message_specs, parse
from logscope.definitions.mend import as_skipped, lenient, mended_dbc, too_large
from logscope.definitions.namesakes import has_namesakes
from logscope.definitions.skipped import Definitions, Skipped
from logscope.definitions.spec import MessageSpec, Selection, SignalSpec
from logscope.errors import DefinitionError, check_the_path

__all__ = ["FORMATS", "Definitions", "MessageSpec", "Selection", "SignalSpec", "Skipped", "load_definitions"]

FORMATS = {".dbc": "dbc", ".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}


def load_definitions(path: Path | str) -> Definitions:
    """The messages of a DBC, KCD, SYM or ARXML file, in the order of the file, and what was skipped.

    Of a sound file nothing is skipped. Of a DBC file with faults, each sound statement is used. In any
    format, signals that overlap or reach beyond their message are kept and reported, with the message as
    long as they need it; of messages with the same identifier the first is used. ARXML container messages
    are not among the result, as their content moves from frame to frame; signals wider than 64 bits are
    named in `MessageSpec.left_out`.

    Raises DefinitionError, with file and line as far as it is known, where the file cannot be opened or
    nothing of it can be used.
    """
    path = Path(path)
    file_format = FORMATS.get(path.suffix.lower())
    if file_format is None:
        raise DefinitionError(
            f"“{path.suffix or path.name}” is not the ending of a definition file",
            where=path,
            do="Give a DBC, KCD, SYM or ARXML file.",
        )
    text = read_definition_text(path)
    complaint = too_large(text) if file_format == "dbc" else None
    if complaint is None:
        try:
            specs = message_specs(parse(text, file_format), path)
        except Exception as error:  # a malformed file surfaces as many kinds of error, also built-in ones
            complaint = as_complaint(error, text)
        else:
            if not any(has_namesakes(spec) or any(s.all_one for s in spec.signals) for spec in specs):
                return _without_repeats(Definitions(specs), _message_lines(text, file_format))
    found = mended_dbc(text, path) if file_format == "dbc" else lenient(text, file_format, path)
    if complaint is not None and not any(spec.signals or spec.left_out for spec in found.messages):
        raise complaint.as_error(path)
    shown_by_names = any(map(has_namesakes, found.messages))
    found = _without_repeats(found, _message_lines(text, file_format))
    if complaint is None or found.skipped or shown_by_names:
        return found  # the parser mistakes namesakes in different branches for one another: the look of our own counts
    return replace(found, skipped=(_at_least(complaint, path),))


def _at_least(complaint: Complaint, path: Path) -> Skipped:
    """For a file that was read strictly in vain, but in which the mending found nothing to report."""
    return Skipped(path, complaint.line, "", complaint.what, kept=True)


def read_definition_text(path: Path) -> str:
    """The text of a definition file, its lines ended by line feeds alone.

    Each line is UTF-8 if it is that, else in the Western 8-bit set of older tools, so that one stray byte
    does not spoil the units of the whole file.

    Raises DefinitionError where the file cannot be opened.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DefinitionError(
            f"cannot read the definitions ({error.strerror or error})", where=path, do=check_the_path(path)
        ) from None
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text = content.decode("utf-16", errors="replace")
    else:
        lines = content.removeprefix(codecs.BOM_UTF8).split(b"\n")
        text = "\n".join(map(_line_text, lines))
    return re.sub(r"\r+\n?", "\n", text)


def _line_text(line: bytes) -> str:
    for encoding in ("utf-8", "cp1252"):
        try:
            return line.decode(encoding)
        except UnicodeDecodeError:
            continue
    return line.decode("latin-1")


_Lines = Mapping[tuple[int, bool], Sequence[int]]


def _message_lines(text: str, file_format: str) -> _Lines:
    """The lines of a DBC file that define each (identifier, extended)."""
    lines: dict[tuple[int, bool], list[int]] = {}
    if file_format == "dbc":
        for number, line in enumerate(text.split("\n"), start=1):
            if found := re.match(r"\s*BO_\s+(\d{1,10})\s", line, re.ASCII):
                written = int(found[1])
                lines.setdefault((written & 0x7FFFFFFF, written > 0x7FFFFFFF), []).append(number)
    return lines


def _without_repeats(found: Definitions, lines: _Lines) -> Definitions:
    """The first message of each identifier; names that stand for several identifiers are kept and reported."""
    first: dict[tuple[int, bool], MessageSpec] = {}
    names: dict[str, MessageSpec] = {}
    skipped = list(found.skipped)
    for spec in found.messages:
        key = spec.identifier, spec.extended
        at = lines.get(key, ())
        if first.setdefault(key, spec) is not spec:
            reason = f"its identifier is that of message {first[key].name}, which comes first and is used"
            line = at[1] if len(at) > 1 else None
            skipped.append(as_skipped(spec, line, reason))
        elif (namesake := names.setdefault(spec.name, spec)) is not spec:
            reason = f"identifier 0x{namesake.identifier:X} has a message of that name too; both are used"
            skipped.append(as_skipped(spec, at[0] if at else None, reason, kept=True))
    skipped.sort(key=lambda place: place.line or 0)
    return Definitions(tuple(first.values()), tuple(skipped))
