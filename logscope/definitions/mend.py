"""What can be used of a definition file that is not sound, with a report for everything else."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from logscope.definitions.complaints import Complaint
from logscope.definitions.database import message_specs, parse
from logscope.definitions.dbc_reading import Block, Reading, read_dbc
from logscope.definitions.layout import misfits, overlaps
from logscope.definitions.namesakes import set_apart
from logscope.definitions.skipped import Definitions, Skipped
from logscope.definitions.spec import FLOAT_BITS, MAX_BITS, MessageSpec

_LONGEST_FRAME = 64  # bytes of payload in a CAN FD frame (ISO 11898-1)
_MOST_SELECTED = 1 << 16  # values of a multiplexer that select one signal: all those of 16 bits
_LISTED = 3  # overlapped signals named in a report
# Numbers that no sound file holds, and that a parser would turn into as many list entries or digits.
_HUGE = re.compile(
    r"^\s*(?:SG_\s[^:\n]*:\s*(?:\d{6}|\d+\s*\|\s*\d{6}|[^\n(]*\([^\n)]*[eE][-+]?\d{4})|BO_\s[^\n:]*:\s*\d{6}"
    r"|BA_[^\n]*\d[eE][-+]?\d{4})",
    re.MULTILINE | re.ASCII,
)
_SELECTED = re.compile(r"^\s*SG_MUL_VAL_\s[^;]*", re.MULTILINE)
_VALUE_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)", re.ASCII)


def too_large(text: str) -> Complaint | None:
    """A complaint about a DBC file that would keep a parser busy for minutes, for one slipped digit."""
    at = [found.start() for found in _HUGE.finditer(text)]
    at += [found.start() for found in _SELECTED.finditer(text) if _selected(found[0]) > _MOST_SELECTED]
    if not at:
        return None
    line = text.count("\n", 0, min(at) + 1) + 1
    return Complaint("a number is too large to be intended", line, "Correct the definition.")


def lenient(text: str, file_format: str, path: Path) -> Definitions:
    """Messages of a file whose only fault is that signals overlap or do not fit; none where it has others."""
    try:
        specs = message_specs(parse(text, file_format, strict=False), path)
    except Exception:  # the complaint of the strict reading stands
        return Definitions(())
    messages, skipped = [], []
    for spec in specs:
        laid, places = _laid_out(spec, {}, None)
        messages.append(laid)
        skipped += places
        reason = "its message has another signal of that name; it is named after its branch"
        skipped += [as_skipped(spec, None, reason, s.name, kept=True) for s in laid.signals if set_apart(s)]
        one = "its factor and offset make every value {:g}"
        skipped += [
            as_skipped(spec, None, one.format(s.scale + s.offset), s.name, kept=True) for s in laid.signals if s.all_one
        ]
    return Definitions(tuple(messages), tuple(skipped))


def mended_dbc(text: str, path: Path) -> Definitions:
    """The sound statements of a DBC file, put together again and read message by message."""
    reading = read_dbc(text, path)
    _refuse_unclear_numbers(reading)
    header = _sound_header(reading)
    messages = []
    for block in reading.blocks.values():
        _refuse_unselectable(reading, block)
        spec = _load(reading, block, header)
        if spec is not None:
            laid, places = _laid_out(spec, block.lines, block.line)
            messages.append(laid)
            reading.skipped += places
    return Definitions(tuple(messages), tuple(reading.skipped))


def as_skipped(spec: MessageSpec, line: int | None, reason: str, *signals: str, kept: bool = False) -> Skipped:
    """A report on a message, or on signals of it, of which the first has the fault."""
    text = f"{spec.name}.{signals[0]}" if signals else f"{spec.name} (identifier 0x{spec.identifier:X})"
    return Skipped(spec.source or Path(), line, text, reason, kept, spec.name, signals)


def _load(reading: Reading, block: Block, header: str) -> MessageSpec | None:
    """The message as cantools reads it; where its attributes are at fault, without them."""
    entry = block.entry
    lines = [f"BO_ {entry.number} {entry.name}: {entry.length} {entry.sender}"]
    lines += [signal.dbc() for signal in block.signals.values()]
    details = [detail for _, detail in block.details if not detail.signal or detail.signal in block.signals]
    plain = [detail.dbc() for detail in details if detail.kind != "BA_"]
    attributes = [detail.dbc() for detail in details if detail.kind == "BA_"]
    reason = ""
    for text in ([header, *lines, *attributes, *plain], [*lines, *plain]):
        try:
            (spec,) = message_specs(parse("\n".join(text) + "\n", "dbc", strict=False), reading.path)
        except Exception as error:  # a malformed file surfaces as many kinds of error, also built-in ones
            reason = reason or str(error)
            continue
        if reason:
            why = f"its attributes are left out: {reason}"
            reading.report(block.line, entry.name, why, kept=True, message=entry.name)
        return spec
    reading.report(block.line, entry.name, f"the message cannot be used: {reason}", message=entry.name)
    return None


def _sound_header(reading: Reading) -> str:
    """The statements on attributes in general, or nothing where they are at fault."""
    header = "\n".join(reading.header)
    try:
        if header:
            parse(header + "\n", "dbc")
    except Exception as error:  # a malformed file surfaces as many kinds of error, also built-in ones
        reading.report(None, "BA_DEF_", f"frame formats and protocol are unknown: {error}")
        reading.header.clear()
        return ""
    return header


def _refuse_unclear_numbers(reading: Reading) -> None:
    """Refuse signals that are not known to be integers or floats: their values would be nonsense."""
    for statement, about in reading.unclear:
        words = {about[1]} if about else set(re.findall(r"\w+", statement.text))
        here = reading.blocks.get(about[0]) if about else None
        for block in [here] if here else reading.blocks.values():
            stated = {detail.signal for _, detail in block.details if detail.kind == "SIG_VALTYPE_"}
            for name in words & block.signals.keys() - stated:
                if block.signals[name].bits in FLOAT_BITS:
                    reason = f"integer or float is unknown, because line {statement.line} cannot be used"
                    _refuse(reading, block, name, reason)
    for block in reading.blocks.values():
        for line, detail in block.details:
            known = block.signals.get(detail.signal)
            if detail.kind == "SIG_VALTYPE_" and known and detail.rest != ": 0" and known.bits not in FLOAT_BITS:
                reason = f"line {line} says that it is a float, but it has {known.bits} bits, not 16, 32 or 64"
                _refuse(reading, block, detail.signal, reason)


def _refuse_unselectable(reading: Reading, block: Block) -> None:
    """Refuse multiplexed signals whose multiplexer is missing or unknown, until no more are found."""
    said: dict[str, str] = {}
    for line, detail in list(block.details):
        if detail.kind != "SG_MUL_VAL_":
            continue
        if _selected(detail.rest) > _MOST_SELECTED:
            reason = f"it is selected by more than {_MOST_SELECTED} values"
            reading.report(line, detail.dbc(), reason, message=block.entry.name, signals=(detail.signal,))
            block.details.remove((line, detail))
        else:
            said[detail.signal] = detail.selector
    while refused := dict(_unselectable(block, said)):
        for name, reason in refused.items():
            _refuse(reading, block, name, reason)


def _unselectable(block: Block, said: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    only = next(iter(block.selectors)) if len(block.selectors) == 1 else ""
    for name, signal in block.signals.items():
        if not signal.selected:
            continue
        selector = said.get(name, only)
        if not selector or selector == name:
            yield name, "its multiplexer is unknown"
        elif selector not in block.signals:
            yield name, f"its multiplexer {selector} is missing"
        elif block.signals[selector].bits > MAX_BITS:
            yield name, f"its multiplexer {selector} is wider than {MAX_BITS} bits"


def _refuse(reading: Reading, block: Block, name: str, reason: str) -> None:
    message = block.entry.name
    reading.report(block.lines[name], f"SG_ {name}", reason, message=message, signals=(name,))
    block.refuse(name)


def _laid_out(spec: MessageSpec, lines: Mapping[str, int], line: int | None) -> tuple[MessageSpec, list[Skipped]]:
    """The message, as long as its signals need it, and the reports on signals that overlap or do not fit."""
    places = []
    longest = max(spec.length, _LONGEST_FRAME)
    beyond = {signal.name for signal in spec.variants if signal.bytes_needed > longest}
    hanging = {s.name for s in spec.variants if any(way.selector in beyond for way in s.multiplexer)}
    for name in sorted(beyond | hanging):
        reason = f"it reaches beyond the {longest} bytes of the longest frame, or its multiplexer does"
        places.append(as_skipped(spec, lines.get(name, line), reason, name))
    kept = replace(spec, signals=tuple(s for s in spec.signals if s.name not in beyond | hanging))
    for signal in misfits(kept):
        reason = f"it needs {signal.bytes_needed} bytes, but the message is defined with {spec.length}; kept"
        places.append(as_skipped(spec, lines.get(signal.name, line), reason, signal.name, kept=True))
    shared: dict[str, list[str]] = {}
    for one, other in overlaps(kept):
        earlier, later = sorted((one.name, other.name), key=lambda name: lines.get(name, 0))
        shared.setdefault(later, []).append(earlier)
    for later, earlier_ones in shared.items():
        more = f" and {len(earlier_ones) - _LISTED} more" if len(earlier_ones) > _LISTED else ""
        reason = f"it overlaps {', '.join(earlier_ones[:_LISTED])}{more}; all are kept, but one of them must be wrong"
        places.append(as_skipped(spec, lines.get(later, line), reason, later, *earlier_ones, kept=True))
    return replace(kept, length=max(kept.length, kept.bytes_needed)), places


def _selected(text: str) -> int:
    """How many values the ranges in an SG_MUL_VAL_ statement hold."""
    ranges = [(low, high) for low, high in _VALUE_RANGE.findall(text)]
    if any(len(number) > 18 for pair in ranges for number in pair):  # digits of a 64-bit number, and no more
        return _MOST_SELECTED + 1
    return sum(max(int(high) - int(low) + 1, 0) for low, high in ranges)
