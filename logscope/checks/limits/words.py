"""The margins in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.limits.measure import Closeness
from logscope.checks.wording import Words, number, seconds


def kept_words(kept: Sequence[Closeness], least: Closeness, unseen: Sequence[str], *, but_in_trips: bool) -> Words:
    """All limits that were kept; `but_in_trips` : the motor current passed its own in a trip, and there alone."""
    title = "All limits kept" if not any(c.near for c in kept) else "Limits kept, but some only just"
    if but_in_trips:
        title = "Limits kept apart from the trips"
    told = ". ".join(_sentence(closeness) for closeness in kept)
    missing = f" Not logged: {', '.join(unseen)}." if unseen else ""
    return Words(
        f"{title}: smallest margin is that of {least.limit.what.partition(',')[0]}",
        f"{told}. The shortest margin may fall between two samples, every {seconds(least.part.period_s)} here, where it is not seen.{missing}",
        "Repeat with the hardest run you mean to drive (longest hill, fullest pack, hottest day) before counting on these margins.",
    )


def passed_words(closeness: Closeness) -> Words:
    """A limit that was passed."""
    limit, spans = closeness.limit, closeness.passed
    held = sum(until - since for since, until in spans)
    times = "once" if len(spans) == 1 else f"{len(spans)} times"
    return Words(
        f"Limit passed: {limit.what.partition(',')[0]} {number(-closeness.margin)} {closeness.unit} {'above' if limit.upper else 'below'} "
        f"{number(limit.value)} {limit.unit}",
        f"{_sentence(closeness)}. It was passed {times}, for {seconds(held)} between first and last sample. A lone sample may also be a "
        f"disturbed reading; and the log, every {seconds(closeness.part.period_s)}, may miss a still larger value between two samples.",
        limit.do,
    )


def _sentence(closeness: Closeness) -> str:
    limit = closeness.limit
    within = f"within {number(abs(limit.value - limit.near))} {closeness.unit}"
    times = "once" if len(closeness.near) == 1 else f"{len(closeness.near)} times"
    often = f"{within} {times}, {closeness.near_percent:.2g} % of the time" if closeness.near else f"never {within}"
    return (
        f"{limit.what[:1].upper()}{limit.what[1:]} (limit {number(limit.value)} {limit.unit}): {number(closeness.margin)} {closeness.unit} "
        f"left at {closeness.time_s:.2f} s, {often}"
    )
