"""What a log could not show of dropouts: those in stretches that are missing, and those shorter than its sampling."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.checks.contactors.drop import load_part
from logscope.checks.contactors.switching_history import CONTACTORS, SwitchingHistory
from logscope.signals import Part
from logscope.statistics.sampling import missing_s

# A controller that reports its contactors at all does so ten times a second, somewhat unevenly; a contactor that a
# knock or a weak coil supply opens stays open for 10 to 100 ms (both common practice, no published source).
COARSEST_S = 0.15
WANTED_S = 0.01  # at which the shortest of them show
MOST_MISSING = 0.1  # of the time watched: more, and "no dropout" speaks of another drive than this one


@dataclass(frozen=True, slots=True)
class Blind:
    """What no state and no voltage shows of the time from the first closing to the last opening.

    watched_s : that time; missing_s : how much of it lies in gaps
    shortest_s : a dropout shorter than this need not show; shown_by : the part that shows the shortest
    """

    watched_s: float
    missing_s: float
    shortest_s: float
    shown_by: str

    @property
    def too_much(self) -> bool:
        """Whether too little is seen to call the contactors sound."""
        return self.shortest_s > COARSEST_S or self.missing_s > MOST_MISSING * self.watched_s


def blind_to(history: SwitchingHistory) -> Blind:
    """What the log cannot show of dropouts, where at least one contactor's state switches.

    The states show every dropout; the link shows those under load, which is where they do harm, so the better of the
    two counts.
    """
    since_s, until_s = _closed(history)
    states = [history.signals[name] for name in CONTACTORS if name in history.switched]
    ways = [tuple(states)]
    link = history.link
    if link is not None and link.full_v is not None and link.part.time_s.size > 1 and load_part(history) is not None:
        ways.append((link.part,))
    lost_s = min(max(missing_s(part.time_s, since_s, until_s) for part in way) for way in ways)
    slowest = [max(way, key=_apart_s) for way in ways]
    finest = min(slowest, key=_apart_s)
    return Blind(until_s - since_s, lost_s, _apart_s(finest), finest.name)


def _apart_s(part: Part) -> float:
    """How far apart in time the new values of a part come [s]."""
    return max(part.period_s, part.spacing_s)


def _closed(history: SwitchingHistory) -> tuple[float, float]:
    """From the first closing, or the log's begin, to the last opening, or its end [s]."""
    changes = sorted((s for name in CONTACTORS for s in history.switched.get(name, [])), key=lambda s: s.time_s)
    first, last = changes[0], changes[-1]
    since_s = first.time_s if first.on else float(history.signals[first.part].time_s[0])
    return since_s, max(history.signals.end_s if last.on else last.low_s, since_s)
