"""Content that stands still while its counter runs: the sender's software is alive, what it measures is not.

A value that rests is no fault: a vehicle that stands, a fan that is off. So content counts as frozen only where noise
or use kept it changing at all other times at which the vehicle was in use, and where it then stays the same for more
frames than chance allows.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from logscope.arrays import BoolArray
from logscope.bus.facts import MessageFacts, Still

_SHORTEST_NS = 1_000_000_000  # shorter ones are a sensor that is slower than its message (practice)
_CHUNK = 32  # frames, of which the share that brings something new is taken
_FEWEST_CHUNKS = 4
_LEAST_MOVING = 0.2  # of the frames of every other chunk: content that rests longer now and then shows nothing
_CHANCE = 1e-9  # of so many frames without a change, were each as likely to change as in the calmest other chunk
_MOST_SKIPPING = 0.02  # of frames, by which a counter may skip or repeat and still count messages

InUse = Callable[[int, int], bool]  # whether the vehicle was in use all through a span [ns]


def frozen_stretches(message: MessageFacts, in_use: InUse) -> list[Still]:
    """The stretches in which a message's content was frozen; in_use : must not rest on this message itself."""
    counter = message.counter
    if counter is None or counter.skips + counter.repeats > _MOST_SKIPPING * message.count:
        return []
    long = [each for each in message.stills if each.end_ns - each.start_ns >= _SHORTEST_NS]
    suspects = [each for each in long if in_use(each.start_ns, each.end_ns)]
    if not suspects:
        return []
    shares = [
        float(np.mean(moved))
        for start_ns, end_ns, moved in _chunks(message)
        if not any(start_ns < each.end_ns and each.start_ns < end_ns for each in suspects) and in_use(start_ns, end_ns)
    ]
    if len(shares) < _FEWEST_CHUNKS or min(shares) < _LEAST_MOVING:
        return []
    return [each for each in suspects if (1.0 - min(shares)) ** each.frames < _CHANCE]


def _chunks(message: MessageFacts) -> list[tuple[int, int, BoolArray]]:
    """Runs of consecutive frames that were kept: first and last stamp, and which of them brought something new."""
    size = min(len(message.content), message.payloads.shape[1])
    mask = np.array(message.content[:size], np.uint8)
    found = []
    for window in np.unique(message.window):
        rows = np.flatnonzero(message.window == window)
        for first in range(0, rows.size - _CHUNK, _CHUNK):
            at = rows[first : first + _CHUNK + 1]
            payloads = message.payloads[at, :size]
            moved = np.asarray(((payloads[1:] ^ payloads[:-1]) & mask).any(axis=1))
            found.append((int(message.stamps_ns[at[0]]), int(message.stamps_ns[at[-1]]), moved))
    return found
