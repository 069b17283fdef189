"""What a sign before a trip is."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.checks.trips.order import Moment

FINE_S = 0.025  # sampled more coarsely than this, what takes some tens of ms may hide between samples


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign. `seen` is None where the log cannot tell, and `words` then say why.

    name : 'speed', 'command', 'swings', 'link', 'level', 'slow', 'far' or 'goes_on'
    words : what was seen, or that it was not, or why it cannot be determined
    moment : when it set in, where it was seen
    """

    name: str
    seen: bool | None
    words: str
    moment: Moment | None = None
