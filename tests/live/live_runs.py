"""A log through the view, slice by slice, and what the check says of the same log."""

from __future__ import annotations

from pathlib import Path

from logscope.capture.open import Capture
from logscope.findings import Finding
from logscope.live.picture import Verdict, View
from logscope.live.replayed import slices
from logscope.live.view import LiveView
from logscope.logs import open_logs
from logscope.pipeline import check
from logscope.vehicle import Vehicle


def watched(log: Path | Capture, vehicle: Vehicle) -> tuple[LiveView, list[View]]:
    """The view after the whole log, and the picture after each slice."""
    live, pictures = LiveView(vehicle), []
    for piece in slices(log if isinstance(log, Capture) else open_logs([log], vehicle)):
        live.add_frames(piece.frames)
        for console in piece.consoles:
            live.add_console(console)
        live.follow(piece.until_ns)
        pictures.append(live.look())
    live.finish()
    return live, pictures


def judged(log: Path | Capture, vehicle: Vehicle) -> list[Finding]:
    """What the check finds, of what the view shows too."""
    found = check(log, vehicle, only=["precharge", "trips"]).findings
    alone = ("trip.none", "trip.pattern", "trip.near", "precharge.drift", "precharge.resistor_stress")
    return [f for f in found if f.kind.split(".")[0] in ("precharge", "trip") and f.kind not in alone]


def differences(verdicts: tuple[Verdict, ...], findings: list[Finding]) -> list[str]:
    """Where view and check disagree, in words: an event that one of them lacks, another kind, cause or constant."""
    wrong = []
    left = list(verdicts)
    for finding in findings:
        near = [v for v in left if abs(v.start_s - finding.start_s) < 0.5 and v.kind[:4] == finding.kind[:4]]
        if not near:
            wrong.append(f"{finding.kind} at {finding.start_s:.2f} s is not in the view")
            continue
        left.remove(near[0])
        if near[0].kind != finding.kind or near[0].cause != finding.cause:
            wrong.append(f"{finding.kind} {finding.cause} at {finding.start_s:.2f} s is {near[0].kind} {near[0].cause}")
        constant = finding.measured.get("time_constant_s")
        own = near[0].time_constant_s
        if constant is not None and constant.value and (own is None or abs(own / constant.value - 1) > 0.01):
            wrong.append(f"time constant {constant.value:.4g} s at {finding.start_s:.2f} s is {own}")
    return wrong + [f"{verdict.kind} at {verdict.start_s:.2f} s is in the view alone" for verdict in left]
