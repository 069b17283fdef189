"""Does the unit of a log's time column make sense? A log that it makes impossibly long or short is doubted.

A unit that was guessed, or typed into a vehicle file, is a factor of a thousand or a million on every time constant.
Two limits need no knowledge of the vehicle: nobody records for longer than a day in one file, and no bus carries
frames faster than its bit rate, nor does a controller repeat one message more often than every millisecond.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from logscope.capture.columns import ColumnLayout, TimeUnit
from logscope.capture.frames import Account, Block, Flag, Frames
from logscope.time_doubt import LONGEST_S, TimeDoubt

UNIT_S: dict[TimeUnit, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
UNIT_WORDS: dict[TimeUnit, str] = {
    "s": "seconds",
    "ms": "milliseconds",
    "us": "microseconds",
    "ns": "nanoseconds",
    "date": "dates or times of day",
}
# ISO 11898-1: the arbitration phase never exceeds 1 Mbit/s. A frame needs its fixed bits at that rate, unstuffed.
_FASTEST_BIT_S = 1e-6
_FIXED_BITS, _FIXED_BITS_EXTENDED = 47, 67  # of a classic frame, interframe space included
_FASTEST_DATA_BIT_S = 1e-6 / 8  # data phase of CAN FD: 8 Mbit/s
# Control loops send their fastest messages every few milliseconds, none more often than this (common practice, no
# published source).
SHORTEST_PERIOD_S = 1e-3
# ... and at least every few seconds: a unit that makes it slower is offered after the others.
LONGEST_PERIOD_S = 5.0
# A log may be shorter than its frames need by the grid of its stamps, of which 50 ms is a usual one: allowed is twice
# that.
_GRID_S = 0.1


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """Where the unit of the time column comes from.

    unit : as it is read; source : in words, as in “guessed from the steps of the stamps”
    layout : the columns as a vehicle file would name them
    """

    unit: TimeUnit
    source: str
    layout: ColumnLayout


@dataclass(slots=True)
class _Seen:
    """What has passed of a log: first and last stamp [ns], how long its frames need, frames by bus and identifier."""

    first_ns: int | None = None
    last_ns: int = 0
    wire_s: Counter[str] = field(default_factory=Counter)
    frames: Counter[tuple[str, int]] = field(default_factory=Counter)
    leaps_ns: int = 0

    def add(self, frames: Frames, account: Account) -> None:
        self.leaps_ns += sum(step.step_ns for step in account.time_steps)
        if not len(frames):
            return
        low, high = int(frames.time_ns.min()), int(frames.time_ns.max())
        self.first_ns = low if self.first_ns is None else min(self.first_ns, low)
        self.last_ns = max(self.last_ns, high)
        fixed = np.where(frames.flags & Flag.EXTENDED, _FIXED_BITS_EXTENDED, _FIXED_BITS) * _FASTEST_BIT_S
        per_bit = np.where(frames.flags & Flag.FD, _FASTEST_DATA_BIT_S, _FASTEST_BIT_S)
        needed = fixed + 8.0 * frames.length * per_bit
        keys = frames.bus.astype(np.int64) << 32 | frames.identifier
        for key, count in zip(*(each.tolist() for each in np.unique(keys, return_counts=True)), strict=True):
            self.frames[frames.buses[key >> 32], key & 0xFFFFFFFF] += count
        for number, name in enumerate(frames.buses):
            self.wire_s[name] += float(needed[frames.bus == number].sum())  # type: ignore[assignment]

    @property
    def length_s(self) -> float:
        """From the first stamp to the last, on the mended clock."""
        return 0.0 if self.first_ns is None else (self.last_ns - self.first_ns) / 1e9

    @property
    def shortest_s(self) -> float:
        """The time that these frames need at minimum."""
        fastest = max(self.frames.values(), default=0)
        return max([(fastest - 1) * SHORTEST_PERIOD_S, *self.wire_s.values()], default=0.0)


def doubted(blocks: Iterable[Block], column: TimeColumn, file: str) -> Iterator[Block]:
    """The same blocks; a doubt about the unit of time is added to the account at the end of the log.

    blocks : of one log, their stamps mended
    """
    seen = _Seen()
    last: Block | None = None
    for block in blocks:
        if last is not None:
            yield last
        seen.add(block.frames, block.account)
        last = block
    if last is None:
        return
    doubt = _doubt(seen, column, file)
    yield last if doubt is None else replace(last, account=replace(last.account, time_doubts=(doubt,)))


def _doubt(seen: _Seen, column: TimeColumn, file: str) -> TimeDoubt | None:
    if column.unit == "date":
        return None
    shortest_s = seen.shortest_s
    if shortest_s - _GRID_S <= seen.length_s <= LONGEST_S:
        return None
    # leaps of more than a day were taken for steps of the clock; with too large a unit, every step is one
    length_s = seen.length_s + abs(seen.leaps_ns) / 1e9
    lengths = {unit: length_s * size / UNIT_S[column.unit] for unit, size in UNIT_S.items() if unit != column.unit}
    fitting = [unit for unit, length in lengths.items() if shortest_s <= length <= LONGEST_S]
    longest_s = LONGEST_PERIOD_S * max(seen.frames.values(), default=0)
    possible = {unit: lengths[unit] for unit in sorted(fitting, key=lambda unit: lengths[unit] > longest_s)}
    if not possible and seen.leaps_ns:
        return None  # the clock of the logger did jump, by whatever unit: reported as such
    layout = column.layout.model_copy(update={"time_unit": next(iter(possible), column.unit)})
    return TimeDoubt(
        file=file,
        unit=UNIT_WORDS[column.unit],
        source=column.source,
        length_s=length_s,
        shortest_s=shortest_s,
        others=tuple((UNIT_WORDS[unit], length) for unit, length in possible.items()),
        remedy=layout.as_toml(),
    )
