"""Binary serial logs: records of a fixed layout, found again after whatever is damaged."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.capture.frames import MAX_BAD_LINES_NAMED, BadLine
from logscope.capture.record_search import (
    Bytes,
    Candidates,
    at_sync,
    field_values,
    in_turn,
    lengths,
    sound,
)
from logscope.capture.samples import SerialAccount
from logscope.capture.serial_assemble import Rows
from logscope.definitions.record_layout import RecordLayout, lay_out
from logscope.definitions.serial import Record, SerialDefinition

SLIP_END = b"\xc0"
SLIP_ESC = b"\xdb"
_SLIP_ESCAPED_END = b"\xdb\xdc"
_SLIP_ESCAPED_ESC = b"\xdb\xdd"
_SLIP_BROKEN = re.compile(rb"\xdb(?![\xdc\xdd])")

COBS_END = b"\x00"

END_OF = {"cobs": COBS_END, "slip": SLIP_END}


def unpack(packet: bytes, framing: str) -> bytes:
    """What a packet, without its end byte, holds. framing : "cobs" or "slip".

    Raises ValueError where it is not validly encoded.
    """
    return unpack_cobs(packet) if framing == "cobs" else unpack_slip(packet)


def unpack_cobs(packet: bytes) -> bytes:
    """Undo consistent overhead byte stuffing."""
    from cobs import cobs

    try:
        return bytes(cobs.decode(packet))
    except cobs.DecodeError:
        raise ValueError("it is not a valid COBS packet") from None


def unpack_slip(packet: bytes) -> bytes:
    """Undo the escapes of RFC 1055.

    The RFC's example leaves a byte behind a stray ESC as it is; here that is damage, as no sender writes it.

    >>> unpack_slip(b"a\\xdb\\xdcb\\xdb\\xdd")
    b'a\\xc0b\\xdb'
    """
    if _SLIP_BROKEN.search(packet):
        raise ValueError("it is not a valid SLIP packet")
    return packet.replace(_SLIP_ESCAPED_END, SLIP_END).replace(_SLIP_ESCAPED_ESC, SLIP_ESC)


# Bytes without a sound record are kept for the next block up to here, so that what is damaged counts
# as one stretch; several times the longest record. A longer stretch is counted piece by piece.
MAX_STRETCH_BYTES = 1 << 18
_TEXT = np.isin(np.arange(256), [*range(32, 127), 9, 10, 13])  # printable ASCII, tab and line ends


def read_binary(blocks: Iterable[bytes], definition: SerialDefinition, file: str) -> tuple[Rows, SerialAccount]:
    """The sound records of a binary log, given as blocks of bytes cut anywhere, and the account.

    A record counts as a line. Between sound records, a stretch that is plain text counts as one other
    line, and any other stretch as as many bad ones as records would fit into it, at least one. Packets
    of a framing count one by one. Nothing is raised for what the log holds.

    A record without a checksum is taken only where another sync or the end of the log follows it: with
    nothing else to distinguish, bytes that merely look like a sync would be read as records.
    """
    reader = BinaryReader(definition, file)
    for block in blocks:
        reader.add(block)
    reader.finish()
    return reader.rows(), reader.account()


def read_arrivals(
    pieces: Iterable[tuple[bytes, int]], definition: SerialDefinition, file: str
) -> tuple[Rows, SerialAccount]:
    """The same for bytes whose arrival was seen. pieces : bytes, and when the last of them had arrived [ns]."""
    reader = BinaryReader(definition, file)
    arrivals: list[int] = []
    for piece, arrival_ns in pieces:
        reader.add(piece)
        arrivals.extend([arrival_ns] * (reader.samples - len(arrivals)))
    reader.finish()
    last = arrivals[-1] if arrivals else 0
    arrivals.extend([last] * (reader.samples - len(arrivals)))
    return replace(reader.rows(), stamp_ns=np.array(arrivals, np.int64)), reader.account()


@dataclass
class BinaryReader:
    """Goes through a log block by block and keeps count."""

    definition: SerialDefinition
    file: str
    samples: int = 0
    other: int = 0
    damaged: int = 0
    bad: list[BadLine] = field(default_factory=list)
    tables: list[FloatArray] = field(default_factory=list)
    places: list[tuple[int, int]] = field(default_factory=list)  # number and turn of the records at hand
    place_tables: list[NDArray[np.int64]] = field(default_factory=list)
    _rest: bytes = b""  # what the next block may complete

    @cached_property
    def record(self) -> Record:
        """What the definition says of a record."""
        assert self.definition.record is not None  # the caller's condition
        return self.definition.record

    @cached_property
    def layout(self) -> RecordLayout:
        """Where everything lies in a record."""
        return lay_out(self.definition)

    @property
    def lines(self) -> int:
        """Records and stretches so far."""
        return self.samples + self.other + self.damaged

    def add(self, block: bytes) -> None:
        """Read on."""
        data = self._rest + block
        if self.record.framing == "none":
            self._rest = self._search(data, final=False)
        else:
            *whole, self._rest = data.split(END_OF[self.record.framing])
            self._unpack([packet for packet in whole if packet])  # ends that follow each other hold nothing

    def finish(self) -> None:
        """Take what no further block will complete."""
        if self.record.framing == "none":
            self._search(self._rest, final=True)
        elif self._rest:
            self._unpack([self._rest])
        self._rest = b""

    def _search(self, data: bytes, final: bool) -> bytes:
        """Take the records in `data`; returns the bytes that the next block may complete."""
        content = np.frombuffer(data, np.uint8)
        possible = at_sync(content, self.record, self.layout)
        # A record at the end of a block waits for the next block: what follows it may matter.
        ahead = 0 if final else max(len(self.record.sync), 1 + (self.record.length_at_byte or 0))
        whole = possible.end + ahead <= content.size
        kept = possible.only(whole)
        good = sound(content, kept, self.record, self.layout) & self._followed(content, kept, possible)
        undecided = content.size if final or whole.all() else int(possible.start[~whole][0])
        chosen = in_turn(kept.only(good & (kept.start < undecided)))
        done = 0
        for start, end in zip(chosen.start.tolist(), chosen.end.tolist(), strict=True):
            if start > done:
                self._stretch(content[done:start])
            self._count_sample()
            done = end
        self._store(content, chosen)
        if final or content.size - done > MAX_STRETCH_BYTES:
            end = content.size if final else max(done, undecided - ahead)
            if end > done:
                self._stretch(content[done:end])
            done = end
        return data[done:]

    def _followed(self, content: Bytes, kept: Candidates, possible: Candidates) -> BoolArray:
        if self.record.checksum is not None:
            return np.ones(kept.start.size, np.bool_)
        return np.asarray(np.isin(kept.end, possible.start) | (kept.end == content.size))

    def _unpack(self, packets: list[bytes]) -> None:
        contents: list[bytes] = []
        reasons: list[str] = []
        for packet in packets:
            try:
                contents.append(unpack(packet, self.record.framing))
                reasons.append("")
            except ValueError as broken:
                contents.append(b"")
                reasons.append(str(broken))
        joined = np.frombuffer(b"".join(contents), np.uint8)
        size = np.array([len(content) for content in contents], np.int64)
        found = Candidates(np.cumsum(size) - size, size)
        fits = self._fits(joined, found)
        checks = found.only(fits)
        good = fits.copy()
        good[fits] = sound(joined, checks, self.record, self.layout)
        for reason, fit, holds in zip(reasons, fits.tolist(), good.tolist(), strict=True):
            if holds:
                self._count_sample()
            elif not reason and fit:
                self._reject("its checksum is wrong")
            else:
                self._reject(reason or "its length or its first bytes do not match a record")
        self._store(joined, found.only(good))

    def _fits(self, content: Bytes, found: Candidates) -> BoolArray:
        """Which packets have the length and the sync of a record."""
        record = self.record
        at = record.length_at_byte or 0
        fits = found.length > max(at, len(record.sync))
        start = found.start[fits]
        agrees = lengths(content, start, record, self.layout) == found.length[fits]
        for place, byte in enumerate(record.sync):
            agrees &= content[start + place] == byte
        fits[fits] = agrees
        return fits

    def _store(self, content: Bytes, chosen: Candidates) -> None:
        columns = [field_values(content, chosen, place, self.layout) for place in self.layout.fields]
        self.tables.append(np.column_stack(columns))
        self.place_tables.append(np.array(self.places, np.int64).reshape(-1, 2))
        self.places.clear()

    def _count_sample(self) -> None:
        self.places.append((self.lines + 1, self.samples + self.damaged))
        self.samples += 1

    def _stretch(self, piece: Bytes) -> None:
        """Count bytes that belong to no sound record."""
        syncs = at_sync(piece, self.record, self.layout).start.size
        if not syncs and _TEXT[piece].all():
            self.other += 1
            return
        count = syncs if self.layout.length is None else round(piece.size / self.layout.length)
        for _ in range(max(count, 1)):
            self._reject(f"{piece.size} bytes between sound records belong to no record")

    def _reject(self, reason: str) -> None:
        self.damaged += 1
        if len(self.bad) < MAX_BAD_LINES_NAMED:
            self.bad.append(BadLine(self.file, self.lines, reason))

    def rows(self) -> Rows:
        """The sound records so far."""
        names = [signal.name for signal in self.definition.signal]
        value = np.concatenate(self.tables or [np.empty((0, len(names)))])
        places = np.concatenate(self.place_tables or [np.empty((0, 2), np.int64)])
        time = self.definition.time.field
        return Rows(
            line=places[:, 0],
            turn=places[:, 1],
            value=value,
            time=value[:, names.index(time)] if time is not None else np.full(len(value), np.nan),
        )

    def take_rows(self) -> Rows:
        """The sound records since the last call, for a log that has no end."""
        rows = self.rows()
        self.tables.clear()
        self.place_tables.clear()
        return rows

    def account(self) -> SerialAccount:
        """The account of the records so far."""
        return SerialAccount(
            files=(self.file,),
            lines=self.lines,
            sample_lines=self.samples,
            other=self.other,
            lines_bad=self.damaged,
            bad=tuple(self.bad),
        )
