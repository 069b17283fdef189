"""candump -L text: the fast path."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from logscope.capture.frames import MAX_BAD_LINES_NAMED, Account, BadLine, Block, Flag, Frames
from logscope.capture.text import Bytes, line_blocks

_LINE = re.compile(rb"^[ \t]*\(\d+\.\d+\)[ \t]+\S+[ \t]+[0-9A-Fa-f]{1,8}#", re.MULTILINE)


def sniff(head: bytes) -> bool:
    """Whether any line of the first bytes of a log is a candump -L frame."""
    return _LINE.search(head) is not None


def blocks(path: Path) -> Iterator[Block]:
    """Frames and account of a candump -L log, in blocks. Bad lines are counted, never raised."""
    from logscope.capture import candump_kernel as kernel

    names = np.zeros((kernel.MAX_BUSES, kernel.MAX_BUS_NAME), np.uint8)
    name_lengths = np.zeros(kernel.MAX_BUSES, np.int64)
    lines_before, previous_ns = 0, np.iinfo(np.int64).min
    whole = True
    try:
        for text in line_blocks(path):
            whole = bool(text[-1] == 10)
            block = _parse_block(text, names, name_lengths, str(path), lines_before, previous_ns)
            lines_before += block.account.lines
            if len(block.frames):
                previous_ns = int(block.frames.time_ns[-1])
            yield block
    except EOFError:
        note = f"{path}: the compressed file is cut short or damaged; what comes before the damage was read"
        yield Block(_no_frames(), Account(files=(str(path),), notes=(note,)))
    if not whole:
        note = f"{path}: the last line has no line end; if the logger was cut off, its last payload may be short"
        yield Block(_no_frames(), Account(files=(str(path),), notes=(note,)))


def _parse_block(
    text: Bytes, names: Bytes, name_lengths: np.ndarray, file: str, lines_before: int, previous_ns: int
) -> Block:
    from logscope.capture import candump_kernel as kernel

    rows = text.size // kernel.MIN_LINE + 1
    time_ns, offset = np.empty(rows, np.int64), np.empty(rows, np.int64)
    bus, flags, length = np.empty(rows, np.uint8), np.empty(rows, np.uint8), np.empty(rows, np.uint8)
    identifier = np.empty(rows, np.uint32)
    payload = np.empty(text.size // 2 + 65, np.uint8)
    bad_line = np.zeros(MAX_BAD_LINES_NAMED, np.int64)
    bad_reason = np.zeros(MAX_BAD_LINES_NAMED, np.int64)
    frames, used, lines, other, bad, lost = kernel.parse(
        text, time_ns, bus, identifier, flags, length, offset, payload, names, name_lengths, bad_line, bad_reason
    )
    columns = Frames(
        time_ns=time_ns[:frames].copy(),
        bus=bus[:frames].copy(),
        identifier=identifier[:frames].copy(),
        flags=flags[:frames].copy(),
        length=length[:frames].copy(),
        offset=offset[:frames].copy(),
        payload=payload[:used].copy(),
        buses=_bus_names(names, name_lengths),
    )
    account = Account(
        files=(file,),
        lines=lines,
        lines_bad=bad,
        other=other,
        frames=frames,
        error_frames=int(np.count_nonzero(columns.flags & Flag.ERROR)),
        remote_frames=int(np.count_nonzero(columns.flags & Flag.REMOTE)),
        out_of_order=count_out_of_order(columns.time_ns, previous_ns),
        lost=lost,
        bad=tuple(
            BadLine(file, lines_before + int(line) + 1, kernel.REASONS[int(reason)])
            for line, reason in zip(bad_line[:bad], bad_reason[:bad], strict=True)
        ),
    )
    return Block(columns, account)


def _bus_names(names: Bytes, name_lengths: np.ndarray) -> tuple[str, ...]:
    return tuple(
        names[k, : int(size)].tobytes().decode("utf-8", "replace") for k, size in enumerate(name_lengths) if size
    )


def count_out_of_order(time_ns: np.ndarray, previous_ns: int) -> int:
    """How many stamps are earlier than the stamp before them."""
    if not time_ns.size:
        return 0
    return int(np.count_nonzero(np.diff(time_ns) < 0)) + int(time_ns[0] < previous_ns)


def _no_frames() -> Frames:
    none = np.empty(0, np.int64)
    byte = np.empty(0, np.uint8)
    return Frames(none, byte, np.empty(0, np.uint32), byte, byte, none, byte, ())
