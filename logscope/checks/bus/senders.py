"""Identifiers that two devices send, two buses under one name, and copies by a gateway."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.bus.facts import BusFacts, MessageFacts
from logscope.bus.senders import TwoSenders, two_senders
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, number
from logscope.findings import Finding, Measured, Severity

_MANY_WITH_TWO = 3  # identifiers from two senders: then one finding on all of them, for they have one cause
_TWO_METHOD = "The distance between alternate frames is followed through the log; one sender would keep it."


def senders(bus: BusFacts, context: Context) -> list[Finding]:
    """A finding for each identifier with two senders; one for all where they are many."""
    found = [
        (message, two)
        for message in bus.messages
        if not context.in_doubt(message) and (two := two_senders(message)) is not None
    ]
    if len(found) >= _MANY_WITH_TWO:
        return [_two_buses(bus, found, context)]
    return [_two_senders(bus, message, two, context) for message, two in found]


def _two_senders(bus: BusFacts, message: MessageFacts, two: TwoSenders, context: Context) -> Finding:
    name = context.record.name(message)
    apart = f"two senders on {bus.name}, their clocks {number(two.drift_ppm)} ppm apart"
    if two.copies:
        words = Words(
            title=f"Message {name}: {apart}, with the same contents",
            explanation=(
                f"Every other frame repeats the one before it, each sender every {number(1000 * two.period_s)} ms. "
                "A gateway that passes the message on looks like this, and so do two buses recorded under one name."
            ),
            next_step="Nothing to do if a gateway sends it on this bus, or two buses are in this log.",
            hands_near_hv=False,
            method=_TWO_METHOD,
        )
    else:
        words = Words(
            title=f"Message {name}: {apart}",
            explanation=(
                f"Its frames come from two devices, each every {number(1000 * two.period_s)} ms: the time between the "
                "two wanders steadily, as only two clocks do. On one bus receivers see both contents in turn, and when "
                "both send at once, error frames follow. Two buses recorded under one name look the same."
            ),
            next_step=(
                "Check that the log holds one bus. Then find the second device (a spare controller, a test device left "
                "plugged in) and unplug it."
            ),
            hands_near_hv=False,
            method=_TWO_METHOD,
        )
    measured = {
        "drift_ppm": Measured(two.drift_ppm, "ppm", two.low_ppm, two.high_ppm),
        "sender_period_s": Measured(two.period_s, "s"),
    }
    span = [(context.record.seconds(message.first_ns), context.record.seconds(message.last_ns))]
    severity = Severity.INFO if two.copies else Severity.WARNING
    return assemble("bus.two_senders", severity, words, span, measured, context.parts_in([message]))


def _two_buses(bus: BusFacts, found: Sequence[tuple[MessageFacts, TwoSenders]], context: Context) -> Finding:
    """Many identifiers with two senders have one cause: two buses, a gateway, or a second controller."""
    messages = [message for message, _ in found]
    two = found[0][1]
    words = Words(
        title=f"Bus {bus.name}: {len(found)} identifiers come from two senders each",
        explanation=(
            f"{context.listed(messages)} are sent by two clocks: two buses are recorded under one name, a gateway "
            "repeats what it hears, or a whole second controller is connected. Their values may be mixed."
        ),
        next_step=(
            "Record each bus under a name of its own, and check what connects the two. On one bus, look for a second "
            "controller of the same kind."
        ),
        hands_near_hv=False,
        method=_TWO_METHOD,
    )
    measured = {
        "drift_ppm": Measured(two.drift_ppm, "ppm", two.low_ppm, two.high_ppm),
        "sender_period_s": Measured(two.period_s, "s"),
    }
    record = context.record
    spans = [(record.seconds(each.first_ns), record.seconds(each.last_ns)) for each in messages]
    return assemble("bus.two_senders", Severity.INFO, words, spans, measured, context.parts_in(messages))
