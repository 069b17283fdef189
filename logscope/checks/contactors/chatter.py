"""Contactors that chatter, and such that close and drop again."""

from __future__ import annotations

from itertools import pairwise

from logscope.checks.contactors.switching_history import SWITCHED, SwitchingHistory, make_finding
from logscope.checks.contactors.text import chatter_words, closed_briefly_words
from logscope.findings import Event, Finding, Measured, Severity
from logscope.observations.dc_link.openings import Switch

# No sequence opens a contactor and closes it again this soon: a coil alone needs some 50 ms each way, and precharge
# some 100 ms (common practice, no published source).
CHATTER_GAP_S = 0.3
CHATTER_SWITCHES = 3  # a contactor that opens and closes once is not yet chattering
BRIEF_S = 1.0  # nobody switches a vehicle on for less


def chatter(history: SwitchingHistory) -> list[Finding]:
    """One finding for each part that switches several times within some 100 ms."""
    found = []
    for name in SWITCHED:
        groups = chatter_groups(history.switched.get(name, []))
        if not groups:
            continue
        count = sum(len(group) for group in groups)
        longest = max(group[-1].time_s - group[0].time_s for group in groups)
        found.append(
            make_finding(
                history,
                "chatter",
                Severity.WARNING,
                chatter_words(name, count, len(groups), longest, history.signals[name].period_s, CHATTER_GAP_S),
                events=tuple(Event(group[0].time_s, group[-1].time_s) for group in groups),
                measured={"count": Measured(float(count), "1"), "longest_s": Measured(longest, "s")},
                leading=name,
            )
        )
    return found


def chatter_groups(changes: list[Switch]) -> list[list[Switch]]:
    """Switchings of one part that lie too close for any sequence, in groups of at least three."""
    groups: list[list[Switch]] = []
    for switch in changes:
        if groups and switch.time_s - groups[-1][-1].time_s < CHATTER_GAP_S:
            groups[-1].append(switch)
        else:
            groups.append([switch])
    return [group for group in groups if len(group) >= CHATTER_SWITCHES]


def closed_briefly(history: SwitchingHistory) -> list[Finding]:
    """One finding for each main contactor that closes and drops again."""
    changes = history.switched.get("main_contactor", [])
    chattering = {switch.time_s for group in chatter_groups(changes) for switch in group}
    brief = [
        (on, off)
        for on, off in pairwise(changes)
        if on.on and off.time_s - on.low_s < BRIEF_S and not {on.time_s, off.time_s} & chattering
    ]
    if not brief:
        return []
    longest = max(off.time_s - on.low_s for on, off in brief)
    return [
        make_finding(
            history,
            "closed_briefly",
            Severity.WARNING,
            closed_briefly_words(len(brief), longest, BRIEF_S),
            events=tuple(Event(on.time_s, off.time_s) for on, off in brief),
            measured={"count": Measured(float(len(brief)), "1"), "closed_s": Measured(None, "s", None, longest)},
            leading="main_contactor",
        )
    ]
