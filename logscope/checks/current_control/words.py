"""The findings on current and torque control in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.current_control.loop import Loop
from logscope.checks.current_control.pooled import Behaviour
from logscope.checks.current_control.swinging import Swinging, smallest_seen
from logscope.checks.wording import Words, number, seconds
from logscope.findings import Measured
from logscope.statistics.oscillation import WINDOW, Swings

_PRACTICE = "Common practice, no published source: "
_LOWER = (
    _PRACTICE
    + "lower the proportional gain, then the integral gain, in steps of a fifth, one at a time, and record the same run after each; check "
    "that the motor's resistance and inductance are entered as measured. Begin with the wheels off the ground and a low current limit."
)
_SMALL = (
    _PRACTICE
    + "leave it. It is less than a hundredth of full scale, as the steps of a speed sensor make it, and is heard at the "
    "most. Look again should it grow with speed or load."
)
_KEEP = "Nothing to change here. Keep the log: later settings can be compared with it."


def response_words(
    loop: Loop, found: Sequence[Behaviour], worst: Behaviour, delay: Measured, error: Measured, ringing: bool, off: bool
) -> Words:
    """How the loop answers a step."""
    told = [
        f"At {one.band} speed ({one.count} step{'s' * (one.count != 1)}): overshoot {_limits(one.figures['overshoot_percent'])} %, rise 10 to 90 % in "
        f"{_limits(one.figures['rise_time_s'], 1e3)} ms, within 5 % after {_limits(one.figures['settling_time_s'], 1e3)} ms, damping ratio "
        f"{_limits(one.figures['damping_ratio'])}."
        for one in found
    ]
    figures = worst.figures
    return Words(
        f"The {loop.name} follows its target with {number(figures['overshoot_percent'].value or 0)} % overshoot, rise {seconds(figures['rise_time_s'].value or 0)}",
        "Steps of the target between two levels, each answer fitted by a second-order loop with a delay. "
        + " ".join(told)
        + f" Delay behind the target {_limits(delay, 1e3)} ms, both messages' sampling allowed for. Once settled it is {_limits(error)} {loop.unit} off the target.",
        (_LOWER if ringing else "")
        + (
            " Look at the target's scale, at a current or torque limit that is reached, and at the integral gain."
            if off
            else ""
        )
        or _KEEP,
        hands_near_hv=ringing,
    )


def fast_words(loop: Loop, count: int, within_s: float, error: Measured, off: bool) -> Words:
    """An answer too quick for the sampling."""
    period = loop.measured.period_s
    return Words(
        f"The {loop.name} responds within {seconds(within_s)}, too fast to resolve at {seconds(period)} sampling",
        f"{count} step{'s' * (count != 1)} of the target: the answer is over in fewer samples than it takes to draw it, or the target moves too slowly to try the loop, or the answer is not "
        f"that of a second-order loop, as where the driveline swings along. It trails the target by at most "
        f"{seconds(within_s)} at nine tenths of the way, which is all the log can bound; overshoot or ringing between two samples is not seen. Once settled it is {_limits(error)} {loop.unit} "
        "off the target.",
        ("Look at the target's scale, at a limit that is reached, and at the integral gain. " if off else "")
        + "For rise and overshoot record target and measured value every 1 ms, or with the inverter's own trace.",
        hands_near_hv=False,
    )


def no_step_words(loop: Loop) -> Words:
    """No step of the target."""
    return Words(
        f"The {loop.name}'s target never steps, so the response cannot be determined",
        f"It takes a change of the target between two levels that each stand for 0.2 s, by a tenth of its range or more, within a second. Target every "
        f"{seconds(loop.target.period_s)}.",
        "With the wheels off the ground and a low limit, press and release the pedal sharply a few times, holding each level for a second.",
        hands_near_hv=False,
    )


def swinging_words(loop: Loop, found: Swinging, *, growing: bool, small: bool) -> Words:
    """A loop that swings."""
    hz, size = found.frequency.value or 0.0, found.amplitude.value or 0.0
    bands = "; ".join(f"{share:.3g} % of the time at {name} speed" for name, share in found.by_band.items())
    count = len(found.events)
    who = (
        "The target swings at the same frequency: look for what makes the demand swing (throttle, speed control, driveline) before the loop."
        if found.with_target
        else "The target does not swing: it is the loop, or what it drives."
    )
    return Words(
        f"The {loop.name} swings by ±{number(size)} {loop.unit} at {number(hz)} Hz"
        + (", and it grows" if growing else ""),
        f"{count} episode{'s' * (count != 1)}, {bands or 'at unknown speed'}. Damping ratio {_limits(found.damping)}: "
        + ("below nought, the swing feeds itself. " if growing else "about nought is a swing that sustains itself. ")
        + who
        + f" A swing faster than half the sampling rate, {number(0.5 / loop.measured.period_s)} Hz, shows at a wrong, lower frequency.",
        _SMALL if small else ("Do not drive on with these settings. " if growing else "") + _LOWER,
        hands_near_hv=not small,
    )


def calm_words(loop: Loop, searched: Swings) -> Words:
    """No swing."""
    return Words(
        f"The {loop.name} does not oscillate by itself",
        f"Measured minus target was searched for lasting oscillations from {number(searched.lowest_hz)} to {number(0.5 / loop.measured.period_s)} Hz. "
        f"One of ±{number(smallest_seen(searched))} {loop.unit} would have been seen; the noise is {number(searched.noise)} {loop.unit}. "
        "Faster ones show only where sampling folds them to a lower frequency.",
        _KEEP,
        hands_near_hv=False,
    )


def unsearched_words(loop: Loop) -> Words:
    """Too short a log."""
    return Words(
        f"Oscillations of the {loop.name}: too few samples to search for any",
        f"The search needs two windows of {WINDOW} samples without a gap; here are {loop.measured.value.size} samples, one every "
        f"{seconds(loop.measured.period_s)}.",
        "Record a longer run, with target and measured value every 10 ms or faster.",
        hands_near_hv=False,
    )


def _limits(value: Measured, scale: float = 1.0) -> str:
    if value.value is None:
        return "not determined" if value.high is None else f"at most {number(scale * value.high)}"
    middle = number(scale * value.value)
    if value.low is None or value.high is None:
        return middle
    return f"{middle} ({number(scale * value.low)} to {number(scale * value.high)})"
