"""Nodes that leave the bus while others go on: restarted, absent for a time, or gone until the end of the log."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.bus.absences import Absence, absences, cyclic_messages
from logscope.bus.facts import BusFacts
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, seconds, times
from logscope.findings import Finding, Measured, Severity

_RESTART_S = 30.0  # a controller that was reset is back by then; longer, it was switched off or asleep (practice)
_BLINK_S = 3.0  # without counters that begin anew: a function that is switched off and on again takes longer (practice)
_NODE = 2  # messages that stop together make a node; a single one may be a function that is switched off


def nodes(bus: BusFacts, context: Context) -> list[Finding]:
    """One finding for each group of messages that stopped together, with all its episodes.

    A single message that pauses is no node, unless its counter shows a restart; `capture.message_silent` speaks of it.
    """
    groups: dict[frozenset[int], list[Absence]] = {}
    for absence in absences(bus):
        if len(absence.members) < _NODE and not absence.restarted:
            continue
        groups.setdefault(frozenset(id(each) for each in absence.members), []).append(absence)
    return [_finding(bus, group, context) for group in groups.values()]


def _finding(bus: BusFacts, group: Sequence[Absence], context: Context) -> Finding:
    members = group[0].members
    record = context.record
    spans = [(record.seconds(a.start_ns), record.seconds(a.until_ns if a.end_ns is None else a.end_ns)) for a in group]
    back = [absence for absence in group if absence.end_ns is not None]
    restarted = [absence for absence in back if absence.restarted]
    used = any(context.in_use(*span) for span in spans)
    short = all(absence.length_s < (_RESTART_S if restarted else _BLINK_S) for absence in group)
    fault = used and bool(back) and short
    longest = max(group, key=lambda absence: absence.length_s)
    who = _who(bus, group[0], context)
    kind, did = ("bus.node_restart", "restarted") if restarted else ("bus.node_absent", "stopped sending")
    how_long = f"{seconds(longest.length_s)}{'' if longest.end_ns is not None else ' until the end of the log'}"
    other = "" if len(group) == 1 else f" {times(len(group))}, the longest"
    words = Words(
        title=f"Bus {bus.name}: {who} {did}{other} for {how_long}, while others kept sending",
        explanation=(
            f"{context.listed(members)} stopped together"
            + (", and their counters started again when they came back" if restarted else "")
            + ". "
            + ("The drive was in use at that time. " if used else "")
            + (
                "A controller that restarts has lost its supply or tripped its watchdog."
                if restarted
                else "The sender was switched off, asleep, restarted, or off the bus."
            )
        ),
        next_step=(
            "Check supply, ground and bus plug of the controller that sends these messages; log its 12 V supply."
            if fault or restarted
            else "If this was not switched off on purpose, check its supply, ground and bus plug."
        ),
        hands_near_hv=False,
        method=(
            "Messages of one sender stop within one period of each other. Pauses of the whole bus, of the logger, and "
            "nodes that go to sleep at the end of the log are left out."
        ),
    )
    measured = {
        "count": Measured(float(len(group)), ""),
        "longest_s": Measured(longest.length_s, "s"),
        "message_count": Measured(float(len(members)), ""),
    }
    severity = Severity.WARNING if fault else Severity.INFO
    return assemble(kind, severity, words, spans, measured, context.parts_in(members), counted=True)


def _who(bus: BusFacts, absence: Absence, context: Context) -> str:
    """The node by its definition where all its cyclic messages stopped; else the messages."""
    senders = {context.record.sender(each) for each in absence.members}
    if len(senders) == 1 and (sender := next(iter(senders))) is not None:
        everything = [each for each, _ in cyclic_messages(bus) if context.record.sender(each) == sender]
        if len(everything) == len(absence.members):
            return f"{sender}, all {len(everything)} messages," if len(everything) > 1 else sender
    count = len(absence.members)
    return context.record.name(absence.members[0]) if count == 1 else f"a node ({count} messages)"
