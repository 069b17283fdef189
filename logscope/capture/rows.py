"""From what a kernel filled to a block: frames, and the account of the same stretch of text."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple, TypedDict

import numpy as np
from numpy.typing import NDArray

from logscope.capture.compression import cut_note
from logscope.capture.frames import MAX_BAD_LINES_NAMED, Account, BadLine, Block, Flag, Frames
from logscope.capture.prefetch import prefetch_map
from logscope.capture.text import Bytes, TextBlock, text_blocks

EARLIEST = int(np.iinfo(np.int64).min)
_SPARE = 128  # bytes that a kernel may write after the last payload, before it sees that they are too many


class Columns(NamedTuple):
    """Room for the rows that a text can hold, as in frames.Frames, and for its first bad lines.

    bad_line : numbered from 0 in this text; bad_reason : index into the kernel's reasons
    """

    time_ns: NDArray[np.int64]
    bus: NDArray[np.uint8]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    offset: NDArray[np.int64]
    bad_line: NDArray[np.int64]
    bad_reason: NDArray[np.int64]


class FrameCounts(TypedDict):
    """The fields of an account that the frames themselves give."""

    frames: int
    error_frames: int
    remote_frames: int
    out_of_order: int


# frames, payload bytes, lines, other lines, bad lines, frames the logger says it lost
Counts = tuple[int, int, int, int, int, int]
# addresses of text and payload room; see candump_kernel.parse
Kernel = Callable[[int, int, Columns, int, int], Counts]


def blocks_of_text(
    path: Path,
    kernel: Kernel,
    min_line: int,
    reasons: Sequence[str],
    notes: tuple[str, ...] = (),
    first_bus: str | None = None,
    header_lines: int = 0,
) -> Iterator[Block]:
    """Run a kernel over a text log, block by block. Bad lines are counted, never raised.

    kernel : fills the columns and the table of bus names from a text, and returns the counts
    min_line : characters of the shortest line that can hold a frame
    notes : what the user should know of how the log is read
    first_bus : entered as bus 0, for kernels that find no bus in the text
    header_lines : lines at the start of the log that hold no frame
    """
    file = str(path)
    lines_before, previous_ns, whole = header_lines, EARLIEST, True
    if notes or header_lines:
        yield Block(no_frames(), Account(files=(file,), lines=header_lines, other=header_lines, notes=notes))
    try:
        for rows in prefetch_map(partial(_rows_of, kernel, min_line, first_bus), text_blocks(path, header_lines)):
            frames = rows.frames
            yield Block(frames, _account(file, rows, reasons, lines_before, previous_ns))
            lines_before += rows.counts[2]
            previous_ns = int(frames.time_ns[-1]) if len(frames) else previous_ns
            whole = rows.whole
    except EOFError:
        yield Block(no_frames(), Account(files=(file,), notes=(cut_note(path),)))
    if not whole:
        note = f"{path}: the last line has no line end: if the log was cut off, the last payload may be short"
        yield Block(no_frames(), Account(files=(file,), notes=(note,)))


class _Rows(NamedTuple):
    """What a kernel found in one block of text; bad_line and bad_reason as in `Columns`."""

    frames: Frames
    counts: Counts
    bad_line: NDArray[np.int64]
    bad_reason: NDArray[np.int64]
    whole: bool


def _rows_of(kernel: Kernel, min_line: int, first_bus: str | None, text: TextBlock) -> _Rows:
    """Run the kernel over one block. Each has a table of bus names of its own, so that blocks need not wait in turn."""
    from logscope.capture.text_kernel import BUS_ROW, MAX_BUSES

    buses = np.zeros((MAX_BUSES, BUS_ROW), np.uint8)
    if first_bus:
        name = first_bus.encode()
        buses[0, : len(name) + 1] = [len(name), *name]
    columns, payload = _room(text.size, min_line)
    counts = kernel(text.text.ctypes.data, text.size, columns, payload.ctypes.data, buses.ctypes.data)
    frames = _frames(columns, payload, counts, bus_names(buses))
    bad = min(counts[4], MAX_BAD_LINES_NAMED)
    return _Rows(frames, counts, columns.bad_line[:bad], columns.bad_reason[:bad], text.is_whole)


def _room(size: int, min_line: int) -> tuple[Columns, Bytes]:
    rows = size // min_line + 1
    columns = Columns(
        time_ns=np.empty(rows, np.int64),
        bus=np.empty(rows, np.uint8),
        identifier=np.empty(rows, np.uint32),
        flags=np.empty(rows, np.uint8),
        length=np.empty(rows, np.uint8),
        offset=np.empty(rows, np.int64),
        bad_line=np.zeros(MAX_BAD_LINES_NAMED, np.int64),
        bad_reason=np.zeros(MAX_BAD_LINES_NAMED, np.int64),
    )
    return columns, np.empty(size // 2 + _SPARE, np.uint8)


def _frames(columns: Columns, payload: Bytes, counts: Counts, buses: tuple[str, ...]) -> Frames:
    rows, used = counts[:2]
    return Frames(
        time_ns=columns.time_ns[:rows].copy(),
        bus=columns.bus[:rows].copy(),
        identifier=columns.identifier[:rows].copy(),
        flags=columns.flags[:rows].copy(),
        length=columns.length[:rows].copy(),
        offset=columns.offset[:rows].copy(),
        payload=payload[:used].copy(),
        buses=buses,
    )


def _account(file: str, rows: _Rows, reasons: Sequence[str], lines_before: int, previous_ns: int) -> Account:
    _, _, lines, other, bad, lost = rows.counts
    named = zip(rows.bad_line, rows.bad_reason, strict=True)
    return Account(
        files=(file,),
        lines=lines,
        lines_bad=bad,
        other=other,
        lost=lost,
        bad=tuple(BadLine(file, lines_before + int(line) + 1, reasons[int(reason)]) for line, reason in named),
        **counts_of(rows.frames, previous_ns),
    )


def counts_of(frames: Frames, previous_ns: int = EARLIEST) -> FrameCounts:
    """The fields of an account that the frames themselves give; `previous_ns` is the stamp before them."""
    time_ns = frames.time_ns
    backwards = int(np.count_nonzero(np.diff(time_ns) < 0)) + int(time_ns.size > 0 and time_ns[0] < previous_ns)
    return {
        "frames": len(frames),
        "error_frames": int(np.count_nonzero(frames.flags & Flag.ERROR)),
        "remote_frames": int(np.count_nonzero(frames.flags & Flag.REMOTE)),
        "out_of_order": backwards,
    }


def bus_names(table: Bytes) -> tuple[str, ...]:
    """The table of bus names, rows of a length and a name, as texts."""
    return tuple(row[1 : 1 + row[0]].tobytes().decode("utf-8", "replace") for row in table if row[0])


def no_frames() -> Frames:
    """A table of frames without rows."""
    none, byte = np.empty(0, np.int64), np.empty(0, np.uint8)
    return Frames(none, byte, np.empty(0, np.uint32), byte, byte, none, byte, ())


def concatenate(tables: Sequence[Frames]) -> Frames:
    """Several tables of frames as one, with one table of bus names."""
    tables = [table for table in tables if len(table)]
    buses = tuple(dict.fromkeys(name for table in tables for name in table.buses))
    index = {name: k for k, name in enumerate(buses)}
    starts = np.cumsum([0, *(table.payload.size for table in tables)])

    def joined(name: str, dtype: type) -> np.ndarray:
        return np.concatenate([getattr(table, name) for table in tables] or [np.empty(0, dtype)])

    renumbered = [np.array([index[name] for name in table.buses], np.uint8)[table.bus] for table in tables]
    moved = [table.offset + start for table, start in zip(tables, starts, strict=False)]
    return Frames(
        time_ns=joined("time_ns", np.int64),
        bus=np.concatenate(renumbered or [np.empty(0, np.uint8)]),
        identifier=joined("identifier", np.uint32),
        flags=joined("flags", np.uint8),
        length=joined("length", np.uint8),
        offset=np.concatenate(moved or [np.empty(0, np.int64)]),
        payload=joined("payload", np.uint8),
        buses=buses,
    )
