"""Where in a binary record everything lies."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.definitions.checksums import checksum_named
from logscope.definitions.serial import SerialDefinition


@dataclass(frozen=True, slots=True)
class FieldPlace:
    """A signal's first byte, counted from the record's first, its width in bytes, and its numpy type."""

    at: int
    width: int
    dtype: str


@dataclass(frozen=True, slots=True)
class RecordLayout:
    """fields : in the order of the signals; needed : bytes of a record that holds all of them
    checksum_bytes : at the end of the record; length : of every record, None where it has a length byte
    """

    fields: tuple[FieldPlace, ...]
    needed: int
    checksum_bytes: int
    length: int | None


def lay_out(definition: SerialDefinition) -> RecordLayout:
    """The layout of a definition's record, whose signals all have a type.

    A signal without a place follows the one before it; the first follows the sync bytes, and the
    length byte where that stands directly after them.
    """
    record = definition.record
    if record is None:
        raise ValueError("the definition has no [record]")
    place = len(record.sync)
    if record.length_at_byte == place:
        place += 1
    fields = []
    for signal in definition.signal:
        assert signal.type is not None  # the rules of the definition see to it
        width = int(signal.type[1:]) // 8
        at = place if signal.at_byte is None else signal.at_byte
        order = "<" if (signal.order or record.order) == "little" else ">"
        fields.append(FieldPlace(at, width, f"{order}{signal.type[0]}{width}"))
        place = at + width
    checksum = checksum_named(record.checksum) if record.checksum else None
    tail = checksum.width_bytes if checksum else 0
    needed = max(field.at + field.width for field in fields) + tail
    length = None if record.length_at_byte is not None else record.length_bytes or needed
    return RecordLayout(tuple(fields), needed, tail, length)
