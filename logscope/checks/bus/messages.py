"""Messages that do not arrive as they should: missing by their counter, too short, or damaged."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.bus.absences import cyclic_messages
from logscope.bus.checksums import failing_checksums
from logscope.bus.facts import BusFacts
from logscope.bus.losses import MissingMessages, losses
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, number
from logscope.findings import Finding, Measured, Severity
from logscope.quantities import counted

_FEWEST_MISSING = 3  # messages; fewer may be lost by anything
_MUCH = 0.01  # of a message's frames: receivers with a time-out of three periods begin to notice (practice)
_EVENTS = 200  # listed one by one; more is a list nobody reads


def messages(bus: BusFacts, context: Context) -> list[Finding]:
    """The findings on single messages of a bus."""
    return [
        *_missing(bus, context),
        *_short(bus, context),
        *_checksums(bus, context),
    ]


def _missing(bus: BusFacts, context: Context) -> list[Finding]:
    lost = losses(bus)
    found = []
    count = sum(each.count for each in lost.by_logger)
    if count >= _FEWEST_MISSING:
        words = Words(
            title=f"Bus {bus.name}: the log misses {count} messages of {counted(len(lost.by_logger), 'identifier')}",
            explanation=(
                "Counters of several senders skip alike, so the logger lost these frames, not one sender: "
                f"{100 * lost.lost_share:.2g} % of what the counters cover. Nothing is wrong with the bus itself."
            ),
            next_step="For a complete log use a logger with larger buffers, fewer filters, or a direct connection.",
            hands_near_hv=False,
            method=_METHOD,
        )
        found.append(_gathered("bus.log_incomplete", Severity.INFO, words, lost.by_logger, context))
    for each in lost.by_sender:
        if each.count < _FEWEST_MISSING:
            continue
        name = context.record.name(each.message)
        period = each.message.learnt_ns / 1e6
        words = Words(
            title=f"Message {name}: {each.count} messages missing by its counter ({100 * each.share:.2g} %)",
            explanation=(
                f"Its counter steps over values, and the time from frame to frame (usually {number(period)} ms) is "
                "longer to match. "
                + (
                    "Other messages are complete then, so the logger did not lose them."
                    if lost.comparable
                    else "Too few other messages have a counter to show whether the logger or the sender lost them."
                )
            ),
            next_step=(
                "Look at the sender: a full transmit buffer, a late task, or errors on its own stub of the bus."
                if lost.comparable
                else "Record the bus with a second logger: what is missing in both logs was not sent."
            ),
            hands_near_hv=False,
            method=_METHOD,
        )
        severity = Severity.WARNING if lost.comparable and each.share >= _MUCH else Severity.INFO
        found.append(_gathered("bus.message_missing", severity, words, (each,), context))
    return found


_METHOD = (
    "A message is missing where its counter steps over a value and the time is longer by as many periods. Counters are "
    "found in the first 128 frames of each identifier, without a definition."
)


def _gathered(
    kind: str, severity: Severity, words: Words, missing: Sequence[MissingMessages], context: Context
) -> Finding:
    moments = sorted({moment for each in missing for moment in each.moments})
    spans = [(context.record.seconds(start), context.record.seconds(end)) for start, end in moments[:_EVENTS]]
    count = sum(each.count for each in missing)
    sent = sum(each.count + each.message.count for each in missing)
    measured = {"count": Measured(float(count), ""), "missing_percent": Measured(100.0 * count / sent, "%")}
    return assemble(
        kind, severity, words, spans, measured, context.parts_in([each.message for each in missing]), counted=True
    )


def _short(bus: BusFacts, context: Context) -> list[Finding]:
    """Messages that never have the bytes that their definition needs."""
    short = [
        (message, spec)
        for message in bus.messages
        if (spec := context.record.spec(message)) is not None
        and message.count > message.remotes
        and message.longest < spec.bytes_needed
    ]
    if not short:
        return []
    message, spec = short[0]
    affected = context.parts_in([each for each, _ in short])
    more = f", and {len(short) - 1} more" if len(short) > 1 else ""
    words = Words(
        title=f"Message {spec.name} has {message.longest} bytes, its definition needs {spec.bytes_needed}{more}",
        explanation=(
            f"No frame of {context.listed([each for each, _ in short])} is as long as defined. The signals that lie "
            "beyond its end have no values, and the others may belong to another version of the message."
        ),
        next_step="Check that the definition file is the one for this controller and its software.",
        hands_near_hv=False,
    )
    record = context.record
    spans = [(record.seconds(each.first_ns), record.seconds(each.last_ns)) for each, _ in short]
    measured = {"count": Measured(float(len(short)), ""), "longest_byte": Measured(float(message.longest), "byte")}
    severity = Severity.WARNING if affected else Severity.INFO
    return [assemble("bus.length", severity, words, spans, measured, affected)]


def _checksums(bus: BusFacts, context: Context) -> list[Finding]:
    """Messages of mapped parts whose checksum fails now and then; to search all of them would take too long."""
    found = []
    for message, _ in cyclic_messages(bus):
        parts = context.parts_in([message])
        for failing in failing_checksums(message) if parts else ():
            count = failing.wrong_ns.size
            words = Words(
                title=(
                    f"Message {context.record.name(message)}: the checksum fails in {count} of {failing.checked} frames"
                ),
                explanation=(
                    f"Its checksum ({failing.algorithm}) holds in all other frames. CAN itself lets no damaged frame "
                    "pass, so these left their sender with a wrong checksum, or a second device sends this identifier."
                ),
                next_step="Look for a second sender, or a fault in its software; do not trust these frames.",
                hands_near_hv=False,
                method="The checksum was found in the payloads without a definition; frames of a long log are sampled.",
            )
            measured = {
                "count": Measured(float(count), ""),
                "failing_percent": Measured(100.0 * count / failing.checked, "%"),
            }
            moments = [context.record.seconds(stamp) for stamp in failing.wrong_ns[:_EVENTS].tolist()]
            spans = [(moment, moment) for moment in moments]
            found.append(assemble("bus.checksum", Severity.WARNING, words, spans, measured, parts, counted=True))
    return found
