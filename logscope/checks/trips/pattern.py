"""What the overcurrent trips of a log have in common: their likeliest cause, its lead, and the current before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.trips.cause import IN_WORDS
from logscope.checks.wording import Words
from logscope.findings import Finding, Measured, Severity
from logscope.signals import Signals

_SHARED_BY = 2  # trips that make a pattern


def pattern(trips: Sequence[Finding], signals: Signals) -> list[Finding]:
    """One finding where several trips share a cause; none otherwise.

    trips : the findings on single trips; signals : for the moments' context only
    """
    over = [each for each in trips if each.kind == "trip.overcurrent"]
    causes = Counter(each.cause for each in over if each.cause not in (None, "undetermined"))
    if not causes:
        return []
    cause, count = causes.most_common(1)[0]
    if cause is None or count < _SHARED_BY:
        return []
    shared = [each for each in over if each.cause == cause]
    lead, current = _range(shared, "lead_time_s", "s"), _range(shared, "current_before_A", "A")
    return [
        assemble(
            "trip.pattern",
            Severity.INFO,
            Words(
                f"{count} of {len(over)} overcurrent trips share a cause: {IN_WORDS[cause]}",
                _in_words(shared, len(over), cause, lead, current),
                "Follow the next step of those trips first. Then repeat the same drive.",
                method="The ranges shown are from the lowest to the highest value of these trips.",
            ),
            [(each.start_s, each.end_s) for each in shared],
            {"count": Measured(float(count), ""), "lead_time_s": lead, "current_before_A": current},
            tuple(part for part in ("motor_current", "motor_speed") if part in signals),
            signals,
            cause=cause,
        )
    ]


def _range(trips: Sequence[Finding], name: str, unit: str) -> Measured:
    """The middle value over trips with the least and the largest; no limits of an estimate."""
    known = [value for each in trips if name in each.measured and (value := each.measured[name].value) is not None]
    if not known:
        return Measured(None, unit)
    return Measured(float(np.median(known)), unit, min(known), max(known))


def _in_words(trips: Sequence[Finding], whole: int, cause: str, lead: Measured, current: Measured) -> str:
    text = f"{len(trips)} of {whole} trips follow {IN_WORDS[cause]}"
    if lead.low is not None and lead.high is not None:
        low, high = lead.low * 1e3, lead.high * 1e3
        text += f" by {low:.0f} ms" if round(low) == round(high) else f" by {low:.0f} to {high:.0f} ms"
    if current.low is not None:
        text += f", all from above {current.low:.0f} A"
    return f"{text}."
