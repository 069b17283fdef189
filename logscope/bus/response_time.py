"""How long a message may wait for the bus at worst.

Davis, Burns, Bril and Lukkien, Controller Area Network (CAN) schedulability analysis: refuted, revisited and revised,
Real-Time Systems 35 (2007) 239-272: the busy period of a priority level, and the response of each instance of the
message within it. A frame on the wire is not interrupted, so the longest frame of lower priority blocks once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

_MOST_ROUNDS = 10_000  # of a fixed point, which grows with each: a bus so nearly full has no bound worth a name


@dataclass(frozen=True, slots=True)
class Sent:
    """A message as its sender queues it, in whole nanoseconds, which add up without rounding.

    frame_ns : the longest that its frame is on the wire; period_ns : shortest time between two of it
    jitter_ns : by which the sender may be late in queueing it
    """

    frame_ns: int
    period_ns: int
    jitter_ns: int = 0


def response_bounds(messages: Sequence[Sent], bit_ns: int) -> list[int | None]:
    """The longest time from when a message is due to its end on the wire [ns], for each; None where there is no bound.

    messages : from the highest priority to the lowest; bit_ns : time of a bit
    """
    return [_bound(messages[:k], me, messages[k + 1 :], bit_ns) for k, me in enumerate(messages)]


def _bound(above: Sequence[Sent], me: Sent, below: Sequence[Sent], bit_ns: int) -> int | None:
    if sum(each.frame_ns / each.period_ns for each in (*above, me)) >= 1.0:
        return None
    blocking = max((each.frame_ns for each in below), default=0)

    def busy_after(time_ns: int) -> int:
        return blocking + sum(_due(time_ns + each.jitter_ns, each) * each.frame_ns for each in (*above, me))

    busy = _fixed_point(busy_after, me.frame_ns)
    if busy is None:
        return None
    worst = 0
    for instance in range(_due(busy + me.jitter_ns, me)):
        own = blocking + instance * me.frame_ns

        def wait_after(time_ns: int, own: int = own) -> int:
            return own + sum(_due(time_ns + each.jitter_ns + bit_ns, each) * each.frame_ns for each in above)

        wait = _fixed_point(wait_after, own)
        if wait is None:
            return None
        worst = max(worst, me.jitter_ns + wait - instance * me.period_ns + me.frame_ns)
    return worst


def _due(time_ns: int, message: Sent) -> int:
    """How many of a message are queued within a time at most: the time over the period, rounded up."""
    return -(-time_ns // message.period_ns)


def _fixed_point(after: Callable[[int], int], start: int) -> int | None:
    now = start
    for _ in range(_MOST_ROUNDS):
        following = after(now)
        if following == now:
            return now
        now = following
    return None
