"""Frames whose checksum fails, by the algorithm that all others keep to; no definition is needed.

The CRC of CAN itself lets no damaged frame pass, so such a frame left its sender as it is: a fault in its software, or
another sender. What a controller sends while it starts is left out, and payloads that are all zeros or all ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logscope.bus.facts import MessageFacts
from logscope.payload.checksums import find_checksums
from logscope.payload.counters import find_counters

_COUNTS = 0.95  # of steps that fit: the upper half of a sum follows a counter that is summed up, less well than that
_SEARCHED = 512  # frames in which it is searched: enough for certainty, and the search takes its time
_FEWEST_CHECKED = 300  # frames sampled, for a checksum that fails now and then
_FEWEST_WRONG, _MOST_WRONG = 3, 0.05  # frames, and share of them: beyond, it is not this checksum
_STARTING_NS = 2_000_000_000  # a controller that starts sends values before its checksums


@dataclass(frozen=True, slots=True, eq=False)
class FailingChecksum:
    """algorithm : by its name; wrong_ns : stamps of frames in which it fails; checked : frames that were sampled."""

    algorithm: str
    wrong_ns: NDArray[np.int64]
    checked: int


def failing_checksums(message: MessageFacts) -> list[FailingChecksum]:
    """The checksums of an identifier that hold in nearly all of its frames, not in all."""
    if message.shortest != message.longest or message.remotes or message.stamps_ns.size < _FEWEST_CHECKED:
        return []
    rows = message.payloads[:, : min(message.longest, message.payloads.shape[1])]
    settled = message.stamps_ns - message.first_ns > _STARTING_NS
    found = []
    shown = rows[:_SEARCHED]
    counters = [counter for counter in find_counters(shown) if counter.share >= _COUNTS]
    for checksum in find_checksums(shown, counters):
        wrong = ~checksum.holds(rows) & settled & rows.any(axis=1) & (rows != 0xFF).any(axis=1)
        if _FEWEST_WRONG <= np.count_nonzero(wrong) <= _MOST_WRONG * len(rows):
            found.append(FailingChecksum(checksum.algorithm, message.stamps_ns[wrong], len(rows)))
    return found
