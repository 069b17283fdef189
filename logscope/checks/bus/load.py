"""The load of each bus and the longest wait on it; a bit rate that the log contradicts."""

from __future__ import annotations

from logscope.bus.bit_rate import BitRate, Source
from logscope.bus.facts import BusFacts
from logscope.bus.load import Load, load_of
from logscope.bus.waits import Wait, longest_waits
from logscope.checks.assemble import assemble
from logscope.checks.bus.context import Context
from logscope.checks.wording import Words, percent, seconds
from logscope.findings import Finding, Measured, Severity

_FEWEST_FRAMES, _SHORTEST_S = 100, 1.0  # fewer frames, or less than the second that is judged, show no load
# Buses are planned to be filled to some 70 % at most; above 90 % messages of low priority wait for long stretches
# (common practice, no published source).
_PLANNED, _FULL = 0.7, 0.9


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
        + (
            " Bits of CAN FD frames in a faster data phase are not counted, for its rate is not logged: the load is a "
            "lower bound, and no longest wait is calculated."
            if of.lower_bound
            else ""
        )
    )
    if rate.value is None or of.mean is None or of.busiest is None:
        words = Words(
            title=(
                f"Bus {bus.name}: {of.mean_bits_per_s / 1000:.3g} kbit/s on average, "
                f"{of.busiest_bits_per_s / 1000:.3g} kbit/s in the busiest second"
            ),
            explanation="The bit rate is not stated, and the spacing of frames does not show it: load unknown.",
            next_step=(
                f'Enter the rate that is set on the bus: in the vehicle file, [[can]] bus = "{bus.name}", '
                f"bit_rate = 500000, or with --bit-rate {bus.name}=500000."
            ),
            hands_near_hv=False,
            method=counted,
        )
        return assemble("bus.load", Severity.INFO, words, span, measured, ())
    measured["mean_load_percent"] = Measured(100.0 * of.mean, "%")
    measured["busiest_load_percent"] = Measured(100.0 * of.busiest, "%")
    measured["bit_rate_bit_per_s"] = Measured(float(rate.value), "bit/s")
    wait = _longest_wait(bus, rate.value)
    said = _wait_in_words(wait, context)
    if wait is not None and wait.worst_s is not None:
        measured["longest_wait_s"] = Measured(wait.worst_s, "s")
    late = wait is not None and (wait.worst_s is None or wait.worst_s > wait.period_s)
    severity = Severity.GOOD if of.busiest <= _PLANNED and not late and not of.lower_bound else Severity.INFO
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
            f"Bus {bus.name}: load {bound}{percent(of.mean)}, {bound}{percent(of.busiest)} in the busiest second, "
            f"at {rate.value / 1000:.4g} kbit/s"
        ),
        explanation=f"{_verdict(of)} {said}".strip(),
        next_step=_step(of.busiest, late),
        hands_near_hv=False,
        method=(
            f"{counted} Bit rate: {from_where}."
            + (
                ""
                if wait is None
                else " Longest wait: calculated, not seen: the worst-case response time (Davis, Burns, Bril and "
                "Lukkien, 2007) of the logged messages, all due at once with their longest frames, cyclic ones by "
                "their period, others by their mean spacing. Senders that spread their messages in time never come "
                "near it; one that does not queue by priority may pass it."
            )
        ),
    )
    return assemble("bus.load", severity, words, span, measured, ())


def _step(busiest: float, late: bool) -> str:
    if busiest > _PLANNED:
        return "Lengthen the periods of messages that nobody needs so often, or move devices to another bus."
    if late:
        return "Nothing to do unless messages arrive late: the bound assumes that all messages are due at once."
    return "Nothing to do."


def _verdict(of: Load) -> str:
    busiest = of.busiest or 0.0
    if busiest > _FULL:
        return "The bus is nearly full: messages of low priority are delayed for long stretches."
    if busiest > _PLANNED:
        return f"The busiest second is above {100 * _PLANNED:.0f} %, to which a bus is usually planned."
    if of.lower_bound:
        return "How much is free cannot be determined: part of each CAN FD frame is sent at a faster rate, not logged."
    return f"The logged frames leave room: a bus is usually planned to {100 * _PLANNED:.0f} % at most."


def _wait_in_words(wait: Wait | None, context: Context) -> str:
    if wait is None:
        return ""
    name = context.record.name(wait.message)
    if wait.worst_s is None:
        return f"No longest wait can be calculated for {name}: the messages before it may fill the bus."
    return (
        f"Calculated worst case, not seen in the log: {name} waits {seconds(wait.worst_s)} of its period of "
        f"{seconds(wait.period_s)}. Its spacing in the log varies by {seconds(wait.seen_s)}."
    )


def _longest_wait(bus: BusFacts, bit_rate: int) -> Wait | None:
    """The cyclic message whose worst wait is the largest share of its period."""
    waits = longest_waits(bus, bit_rate)
    return max(waits, key=lambda w: float("inf") if w.worst_s is None else w.worst_s / w.period_s, default=None)


def _contradicted(bus: BusFacts, rate: BitRate, context: Context) -> Finding:
    stated = f"{(rate.value or 0) / 1000:.4g} kbit/s"
    if rate.inferred is not None:
        seen = f"its frames are spaced as at {rate.inferred / 1000:.4g} kbit/s"
    else:
        seen = f"{rate.at_least / 1000:.4g} kbit passed within one second"
    words = Words(
        title=f"Bus {bus.name}: the stated bit rate of {stated} cannot be right: {seen}",
        explanation="Load and longest wait are not calculated until the bit rate is corrected.",
        next_step=f'Correct bit_rate of bus "{bus.name}" in the vehicle file, or --bit-rate where it was given there.',
        hands_near_hv=False,
        method="Frames that wait for the bus follow each other without a pause, as far apart as they are long.",
    )
    measured = {
        "bit_rate_bit_per_s": Measured(None if rate.inferred is None else float(rate.inferred), "bit/s", rate.at_least)
    }
    expected = {"bit_rate_bit_per_s": Measured(float(rate.value or 0), "bit/s")}
    span = [(context.record.seconds(bus.first_ns), context.record.seconds(bus.last_ns))]
    return assemble("bus.bit_rate", Severity.WARNING, words, span, measured, (), expected=expected)
