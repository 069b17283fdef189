"""A finding put together from its words, its episodes and its values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from logscope.checks.wording import Words
from logscope.findings import CAUTION_HV, Event, Evidence, Finding, Measured, Severity
from logscope.signals import Signals

EVENTS_AT_MOST = 50  # a finding with more is a rate, not a list


def assemble(
    kind: str,
    severity: Severity,
    words: Words,
    spans: Sequence[tuple[float, float]],
    measured: Mapping[str, Measured],
    parts: Sequence[str],
    signals: Signals,
    evidence: Evidence | None = None,
) -> Finding:
    """One finding over its spans (from, until) [s]; several become its events. Parts not logged are left out."""
    events = tuple(Event(float(since), float(until)) for since, until in spans[:EVENTS_AT_MOST])
    return Finding(
        kind=kind,
        severity=severity,
        start_s=float(spans[0][0]),
        end_s=float(max(until for _, until in spans)),
        title=words.title,
        explanation=words.explanation,
        method=words.method,
        next_step=words.next_step,
        caution=CAUTION_HV if words.hands_near_hv else "",
        parts=tuple(part for part in parts if part in signals),
        measured=measured,
        events=events if len(events) > 1 else (),
        evidence=evidence or Evidence(),
    )
