"""The texts of the findings on current and torque control."""

from __future__ import annotations

from collections.abc import Sequence

from logscope.checks.current_control.loop import Loop
from logscope.checks.current_control.pooled import Behaviour
from logscope.checks.current_control.swinging import Swinging, smallest_seen
from logscope.checks.wording import Words, seconds
from logscope.findings import Measured
from logscope.quantities import quantity_text
from logscope.statistics.oscillation import SHORTEST_TURNS, SHORTEST_WINDOWS, WINDOW, Swings

_PRACTICE = "The advice is common practice, no published source."
_LOWER = (
    "Lower the proportional gain, then the integral gain, in steps of a fifth, one at a time; record the same run "
    "after each. Check that the motor's resistance and inductance are entered as measured. Begin with the wheels off "
    "the ground and a low current limit."
)
_SMALL = "Leave it. Look again if it grows with speed or load."
_MOUNTING = (
    "Check the encoder's seat, its run-out and the gap to its sensor, then balance and couplings of the shaft. Leave "
    "the gains as they are until that is done."
)
_SCALE = "Check the target's scale, a current or torque limit that is reached, and the integral gain. "
_KEEP = "Nothing to change here. Keep the log for comparison with later settings."


def response_words(
    loop: Loop, found: Sequence[Behaviour], worst: Behaviour, delay: Measured, error: Measured, ringing: bool, off: bool
) -> Words:
    """How the loop responds to a step."""
    bands = [
        f"At {one.band} speed, {one.count} step{'s' * (one.count != 1)}: overshoot "
        f"{quantity_text(one.figures['overshoot_percent'])}, rise 10 to 90 % "
        f"{quantity_text(one.figures['rise_time_s'])}, within 5 % after "
        f"{quantity_text(one.figures['settling_time_s'])}, damping ratio "
        f"{quantity_text(one.figures['damping_ratio'])}."
        for one in found
    ]
    figures = worst.figures
    overshoot, rise = figures["overshoot_percent"], figures["rise_time_s"]
    return Words(
        f"{_name(loop)}: {quantity_text(Measured(overshoot.value, '%'))} overshoot, rise time "
        f"{quantity_text(Measured(rise.value, 's'))}",
        f"Overshoot {quantity_text(overshoot)}, delay {quantity_text(delay)}. Once settled it is "
        f"{quantity_text(error)} off the target.",
        f"{_LOWER if ringing else ''} {_SCALE if off else ''}".strip() or _KEEP,
        hands_near_hv=ringing,
        method="Steps of the target between two levels, each response fitted by a second-order loop with a delay; "
        f"the sampling of both messages is allowed for. {' '.join(bands)} {_PRACTICE}",
    )


def fast_words(loop: Loop, count: int, within_s: float, error: Measured, off: bool) -> Words:
    """A response too quick for the sampling."""
    return Words(
        f"{_name(loop)}: responds within {seconds(within_s)}, too fast to resolve at "
        f"{seconds(loop.measured.period_s)} sampling",
        f"Overshoot or ringing between two samples is not seen. Once settled it is {quantity_text(error)} off the "
        "target.",
        f"{_SCALE if off else ''}For rise time and overshoot record target and measured value every 1 ms, or use the "
        "inverter's own trace.",
        hands_near_hv=False,
        method=f"{count} step{'s' * (count != 1)} of the target. Either the response has too few samples, or the "
        "target moves too slowly, or the response is not that of a second-order loop, as when the driveline "
        "oscillates with it. The bound is the lag behind the target at nine tenths of the step.",
    )


def no_step_words(loop: Loop) -> Words:
    """No step of the target."""
    return Words(
        f"{_name(loop)}: response cannot be determined, its target never steps",
        "It needs a change of the target within a second between two levels that each last 0.2 s, by at least a "
        "tenth of its range.",
        "With the wheels off the ground and a low limit, press and release the pedal sharply a few times, holding "
        "each level for a second.",
        hands_near_hv=False,
        method=f"The target is logged every {seconds(loop.target.period_s)}.",
    )


def swinging_words(loop: Loop, found: Swinging, *, growing: bool, small: bool) -> Words:
    """A loop that oscillates."""
    bands = "; ".join(f"{share:.3g} % of the time at {name} speed" for name, share in found.by_band.items())
    count = len(found.events)
    who = (
        "The target oscillates as well: look first for what moves the demand (throttle, speed control, driveline)."
        if found.with_target
        else "The target does not oscillate: the loop does, or what it drives."
    )
    often = {None: "", 1: "once a turn", 2: "twice a turn"}[found.per_turn]
    turning = f", {often}" if found.follows_shaft else ""
    if often and not turning:
        who = f"At this speed it is also {often} of the shaft: loop and encoder look alike. Record it at another speed."
    if turning:
        who = "Its frequency follows the motor speed: encoder or shaft cause it, not the loop's gain."
        advice, damping = _MOUNTING, ""
    else:
        advice = f"{'Do not drive on with these settings. ' if growing else ''}{_LOWER}"
        damping = "negative: the oscillation grows" if growing else "about zero: it sustains itself"
        damping = f"Damping ratio {quantity_text(found.damping)}, {damping}. "
    return Words(
        f"{_name(loop)}: oscillates by ±{quantity_text(Measured(found.amplitude.value, loop.unit))} at "
        f"{quantity_text(Measured(found.frequency.value, 'Hz'))}" + turning + (", and it grows" if growing else ""),
        f"{count} episode{'s' * (count != 1)}, {bands or 'at unknown speed'}. {who}",
        _SMALL if small else advice,
        hands_near_hv=not small,
        method=f"{damping}An oscillation above half the sampling rate, "
        f"{quantity_text(Measured(0.5 / loop.measured.period_s, 'Hz'))}, shows at a wrong, lower frequency. "
        + ("It is below a hundredth of full scale, as the steps of a speed sensor cause it. " if small else "")
        + _PRACTICE,
    )


def calm_words(loop: Loop, searched: Swings) -> Words:
    """No oscillation."""
    shortest = seconds(SHORTEST_WINDOWS * searched.window * loop.measured.period_s)
    smallest = quantity_text(Measured(smallest_seen(searched), loop.unit))
    return Words(
        f"{_name(loop)}: no oscillation above ±{smallest}",
        f"Searched from {quantity_text(Measured(searched.lowest_hz, 'Hz'))} to "
        f"{quantity_text(Measured(0.5 / loop.measured.period_s, 'Hz'))}, lasting {shortest} or {SHORTEST_TURNS} turns, "
        "whichever is longer. Faster ones show only where the sampling folds them to a lower frequency.",
        _KEEP,
        hands_near_hv=False,
        method=f"Measured minus target, searched for lasting oscillations; its noise is "
        f"{quantity_text(Measured(searched.noise, loop.unit))}.",
    )


def unsearched_words(loop: Loop) -> Words:
    """Too short a log."""
    return Words(
        f"{_name(loop)}: oscillations cannot be determined, too few samples",
        f"The search needs two windows of {WINDOW} samples without a gap. Logged: {loop.measured.value.size} "
        f"samples, one every {seconds(loop.measured.period_s)}.",
        "Record a longer run, with target and measured value every 10 ms or faster.",
        hands_near_hv=False,
    )


def _name(loop: Loop) -> str:
    return f"{loop.name[:1].upper()}{loop.name[1:]} control"
