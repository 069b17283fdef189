"""A sign: what a finding can show of a cause."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.diagnosis.signs.shown import Shown

# A finding that stands by itself: one that no cause of the graph shows, or a check that is wrong.
SELDOM_ALONE = 0.001
# What a drive shows as well without a fault: a limit stated near what is usual, a rough press of the pedal.
OFTEN_ALONE = 0.02
# A trip that its check puts down to nothing, or a fault by its code alone: anything may be its cause.
ANY_ORIGIN = 0.1


@dataclass(frozen=True, slots=True)
class Sign:
    """What a finding can show.

    name : in the graph; seen, absent : in words, as evidence for and against a cause
    shown : when a finding shows it; absent where it was looked for and no finding does
    alone : how often a log shows it without any of the causes (practice)
    parts : without these in the log it cannot have been looked for
    """

    name: str
    seen: str
    absent: str
    shown: Shown
    alone: float = SELDOM_ALONE
    parts: tuple[str, ...] = ()
