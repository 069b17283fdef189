"""What a log could not show of dropouts: those in stretches that are missing, and those shorter than its sampling.

A state may be the controller's command, which a contactor that drops out by itself does not change; no log shows
whether it is. The link voltage shows a dropout whatever the states are, but under load alone: without load nothing
drains the capacitor.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np

from logscope.checks.contactors.drop import load_part
from logscope.checks.contactors.switching_history import CONTACTORS, SwitchingHistory, load_level
from logscope.signals import Part
from logscope.statistics.sampling import missing_s, shortest_sampled_s

# A controller that reports its contactors at all does so ten times a second, somewhat unevenly; a contactor that a
# knock or a weak coil supply opens stays open for 10 to 100 ms (both common practice, no published source).
COARSEST_S = 0.15
WANTED_S = 0.01  # at which the shortest of them show
MOST_MISSING = 0.1  # of the time watched: more, and "no dropout" speaks of another drive than this one


class Shown(Enum):
    """What would show a dropout that the controller did not command."""

    LINK = "the link voltage, under load"
    UNLOADED = "nothing, for no load current flowed"
    CURRENT_UNKNOWN = "nothing, for no current is logged"
    STATES_ALONE = "nothing, for no link voltage is logged"


@dataclass(frozen=True, slots=True)
class Blind:
    """What the log does not show of the time from the first closing to the last opening.

    shown : what would show a dropout; watched_s : that time; missing_s : how much of it lies in gaps
    apart_s : how far apart the readings come, of the link where it shows dropouts, else of the states
    """

    shown: Shown
    watched_s: float
    missing_s: float
    apart_s: float

    @property
    def shortest_s(self) -> float | None:
        """The shortest dropout under load that would have been seen [s]; None where none would."""
        return self.apart_s if self.shown is Shown.LINK else None

    @property
    def too_much(self) -> bool:
        """Whether too little is seen to call the contactors sound."""
        missing = self.missing_s > MOST_MISSING * self.watched_s
        return self.shown is Shown.STATES_ALONE or self.apart_s > COARSEST_S or missing


def blind_to(history: SwitchingHistory) -> Blind:
    """What the log cannot show of dropouts, where at least one contactor's state switches."""
    since_s, until_s = _closed(history)
    shown = _shown(history, since_s, until_s)
    if shown is Shown.LINK:
        parts = [history.signals["dc_link_voltage"]]
    else:
        parts = [history.signals[name] for name in CONTACTORS if name in history.switched]
    lost_s = max(missing_s(part.time_s, since_s, until_s) for part in parts)
    return Blind(shown, until_s - since_s, lost_s, max(_apart_s(part) for part in parts))


def _shown(history: SwitchingHistory, since_s: float, until_s: float) -> Shown:
    link, current = history.link, load_part(history)
    if link is None or link.full_v is None or link.part.time_s.size < 2:
        return Shown.STATES_ALONE
    if current is None or not current.value.size:
        return Shown.CURRENT_UNKNOWN
    amps = np.abs(current.value[current.between(since_s, until_s)])
    return Shown.LINK if np.any(amps > load_level(current)) else Shown.UNLOADED


def _apart_s(part: Part) -> float:
    """How far apart in time the new values of a part come [s]."""
    return max(part.period_s, part.spacing_s, shortest_sampled_s(part.time_s))


def _closed(history: SwitchingHistory) -> tuple[float, float]:
    """From the first closing, or the log's begin, to the last opening, or its end [s]."""
    changes = sorted((s for name in CONTACTORS for s in history.switched.get(name, [])), key=lambda s: s.time_s)
    first, last = changes[0], changes[-1]
    since_s = first.time_s if first.on else float(history.signals[first.part].time_s[0])
    return since_s, max(history.signals.end_s if last.on else last.low_s, since_s)
