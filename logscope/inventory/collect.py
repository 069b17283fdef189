"""Count what is in a log, block by block; memory grows with the identifiers, not with the frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logscope.capture.frames import Account, Block, Flag, Frames
from logscope.decoding.grouping import ANY_SOURCE, j1939_key, plain_key
from logscope.definitions.skipped import Skipped
from logscope.definitions.spec import MessageSpec
from logscope.inventory.kernels import KEPT_INTERVALS, accumulate, wire_bits
from logscope.physics.can_timing import STANDARD_BIT_RATES, fd_frame_bits

# A message repeats with a period when half of its intervals lie within this share of their median.
PERIODIC_SHARE = 0.25
_BIN_NS, _BINS_PER_S = 100_000_000, 10  # the busiest second is looked for in steps of a tenth
# Buses are planned to be filled to some 70 % at most (common practice, no published source): a rate that is only
# assumed must not make a bus look full.
_ASSUMED_LOAD = 0.7
_MAX_PAYLOAD = 64
_Names = dict[tuple[str | None, int], str]
# Error classes in the identifier of an error frame: Linux include/uapi/linux/can/error.h.
ERROR_CLASSES = {
    0x001: "transmit time-out",
    0x002: "lost arbitration",
    0x004: "controller problem",
    0x008: "protocol violation",
    0x010: "transceiver",
    0x020: "no acknowledge",
    0x040: "bus off",
    0x080: "bus error",
    0x100: "controller restarted",
    0x200: "error counters",
}


@dataclass(frozen=True, slots=True)
class Message:
    """One identifier on one bus.

    name : of its definition, None without one; extended : whether the identifier has 29 bits
    period_s : median time from frame to frame; jitter_s : half the width of the middle half of these times
        (None with fewer than three frames); longest_gap_s : the longest
    periodic : whether it repeats with a period, rather than on events
    shortest, longest : payload bytes; changing : for each byte whether it ever changed
    first_s, last_s : seconds from the capture's start
    """

    bus: str
    identifier: int
    extended: bool
    name: str | None
    count: int
    period_s: float | None
    jitter_s: float | None
    longest_gap_s: float | None
    periodic: bool
    shortest: int
    longest: int
    changing: tuple[bool, ...]
    first_s: float
    last_s: float

    @property
    def identifier_text(self) -> str:
        """As it is usually written: 3 hexadecimal digits, or 8 for 29 bits."""
        return f"{self.identifier:08X}" if self.extended else f"{self.identifier:03X}"


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus.

    mean_bits_per_s, busiest_bits_per_s : bits on the wire, with exact stuffing; the busiest second of the log is
        never below its mean, though in a short log each single second can hold less (silence in its middle)
    lower_bound : whether the bits are a lower bound, as for CAN FD, whose stuffing is not counted
    bit_rate : as given, or the lowest usual one that the busiest second fills to 70 % at most (then `assumed`)
    errors : error frames by class
    """

    name: str
    frames: int
    remote_frames: int
    error_frames: int
    mean_bits_per_s: float
    busiest_bits_per_s: float
    lower_bound: bool
    bit_rate: int
    assumed: bool
    errors: dict[str, int]

    @property
    def mean_load(self) -> float:
        """As a fraction of the bit rate."""
        return self.mean_bits_per_s / self.bit_rate

    @property
    def busiest_load(self) -> float:
        """As a fraction of the bit rate."""
        return self.busiest_bits_per_s / self.bit_rate


@dataclass(frozen=True, slots=True)
class Inventory:
    """What a log holds. unseen : names of defined messages that never occur; skipped : of the definition files."""

    account: Account
    duration_s: float
    buses: tuple[Bus, ...]
    messages: tuple[Message, ...]
    unseen: tuple[str, ...]
    skipped: tuple[Skipped, ...] = ()


def count_frames(
    blocks: Iterable[Block],
    definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]] = (),
    bit_rate: int | None = None,
) -> Inventory:
    """Count the frames of a log.

    definitions : (bus or None for every bus, messages), to name the identifiers
    bit_rate : of the buses [bit/s]; None assumes one, see `Bus`
    """
    counting = _Counting()
    account = Account()
    for block in blocks:
        account += block.account
        if len(block.frames):
            counting.add(block.frames)
    messages = counting.messages(definitions)
    seen = {message.name for message in messages}
    defined = dict.fromkeys(spec.name for _, specs in definitions for spec in specs)
    return Inventory(
        account=account,
        duration_s=counting.duration_s,
        buses=counting.buses(bit_rate),
        messages=messages,
        unseen=tuple(name for name in defined if name not in seen),
    )


@dataclass(slots=True)
class _Wire:
    """A bus while it is counted. bits : by tenth of a second."""

    frames: int = 0
    remote: int = 0
    errors: dict[int, int] = field(default_factory=dict)
    bits: dict[int, int] = field(default_factory=dict)
    lower_bound: bool = False


@dataclass(slots=True)
class _Counting:
    """The statistics while blocks arrive, a row an identifier."""

    rows: dict[tuple[str, bool, int], int] = field(default_factory=dict)
    wires: dict[str, _Wire] = field(default_factory=dict)
    start_ns: int | None = None
    end_ns: int = 0
    columns: dict[str, NDArray[np.generic]] = field(default_factory=dict)

    @property
    def duration_s(self) -> float:
        return 0.0 if self.start_ns is None else (self.end_ns - self.start_ns) / 1e9

    def add(self, frames: Frames) -> None:
        first, last = int(frames.time_ns.min()), int(frames.time_ns.max())
        self.start_ns = first if self.start_ns is None else min(self.start_ns, first)
        self.end_ns = max(self.end_ns, last)
        error = (frames.flags & Flag.ERROR) != 0
        self._count_wires(frames, error)
        data = np.flatnonzero(~error)
        if data.size:
            row = self._rows_of(frames, data)
            remote = (frames.flags[data] & Flag.REMOTE) != 0
            c = self.columns
            accumulate(
                row, frames.time_ns[data], frames.length[data].astype(np.int64), frames.offset[data], frames.payload,
                remote, c["count"], c["first_ns"], c["last_ns"], c["shortest"], c["longest"], c["most_ns"], c["kept"],
                c["intervals"], c["last_payload"], c["changed"],
            )  # fmt: skip

    def _rows_of(self, frames: Frames, data: NDArray[np.int64]) -> NDArray[np.int64]:
        extended = (frames.flags[data] & Flag.EXTENDED).astype(np.uint64)
        bus = frames.bus[data].astype(np.uint64)
        key = frames.identifier[data] | (extended << np.uint64(32)) | (bus << np.uint64(33))
        found, inverse = np.unique(key, return_inverse=True)
        rows = []
        for value in found.tolist():
            name = (frames.buses[value >> 33], bool(value >> 32 & 1), value & 0xFFFFFFFF)
            rows.append(self.rows.setdefault(name, len(self.rows)))
        self._grow()
        return np.asarray(np.array(rows, np.int64)[inverse])

    def _grow(self) -> None:
        wanted = len(self.rows)
        have = self.columns["count"].shape[0] if self.columns else 0
        if wanted <= have:
            return
        size = max(64, 2 * wanted)
        numbers = ("count", "first_ns", "last_ns", "shortest", "longest", "most_ns", "kept")
        shapes: dict[str, tuple[tuple[int, ...], type]] = dict.fromkeys(numbers, ((size,), np.int64))
        shapes |= {
            "intervals": ((size, KEPT_INTERVALS), np.int64),
            "last_payload": ((size, _MAX_PAYLOAD), np.uint8),
            "changed": ((size, _MAX_PAYLOAD), np.bool_),
        }
        grown: dict[str, NDArray[np.generic]] = {name: np.zeros(shape, kind) for name, (shape, kind) in shapes.items()}
        for name, column in self.columns.items():
            grown[name][:have] = column
        self.columns = grown

    def _count_wires(self, frames: Frames, error: NDArray[np.bool_]) -> None:
        classic = ~error & ((frames.flags & Flag.FD) == 0)
        bits = np.zeros(len(frames), np.int64)
        bits[classic] = wire_bits(
            frames.identifier[classic],
            frames.flags[classic],
            frames.length[classic],
            frames.offset[classic],
            frames.payload,
        )
        fd = np.flatnonzero(~error & ((frames.flags & Flag.FD) != 0))
        empty = [fd_frame_bits(0, extended=extended) for extended in (False, True)]
        bits[fd] = np.array(empty)[frames.flags[fd] & Flag.EXTENDED] + 8 * frames.length[fd].astype(np.int64)
        tenth = frames.time_ns // _BIN_NS
        for number, name in enumerate(frames.buses):
            here = frames.bus == number
            if not here.any():
                continue
            wire = self.wires.setdefault(name, _Wire())
            wire.frames += int(np.count_nonzero(here & ~error))
            wire.remote += int(np.count_nonzero(here & ((frames.flags & Flag.REMOTE) != 0)))
            wire.lower_bound |= bool(fd.size and here[fd].any())
            for value, count in zip(*np.unique(frames.identifier[here & error], return_counts=True), strict=True):
                wire.errors[int(value)] = wire.errors.get(int(value), 0) + int(count)
            tenths, inverse = np.unique(tenth[here], return_inverse=True)
            sums = np.bincount(inverse, weights=bits[here])
            for at, total in zip(tenths.tolist(), sums.tolist(), strict=True):
                wire.bits[at] = wire.bits.get(at, 0) + int(total)

    def buses(self, bit_rate: int | None) -> tuple[Bus, ...]:
        return tuple(self._bus(name, wire, bit_rate) for name, wire in sorted(self.wires.items()))

    def _bus(self, name: str, wire: _Wire, bit_rate: int | None) -> Bus:
        mean = sum(wire.bits.values()) / max(self.duration_s, 1.0)
        busiest = max(_busiest_second(wire.bits), mean)
        carrying = [rate for rate in STANDARD_BIT_RATES if _ASSUMED_LOAD * rate >= busiest]
        errors: dict[str, int] = {}
        for value, count in wire.errors.items():
            for bit, text in ERROR_CLASSES.items():
                if value & bit:
                    errors[text] = errors.get(text, 0) + count
        return Bus(
            name=name,
            frames=wire.frames,
            remote_frames=wire.remote,
            error_frames=sum(wire.errors.values()),
            mean_bits_per_s=mean,
            busiest_bits_per_s=busiest,
            lower_bound=wire.lower_bound,
            bit_rate=bit_rate or (carrying[0] if carrying else STANDARD_BIT_RATES[-1]),
            assumed=bit_rate is None,
            errors=errors,
        )

    def messages(self, definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]]) -> tuple[Message, ...]:
        names = _names(definitions)
        found = [self._message(key, row, names) for key, row in self.rows.items()]
        return tuple(sorted(found, key=lambda m: (m.bus, m.extended, m.identifier)))

    def _message(self, key: tuple[str, bool, int], row: int, names: _Names) -> Message:
        bus, extended, identifier = key
        c = {name: column[row] for name, column in self.columns.items()}
        kept = min(int(c["kept"]), KEPT_INTERVALS)
        intervals = np.asarray(c["intervals"][:kept], float) / 1e9
        low, middle, high = np.quantile(intervals, (0.25, 0.5, 0.75)).tolist() if kept else (0.0, 0.0, 0.0)
        period = middle if kept else None
        jitter = (high - low) / 2 if kept >= 2 else None
        start_ns = self.start_ns or 0
        return Message(
            bus=bus,
            identifier=identifier,
            extended=extended,
            name=_name_of(bus, extended, identifier, names),
            count=int(c["count"]),
            period_s=period,
            jitter_s=jitter,
            longest_gap_s=float(c["most_ns"]) / 1e9 if kept else None,
            periodic=jitter is not None and middle > 0 and jitter <= PERIODIC_SHARE * middle,
            shortest=int(c["shortest"]),
            longest=int(c["longest"]),
            changing=tuple(bool(b) for b in c["changed"][: int(c["longest"])]),
            first_s=(int(c["first_ns"]) - start_ns) / 1e9,
            last_s=(int(c["last_ns"]) - start_ns) / 1e9,
        )


def _busiest_second(bits: Mapping[int, int]) -> float:
    """The most bits within one second, from those in each tenth of a second by its number."""
    if not bits:
        return 0.0
    tenths = np.array(sorted(bits))
    total = np.cumsum([0, *(bits[at] for at in tenths.tolist())])
    end = np.searchsorted(tenths, tenths + _BINS_PER_S)
    return float(np.max(total[end] - total[: tenths.size]))


def _names(definitions: Sequence[tuple[str | None, Sequence[MessageSpec]]]) -> _Names:
    """The messages' names by bus and by how their frames are matched; the bus is no part of the key's number."""
    names: _Names = {}
    for bus, specs in definitions:
        for spec in specs:
            key = j1939_key(0, spec.identifier) if spec.j1939 else plain_key(0, spec.identifier, spec.extended)
            names.setdefault((bus, key), spec.name)
    return names


def _name_of(bus: str, extended: bool, identifier: int, names: _Names) -> str | None:
    keys = [plain_key(0, identifier, extended)]
    if extended:
        keys += [j1939_key(0, identifier), j1939_key(0, identifier & ~0xFF | ANY_SOURCE)]
    return next((names[where, key] for key in keys for where in (bus, None) if (where, key) in names), None)
