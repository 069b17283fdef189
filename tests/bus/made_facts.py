"""Facts of messages and buses as they would be gathered, made by hand: no frame has to be read for them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from logscope.bus.facts import BusFacts, CounterFacts, ErrorFrames, MessageFacts, Silence, Skip

MS = 1_000_000
S = 1_000_000_000


def silence(start_ms: float, end_ms: float, others: int = 0) -> Silence:
    """A stretch without a frame."""
    return Silence(round(start_ms * MS), round(end_ms * MS), others)


def skip(before_ms: float, after_ms: float, missing: int, value: int = 5) -> Skip:
    """A step of a counter over `missing` values."""
    return Skip(round(before_ms * MS), round(after_ms * MS), missing, 0, value)


def counter(*listed: Skip, span: int = 16, skips: int | None = None, repeats: int = 0) -> CounterFacts:
    """A counter of four bits; skips : where more happened than are listed."""
    missing = sum(each.missing for each in listed)
    return CounterFacts(0, 4, False, span, len(listed) if skips is None else skips, missing, repeats, listed)


def message(identifier: int = 0x100, period_ms: float = 10.0, count: int = 1000, **facts: Any) -> MessageFacts:
    """An identifier that is sent every `period_ms` from zero on; what else is known of it by name."""
    stamps = np.round(np.arange(min(count, 200)) * period_ms * MS).astype(np.int64)
    known: dict[str, Any] = {
        "bus": "can0", "identifier": identifier, "extended": False, "count": count, "requests": 0, "sent": 0,
        "remotes": 0, "first_ns": 0, "last_ns": round((count - 1) * period_ms * MS), "shortest": 8, "longest": 8,
        "changing": (True,) * 8, "silences": (), "stamps_ns": stamps, "sizes": np.full(stamps.size, 8, np.uint8),
        "payloads": np.zeros((stamps.size, 8), np.uint8), "window": np.zeros(stamps.size, np.int64),
        "learnt_ns": round(period_ms * MS), "counter": None,
    }  # fmt: skip
    known |= facts
    if "stamps_ns" in facts and "window" not in facts:
        known["window"] = np.zeros(known["stamps_ns"].size, np.int64)
    return MessageFacts(**known)


def bus(messages: Sequence[MessageFacts], **facts: Any) -> BusFacts:
    """A bus with these messages and nothing else."""
    known: dict[str, Any] = {
        "name": "can0", "frames": sum(each.count for each in messages), "remotes": 0, "requests": 0, "first_ns": 0,
        "last_ns": max((each.last_ns for each in messages), default=0), "bits": 0, "fast_bits": 0, "switched": 0,
        "busiest_bits": 0, "busiest_ns": 0, "silences": (), "spacing_ns": np.empty(0, np.int64),
        "spacing_bits": np.empty((0, 2), np.int64), "errors": ErrorFrames(), "messages": tuple(messages),
    }  # fmt: skip
    return BusFacts(**(known | facts))
