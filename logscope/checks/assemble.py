"""A finding put together from its words, its episodes and its values."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence

from logscope.checks.wording import Words
from logscope.findings import CAUTION_HV, Event, Evidence, Finding, Measured, Severity


def assemble(
    kind: str,
    severity: Severity,
    words: Words,
    spans: Sequence[tuple[float, float]],
    measured: Mapping[str, Measured],
    parts: Sequence[str],
    signals: Container[str] | None = None,
    evidence: Evidence | None = None,
    expected: Mapping[str, Measured] | None = None,
    cause: str | None = None,
    counted: bool = False,
) -> Finding:
    """One finding over its spans (from, until) [s]; several become its events.

    signals : what is logged; parts that are not are left out. None where all of them are
    counted : whether the spans are episodes that are counted, and so listed even where there is one
    """
    events = tuple(Event(float(since), float(until)) for since, until in spans)
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
        parts=tuple(part for part in parts if signals is None or part in signals),
        cause=cause,
        measured=measured,
        expected=expected or {},
        events=events if counted or len(events) > 1 else (),
        evidence=evidence or Evidence(),
    )
