"""Messages that their sender sent late: nothing is missing by the counter, and others came in time meanwhile.

A logger that stalls makes every message seem late, and one that loses frames leaves gaps. Both are left out: the
counter must advance by one, and other messages with a period as short must have come without a gap at that moment.
"""

from __future__ import annotations

from dataclasses import dataclass

from logscope.bus.absences import cyclic_messages
from logscope.bus.facts import BusFacts, MessageFacts, Silence
from logscope.bus.walk import LONGEST

_LATE_PERIODS = 2.5  # receivers give up after some 3 to 5 periods (practice); shorter is jitter
_SCATTER = 1.5  # times the slowest of its usual steps
_ABSENT_NS = 500_000_000  # longer, the sender was absent, which is judged by itself
_FEWEST_OTHERS = 2  # messages as fast that show that the logger did not stall
_AS_FAST = 1.5  # times its own period
_ALSO = 0.3  # of a late step, by which another message's silence may overlap with it at most


@dataclass(frozen=True, slots=True, eq=False)
class LateMessages:
    """The late steps of one message, of the longest that are kept; period_s : its usual one."""

    message: MessageFacts
    period_s: float
    steps: tuple[Silence, ...]

    @property
    def longest_s(self) -> float:
        """The longest time from one message to the next."""
        return max(each.length_ns for each in self.steps) / 1e9


def late_messages(bus: BusFacts) -> list[LateMessages]:
    """The messages that came late, each with its steps."""
    cyclic = cyclic_messages(bus)
    found = []
    for message, pace in cyclic:
        counter = message.counter
        if counter is None or not message.learnt_ns or counter.skips > len(counter.listed):
            continue
        limit = max(_LATE_PERIODS * message.learnt_ns, _SCATTER * pace.high_s * 1e9)
        skipped = {skip.before_ns for skip in counter.listed}
        late = [each for each in message.silences if limit < each.length_ns <= _ABSENT_NS]
        others = [
            other
            for other, of in cyclic
            if other is not message and of.typical_s <= _AS_FAST * pace.typical_s and other.count > message.count / 2
        ]
        steps = tuple(
            each
            for each in late
            if each.start_ns not in skipped
            and sum(_was_in_time(other, each) for other in others) >= _FEWEST_OTHERS
            and not any(_was_late(other, each) for other in others)
        )
        if steps:
            found.append(LateMessages(message, pace.typical_s, steps))
    return found


def _was_in_time(other: MessageFacts, step: Silence) -> bool:
    """Whether another message shows that it came all the while: its silences as long are all known, and elsewhere."""
    known = len(other.silences) < LONGEST or min(each.length_ns for each in other.silences) < step.length_ns / 2
    return known and other.first_ns <= step.start_ns and step.end_ns <= other.last_ns and not _was_late(other, step)


def _was_late(other: MessageFacts, step: Silence) -> bool:
    return any(
        min(each.end_ns, step.end_ns) - max(each.start_ns, step.start_ns) > _ALSO * step.length_ns
        and each.length_ns > step.length_ns / 2
        for each in other.silences
    )
