"""Open logs by their content, whatever their names end in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from operator import add
from pathlib import Path

import numpy as np

from logscope.capture import candump, library
from logscope.capture.frames import Account, Block, Frames
from logscope.capture.text import head_of
from logscope.errors import LogError


@dataclass(frozen=True)
class Capture:
    """One or more logs in memory, as the blocks in which they were read."""

    blocks: tuple[Block, ...]

    @cached_property
    def account(self) -> Account:
        """What the logs held."""
        return reduce(add, (block.account for block in self.blocks), Account())

    @cached_property
    def frames(self) -> Frames:
        """All frames in the order of the logs."""
        return concatenate([block.frames for block in self.blocks])


def read(*paths: Path | str) -> Capture:
    """Read logs into memory. Raises LogError where one cannot be opened or is in no known format."""
    return Capture(tuple(read_blocks(paths)))


def read_blocks(paths: Sequence[Path | str]) -> Iterator[Block]:
    """The logs block by block, so that long ones need not fit into memory."""
    opened = [_open(Path(path)) for path in paths]  # each is looked at before the first is read
    for blocks in opened:
        yield from blocks


def _open(path: Path) -> Iterator[Block]:
    if path.is_dir():
        raise LogError("this is a folder, not a log", where=path, do="Name the log files in it.")
    head = head_of(path)
    if not head.strip():
        raise LogError("the log is empty", where=path, do="Check that the logger was recording.")
    if log_format := library.format_of(head):
        return library.blocks(path, log_format)
    if candump.sniff(head):
        return candump.blocks(path)
    known = ", ".join(log_format.name for log_format in library.FORMATS)
    raise LogError(
        "no known log format: the content fits none", where=path, do=f"Known are candump -L text, {known}; also as .gz."
    )


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
