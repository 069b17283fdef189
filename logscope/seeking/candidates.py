"""The fields that are searched: what is left of each identifier without counters, checksums, constants and
definitions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import FloatArray
from logscope.bus.naming import key_of, keys_of
from logscope.definitions.layout import occupied
from logscope.definitions.spec import MessageSpec
from logscope.payload.fields import Field, from_lowest, room_above
from logscope.payload.segmentation import Segment, Segmentation, Sort, segment
from logscope.seeking.gather import Key, Stream

LEAST_FRAMES = 20  # of an identifier: fewer show no behaviour
STATE_BITS = 8  # a field up to so wide may be several states that changed together, each bit one of them
_LEVEL_BITS = 16  # a voltage is measured with no more


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A field that may play a part.

    selector : the field whose value must be `segment.selected_by` for this one to be there, where there is one
    """

    stream: Stream
    segment: Segment
    selector: Field | None = None

    @property
    def key(self) -> Key:
        """Bus, identifier and length of its frames."""
        return self.stream.key

    @property
    def field(self) -> Field:
        """Where it lies."""
        return self.segment.field

    @property
    def name(self) -> str:
        """As in a table: can0 0x1A0 16|12@0+, in the notation of DBC files."""
        order, sign = "0" if self.field.big_endian else "1", "-" if self.segment.signed else "+"
        page = "" if self.segment.selected_by is None else f" m{self.segment.selected_by}"
        return f"{self.key.name} {self.field.start}|{self.field.bits}@{order}{sign}{page}"

    @property
    def in_words(self) -> str:
        """The same for people who do not know that notation."""
        field = self.field
        size = f"{field.bits} bits from bit {field.start}" if field.bits > 1 else f"bit {field.start}"
        order = "" if field.bits == 1 else f", {'high' if field.big_endian else 'low'} byte first"
        page = "" if self.segment.selected_by is None else f", where its selector is {self.segment.selected_by}"
        return f"{self.key.name}, {size}{order}{', with a sign' if self.segment.signed else ''}{page}"

    def samples(self) -> tuple[FloatArray, FloatArray]:
        """Times [s] and raw values, both of shape (m,)."""
        rows, time_s = self.stream.rows, self.stream.time_s
        if self.selector is not None and self.segment.selected_by is not None:
            there = self.selector.values(rows) == self.segment.selected_by
            rows, time_s = rows[there], time_s[there]
        return time_s, self.field.values(rows, signed=self.segment.signed).astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Searched:
    """What of a log was searched: the fields, and how each identifier divides."""

    candidates: tuple[Candidate, ...]
    segmentations: Mapping[Key, Segmentation]

    @property
    def numbers(self) -> tuple[Candidate, ...]:
        """The fields of more than one bit."""
        return tuple(each for each in self.candidates if each.segment.sort is Sort.NUMBER)


def candidates(
    streams: Mapping[Key, Stream], definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]] = ()
) -> Searched:
    """Divide every identifier into fields, on all cores; bits that a definition names are left out."""
    known = _known_bits(definitions)
    long_enough = [stream for stream in streams.values() if len(stream) >= LEAST_FRAMES]

    def divided(stream: Stream) -> Segmentation:
        mask = 0
        for key in keys_of(stream.key.bus, stream.key.identifier, stream.key.extended):
            mask |= known.get(key, 0)
        return segment(stream.rows, mask)

    with ThreadPoolExecutor() as pool:
        found = dict(zip((s.key for s in long_enough), pool.map(divided, long_enough), strict=True))
    fields = tuple(
        Candidate(streams[key], part, each.selector)
        for key, each in found.items()
        for part in each.segments
        if part.sort in (Sort.NUMBER, Sort.FLAG)
    )
    return Searched(fields, found)


def _known_bits(
    definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]],
) -> dict[tuple[str | None, int], int]:
    """The bits that any definition names, by bus and by how its frames are matched."""
    known: dict[tuple[str | None, int], int] = {}
    for bus, messages in definitions:
        for message in messages:
            mask = 0
            for variant in message.variants:
                mask |= occupied(variant)
            key = bus, key_of(message)
            known[key] = known.get(key, 0) | mask
    return known


def states(candidate: Candidate) -> list[Candidate]:
    """A short field, and each of its bits by itself: one of several flags that changed together in this log."""
    if candidate.field.bits == 1 or candidate.field.bits > STATE_BITS:
        return [candidate] if candidate.field.bits == 1 else []
    single = [
        Segment(Field(place, 1), Sort.FLAG, False, candidate.segment.selected_by)
        for place in candidate.field.positions()
    ]
    return [Candidate(candidate.stream, each, candidate.selector) for each in single]


def widened(candidate: Candidate) -> tuple[Candidate, float]:
    """A number with the ones that stand above it for the whole log, and what they add to its values.

    A level that varies little never changes its highest bits. Up to 16 bits are taken, the highest of them a one.
    """
    field = candidate.field
    if candidate.segment.signed or candidate.segment.selected_by is not None or field.bits >= _LEVEL_BITS:
        return candidate, 0.0
    rows = candidate.stream.rows
    moves = np.bitwise_or.reduce(rows ^ rows[:1], axis=0)
    room = min(room_above(field.positions()[0], rows.shape[1], field.big_endian), _LEVEL_BITS)
    places = from_lowest(field.positions()[0], room, field.big_endian).positions()
    bits, above = field.bits, 0
    for k, place in enumerate(places[field.bits :], field.bits):
        if moves[place // 8] >> (place % 8) & 1:
            break
        if rows[0, place // 8] >> (place % 8) & 1:
            bits, above = k + 1, above | 1 << k
    if bits == field.bits:
        return candidate, 0.0
    whole = from_lowest(field.positions()[0], bits, field.big_endian)
    return replace(candidate, segment=replace(candidate.segment, field=whole)), float(above)
