"""The load of each bus and the longest wait on it; a bit rate that the log contradicts."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.bus.absences import cyclic_messages
from logscope.bus.bit_rate import BitRate, Source
from logscope.bus.facts import BusFacts, MessageFacts
from logscope.bus.load import Load, load_of
from logscope.bus.response_time import Sent, response_bounds
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, percent, seconds
from logscope.findings import Finding, Measured, Severity
from logscope.physics.can_timing import worst_frame_bits

_FEWEST_FRAMES, _SHORTEST_S = 100, 1.0  # fewer frames, or less than the second that is judged, show no load
# Buses are planned to be filled to some 70 % at most; above 90 % messages of low priority wait for long stretches
# (common practice, no published source).
_PLANNED, _FULL = 0.7, 0.9
_CLASSIC_BYTES = 8


@dataclass(frozen=True, slots=True, eq=False)
class _Wait:
    """The message that may wait longest for its period.

    seen_s : by which nine of ten of its intervals differ; worst_s : to its end on the wire, None without a bound
    """

    message: MessageFacts
    period_s: float
    seen_s: float
    worst_s: float | None


def load(bus: BusFacts, context: Context) -> list[Finding]:
    """One finding on the load of a bus, and one where the log contradicts its stated bit rate."""
    if bus.frames < _FEWEST_FRAMES:
        return []
    rate = context.record.rate(bus)
    if rate.contradicted:
        return [_contradicted(bus, rate, context)]
    span_s = (bus.last_ns - bus.first_ns) / 1e9
    if span_s < _SHORTEST_S:
        return []
    return [_load(bus, load_of(bus, span_s, rate), rate, context)]


def _load(bus: BusFacts, of: Load, rate: BitRate, context: Context) -> Finding:
    record = context.record
    busiest_s = record.seconds(of.busiest_ns)
    measured = {
        "mean_bit_per_s": Measured(of.mean_bits_per_s, "bit/s"),
        "busiest_bit_per_s": Measured(of.busiest_bits_per_s, "bit/s"),
    }
    span = [(max(record.seconds(bus.first_ns), busiest_s - 1.0), max(busiest_s, record.seconds(bus.first_ns)))]
    counted = (
        "Every frame is counted with its stuff bits and the interframe space; the busiest second is any second. "
        "What the logger filtered or lost is missing in it."
        + (" Bits of CAN FD frames at a faster rate are not counted." if of.lower_bound else "")
    )
    if rate.value is None or of.mean is None or of.busiest is None:
        words = Words(
            title=(
                f"{bus.name}: {of.mean_bits_per_s / 1000:.3g} kbit/s on average, "
                f"{of.busiest_bits_per_s / 1000:.3g} kbit/s in the busiest second"
            ),
            explanation="The bit rate is not stated, and the spacing of frames does not show it: load unknown.",
            next_step=f'State it in the vehicle file: [[can]] bus = "{bus.name}", bit_rate = 500000, as it is set.',
            hands_near_hv=False,
            method=counted,
        )
        return assemble("bus.load", Severity.INFO, words, span, measured, ())
    measured["mean_load_percent"] = Measured(100.0 * of.mean, "%")
    measured["busiest_load_percent"] = Measured(100.0 * of.busiest, "%")
    measured["bit_rate_bit_per_s"] = Measured(float(rate.value), "bit/s")
    wait = None if of.lower_bound else _longest_wait(bus, rate.value)
    said = _wait_in_words(wait, context)
    if wait is not None and wait.worst_s is not None:
        measured["longest_wait_s"] = Measured(wait.worst_s, "s")
    late = wait is not None and (wait.worst_s is None or wait.worst_s > wait.period_s)
    severity = Severity.GOOD if of.busiest <= _PLANNED and not late else Severity.INFO
    if of.busiest > _FULL:
        severity = Severity.WARNING
    bound = "at least " if of.lower_bound else ""
    from_where = (
        f"inferred from {rate.close_frames} frames that follow another without a pause"
        if rate.source is Source.INFERRED
        else "as stated"
    )
    words = Words(
        title=(
            f"{bus.name}: load {bound}{percent(of.mean)}, {bound}{percent(of.busiest)} in the busiest second, "
            f"at {rate.value / 1000:.4g} kbit/s"
        ),
        explanation=f"{_verdict(of.busiest)} {said}".strip(),
        next_step=_step(of.busiest, late),
        hands_near_hv=False,
        method=(
            f"{counted} Bit rate: {from_where}. Longest wait: worst-case response time (Davis, Burns, Bril and "
            "Lukkien, 2007) of the logged messages, all due at once with their longest frames, cyclic ones by their "
            "period, others by their mean spacing. Senders that spread their messages in time never come near it; one "
            "that does not queue by priority may pass it."
        ),
    )
    return assemble("bus.load", severity, words, span, measured, ())


def _step(busiest: float, late: bool) -> str:
    if busiest > _PLANNED:
        return "Lengthen the periods of messages that nobody needs so often, or move devices to another bus."
    if late:
        return "Nothing to do unless messages arrive late: the bound assumes that all messages are due at once."
    return "Nothing to do."


def _verdict(busiest: float) -> str:
    if busiest > _FULL:
        return "The bus is nearly full: messages of low priority are delayed for long stretches."
    if busiest > _PLANNED:
        return f"The busiest second is above {100 * _PLANNED:.0f} %, to which a bus is usually planned."
    return f"The logged frames leave room: a bus is usually planned to {100 * _PLANNED:.0f} % at most."


def _wait_in_words(wait: _Wait | None, context: Context) -> str:
    if wait is None:
        return ""
    name = context.record.name(wait.message)
    if wait.worst_s is None:
        return f"For {name} no longest wait can be calculated: the messages before it may fill the bus."
    return (
        f"At worst, {name} waits {seconds(wait.worst_s)} of its period of {seconds(wait.period_s)}; its spacing in the "
        f"log varies by {seconds(wait.seen_s)}."
    )


def _longest_wait(bus: BusFacts, bit_rate: int) -> _Wait | None:
    """The cyclic message whose worst wait is the largest share of its period."""
    paces = {id(message): pace for message, pace in cyclic_messages(bus)}
    ordered = sorted(bus.messages, key=lambda m: m.identifier << (0 if m.extended else 18))
    sent = []
    for message in ordered:
        span_s = max((message.last_ns - message.first_ns) / 1e9, 1.0)
        period_s = pace.typical_s if (pace := paces.get(id(message))) else span_s / message.count
        bits = worst_frame_bits(min(message.longest, _CLASSIC_BYTES), extended=message.extended)
        sent.append(Sent(round(bits * 1e9 / bit_rate), max(round(period_s * 1e9), 1)))
    waits = [
        _Wait(message, pace.typical_s, pace.high_s - pace.low_s, None if worst is None else worst / 1e9)
        for message, each, worst in zip(ordered, sent, response_bounds(sent, round(1e9 / bit_rate)), strict=True)
        if (pace := paces.get(id(message))) is not None
    ]
    return max(waits, key=lambda w: float("inf") if w.worst_s is None else w.worst_s / w.period_s, default=None)


def _contradicted(bus: BusFacts, rate: BitRate, context: Context) -> Finding:
    stated = f"{(rate.value or 0) / 1000:.4g} kbit/s"
    if rate.inferred is not None:
        seen = f"its frames are spaced as at {rate.inferred / 1000:.4g} kbit/s"
    else:
        seen = f"{rate.at_least / 1000:.4g} kbit passed within one second"
    words = Words(
        title=f"{bus.name}: the stated bit rate of {stated} cannot be right: {seen}",
        explanation="Load and longest wait are not calculated until the bit rate is corrected.",
        next_step=f'Correct bit_rate of bus "{bus.name}" in the vehicle file.',
        hands_near_hv=False,
        method="Frames that wait for the bus follow each other without a pause, as far apart as they are long.",
    )
    measured = {
        "bit_rate_bit_per_s": Measured(None if rate.inferred is None else float(rate.inferred), "bit/s", rate.at_least)
    }
    expected = {"bit_rate_bit_per_s": Measured(float(rate.value or 0), "bit/s")}
    span = [(context.record.seconds(bus.first_ns), context.record.seconds(bus.last_ns))]
    return assemble("bus.bit_rate", Severity.WARNING, words, span, measured, (), expected=expected)
