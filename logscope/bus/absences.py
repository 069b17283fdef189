"""Nodes that stop sending while others keep sending, and whether they started anew when they came back.

Messages of one node stop together: each sends its last frame within one period before the node falls silent. What all
messages of a bus do together is no node's matter (the bus sleeps, the logger pauses), and at the end of a log nodes go
to sleep one after the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

from logscope.bus.facts import BusFacts, MessageFacts
from logscope.bus.period import Pace, pace_of
from logscope.bus.walk import LONGEST

_FEWEST = 20  # frames, for a period to mean something
_SILENT_PERIODS = 10.0  # so many messages in a row are not lost by chance (common practice, no published source)
_SHORTEST_NS = 500_000_000  # supervision of cyclic messages gives up on a sender within half a second (common practice)
_REGULAR = 3.0  # a message whose steps reach so many times their median comes on events, not with a period
_LATE = 1.5  # periods, by which a node's last frames may differ: one period, and the jitter of a busy bus
_AGAIN_NS = 500_000_000  # a node that starts sends its slower messages within half a second of the first
_SLACK_NS = 10_000_000
_SHARED = 0.5  # of an absence: another message that is silent for so much of it was absent too
_KEPT_ON = 0.2  # of the other messages must have kept on, else it was the bus, or the logger
_ASLEEP = 0.5  # of all messages still sent at the end: where they are fewer, the bus was going to sleep
_BEFORE_END_NS = 10_000_000_000  # bus sleep takes its seconds, one node after the other (common practice)
_BY_CHANCE = 0.02  # of counters that stand at their start again although the node never restarted
_AT_START = 2  # values of a counter that count as its start: nodes begin with 0 or 1


@dataclass(frozen=True, slots=True, eq=False)
class Absence:
    """Messages that stopped together.

    end_ns : when the first of them came back; None where none did, and the bus's last frame is `until_ns`
    restarted : whether their counters began anew
    """

    members: tuple[MessageFacts, ...]
    start_ns: int
    end_ns: int | None
    until_ns: int
    restarted: bool

    @property
    def length_s(self) -> float:
        """How long it lasted, as far as the log goes."""
        return ((self.until_ns if self.end_ns is None else self.end_ns) - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True, eq=False)
class _Silent:
    message: MessageFacts
    period_ns: float
    start_ns: int
    end_ns: int | None


def cyclic_messages(bus: BusFacts) -> list[tuple[MessageFacts, Pace]]:
    """The messages that repeat with a period through the whole log, and their pace."""
    found = []
    for message in bus.messages:
        pace = pace_of(message.intervals_s) if message.count >= _FEWEST else None
        if pace is not None and pace.periodic and pace.high_s <= _REGULAR * pace.typical_s:
            found.append((message, pace))
    return found


def absences(bus: BusFacts) -> list[Absence]:
    """Every stretch in which messages that belong together were absent while others kept on."""
    silent: list[_Silent] = []
    cyclic = cyclic_messages(bus)
    for message, pace in cyclic:
        limit = max(_SILENT_PERIODS * pace.high_s * 1e9, _SHORTEST_NS)
        long = [each for each in message.silences if each.length_ns > limit]
        if len(long) >= LONGEST:
            continue  # a message that comes and goes, as its function does
        silent += [_Silent(message, pace.typical_s * 1e9, each.start_ns, each.end_ns) for each in long]
        if bus.last_ns - message.last_ns > max(limit, _BEFORE_END_NS):
            silent.append(_Silent(message, pace.typical_s * 1e9, message.last_ns, None))
    asleep = sum(bus.last_ns - m.last_ns < _BEFORE_END_NS for m, _ in cyclic) < _ASLEEP * len(cyclic)
    found = []
    for group in _groups(silent):
        if group[0].end_ns is None and asleep:
            continue
        absence = _absence(group, bus)
        if not _bus_was_silent(absence, bus) and _others_kept_on(absence, silent, cyclic):
            found.append(absence)
    return sorted(found, key=lambda each: each.start_ns)


def _groups(silent: Sequence[_Silent]) -> list[list[_Silent]]:
    """Silences that begin, and end, as those of one node do."""
    groups: list[list[_Silent]] = []
    for each in sorted(silent, key=lambda s: s.start_ns):
        for group in groups:
            stop = min(s.start_ns + _LATE * s.period_ns + _SLACK_NS for s in (*group, each))
            if each.start_ns <= stop and _end_alike(group, each):
                group.append(each)
                break
        else:
            groups.append([each])
    return groups


def _end_alike(group: Sequence[_Silent], other: _Silent) -> bool:
    if other.end_ns is None or group[0].end_ns is None:
        return other.end_ns is group[0].end_ns
    return all(
        abs(other.end_ns - (s.end_ns or 0)) <= max(_AGAIN_NS, 2 * s.period_ns, 2 * other.period_ns) for s in group
    )


def _absence(group: Sequence[_Silent], bus: BusFacts) -> Absence:
    members = tuple(each.message for each in group)
    ends = [each.end_ns for each in group if each.end_ns is not None]
    start = max(each.start_ns for each in group)
    return Absence(members, start, min(ends) if ends else None, bus.last_ns, bool(ends) and _restarted(group))


def _restarted(group: Sequence[_Silent]) -> bool:
    """Whether the counters that members have all stand at their start after the silence."""
    spans = []
    for each in group:
        counter = each.message.counter
        if counter is None:
            continue
        after = next((skip for skip in counter.listed if skip.before_ns == each.start_ns), None)
        if after is None or after.value >= _AT_START:
            return False
        spans.append(counter.span)
    return bool(spans) and prod(_AT_START / span for span in spans) < _BY_CHANCE


def _bus_was_silent(absence: Absence, bus: BusFacts) -> bool:
    """Whether no frame at all was logged for much of it: then it is the bus that slept, or the logger that paused."""
    end = absence.until_ns if absence.end_ns is None else absence.end_ns
    shared = sum(max(min(end, each.end_ns) - max(absence.start_ns, each.start_ns), 0) for each in bus.silences)
    return shared >= _SHARED * (end - absence.start_ns)


def _others_kept_on(absence: Absence, silent: Sequence[_Silent], cyclic: Sequence[tuple[MessageFacts, Pace]]) -> bool:
    """Whether enough of the other messages that were sent before kept coming meanwhile."""
    end = absence.until_ns if absence.end_ns is None else absence.end_ns
    members = {id(message) for message in absence.members}
    quiet = {
        id(each.message)
        for each in silent
        if min(end, absence.until_ns if each.end_ns is None else each.end_ns) - max(absence.start_ns, each.start_ns)
        >= _SHARED * (end - absence.start_ns)
    }
    others = [m for m, _ in cyclic if id(m) not in members and m.first_ns < absence.start_ns < m.last_ns]
    kept = [m for m in others if id(m) not in quiet]
    return bool(kept) and len(kept) >= _KEPT_ON * (len(others) + len(members))
