"""How long each cyclic message of a bus may wait, calculated, beside how much its spacing varies in the log."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.bus.absences import cyclic_messages
from logscope.bus.facts import BusFacts, MessageFacts
from logscope.bus.response_time import Sent, response_bounds
from logscope.physics.can_timing import worst_fd_frame_bits, worst_frame_bits

_MOST_MESSAGES = 300  # the bound of each takes all before it; no bus has so many, a scan of addresses may
_CLASSIC_BYTES = 8


@dataclass(frozen=True, slots=True, eq=False)
class Wait:
    """A message's longest wait.

    seen_s : by which nine of ten of its intervals differ; worst_s : to its end on the wire, None without a bound
    """

    message: MessageFacts
    period_s: float
    seen_s: float
    worst_s: float | None


def longest_waits(bus: BusFacts, bit_rate: int) -> list[Wait]:
    """The longest wait of each cyclic message, from the highest priority to the lowest; bit_rate [bit/s].

    Empty where it cannot be calculated: the rate of a faster data phase is not logged, or there are too many messages.
    """
    if bus.switched or len(bus.messages) > _MOST_MESSAGES:
        return []
    paces = {id(message): pace for message, pace in cyclic_messages(bus)}
    ordered = sorted(bus.messages, key=lambda m: m.identifier << (0 if m.extended else 18))
    sent = []
    for message in ordered:
        span_s = max((message.last_ns - message.first_ns) / 1e9, 1.0)
        period_s = pace.typical_s if (pace := paces.get(id(message))) else span_s / message.count
        sent.append(Sent(round(_most_bits(message) * 1e9 / bit_rate), max(round(period_s * 1e9), 1)))
    return [
        Wait(message, pace.typical_s, pace.high_s - pace.low_s, None if worst is None else worst / 1e9)
        for message, worst in zip(ordered, response_bounds(sent, round(1e9 / bit_rate)), strict=True)
        if (pace := paces.get(id(message))) is not None
    ]


def _most_bits(message: MessageFacts) -> int:
    if message.fd:
        return worst_fd_frame_bits(message.longest, extended=message.extended)
    return worst_frame_bits(min(message.longest, _CLASSIC_BYTES), extended=message.extended)
