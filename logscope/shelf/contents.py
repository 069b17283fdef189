"""What a log holds, whatever file format it is in: its identifiers, and a digest of its first frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from logscope.capture.frames import Block, Frames

# Of the digest: seconds of a bus with all its counters and noise. Logs that share so many and are equally long are one.
_FRAMES = 10_000
_FEWEST_PAYLOADS = 100  # different ones: where next to nothing moves, logs of two moments are the same, too


@dataclass(slots=True)
class Contents:
    """Gathered while the blocks of a log pass.

    identifiers : of its data frames; digest : of the first of them, without their stamps, for formats round these
        differently, and without the names of the buses; empty where they are too few and alike to distinguish logs
    """

    identifiers: set[int] = field(default_factory=set)
    _kept: list[tuple[bytes, bytes, bytes]] = field(default_factory=list)
    _payloads: set[bytes] = field(default_factory=set)
    _frames: int = 0

    def watched(self, blocks: Iterable[Block]) -> Iterator[Block]:
        """The same blocks."""
        for block in blocks:
            self._take(block.frames)
            yield block

    def _take(self, frames: Frames) -> None:
        from logscope.capture.frames import Flag

        rows = np.flatnonzero((frames.flags & (Flag.REMOTE | Flag.ERROR)) == 0)
        self.identifiers.update(np.unique(frames.identifier[rows]).tolist())
        rows = rows[: _FRAMES - self._frames]
        if rows.size:
            self._frames += rows.size
            payloads = [frames.data(int(row)) for row in rows]
            self._payloads.update(payloads)
            self._kept.append((frames.identifier[rows].tobytes(), frames.length[rows].tobytes(), b"".join(payloads)))

    @property
    def digest(self) -> str:
        """The same for the same frames, however they were cut into blocks."""
        if len(self._payloads) < _FEWEST_PAYLOADS:
            return ""
        whole = sha256(b"\0".join(b"".join(column) for column in zip(*self._kept, strict=True)))
        return whole.hexdigest()[:24]
