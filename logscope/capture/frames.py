"""CAN frames in columns, and the account of what a log held."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from logscope.time_doubt import TimeDoubt


class Flag(IntFlag):
    """Bits of the `flags` column."""

    EXTENDED = 1
    REMOTE = 2
    ERROR = 4
    FD = 8
    BITRATE_SWITCH = 16
    ERROR_STATE = 32
    TRANSMITTED = 64


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """CAN frames as columns of equal length n, in the order of the log.

    time_ns : stamp as logged, nanoseconds since its own zero or since 1970 (int64)
    bus : index into `buses` (uint8)
    identifier : 11 or 29 bits; for an error frame the error class bits (uint32)
    flags : `Flag` bits (uint8)
    length : payload bytes; for a remote frame the length asked for (uint8)
    offset : where a frame's payload begins in `payload` (int64)
    payload : all payloads, one after the other (uint8)
    """

    time_ns: NDArray[np.int64]
    bus: NDArray[np.uint8]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    offset: NDArray[np.int64]
    payload: NDArray[np.uint8]
    buses: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.time_ns.size)

    def data(self, row: int) -> bytes:
        """The payload of one frame."""
        if self.flags[row] & Flag.REMOTE:
            return b""
        start = int(self.offset[row])
        return self.payload[start : start + int(self.length[row])].tobytes()


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line or record that could not be read, and why."""

    file: str
    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class TimeStep:
    """A step of the logger's clock: at which stamp on the mended clock [ns], and by how much [ns]."""

    at_ns: int
    step_ns: int


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without any frame, on the mended clock [ns]."""

    start_ns: int
    end_ns: int


# Stamps before 2001-09-09 count from a zero of the logger's own: no vehicle was logged with dates before it.
DATES_FROM_NS = 1_000_000_000 * 1_000_000_000
MAX_BAD_LINES_NAMED = 20  # enough to see the pattern; the count covers the rest


_COUNTS = (
    "lines",
    "lines_bad",
    "other",
    "sample_lines",
    "frames",
    "error_frames",
    "remote_frames",
    "out_of_order",
    "stamps_repaired",
    "lost",
    "resets",
)


@dataclass(frozen=True, slots=True)
class Account:
    """What a log held: lines = frames + sample_lines + other + lines_bad.

    lines : text lines, or records of a binary log; other : comments, blank lines, notes of the logger
    sample_lines : sound lines or records of a serial console; resets : restarts of its clock
    frames : of every sort; error_frames and remote_frames are among them
    out_of_order : frames stamped earlier than the frame before them
    stamps_repaired : single stamps far from all their neighbours, set to the stamp before
    lost : frames the logger itself says it dropped
    restarts : of a console's clock, from the last sample before to the first one after, as far as it shows
    time_steps, gaps : steps of the logger's clock, and stretches without a frame
    notes : what the user should know of how the log was read; assumptions : those notes without which its times or
    columns would be unknown, so that every command shows them; time_doubts : units of time that cannot be right
    """

    files: tuple[str, ...] = ()
    lines: int = 0
    lines_bad: int = 0
    other: int = 0
    sample_lines: int = 0
    frames: int = 0
    error_frames: int = 0
    remote_frames: int = 0
    out_of_order: int = 0
    stamps_repaired: int = 0
    lost: int = 0
    resets: int = 0
    restarts: tuple[Gap, ...] = ()
    time_steps: tuple[TimeStep, ...] = ()
    gaps: tuple[Gap, ...] = ()
    bad: tuple[BadLine, ...] = ()
    notes: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    time_doubts: tuple[TimeDoubt, ...] = ()

    @property
    def remarks(self) -> tuple[str, ...]:
        """The notes, after what is in doubt."""
        return (*(doubt.sentence() for doubt in self.time_doubts), *self.notes)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What every command that reads a log must show on the terminal: what is in doubt, and what was assumed."""
        return (*(doubt.sentence() for doubt in self.time_doubts), *self.assumptions)

    def __add__(self, more: Account) -> Account:
        return replace(
            self,
            files=tuple(dict.fromkeys(self.files + more.files)),
            bad=(self.bad + more.bad)[:MAX_BAD_LINES_NAMED],
            notes=tuple(dict.fromkeys(self.notes + more.notes)),
            assumptions=tuple(dict.fromkeys(self.assumptions + more.assumptions)),
            time_doubts=self.time_doubts + more.time_doubts,
            restarts=self.restarts + more.restarts,
            time_steps=self.time_steps + more.time_steps,
            gaps=self.gaps + more.gaps,
            **{name: getattr(self, name) + getattr(more, name) for name in _COUNTS},
        )


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of a log: its frames, and the account of the same stretch."""

    frames: Frames
    account: Account = field(default_factory=Account)
