"""Messages whose spacing varies by more than the wait for the bus can explain: their sender queues them unevenly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.bus.facts import BusFacts
from logscope.bus.waits import Wait, longest_waits

_LOGGER_SHARE = 0.25  # of the messages vary no more than the logger's own stamps and the wait for the bus make them
_FEWEST_MESSAGES = 6  # cyclic ones, to show how much that is
_LEAST_PERIODS = 0.5  # of the period: less is of no matter to a receiver with a time-out of some periods (practice)
_FEWEST_INTERVALS = 100


@dataclass(frozen=True, slots=True)
class Uneven:
    """wait : the message, its period and its longest wait; logger_s : by which the calmest quarter of messages vary."""

    wait: Wait
    logger_s: float


def uneven_messages(bus: BusFacts, bit_rate: int) -> list[Uneven]:
    """The cyclic messages that their sender queues unevenly, the worst first; bit_rate [bit/s]."""
    waits = [each for each in longest_waits(bus, bit_rate) if each.message.intervals_s.size >= _FEWEST_INTERVALS]
    if len(waits) < _FEWEST_MESSAGES:
        return []
    logger_s = float(np.quantile([each.seen_s for each in waits], _LOGGER_SHARE))
    found = [
        Uneven(each, logger_s)
        for each in waits
        if each.worst_s is not None
        and each.seen_s > each.worst_s + logger_s
        and each.seen_s > _LEAST_PERIODS * each.period_s
    ]
    return sorted(found, key=lambda each: -each.wait.seen_s / each.wait.period_s)
