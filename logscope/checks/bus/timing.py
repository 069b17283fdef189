"""Messages that come late or unevenly, or whose content stands still while they keep coming."""

from __future__ import annotations

from logscope.bus.facts import BusFacts, MessageFacts
from logscope.bus.frozen import frozen_stretches
from logscope.bus.lateness import late_messages
from logscope.bus.senders import two_senders
from logscope.bus.spacing import uneven_messages
from logscope.bus.walk import LONGEST
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, seconds
from logscope.findings import Finding, Measured, Severity
from logscope.quantities import counted

_FEWEST_LATE = 3  # steps; fewer may come with a change of mode


def timing(bus: BusFacts, context: Context) -> list[Finding]:
    """The findings on when messages come, and whether they bring anything new."""
    return [*_late(bus, context), *_uneven(bus, context), *_frozen(bus, context)]


def _late(bus: BusFacts, context: Context) -> list[Finding]:
    found = []
    for late in late_messages(bus):
        if len(late.steps) < _FEWEST_LATE:
            continue
        name = context.record.name(late.message)
        at_least = "at least " if len(late.steps) == LONGEST else ""
        words = Words(
            title=f"Message {name}: late {at_least}{len(late.steps)} times, up to {seconds(late.longest_s)} apart",
            explanation=(
                f"It usually comes every {seconds(late.period_s)}. Its counter misses nothing and other messages came "
                "in time, so its sender queued it late: receivers with a time-out may have dropped its values."
            ),
            next_step="Look at the sender: a task that takes too long, or a transmit buffer that other messages fill.",
            hands_near_hv=False,
            method=(
                "Late: 2.5 periods and more from one message to the next, while the counter advances by one and "
                "messages as fast came without a gap. Of each message the 16 longest steps are kept."
            ),
        )
        record = context.record
        spans = [(record.seconds(each.start_ns), record.seconds(each.end_ns)) for each in late.steps]
        measured = {"count": Measured(float(len(late.steps)), ""), "longest_s": Measured(late.longest_s, "s")}
        parts = context.parts_in([late.message])
        found.append(assemble("bus.message_late", Severity.INFO, words, spans, measured, parts, counted=True))
    return found


def _uneven(bus: BusFacts, context: Context) -> list[Finding]:
    """One finding on all messages that vary more than the bus explains, where its rate is known."""
    rate = context.record.rate(bus)
    if rate.value is None or rate.contradicted:
        return []
    found = [each for each in uneven_messages(bus, rate.value) if two_senders(each.wait.message) is None]
    if not found:
        return []
    worst = found[0].wait
    messages = [each.wait.message for each in found]
    words = Words(
        title=(
            f"Bus {bus.name}: the spacing of {counted(len(found), 'message')} varies, of "
            f"{context.record.name(worst.message)} by {seconds(worst.seen_s)} around {seconds(worst.period_s)}"
        ),
        explanation=(
            f"{context.listed(messages)}: more than the wait for the bus explains "
            f"(calculated: {seconds(worst.worst_s or 0.0)} at worst). The sender queues them unevenly or on "
            "events as well, or two devices send them."
        ),
        next_step="Nothing to do unless receivers report a time-out.",
        hands_near_hv=False,
        method=(
            "Nine of ten intervals lie within the variation given. Allowed are the worst-case response time and what "
            f"the calmest quarter of all messages varies by ({seconds(found[0].logger_s)}), which the logger's stamps "
            "may add."
        ),
    )
    measured = {
        "count": Measured(float(len(found)), ""),
        "variation_s": Measured(worst.seen_s, "s"),
        "longest_wait_s": Measured(worst.worst_s, "s"),
    }
    record = context.record
    spans = [(record.seconds(bus.first_ns), record.seconds(bus.last_ns))]
    return [assemble("bus.jitter", Severity.INFO, words, spans, measured, context.parts_in(messages))]


def _frozen(bus: BusFacts, context: Context) -> list[Finding]:
    """Messages whose content stood still while the vehicle was in use by other messages."""
    found = []
    record = context.record
    for message in bus.messages:

        def in_use(start_ns: int, end_ns: int, message: MessageFacts = message) -> bool:
            return context.in_use_throughout(record.seconds(start_ns), record.seconds(end_ns), message)

        frozen = frozen_stretches(message, in_use)
        if not frozen:
            continue
        name = record.name(message)
        longest = max(frozen, key=lambda each: each.frames)
        length_s = (longest.end_ns - longest.start_ns) / 1e9
        words = Words(
            title=f"Message {name}: values frozen for {seconds(length_s)} while its counter ran",
            explanation=(
                f"Its content stayed the same in {longest.frames} frames in a row, with the drive in use. At all other "
                "such times it changes all the time. Its sender is alive, but its values are old."
            ),
            next_step=(
                "Do not trust its values in that time. Look at the sender: a sensor or a second processor that it "
                "lost, or a task that stopped."
            ),
            hands_near_hv=False,
            method=(
                "Compared with all other stretches in which another message shows the drive in use. Counter and bytes "
                "that change with every frame are left out. Chance of so many equal frames: below one in a billion."
            ),
        )
        measured = {"count": Measured(float(len(frozen)), ""), "longest_s": Measured(length_s, "s")}
        spans = [(record.seconds(each.start_ns), record.seconds(each.end_ns)) for each in frozen]
        parts = context.parts_in([message])
        found.append(assemble("bus.frozen", Severity.WARNING, words, spans, measured, parts, counted=True))
    return found
