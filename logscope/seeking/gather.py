"""The frames of a log, gathered by bus, identifier and length: what is known of each payload without a definition."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import BoolArray, FloatArray
from logscope.bus.echoes import Echoes
from logscope.capture.frames import Block, Flag, Frames
from logscope.payload.fields import Bytes

_NOT_DATA = int(Flag.ERROR | Flag.REMOTE)
_EXTENDED = int(Flag.EXTENDED)


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """Which frames: those of one identifier on one bus with payloads of one length [bytes]."""

    bus: str
    identifier: int
    extended: bool
    length: int

    @property
    def name(self) -> str:
        """As it is written in tables: can0 0x1A0."""
        return f"{self.bus} 0x{self.identifier:0{8 if self.extended else 3}X}"


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """All frames of one key: seconds from the capture's start, ascending, shape (n,), and payloads, (n, length)."""

    key: Key
    time_s: FloatArray
    rows: Bytes

    def __len__(self) -> int:
        return len(self.rows)


def gather(blocks: Iterable[Block]) -> tuple[dict[Key, Stream], int]:
    """The frames of a log by key, and the capture's first stamp [ns].

    A frame takes 8 bytes and its payload; besides the parts only one key's frames are held twice at a time.
    """
    times: dict[Key, list[NDArray[np.int64]]] = {}
    payloads: dict[Key, list[Bytes]] = {}
    start_ns: int | None = None
    echoes = Echoes()
    for block in blocks:
        frames = block.frames
        if not len(frames):
            continue
        first = int(frames.time_ns.min())
        start_ns = first if start_ns is None else min(start_ns, first)
        for key, at in _groups(frames, echoes.of(frames)):
            times.setdefault(key, []).append(frames.time_ns[at])
            payloads.setdefault(key, []).append(_payloads(frames, at, key.length))
    found = {}
    for key in sorted(times):
        time_ns, rows = np.concatenate(times.pop(key)), np.concatenate(payloads.pop(key))
        if np.any(time_ns[1:] < time_ns[:-1]):
            order = np.argsort(time_ns, kind="stable")
            time_ns, rows = time_ns[order], rows[order]
        found[key] = Stream(key, (time_ns - (start_ns or 0)) / 1e9, rows)
    return found, start_ns or 0


def _groups(frames: Frames, echo: BoolArray) -> Iterable[tuple[Key, NDArray[np.intp]]]:
    """The rows of a block by key, in the order of the log; without echoes, which are in the log already."""
    code = (
        frames.bus.astype(np.int64) << 40
        | (frames.flags & np.uint8(_EXTENDED)).astype(np.int64) << 39
        | frames.length.astype(np.int64) << 30
        | frames.identifier
    )
    code[(frames.flags & np.uint8(_NOT_DATA)) != 0] = -1
    code[echo | (frames.length == 0)] = -1
    order = np.argsort(code, kind="stable")
    sorted_code = code[order]
    edges = np.flatnonzero(np.diff(sorted_code)) + 1
    for at in np.split(order, edges):
        value = int(code[at[0]]) if at.size else -1
        if value >= 0:
            extended = bool(value >> 39 & 1)
            identifier = value & (0x1FFFFFFF if extended else 0x7FF)
            yield Key(frames.buses[value >> 40], identifier, extended, value >> 30 & 0xFF), at


def _payloads(frames: Frames, at: NDArray[np.intp], length: int) -> Bytes:
    return np.asarray(frames.payload[frames.offset[at][:, None] + np.arange(length)])
