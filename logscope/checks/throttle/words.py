"""The pedal findings in plain words."""

from __future__ import annotations

from logscope.checks.throttle.pedal import APART_PERCENT, APART_S, JUMP_PERCENT, Rest
from logscope.checks.throttle.travel import Falling
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Measured

_STOP = "Do not drive with an unreliable pedal signal: a wrong demand cannot be distinguished from a wanted one. "


def sound_words(rest: Rest, dead: Measured | None, both: bool) -> Words:
    """Rest, noise, dead band."""
    band = "its dead band cannot be determined"
    if dead is not None:
        band = f"{number(dead.value or 0)} % of travel ({number(dead.low or 0)} to {number(dead.high or 0)} %) pass before torque is asked"
    tracks = "two tracks agree" if both else "a second track is not logged, so the two cannot be compared"
    return Words(
        f"The throttle rests at {number(rest.level)} %, noise {number(rest.noise)} %",
        f"At rest it scatters by {number(rest.noise)} % (standard deviation); {band}; {tracks}; no place in its travel is jumped over by more than {JUMP_PERCENT:g} %.",
        "Nothing to do. Let the dead band be at least six times the noise.",
        hands_near_hv=False,
    )


def noise_words(rest: Rest, dead: Measured) -> Words:
    """Noise that reaches the dead band."""
    return Words(
        f"The throttle's noise at rest reaches into its dead band: {number(rest.noise)} % against {number(dead.value or 0)} %",
        f"Six standard deviations of the resting pedal, {number(6 * rest.noise)} %, are more than the {number(dead.high or 0)} % of travel before torque is asked: a foot off the pedal may "
        "ask for torque.",
        "Widen the dead band, and look at the pedal's supply, ground and screen, with the drive switched off.",
        hands_near_hv=False,
    )


def apart_words(count: int, worst: float, usual: float) -> Words:
    """Two tracks that disagree."""
    return Words(
        f"The throttle's two tracks disagree by up to {number(worst)} %, {'once' if count == 1 else f'{count} times'}",
        f"Further apart than {APART_PERCENT:g} % of travel for {seconds(APART_S)} and more, what the pedal moves between two messages allowed for; usually {number(usual)} %. The second "
        "track's own slope and offset were learnt from the log.",
        _STOP
        + "See that the inverter stops asking for torque when the tracks part, and look at connector, supply and ground of both tracks.",
        hands_near_hv=False,
    )


def jump_words(low: float, high: float, count: int) -> Words:
    """A place that is jumped over."""
    return Words(
        f"The throttle jumps over {number(low)} to {number(high)} % of its travel",
        f"Passed {count} times by a pedal that moved slowly on both sides, without one reading between: a worn track, a loose contact, or a table with a step.",
        _STOP
        + "Press the pedal slowly with the drive switched off, watch the raw reading, and replace the pedal if it steps.",
        hands_near_hv=False,
    )


def falling_words(falling: Falling) -> Words:
    """A dip in what the pedal asks for."""
    return Words(
        f"The throttle asks for less at {number(falling.farther)} % of its travel than at {number(falling.nearer)} %",
        f"Each time the pedal stood there, at low speed, at least {number(falling.less)} {falling.unit} less was asked for than each time at {number(falling.nearer)} %: a table "
        "with a dip, or a track that turns back.",
        _STOP
        + "With the drive switched off, look at the pedal table in the inverter's settings, then press the pedal slowly and watch the raw reading: it must only rise.",
        hands_near_hv=False,
    )


def both_words(spans: list[tuple[float, float]], torque: str) -> Words:
    """Throttle and brake at once."""
    total = sum(until - since for since, until in spans)
    return Words(
        f"Throttle and brake were pressed together, {'once' if len(spans) == 1 else f'{len(spans)} times'}",
        f"For {seconds(total)} in all. {torque}",
        "Decide what should win: usually the brake does (common practice, no published source). Set the inverter so, and try it with the wheels off the ground.",
        hands_near_hv=False,
    )


def undetermined_words() -> Words:
    """The pedal is never let go, or never moves."""
    return Words(
        "The throttle cannot be judged from this log",
        "It takes a pedal that is let go for some seconds and pressed over a tenth of its travel at least.",
        "With the drive switched off but the controllers awake, record slow and quick presses over the whole travel, every 20 ms.",
        hands_near_hv=False,
    )
