"""The throttle check: rest and noise, dead band, jumps, dips, two tracks, throttle with brake."""

from __future__ import annotations

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.throttle.pedal import (
    APART_PERCENT,
    APART_S,
    JUMP_PERCENT,
    Rest,
    find_both,
    find_dead_band,
    find_disagreement,
    find_jump,
    find_rest,
)
from logscope.checks.throttle.travel import Falling, find_falling
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Evidence, Finding, Level, Measured, Severity
from logscope.observations.observations import Observations
from logscope.quantities import quantity_text
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
        text = undetermined_words()
        return [assemble("throttle.undetermined", Severity.INFO, text, span, {}, _PARTS, signals)]
    findings = []
    second, brake = signals.get("throttle_second"), signals.get("brake")
    if second is not None:
        spans, worst, usual = find_disagreement(pedal, second)
        if spans:
            measured = {"count": Measured(float(len(spans)), "1"), "peak_percent": Measured(worst, "%")}
            text = apart_words(len(spans), worst, usual)
            findings.append(assemble("throttle.tracks", Severity.DANGER, text, spans, measured, _PARTS, signals))
    jump = find_jump(pedal, rest)
    if jump is not None:
        low, high, when = jump
        measured = {"from_percent": Measured(low, "%"), "to_percent": Measured(high, "%")}
        levels = tuple(Level(level, "travel jumped over", "throttle") for level in (low, high))
        text = jump_words(low, high, len(when))
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
        text = falling_words(falling)
        evidence = Evidence(levels=levels)
        findings.append(assemble("throttle.falling", Severity.WARNING, text, span, measured, _PARTS, signals, evidence))
    dead = find_dead_band(pedal, rest, signals)
    measured = {
        "rest_percent": Measured(rest.level, "%"),
        "noise_percent": Measured(rest.noise, "%", rest.noise_low, rest.noise_high),
    }
    if dead is not None:
        measured["dead_band_percent"] = dead
    if dead is not None and (dead.high or 0.0) < NOISE_REACH * rest.noise:
        text = noise_words(rest, dead)
        findings.append(assemble("throttle.noise", Severity.WARNING, text, span, measured, _PARTS, signals))
    if brake is not None and (both := find_both(pedal, brake, rest)):
        text = both_words(both, _torque_meanwhile(signals, both))
        count = {"count": Measured(float(len(both)), "1")}
        findings.append(assemble("throttle.with_brake", Severity.INFO, text, both, count, _PARTS, signals))
    if not any(f.severity.rank >= Severity.WARNING.rank for f in findings):
        text = sound_words(rest, dead, second is not None)
        findings.append(assemble("throttle.sound", Severity.GOOD, text, span, measured, _PARTS, signals))
    return findings


def _torque_meanwhile(signals: Signals, spans: list[tuple[float, float]]) -> str:
    part = signals.get("torque") or signals.get("torque_target")
    inside = [] if part is None else [part.value[part.between(*span)] for span in spans]
    most = max((float(np.max(each)) for each in inside if each.size), default=None)
    return "Torque meanwhile: not logged." if most is None else f"Highest torque meanwhile: {most:.3g} Nm."


_STOP = "Do not drive with an unreliable pedal signal. "


def sound_words(rest: Rest, dead: Measured | None, both: bool) -> Words:
    """Rest, noise, dead band."""
    band = "Dead band not measurable." if dead is None else f"Dead band: {quantity_text(dead)} of travel."
    tracks = "The two tracks agree." if both else "A second track is not logged."
    return Words(
        f"Throttle: rests at {number(rest.level)} %, noise {number(rest.noise)} %, no fault seen",
        f"{band} {tracks} No part of the travel is skipped.",
        "Nothing to do. Keep the dead band at least six times as wide as the noise.",
        hands_near_hv=False,
        method=f"Noise is the standard deviation at rest. Skips are reported from {JUMP_PERCENT:g} % of travel.",
    )


def noise_words(rest: Rest, dead: Measured) -> Words:
    """Noise that reaches the dead band."""
    return Words(
        f"Throttle: noise at rest, {number(rest.noise)} %, reaches into the dead band of {number(dead.value or 0)} %",
        "A foot off the pedal may ask for torque.",
        "Widen the dead band. With the drive switched off, check the pedal's supply, ground and screen.",
        hands_near_hv=False,
        method=f"Six standard deviations of the resting pedal are {number(6 * rest.noise)} % of travel; torque is "
        f"asked for from {quantity_text(dead)} on.",
    )


def apart_words(count: int, worst: float, usual: float) -> Words:
    """Two tracks that disagree."""
    return Words(
        f"Throttle: the two tracks disagree by up to {number(worst)} %, {times(count)}",
        f"They usually agree within {number(usual)} %.",
        _STOP
        + "Make sure that the inverter stops asking for torque when the tracks disagree. Check connector, supply and "
        "ground of both tracks.",
        hands_near_hv=False,
        method=f"Reported where the tracks differ by more than {APART_PERCENT:g} % of travel for {seconds(APART_S)} "
        "or longer, beyond what the pedal moves between two messages. Slope and offset of the second track are "
        "learnt from the log.",
    )


def jump_words(low: float, high: float, count: int) -> Words:
    """A place that is jumped over."""
    return Words(
        f"Throttle: no reading between {number(low)} and {number(high)} % of travel",
        f"The pedal passed this place slowly, {times(count)}, without one reading inside. Usual causes: a worn "
        "track, a loose contact, or a step in the table of the pedal.",
        _STOP
        + "With the drive switched off, press the pedal slowly and watch the raw reading. Replace the pedal if it "
        "steps.",
        hands_near_hv=False,
    )


def falling_words(falling: Falling) -> Words:
    """A dip in what the pedal asks for."""
    return Words(
        f"Throttle: asks for at least {number(falling.less)} {falling.unit} less at {number(falling.farther)} % of "
        f"travel than at {number(falling.nearer)} %",
        "More pedal must never ask for less. Usual causes: a dip in the pedal table, or a track that turns back.",
        _STOP + "With the drive switched off, check the pedal table in the inverter's settings. Then press the pedal "
        "slowly: the raw reading must only rise.",
        hands_near_hv=False,
        method="Compared at low speed, every time the pedal stood at the one place with every time it stood at the "
        "other.",
    )


def both_words(spans: list[tuple[float, float]], torque: str) -> Words:
    """Throttle and brake at once."""
    total = sum(until - since for since, until in spans)
    return Words(
        f"Throttle and brake pressed together {times(len(spans))}, for {seconds(total)} in all",
        torque,
        "Decide which of them takes priority; usually the brake does. Set the inverter accordingly, and try it "
        "with the wheels off the ground.",
        hands_near_hv=False,
        method="Brake priority is common practice, no published source.",
    )


def undetermined_words() -> Words:
    """The pedal is never released, or never moves."""
    return Words(
        "Throttle: cannot be judged from this log",
        "The pedal must be released for some seconds, and pressed over at least a tenth of its travel.",
        "With the drive switched off and the controllers awake, record slow and quick presses over the whole travel, "
        "every 20 ms.",
        hands_near_hv=False,
    )
