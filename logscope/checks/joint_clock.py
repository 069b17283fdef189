"""A finding on how logs with clocks of their own were brought onto one."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.findings import Finding, Measured, Severity
from logscope.joint_clock import JointClock


def joint_clock(clocks: Sequence[JointClock], end_s: float) -> list[Finding]:
    """One finding for each log that was moved; end_s : of the capture."""
    return [
        Finding(
            kind="capture.joint_clock",
            severity=Severity.INFO,
            start_s=0.0,
            end_s=end_s,
            title=f"Two logs were aligned: {clock.file} starts {clock.starts_s:.3f} s after {clock.reference}",
            explanation=_explanation(clock),
            next_step=(
                "Compare a moment that both logs show, such as pulling away. The order of events closer than these "
                "limits is not certain."
            ),
            parts=() if clock.seen_in is None else (clock.seen_in,),
            measured={
                "starts_s": Measured(clock.starts_s, "s", clock.low_s, clock.high_s),
                "drift_ppm": Measured(clock.drift_ppm, "ppm", clock.drift_low_ppm, clock.drift_high_ppm),
                "residual_s": Measured(clock.residual_s, "s"),
            },
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
