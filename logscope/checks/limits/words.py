"""The texts of the margins."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.limits.measure import Closeness
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Measured
from logscope.quantities import quantity_text


def kept_words(kept: Sequence[Closeness], least: Closeness, unseen: Sequence[str], *, but_in_trips: bool) -> Words:
    """All limits that were kept; `but_in_trips` : the motor current passed its own in a trip, and there alone."""
    title = "Limits: all kept" if not any(c.near for c in kept) else "Limits: kept, some only just"
    if but_in_trips:
        title = "Limits: kept except in the trips"
    close = [closeness for closeness in kept if closeness.near]
    near = f" Close to their limits: {'; '.join(map(_sentence, close))}." if close else ""
    missing = f" Not logged: {', '.join(unseen)}." if unseen else ""
    return Words(
        f"{title}; smallest margin {_amount(least, least.margin)}, {least.limit.what.partition(',')[0]}",
        f"The smallest margin is at {least.time_s:.2f} s.{near}{missing}",
        "Repeat with the hardest run you mean to drive (longest hill, fullest pack, hottest day) before relying on these "
        "margins.",
        method=f"{'. '.join(map(_sentence, kept))}. A smaller margin between two samples, {seconds(least.part.period_s)} apart "
        "here, is not seen.",
    )


def passed_words(closeness: Closeness) -> Words:
    """A limit that was passed."""
    limit, spans = closeness.limit, closeness.passed
    held = sum(until - since for since, until in spans)
    side = "above" if limit.upper else "below"
    name = limit.what.partition(",")[0]
    return Words(
        f"{name[:1].upper()}{name[1:]}: {_amount(closeness, -closeness.margin)} {side} its limit of "
        f"{number(limit.value)} {limit.unit}",
        f"The limit was passed {times(len(spans))}, for {seconds(held)} in all; furthest at {closeness.time_s:.2f} s.",
        limit.do,
        method=f"{_sentence(closeness)}. Time counts from the first to the last sample beyond the limit. A single sample may be "
        f"a disturbed reading, and a larger value between two samples, {seconds(closeness.part.period_s)} apart, is not seen.",
    )


def _amount(closeness: Closeness, amount: float) -> str:
    return quantity_text(Measured(amount, closeness.unit))


def _sentence(closeness: Closeness) -> str:
    limit = closeness.limit
    within = f"within {number(abs(limit.value - limit.near))} {closeness.unit} of it"
    often = (
        f"{within} {times(len(closeness.near))}, {closeness.near_percent:.2g} % of the time"
        if closeness.near
        else f"never {within}"
    )
    return (
        f"{limit.what[:1].upper()}{limit.what[1:]} (limit {number(limit.value)} {limit.unit}): {_amount(closeness, closeness.margin)} "
        f"left at {closeness.time_s:.2f} s, {often}"
    )
