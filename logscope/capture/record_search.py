"""Binary records in a run of bytes: where they may be, which of them are sound, what their fields hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.definitions.checksums import checksum_named
from logscope.definitions.record_layout import FieldPlace, RecordLayout
from logscope.definitions.serial import Record

Bytes = NDArray[np.uint8]
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Where records may be: first byte and length of each, shape (n,), in the order of the bytes."""

    start: Places
    length: Places

    @property
    def end(self) -> Places:
        """The byte after each."""
        return self.start + self.length

    def only(self, keep: BoolArray | Places) -> Candidates:
        """Some of them."""
        return Candidates(self.start[keep], self.length[keep])


def at_sync(content: Bytes, record: Record, layout: RecordLayout) -> Candidates:
    """A candidate at every occurrence of the sync bytes whose length is in the content."""
    sync = np.frombuffer(record.sync, np.uint8)
    here = np.ones(max(content.size - sync.size + 1, 0), np.bool_)
    for place, byte in enumerate(sync):
        here &= content[place : place + here.size] == byte
    start = np.flatnonzero(here)
    if record.length_at_byte is not None:
        start = start[start + record.length_at_byte < content.size]
    return Candidates(start, lengths(content, start, record, layout))


def lengths(content: Bytes, start: Places, record: Record, layout: RecordLayout) -> Places:
    """How long records that begin at `start` say they are [bytes]."""
    if record.length_at_byte is None:
        assert layout.length is not None  # without a length byte the layout has one
        return np.full(start.size, layout.length, np.int64)
    return content[start + record.length_at_byte].astype(np.int64) + record.length_adds


def sound(content: Bytes, candidates: Candidates, record: Record, layout: RecordLayout) -> BoolArray:
    """Which candidates, all wholly inside the content, are long enough and have a checksum that holds."""
    shortest = max(layout.checksum_bytes + record.checksum_skip_bytes, len(record.sync), 1)
    good = candidates.length >= shortest
    checksum = checksum_named(record.checksum) if record.checksum else None
    if checksum is None:
        return np.asarray(good)
    order = record.checksum_order or record.order
    for length in np.unique(candidates.length[good]):
        same = np.flatnonzero(good & (candidates.length == length))
        rows = _rows(content, candidates.start[same], 0, int(length))
        covered, stored = rows[:, record.checksum_skip_bytes : -checksum.width_bytes], rows[:, -checksum.width_bytes :]
        good[same] = checksum.holds(covered, stored, order)
    return np.asarray(good)


def in_turn(candidates: Candidates) -> Candidates:
    """The candidates that do not begin inside the one chosen before."""
    chosen, end = [], 0
    for place, (start, after) in enumerate(zip(candidates.start.tolist(), candidates.end.tolist(), strict=True)):
        if start >= end:
            chosen.append(place)
            end = after
    return candidates.only(np.array(chosen, np.int64))


def field_values(content: Bytes, records: Candidates, field: FieldPlace, layout: RecordLayout) -> FloatArray:
    """Raw values of one field, shape (n,); NaN where a record is too short to hold it."""
    there = field.at + field.width + layout.checksum_bytes <= records.length
    values = np.full(records.start.size, np.nan)
    rows = _rows(content, records.start[there], field.at, field.width)
    with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
        values[there] = np.ascontiguousarray(rows).view(field.dtype).ravel().astype(np.float64)
    return values


def _rows(content: Bytes, start: Places, skip: int, width: int) -> Bytes:
    rows: Bytes = content[start[:, None] + np.arange(skip, skip + width)]
    return rows
