"""What one run shows of the vehicle's tuning: measures with their limits, a step response, and what to change next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from logscope.findings import Finding, Measured, Severity
from logscope.result import Result

_KINDS = ("current_control.", "driveline.", "throttle.", "machine.", "regeneration.", "battery.", "limits.")
_CONTROL = "current_control."
_KEPT_POINTS = 200  # of a step response: enough to draw its overshoot and ringing
_SETTLINGS = 3.0  # settling times that are kept of it, and a third of that before the step


class Aspect(NamedTuple):
    """One column of the table: the finding and value it comes from, and which way is better (0: neither)."""

    kind: str
    value: str
    title: str
    better: int = 0


# Which way is better is clear for these alone; the others depend on the vehicle and on taste. No oscillation and no
# judder at all would be best, but a run without them has no value here.
ASPECTS: tuple[Aspect, ...] = (
    Aspect("current_control.response", "overshoot_percent", "Overshoot", -1),
    Aspect("current_control.response", "rise_time_s", "Rise time"),
    Aspect("current_control.response", "settling_time_s", "Settling time", -1),
    Aspect("current_control.oscillation", "swing_Hz", "Oscillation of the control"),
    Aspect("current_control.oscillation", "damping_ratio", "Damping of the oscillation"),
    Aspect("driveline.judder", "judder_Hz", "Launch judder"),
    Aspect("driveline.judder", "damping_ratio", "Damping of the judder"),
    Aspect("throttle.sound", "dead_band_percent", "Dead band of the pedal"),
    Aspect("machine.operating_points", "efficiency_percent", "Efficiency, battery to shaft", 1),
    Aspect("battery.resistance", "resistance_ohm", "Battery resistance", -1),
    Aspect("battery.energy", "consumption_Wh_per_km", "Consumption", -1),
    Aspect("battery.energy", "returned_percent", "Returned by braking", 1),
    Aspect("limits.margin", "motor_current_margin_A", "Smallest margin of motor current"),
)


class Advice(NamedTuple):
    """What the run calls for: what was found, what to change or look at next, and the caution where there is one."""

    title: str
    next_step: str
    caution: str


@dataclass(frozen=True, slots=True)
class Tuning:
    """One run.

    values : by title of the aspect, only what this run holds
    loop : the part whose control was judged, empty where none was; runs judged by different parts are not alike in it
    step_s, step_share : the largest step response, time since the target moved [s] and share of the step; empty where
        there is none
    """

    values: Mapping[str, Measured] = field(default_factory=dict)
    step_s: tuple[float, ...] = ()
    step_share: tuple[float, ...] = ()
    advice: Advice | None = None
    loop: str = ""


def tuning_of(result: Result) -> Tuning:
    """What a checked log shows of the tuning."""
    findings = [finding for finding in result.findings if finding.kind.startswith(_KINDS)]
    values = {
        aspect.title: finding.measured[aspect.value]
        for aspect in ASPECTS
        for finding in findings
        if finding.kind == aspect.kind
        and aspect.value in finding.measured
        and finding.measured[aspect.value].value is not None
    }
    judged = next((finding.parts[0] for finding in findings if finding.kind.startswith(_CONTROL) and finding.parts), "")
    return Tuning(values, *_step(findings), _advice(findings), judged)


def tuning_from(stored: Mapping[str, Any]) -> Tuning:
    """What `asdict` made of it, after JSON."""
    return Tuning(
        {name: Measured(**value) for name, value in stored["values"].items()},
        tuple(stored["step_s"]),
        tuple(stored["step_share"]),
        Advice(*stored["advice"]) if stored["advice"] else None,
        stored["loop"],
    )


def bests(runs: Sequence[Tuning]) -> dict[str, int | None]:
    """By title of the aspect, which of the runs is best; None where none stands out, or they are not alike."""
    alike = len({each.loop for each in runs if each.loop}) <= 1
    return {
        aspect.title: best_of(aspect, [each.values.get(aspect.title) for each in runs])
        if alike or not aspect.kind.startswith(_CONTROL)
        else None
        for aspect in ASPECTS
    }


def best_of(aspect: Aspect, runs: Sequence[Measured | None]) -> int | None:
    """Which run is best in an aspect; None where its limits do not part from those of every other run that has it."""
    sides = [(k, each.low, each.high) for k, each in enumerate(runs) if each is not None]
    ranges = [(k, low, high) for k, low, high in sides if low is not None and high is not None]
    if not aspect.better or len(ranges) < 2 or len(ranges) < len(sides):
        return None
    worth = sorted((aspect.better * (low if aspect.better > 0 else high), k, low, high) for k, low, high in ranges)
    _, best, low, high = worth[-1]
    others = [(o_low, o_high) for _, _, o_low, o_high in worth[:-1]]
    clear = all(low > o_high for _, o_high in others) if aspect.better > 0 else all(high < o_low for o_low, _ in others)
    return best if clear else None


def _step(findings: Sequence[Finding]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The first response of the chart that overlays them, from a little before the step until it has settled."""
    answers = [f for f in findings if f.kind == "current_control.response" and f.evidence.charts]
    if not answers or not answers[0].evidence.charts[0].series:
        return (), ()
    series = answers[0].evidence.charts[0].series[0]
    settling = answers[0].measured.get("settling_time_s")
    reach_s = _SETTLINGS * settling.value if settling and settling.value else float(series.x[-1])
    near = np.flatnonzero((series.x >= -reach_s / 3) & (series.x <= reach_s))
    if not near.size:
        return (), ()
    kept = near[np.unique(np.linspace(0, near.size - 1, min(_KEPT_POINTS, near.size)).astype(np.intp))]
    return tuple(series.x[kept].tolist()), tuple(series.y[kept].tolist())


def _advice(findings: Sequence[Finding]) -> Advice | None:
    """The gravest finding that asks for something; the control comes before what depends on it."""
    asking = [finding for finding in findings if finding.severity.rank >= Severity.WARNING.rank]
    if not asking:
        return None
    gravest = max(asking, key=lambda finding: (finding.severity.rank, -_order(finding.kind)))
    return Advice(gravest.title, gravest.next_step, gravest.caution)


def _order(kind: str) -> int:
    return next(k for k, prefix in enumerate(_KINDS) if kind.startswith(prefix))
