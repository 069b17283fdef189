"""The throttle check: rest and noise, dead band, jumps, dips, two tracks, throttle with brake."""

from __future__ import annotations

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.throttle import words
from logscope.checks.throttle.pedal import (
    find_both,
    find_dead_band,
    find_disagreement,
    find_jump,
    find_rest,
)
from logscope.checks.throttle.travel import find_falling
from logscope.findings import Evidence, Finding, Level, Measured, Severity
from logscope.observations.observations import Observations
from logscope.signals import Signals
from logscope.vehicle import Vehicle

NOISE_REACH = 6.0  # standard deviations within which the dead band must hold the noise: passed once in 10⁹ readings
_PARTS = ("throttle", "throttle_second", "brake", "torque_target")


def throttle(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge the pedal. Needs `throttle`; uses `throttle_second`, `brake` and what torque is asked, where they exist.

    Raises MissingPart where no throttle is logged.
    """
    pedal = signals["throttle"]
    span = ((float(pedal.time_s[0]), float(pedal.time_s[-1])),)
    rest = find_rest(pedal)
    if rest is None:
        text = words.undetermined_words()
        return [assemble("throttle.undetermined", Severity.INFO, text, span, {}, _PARTS, signals)]
    findings = []
    second, brake = signals.get("throttle_second"), signals.get("brake")
    if second is not None:
        spans, worst, usual = find_disagreement(pedal, second)
        if spans:
            measured = {"count": Measured(float(len(spans)), "1"), "peak_percent": Measured(worst, "%")}
            text = words.apart_words(len(spans), worst, usual)
            findings.append(assemble("throttle.tracks", Severity.DANGER, text, spans, measured, _PARTS, signals))
    jump = find_jump(pedal, rest)
    if jump is not None:
        low, high, when = jump
        measured = {"from_percent": Measured(low, "%"), "to_percent": Measured(high, "%")}
        levels = tuple(Level(level, "travel jumped over", "throttle") for level in (low, high))
        text = words.jump_words(low, high, len(when))
        passes = [(at, at + pedal.period_s) for at in when]
        findings.append(
            assemble(
                "throttle.jump", Severity.WARNING, text, passes, measured, _PARTS, signals, Evidence(levels=levels)
            )
        )
    falling = find_falling(pedal, rest, signals)
    if falling is not None:
        measured = {
            "from_percent": Measured(falling.nearer, "%"),
            "to_percent": Measured(falling.farther, "%"),
            f"less_{falling.unit}": Measured(falling.less, falling.unit),
        }
        levels = tuple(Level(each, "more pedal, less asked", "throttle") for each in (falling.nearer, falling.farther))
        text = words.falling_words(falling)
        evidence = Evidence(levels=levels)
        findings.append(assemble("throttle.falling", Severity.WARNING, text, span, measured, _PARTS, signals, evidence))
    dead = find_dead_band(pedal, rest, signals)
    measured = {"rest_percent": Measured(rest.level, "%"), "noise_percent": Measured(rest.noise, "%")}
    if dead is not None:
        measured["dead_band_percent"] = dead
    if dead is not None and (dead.high or 0.0) < NOISE_REACH * rest.noise:
        text = words.noise_words(rest, dead)
        findings.append(assemble("throttle.noise", Severity.WARNING, text, span, measured, _PARTS, signals))
    if brake is not None and (both := find_both(pedal, brake, rest)):
        text = words.both_words(both, _torque_meanwhile(signals, both))
        count = {"count": Measured(float(len(both)), "1")}
        findings.append(assemble("throttle.with_brake", Severity.INFO, text, both, count, _PARTS, signals))
    if not any(f.severity.rank >= Severity.WARNING.rank for f in findings):
        text = words.sound_words(rest, dead, second is not None)
        findings.append(assemble("throttle.sound", Severity.GOOD, text, span, measured, _PARTS, signals))
    return findings


def _torque_meanwhile(signals: Signals, spans: list[tuple[float, float]]) -> str:
    part = signals.get("torque") or signals.get("torque_target")
    if part is None:
        return "Torque meanwhile: not logged."
    inside = [part.value[part.between(*span)] for span in spans]
    most = max((float(np.max(each)) for each in inside if each.size), default=0.0)
    return f"Largest torque meanwhile: {most:.3g} Nm."
