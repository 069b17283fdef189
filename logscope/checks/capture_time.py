"""Findings on the time of a capture: steps of the logger's clock, and stretches without data."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words, seconds
from logscope.findings import Finding, Measured, Severity
from logscope.joint_clock import JointClock
from logscope.time_doubt import LONGEST_S, TimeDoubt


def time_unit(doubts: Sequence[TimeDoubt], end_s: float) -> list[Finding]:
    """A finding for each log whose unit of time cannot be right. end_s : the capture's end, from its start [s]"""
    return [
        assemble(
            "capture.time_unit",
            Severity.WARNING,
            Words(
                title=doubt.title(),
                explanation=(
                    f"{doubt.file}: the unit is {doubt.source}. {doubt.reason()} {doubt.alternatives()} Until this is "
                    "settled, every duration, rate and time constant below may be wrong by that factor."
                ),
                next_step=doubt.next_step(),
                hands_near_hv=False,
            ),
            [(0.0, end_s)],
            {"length_s": Measured(doubt.length_s, "s")},
            (),
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
    words = Words(
        title=_counted(len(steps), "The logger's clock jumped once", "The logger's clock jumped {} times"),
        explanation=(
            f"The timestamps jumped by {listed}{', …' if len(steps) > 5 else ''}. Usual causes: a suspended "
            "laptop, a clock correction, or a second recording in the same file. Times continue without the "
            "jump; durations across it are unreliable."
        ),
        next_step="Split the log at the jump, or record again with suspend and clock correction switched off.",
        hands_near_hv=False,
    )
    return [
        assemble(
            "capture.time_step",
            Severity.WARNING,
            words,
            [(when, when) for when, _ in steps],
            {
                "count": Measured(float(len(steps)), ""),
                "largest_step_s": Measured(biggest[1], "s"),
            },
            (),
            counted=True,
        )
    ]


def gap(gaps: Sequence[tuple[float, float]]) -> list[Finding]:
    """One finding on all stretches without any frame, each as (start, end) in s from the capture's start; or none."""
    if not gaps:
        return []
    longest = max(gaps, key=lambda stretch: stretch[1] - stretch[0])
    total = sum(end - start for start, end in gaps)
    words = Words(
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
        hands_near_hv=False,
    )
    return [
        assemble(
            "capture.gap",
            Severity.INFO,
            words,
            gaps,
            {
                "count": Measured(float(len(gaps)), ""),
                "longest_s": Measured(longest[1] - longest[0], "s"),
                "total_s": Measured(total, "s"),
            },
            (),
            counted=True,
        )
    ]


def _counted(count: int, one: str, many: str) -> str:
    return one if count == 1 else many.format(count)


def joint_clock(clocks: Sequence[JointClock], end_s: float) -> list[Finding]:
    """One finding for each log that was moved; end_s : of the capture."""
    return [
        assemble(
            "capture.joint_clock",
            Severity.INFO,
            Words(
                title=f"Two logs were aligned: {clock.file} starts {clock.starts_s:.3f} s after {clock.reference}",
                explanation=_explanation(clock),
                next_step=(
                    "Compare a moment that both logs show, such as pulling away. The order of events closer together "
                    "than this interval is not certain."
                ),
                hands_near_hv=False,
            ),
            [(0.0, end_s)],
            {
                "starts_s": Measured(clock.starts_s, "s", clock.low_s, clock.high_s),
                "drift_ppm": Measured(clock.drift_ppm, "ppm", clock.drift_low_ppm, clock.drift_high_ppm),
                "residual_s": Measured(clock.residual_s, "s"),
            },
            () if clock.seen_in is None else (clock.seen_in,),
        )
        for clock in clocks
    ]


def _explanation(clock: JointClock) -> str:
    where = f"{clock.file} starts {clock.starts_s:.3f} s after {clock.reference}"
    if clock.seen_in is None or clock.drift_ppm is None or clock.residual_s is None:
        return f"{where}, as given by hand. Its error is unknown, and drift is not corrected."
    pace = f"{abs(clock.drift_ppm):.0f} ppm {'slow' if clock.drift_ppm > 0 else 'fast'}"
    return (
        f"{where}, and its clock runs {pace}. Found from the {clock.seen_in.replace('_', ' ')} in both; single "
        f"stretches scatter by {1000 * clock.residual_s:.1f} ms. A delay inside a logger or controller cannot be "
        "distinguished from an offset."
    )
