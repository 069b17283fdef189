"""Hits as definitions: lines of a DBC file, in the ASCII that every reader of such files takes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from logscope.payload.fields import Field
from logscope.payload.flips import flip_counts
from logscope.seeking.gather import Key

if TYPE_CHECKING:
    from logscope.seeking.hits import Hit

_EXTENDED = 1 << 31  # how DBC files mark identifiers of 29 bits
_ASCII_UNITS = {"°C": "degC"}
_NODE = "Vector__XXX"  # the name that the format prescribes for an unknown node
EMPTY = """VERSION ""

NS_ :

BS_:

BU_:

"""


def signal_name(part: str) -> str:
    """A part's name as a signal, of letters and digits alone: dc_link_voltage becomes DcLinkVoltage.

    >>> signal_name("speed (km/h)"), signal_name("12 V"), signal_name("°")
    ('SpeedKmH', 'Field12V', 'Field')
    """
    name = "".join(word.capitalize() for word in re.findall("[A-Za-z0-9]+", part))
    return name if name[:1].isalpha() else f"Field{name}"


def signal_line(hit: Hit, name: str = "") -> str:
    """SG_ line of a hit; its range is what the bits can hold."""
    field, signed = hit.candidate.field, hit.candidate.segment.signed
    if not signed:
        field = roomy(hit)
    low, high = (-(1 << field.bits - 1), (1 << field.bits - 1) - 1) if signed else (0, (1 << field.bits) - 1)
    ends = sorted((low * hit.scale + hit.offset, high * hit.scale + hit.offset))
    page = hit.candidate.segment.selected_by
    mux = "" if page is None else f" m{page}"
    unit = _ASCII_UNITS.get(hit.unit, hit.unit)
    return (
        f" SG_ {name or signal_name(hit.part)}{mux} : {field.start}|{field.bits}@{0 if field.big_endian else 1}"
        f"{'-' if signed else '+'} ({hit.scale:.10g},{hit.offset:.10g}) [{ends[0]:.10g}|{ends[1]:.10g}] "
        f'"{unit}" {_NODE}'
    )


def roomy(hit: Hit) -> Field:
    """The field with the zeros above it in its highest byte, as far as they are nobody else's.

    A log that never came near the highest value shows fewer bits than the field has.
    """
    candidate = hit.candidate
    field = candidate.field
    if field.bits == 1 or candidate.segment.selected_by is not None:
        return field
    rows = candidate.stream.rows
    moves = flip_counts(rows) > 0
    top = field.positions()[-1]
    bits = field.bits
    while (top + 1) % 8 and not moves[top + 1] and not rows[0, (top + 1) // 8] >> ((top + 1) % 8) & 1 and bits < 32:
        top, bits = top + 1, bits + 1
    if bits == field.bits:
        return field
    return Field(top, bits, True) if field.big_endian else Field(field.start, bits)


def dbc_texts(hits: Iterable[Hit]) -> dict[str, str]:
    """DBC files by bus, for the format knows none and identifiers of two buses are different messages."""
    buses: dict[str, list[Hit]] = {}
    for hit in hits:
        buses.setdefault(hit.candidate.key.bus, []).append(hit)
    return {bus: _text(of) for bus, of in sorted(buses.items())}


def _text(hits: Iterable[Hit]) -> str:
    """A DBC file with a message for each identifier; names are made unique within a message."""
    messages: dict[tuple[int, bool], list[Hit]] = {}
    for hit in hits:
        key = hit.candidate.key
        messages.setdefault((key.identifier, key.extended), []).append(hit)
    parts = [_message(group) for group in messages.values()]
    comments = [line for group in messages.values() for line in _comments(group)]
    return EMPTY + "\n".join(parts) + "\n" + "".join(comments)


def _message(hits: Sequence[Hit]) -> str:
    key = hits[0].candidate.key
    length = max(hit.candidate.key.length for hit in hits)
    lines = [f"BO_ {_number(key)} {_message_name(key)}: {length} {_NODE}"]
    selectors = {hit.candidate.selector for hit in hits if hit.candidate.segment.selected_by is not None}
    for selector in selectors:
        assert selector is not None
        lines.append(
            f" SG_ Selector M : {selector.start}|{selector.bits}@{0 if selector.big_endian else 1}+ (1,0) "
            f'[0|{(1 << selector.bits) - 1}] "" {_NODE}'
        )
    lines += [signal_line(hit, name) for hit, name in zip(hits, _names(hits), strict=True)]
    return "\n".join(lines) + "\n"


def _names(hits: Sequence[Hit]) -> list[str]:
    names: list[str] = []
    for hit in hits:
        name, number = signal_name(hit.part), 2
        while name in names:
            name, number = f"{signal_name(hit.part)}{number}", number + 1
        names.append(name)
    return names


def _comments(hits: Sequence[Hit]) -> list[str]:
    key = hits[0].candidate.key
    return [
        f'CM_ SG_ {_number(key)} {name} "Found by its behaviour on {key.bus}, likeness {hit.score:.2f}. '
        f'{_quoted(hit.scale_from)}";\n'
        for hit, name in zip(hits, _names(hits), strict=True)
    ]


def _quoted(text: str) -> str:
    return text.replace('"', "'").encode("ascii", "replace").decode("ascii")


def _number(key: Key) -> int:
    return key.identifier | (_EXTENDED if key.extended else 0)


def _message_name(key: Key) -> str:
    return f"Found_{key.identifier:X}"
