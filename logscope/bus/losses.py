"""Messages that are missing by their counters: lost by the logger, or by their sender.

A message is missing where its counter steps over a value and the time from frame to frame is longer by as many periods.
A counter that jumps while no time is missing counts something else. What a logger loses hits identifiers of several
senders: at one moment where its buffer overflows, or all of them at like rates where it drops frames at random.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.bus.facts import BusFacts, MessageFacts, Skip

_MOST_SKIPPING = 0.2  # of frames: beyond, the counter does not count messages
_OFF_PERIODS = 0.5  # by which time and counter may disagree: rounding to whole messages
_MOST_ABSENT = 10  # messages in a row; more is an absence, which is judged by itself
_TOGETHER_NS = 100_000_000  # a buffer that overflows loses the frames of less than a tenth of a second
_SEVERAL = 3  # identifiers that lose frames at one moment
_WIDELY = 0.6  # of the identifiers with a counter that lose frames: then it is no matter of one sender
_FEWEST_KNOWN = 3  # identifiers with a counter, for shares among them to mean anything


@dataclass(frozen=True, slots=True, eq=False)
class MissingMessages:
    """Messages of one identifier that are missing; moments as (before, after) [ns]; count : of messages."""

    message: MessageFacts
    moments: tuple[tuple[int, int], ...]
    count: int

    @property
    def share(self) -> float:
        """Of all messages that were sent."""
        return self.count / (self.count + self.message.count)


@dataclass(frozen=True, slots=True, eq=False)
class Losses:
    """What is missing on a bus.

    by_logger : what was lost of several senders alike; by_sender : of single identifiers
    known : identifiers whose counter would show it; lost_share : of their messages, by the logger
    comparable : whether these are enough to show that the others are complete
    """

    by_logger: tuple[MissingMessages, ...]
    by_sender: tuple[MissingMessages, ...]
    known: int
    lost_share: float

    @property
    def comparable(self) -> bool:
        """Whether what is missing of a single identifier can be laid to its sender."""
        return self.known >= _FEWEST_KNOWN


def losses(bus: BusFacts) -> Losses:
    """The missing messages of a bus."""
    known = [message for message in bus.messages if _counts_messages(message)]
    missing = {id(message): _missing(message) for message in known}
    all_moments = [(skip.before_ns, skip.after_ns, k) for k, m in enumerate(known) for skip, _ in missing[id(m)]]
    shared = _shared(all_moments)
    losing = sum(bool(each) for each in missing.values())
    widely = len(known) >= _FEWEST_KNOWN and losing >= _WIDELY * len(known)
    by_logger: list[MissingMessages] = []
    by_sender: list[MissingMessages] = []
    for k, message in enumerate(known):
        parts: tuple[list[tuple[Skip, int]], list[tuple[Skip, int]]] = ([], [])
        for skip, count in missing[id(message)]:
            parts[0 if widely or (skip.before_ns, skip.after_ns, k) in shared else 1].append((skip, count))
        for found, into in zip(parts, (by_logger, by_sender), strict=True):
            if found:
                moments = tuple((skip.before_ns, skip.after_ns) for skip, _ in found)
                into.append(MissingMessages(message, moments, sum(count for _, count in found)))
    sent = sum(message.count for message in known)
    lost = sum(each.count for each in by_logger)
    return Losses(tuple(by_logger), tuple(by_sender), len(known), lost / (sent + lost) if sent else 0.0)


def _counts_messages(message: MessageFacts) -> bool:
    counter = message.counter
    return counter is not None and message.learnt_ns > 0 and counter.skips <= _MOST_SKIPPING * message.count


def _missing(message: MessageFacts) -> list[tuple[Skip, int]]:
    """The skips at which time is missing too, and how many messages."""
    counter = message.counter
    if counter is None:
        return []
    found = []
    for skip in counter.listed:
        missing = (skip.after_ns - skip.before_ns) / message.learnt_ns - 1.0
        count = round(missing)
        agree = abs(missing - count) <= _OFF_PERIODS and (count - skip.missing) % counter.span == 0
        if 1 <= count <= _MOST_ABSENT and agree:
            found.append((skip, count))
    return found


def _shared(moments: Sequence[tuple[int, int, int]]) -> set[tuple[int, int, int]]:
    """The moments at which several identifiers lost messages."""
    ordered = sorted(moments)
    starts = np.array([start for start, _, _ in ordered], np.int64)
    shared: set[tuple[int, int, int]] = set()
    for k, start in enumerate(starts.tolist()):
        near = ordered[k : int(np.searchsorted(starts, start + _TOGETHER_NS, side="right"))]
        if len({which for _, _, which in near}) >= _SEVERAL:
            shared.update(near)
    return shared
