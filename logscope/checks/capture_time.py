"""Findings on the time of a capture: steps of the logger's clock, and stretches without data."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.wording import seconds
from logscope.findings import Event, Finding, Measured, Severity
from logscope.time_doubt import LONGEST_S, TimeDoubt


def time_unit(doubts: Sequence[TimeDoubt], end_s: float) -> list[Finding]:
    """A finding for each log whose unit of time cannot be right. end_s : the capture's end, from its start [s]"""
    return [
        Finding(
            kind="capture.time_unit",
            severity=Severity.WARNING,
            start_s=0.0,
            end_s=end_s,
            title=doubt.title(),
            explanation=(
                f"{doubt.file}: the unit is {doubt.source}. {doubt.reason()} {doubt.alternatives()} Until this is "
                "settled, every duration, rate and time constant below may be wrong by that factor."
            ),
            next_step=doubt.next_step(),
            parts=(),
            measured={"length_s": Measured(doubt.length_s, "s")},
            expected={"length_s": Measured(None, "s", doubt.shortest_s, LONGEST_S)},
        )
        for doubt in doubts
    ]


def time_step(steps: Sequence[tuple[float, float]]) -> list[Finding]:
    """One finding on all steps of the logger's clock, each as (when [s from the start], by how much [s]); or none."""
    if not steps:
        return []
    biggest = max(steps, key=lambda step: abs(step[1]))
    listed = ", ".join(f"{size:+.3f} s at {when:.3f} s" for when, size in steps[:5])
    return [
        Finding(
            kind="capture.time_step",
            severity=Severity.WARNING,
            start_s=steps[0][0],
            end_s=steps[-1][0],
            title=_counted(len(steps), "The logger's clock jumped once", "The logger's clock jumped {} times"),
            explanation=(
                f"The timestamps jumped by {listed}{', …' if len(steps) > 5 else ''}. Usual causes: a suspended "
                "laptop, a clock correction, or a second recording in the same file. Times continue without the jump; "
                "durations across it are unreliable."
            ),
            next_step="Split the log at the jump, or record again with suspend and clock correction switched off.",
            parts=(),
            measured={
                "count": Measured(float(len(steps)), ""),
                "largest_step_s": Measured(biggest[1], "s"),
            },
            events=tuple(Event(when, when) for when, _ in steps),
        )
    ]


def gap(gaps: Sequence[tuple[float, float]]) -> list[Finding]:
    """One finding on all stretches without any frame, each as (start, end) in s from the capture's start; or none."""
    if not gaps:
        return []
    longest = max(gaps, key=lambda stretch: stretch[1] - stretch[0])
    total = sum(end - start for start, end in gaps)
    return [
        Finding(
            kind="capture.gap",
            severity=Severity.INFO,
            start_s=gaps[0][0],
            end_s=gaps[-1][1],
            title=_counted(len(gaps), "One stretch without any data", "{} stretches without any data")
            + f", the longest {seconds(longest[1] - longest[0])}",
            explanation=(
                f"No frame on any bus from {longest[0]:.3f} to {longest[1]:.3f} s; {seconds(total)} in all. The bus "
                "was asleep, the logger paused, or frames were lost. What happened meanwhile is not logged."
            ),
            next_step=(
                "If the drive system was on in that time, check the logger's power, storage and plug before the next "
                "recording."
            ),
            parts=(),
            measured={
                "count": Measured(float(len(gaps)), ""),
                "longest_s": Measured(longest[1] - longest[0], "s"),
                "total_s": Measured(total, "s"),
            },
            events=tuple(Event(start, end) for start, end in gaps),
        )
    ]


def _counted(count: int, one: str, many: str) -> str:
    return one if count == 1 else many.format(count)
