"""A damaged DBC file gathered message by message, with a report for every place that is no sound statement."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from logscope.definitions.dbc_entries import (
    DetailEntry,
    MessageEntry,
    SignalEntry,
    defined_attribute,
    read_detail,
    read_message,
    read_signal,
    subject,
)
from logscope.definitions.dbc_words import NO_SEMICOLON, Repair, Unreadable
from logscope.definitions.skipped import Skipped, shown
from logscope.definitions.statements import CLOSED, Statement, statements

# The attributes that decide how frames are matched and what things are called; no other is needed.
_NEEDED = frozenset({"VFrameFormat", "ProtocolType", "SystemMessageLongSymbol", "SystemSignalLongSymbol"})
# Editors put signals that belong to no message under this number, which no frame can have, with or without
# the mark of an extended frame.
_NO_MESSAGE = 0x40000000
_COMMENT = re.compile(r'CM_\s*((SG_\s+\d+\s+\w+|BO_\s+\d+|(EV_|BU_)\s+\w+)\s*)?"(\\"|[^"])*"\s*;?', re.ASCII)
# Text that ends like a message's head: were it ignored, the signals below would go to the message above.
_LIKE_A_MESSAGE = re.compile(r".*\S\s*:\s*\d+\s+\w+\s*")


@dataclass(slots=True)
class Block:
    """A message while it is read.

    wanting : the names, as far as known, of its signals that were refused
    selectors : those of all its signals, refused or not, that are marked as multiplexers
    """

    line: int
    entry: MessageEntry
    signals: dict[str, SignalEntry] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    details: list[tuple[int, DetailEntry]] = field(default_factory=list)
    wanting: set[str] = field(default_factory=set)
    selectors: set[str] = field(default_factory=set)

    def refuse(self, signal: str) -> None:
        """Take a signal out."""
        del self.signals[signal]
        self.wanting.add(signal)


@dataclass(slots=True)
class Reading:
    """What the statements of a file say. `header` holds those on attributes in general."""

    path: Path
    blocks: dict[int, Block] = field(default_factory=dict)
    header: list[str] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)
    details: list[tuple[Statement, DetailEntry]] = field(default_factory=list)
    refused: set[int] = field(default_factory=set)
    attributes: set[str] = field(default_factory=set)
    unclear: list[tuple[Statement, tuple[int, str] | None]] = field(default_factory=list)

    def report(self, line: int | None, text: str, reason: str, **more: object) -> None:
        """Note a place; `more` as the fields of Skipped."""
        self.skipped.append(Skipped(self.path, line, shown(text), reason, **more))  # type: ignore[arg-type]

    def repairs(self, at: Statement, repairs: tuple[Repair, ...], message: str, signal: str = "") -> None:
        """Note what was forgiven in a statement."""
        for repair in repairs:
            named = {"message": message, "signals": (signal,) if signal else ()} if repair.doubtful else {}
            self.report(at.line, at.text, repair.reason, kept=True, **named)


def read_dbc(text: str, path: Path) -> Reading:
    """Read all statements; details are laid to their messages once all messages are known."""
    reading = Reading(path)
    current: Block | None = None
    for statement in statements(text):
        if statement.kind == "BO_":
            current = _message(reading, statement)
        elif statement.kind == "SG_":
            _signal(reading, statement, current)
        elif not statement.kind:
            reading.report(statement.line, statement.text, "no statement of a DBC file begins like this")
            if _LIKE_A_MESSAGE.fullmatch(statement.text):
                current = _lost(statement)
        else:
            current = current if statement.kind == "CM_" else None
            _other(reading, statement)
    _lay_details(reading)
    return reading


def _lost(statement: Statement) -> Block:
    """Takes the signals of a message that cannot be used."""
    return Block(statement.line, MessageEntry(0, "", 0))


def _message(reading: Reading, statement: Statement) -> Block:
    try:
        entry = read_message(statement.text)
    except Unreadable as unreadable:
        number = re.match(r"BO_\s+(\d{1,10})\b", statement.text, re.ASCII)
        if number:
            reading.refused.add(int(number[1]))
        if not number or int(number[1]) & ~(1 << 31) != _NO_MESSAGE:
            reading.report(statement.line, statement.text, unreadable.reason, message=unreadable.name)
        return _lost(statement)
    earlier = reading.blocks.get(entry.number)
    if earlier is not None and earlier.signals:
        reason = f"its identifier is that of message {earlier.entry.name} in line {earlier.line}, which is used"
        reading.report(statement.line, statement.text, reason, message=entry.name)
        return _lost(statement)
    if earlier is not None:
        reason = f"it has no signals, and line {statement.line} defines the same identifier; that one is used"
        reading.report(earlier.line, f"BO_ {earlier.entry.number} {earlier.entry.name}", reason)
    reading.repairs(statement, entry.repairs, entry.name)
    block = reading.blocks[entry.number] = Block(statement.line, entry)
    return block


def _signal(reading: Reading, statement: Statement, block: Block | None) -> None:
    if block is None:
        reading.report(statement.line, statement.text, "the signal is outside any message")
        return
    message = block.entry.name
    try:
        entry = read_signal(statement.text)
    except Unreadable as unreadable:
        if message:
            named = (unreadable.name,) if unreadable.name else ()
            reading.report(statement.line, statement.text, unreadable.reason, message=message, signals=named)
        block.wanting.add(unreadable.name)
        if unreadable.marker.endswith("M"):
            block.selectors.add(unreadable.name)
        return
    if not message:
        return
    if entry.name in block.signals:
        reason = f"message {message} has a signal of that name in line {block.lines[entry.name]}, which is used"
        reading.report(statement.line, statement.text, reason, message=message, signals=(entry.name,))
        return
    reading.repairs(statement, entry.repairs, message, entry.name)
    block.signals[entry.name], block.lines[entry.name] = entry, statement.line
    if entry.selects:
        block.selectors.add(entry.name)


def _other(reading: Reading, statement: Statement) -> None:
    if statement.kind in ("VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_", "BA_"):
        try:
            detail = read_detail(statement.kind, statement.text)
        except Unreadable as unreadable:
            _unreadable_detail(reading, statement, unreadable.reason)
            return
        if detail is not None:
            reading.details.append((statement, detail))
        return
    if statement.text.count('"') % 2 and '\\"' not in statement.text:
        reading.report(statement.line, statement.text, "a quotation mark is missing; not needed")
    elif statement.kind == "CM_" and not _COMMENT.fullmatch(statement.text):
        reading.report(statement.line, statement.text, "the comment is not in standard form; not needed")
    elif statement.kind in CLOSED and not statement.text.endswith(";"):
        reading.report(statement.line, statement.text, NO_SEMICOLON, kept=True)
    if statement.kind in ("BA_DEF_", "BA_DEF_DEF_"):
        if (name := defined_attribute(statement.text)) is not None:
            reading.attributes.add(name)
        if any(f'"{name}"' in statement.text for name in _NEEDED):
            reading.header.append(statement.text.rstrip("; ") + " ;")


def _unreadable_detail(reading: Reading, statement: Statement, reason: str) -> None:
    about = subject(statement.text)
    block = reading.blocks.get(about[0]) if about else None
    named = {"message": block.entry.name, "signals": (about[1],)} if block and about else {}
    reading.report(statement.line, statement.text, reason, **named)
    if statement.kind == "SIG_VALTYPE_":
        reading.unclear.append((statement, about))


def _lay_details(reading: Reading) -> None:
    undefined: set[str] = set()
    for statement, detail in reading.details:
        block = reading.blocks.get(detail.number) if detail.number is not None else None
        if detail.kind == "BA_" and detail.attribute not in reading.attributes:
            if detail.attribute not in undefined:
                reason = f"attribute {detail.attribute} is used but not defined by BA_DEF_; not needed"
                reading.report(statement.line, statement.text, reason)
            undefined.add(detail.attribute)
        elif detail.number is None:
            reading.repairs(statement, detail.repairs, "")
            if detail.attribute in _NEEDED:
                reading.header.append(detail.dbc())
        elif block is None:
            if detail.number not in reading.refused:
                reading.report(statement.line, statement.text, f"there is no message {detail.number}")
            if detail.kind == "SIG_VALTYPE_":
                reading.unclear.append((statement, (detail.number, detail.signal)))
        elif detail.signal and detail.signal not in block.signals:
            if detail.signal not in block.wanting:
                reason = f"message {block.entry.name} has no signal {detail.signal}"
                reading.report(statement.line, statement.text, reason)
        else:
            reading.repairs(statement, detail.repairs, block.entry.name, detail.signal)
            if detail.kind != "BA_" or detail.attribute in _NEEDED:
                block.details.append((statement.line, detail))
