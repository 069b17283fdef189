"""The texts of the pedal findings."""

from __future__ import annotations

from logscope.checks.throttle.pedal import APART_PERCENT, APART_S, JUMP_PERCENT, Rest
from logscope.checks.throttle.travel import Falling
from logscope.checks.wording import Words, number, seconds, times
from logscope.findings import Measured
from logscope.quantities import quantity_text

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
        method=f"Six standard deviations of the resting pedal are {number(6 * rest.noise)} % of travel; torque is asked for "
        f"from {quantity_text(dead)} on.",
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
        method=f"Reported where the tracks differ by more than {APART_PERCENT:g} % of travel for {seconds(APART_S)} or longer, "
        "beyond what the pedal moves between two messages. Slope and offset of the second track are learnt from the log.",
    )


def jump_words(low: float, high: float, count: int) -> Words:
    """A place that is jumped over."""
    return Words(
        f"Throttle: no reading between {number(low)} and {number(high)} % of travel",
        f"The pedal passed this place slowly, {times(count)}, without one reading inside. Usual causes: a worn track, a loose "
        "contact, or a step in the table of the pedal.",
        _STOP
        + "With the drive switched off, press the pedal slowly and watch the raw reading. Replace the pedal if it steps.",
        hands_near_hv=False,
    )


def falling_words(falling: Falling) -> Words:
    """A dip in what the pedal asks for."""
    return Words(
        f"Throttle: asks for at least {number(falling.less)} {falling.unit} less at {number(falling.farther)} % of travel than at "
        f"{number(falling.nearer)} %",
        "More pedal must never ask for less. Usual causes: a dip in the pedal table, or a track that turns back.",
        _STOP
        + "With the drive switched off, check the pedal table in the inverter's settings. Then press the pedal slowly: the "
        "raw reading must only rise.",
        hands_near_hv=False,
        method="Compared at low speed, every time the pedal stood at the one place with every time it stood at the other.",
    )


def both_words(spans: list[tuple[float, float]], torque: str) -> Words:
    """Throttle and brake at once."""
    total = sum(until - since for since, until in spans)
    return Words(
        f"Throttle and brake pressed together {times(len(spans))}, for {seconds(total)} in all",
        torque,
        "Decide which of them wins; usually the brake does. Set the inverter accordingly, and try it with the wheels off the "
        "ground.",
        hands_near_hv=False,
        method="That the brake wins is common practice, no published source.",
    )


def undetermined_words() -> Words:
    """The pedal is never released, or never moves."""
    return Words(
        "Throttle: cannot be judged from this log",
        "The pedal must be released for some seconds, and pressed over at least a tenth of its travel.",
        "With the drive switched off and the controllers awake, record slow and quick presses over the whole travel, every "
        "20 ms.",
        hands_near_hv=False,
    )
