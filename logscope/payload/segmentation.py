"""The payloads of one identifier divided into fields: counters, checksums, constants, and numbers of either order.

First counters and checksums, which behave as no number does. Then, where one field selects what the others mean, the
frames are divided by its values. The rest is divided where its description is shortest (`description_length`).
A bit that never changes in the log belongs to no field: whether it is the upper end of one, the log does not show.

Marcovitz and Wool, Field classification, modeling and anomaly detection in unknown CAN bus networks, Vehicular
Communications 9 (2017), 43–52, first used the rates at which bits change; Verma, Bridges and others, CAN-D, IEEE
Transactions on Vehicular Technology 70 (2021), 9685–9700, find both byte orders by one search, as here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from logscope.arrays import BoolArray
from logscope.payload.checksums import PayloadChecksum, counters_and_checksums
from logscope.payload.counters import Counter
from logscope.payload.description_length import costs
from logscope.payload.fields import Bytes, Field
from logscope.payload.flips import flip_counts
from logscope.payload.partition import cheapest
from logscope.payload.selector import find_selector
from logscope.payload.signedness import is_signed
from logscope.payload.stretches import telling_neighbours

MOST_PAIRS = 8000  # neighbours that are described: the description grows with them, the doubt hardly shrinks
_LEAST_ROWS = 8


class Sort(Enum):
    """What a field is by its own behaviour."""

    COUNTER = "counter"
    CHECKSUM = "checksum"
    SELECTOR = "selector"
    FLAG = "flag"
    NUMBER = "number"


@dataclass(frozen=True, slots=True)
class Segment:
    """A field, what sort it is, and for which value of the selector it stands there (None: always)."""

    field: Field
    sort: Sort
    signed: bool = False
    selected_by: int | None = None


@dataclass(frozen=True, slots=True)
class Segmentation:
    """All fields of an identifier in which something changes.

    selector : the field whose value says what the payload holds, where there is one
    """

    segments: tuple[Segment, ...]
    counters: tuple[Counter, ...]
    checksums: tuple[PayloadChecksum, ...]
    selector: Field | None

    @property
    def taken(self) -> int:
        """The bits of counters, checksums and the selector as a mask."""
        return masked(self.counters) | masked(self.checksums) | (0 if self.selector is None else self.selector.mask())


def segment(rows: Bytes, excluded: int = 0) -> Segmentation:
    """Divide the payloads of one identifier into fields.

    excluded : bits that are known already, as a mask; they become part of no field
    """
    counters, checksums = counters_and_checksums(rows)
    moves = flip_counts(rows) > 0
    taken = masked(counters) | masked(checksums)
    selector = find_selector(rows, _bits(masked(checksums), moves.size), counters)
    if selector is not None:
        groups = _groups(rows, selector)
        counters = tuple(
            each
            for each in counters
            if not each.field.mask() & selector.mask() and any(np.ptp(each.field.values(g)) for g in groups.values())
        )
        taken = masked(counters) | masked(checksums) | selector.mask()
    known = [Segment(each.field, Sort.COUNTER) for each in counters]
    known += [Segment(each.field, Sort.CHECKSUM) for each in checksums]
    if selector is None:
        parts = _divided(rows, _bits(taken | excluded, moves.size), None)
    else:
        known.append(Segment(selector, Sort.SELECTOR))
        parts = []
        for value, group in groups.items():
            parts += _divided(group, _bits(taken | excluded, moves.size), value)
    kept = [each for each in (*known, *parts) if not each.field.mask() & excluded]
    return Segmentation(tuple(sorted(kept, key=_by_place)), counters, checksums, selector)


def _divided(rows: Bytes, barred: BoolArray, selected_by: int | None) -> list[Segment]:
    if len(rows) < _LEAST_ROWS:
        return []
    before, after = telling_neighbours(rows, MOST_PAIRS)
    used = np.unique(np.concatenate((before, after)))
    part = rows[used]
    before, after = np.searchsorted(used, before), np.searchsorted(used, after)
    moves = flip_counts(part) > 0
    lengths = costs(part, before, after, moves & ~barred)
    fields = cheapest(lengths, ~moves, barred)
    return [
        Segment(field, Sort.FLAG if field.bits == 1 else Sort.NUMBER, is_signed(field, rows), selected_by)
        for field in fields
    ]


def _groups(rows: Bytes, selector: Field) -> dict[int, Bytes]:
    values = selector.values(rows)
    return {int(value): rows[values == value] for value in np.unique(values)}


def _bits(mask: int, count: int) -> BoolArray:
    return np.array([bool(mask >> place & 1) for place in range(count)])


def _by_place(segment: Segment) -> tuple[int, int]:
    return -1 if segment.selected_by is None else segment.selected_by, min(segment.field.positions())


def masked(found: Sequence[Counter] | Sequence[PayloadChecksum]) -> int:
    """All their bits."""
    mask = 0
    for each in found:
        mask |= each.field.mask()
    return mask
