"""The check of current or torque control: answers to steps, and swings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.current_control.loop import Loop, find_loop
from logscope.checks.current_control.pooled import behaviours, delay, steady_error
from logscope.checks.current_control.response import fit_step_response
from logscope.checks.current_control.step_response import StepResponse
from logscope.checks.current_control.steps import find_steps
from logscope.checks.current_control.swinging import find_swinging, smallest_seen
from logscope.checks.current_control.text import (
    calm_words,
    fast_words,
    no_step_words,
    response_words,
    swinging_words,
    unsearched_words,
)
from logscope.checks.wording import Words
from logscope.findings import (
    Chart,
    Curve,
    Evidence,
    Finding,
    Mark,
    Measured,
    NothingToCheck,
    Series,
    Severity,
    Style,
)
from logscope.observations.observations import Observations
from logscope.signals import Signals
from logscope.vehicle import Vehicle

# Overshoot of a damping ratio of 0.4, the lower end of what is called well damped (Ogata, chapter 5, from memory).
MOST_OVERSHOOT_PERCENT = 25.0
# A ramp hardly excites what a step would, and its overshoot is calculated from the fit: no warning comes of what half
# the answers do not show themselves, by a tenth of their height (common practice, no published source).
LEAST_SHOWN_PERCENT = 10.0
# Of full scale: more is felt as a wrong demand; a limit that is reached does it too, so it is only noted (practice).
MOST_ERROR_SHARE = 0.05
# Of full scale: a smaller swing is heard at the most, not felt (common practice, no published source).
LEAST_SWING_SHARE = 0.01
_OVERLAID = 8  # answers in the chart


def current_control(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """Judge how the torque, or else the motor current, follows its target.

    Needs the pair of one of them; uses `motor_speed` for where it rings. Raises MissingPart, or NothingToCheck where
    the target never asks for anything.
    """
    loop = find_loop(signals, vehicle)
    if not loop.measured.has_period:
        raise NothingToCheck(f"the {loop.name} has too few samples")
    if not np.ptp(loop.target.value):
        raise NothingToCheck(f"the target of the {loop.name} never changes")
    return [_answering(loop, _answers(loop)), _swinging(loop)]


def _answers(loop: Loop) -> list[StepResponse]:
    part, found = loop.measured, []
    for step in find_steps(loop.target, loop.target.value):
        rows = part.between(step.low_s, step.until_s)
        answer = fit_step_response(
            part.time_s[rows], part.value[rows], step, part.period_s, loop.noise, loop.stamps_apart_s
        )
        if answer is not None and not (loop.by_magnitude and answer.may_fold(loop.noise, part.period_s)):
            found.append(answer)
    return sorted(found, key=lambda answer: answer.step.start_s)


def _answering(loop: Loop, answers: list[StepResponse]) -> Finding:
    if not answers:
        return _finding(
            loop, "undetermined", Severity.INFO, no_step_words(loop), ((0.0, float(loop.measured.time_s[-1])),), {}
        )
    error = steady_error(answers, loop.unit)
    room = MOST_ERROR_SHARE * loop.full_scale
    off = min(abs(error.low or 0.0), abs(error.high or 0.0)) > room and (error.low or 0.0) * (error.high or 0.0) > 0
    measured = {"count": Measured(float(len(answers)), "1"), f"steady_error_{loop.unit}": error}
    events = tuple((a.step.start_s, a.step.end_s) for a in answers)
    found = behaviours(loop, answers)
    if not found:
        within_s = float(np.median([a.within_s for a in answers]))
        measured = {"rise_time_s": Measured(None, "s", None, within_s)} | measured
        words = fast_words(loop, len(answers), within_s, error, off)
        return _finding(loop, "undetermined", Severity.INFO, words, events, measured, _overlaid(loop, answers))
    worst = max(found, key=lambda one: one.figures["overshoot_percent"].value or 0.0)
    shown = 100 * float(np.median([answer.peak_share for answer in answers]))
    ringing = (worst.figures["overshoot_percent"].low or 0.0) > MOST_OVERSHOOT_PERCENT and shown > LEAST_SHOWN_PERCENT
    seen = [a for a in answers if not a.fast]
    late = delay(seen, loop.measured.period_s)
    measured = {**worst.figures, "delay_s": late, **measured, "count": Measured(float(len(seen)), "1")}
    events = tuple((a.step.start_s, a.step.end_s) for a in seen)
    words = response_words(loop, found, worst, late, error, ringing, off)
    severity = Severity.WARNING if ringing else Severity.INFO if off else Severity.GOOD
    return _finding(loop, "response", severity, words, events, measured, _overlaid(loop, answers))


def _overlaid(loop: Loop, answers: Sequence[StepResponse]) -> Evidence:
    """The answers over one another, each as a share of its step, the largest first, and the fit to that."""
    answers = sorted(answers, key=lambda a: (a.fast, -abs(a.step.height)))
    first = answers[0]
    series = tuple(
        Series(f"step at {a.step.start_s:.2f} s", a.time_s - a.step.start_s, (a.value - a.step.before) / a.step.height)
        for a in answers[:_OVERLAID]
    )
    chart = Chart("time since the target moved", "s", f"{loop.name}, share of the step", "", series)
    curve = Curve("second-order loop fitted", loop.measured.name, first.time_s, first.fitted)
    return Evidence(
        curves=() if first.fast else (curve,),
        marks=(Mark(first.step.start_s, "target moves"),),
        window=(first.step.start_s - 0.3, first.step.end_s + 1.0),
        charts=(chart,),
    )


def _swinging(loop: Loop) -> Finding:
    found, searched = find_swinging(loop)
    if found is None:
        span = ((float(loop.measured.time_s[0]), float(loop.measured.time_s[-1])),)
        if not searched.windows:
            return _finding(loop, "undetermined", Severity.INFO, unsearched_words(loop), span, {})
        smallest = {f"smallest_seen_{loop.unit}": Measured(smallest_seen(searched), loop.unit)}
        return _finding(loop, "calm", Severity.GOOD, calm_words(loop, searched), span, smallest)
    small = (found.amplitude.value or 0.0) < LEAST_SWING_SHARE * loop.full_scale
    growing = found.damping.high is not None and found.damping.high < 0 and not small and not found.follows_shaft
    measured = {
        "count": Measured(float(len(found.events)), "1"),
        "swing_Hz": found.frequency,
        f"amplitude_{loop.unit}": found.amplitude,
        "damping_ratio": Measured(None, "1") if found.follows_shaft else found.damping,
        **{f"{name}_speed_percent": Measured(share, "%") for name, share in found.by_band.items()},
    }
    chart = Chart(
        "motor speed",
        "rpm",
        "amplitude",
        loop.unit,
        (Series("windows that swing", found.rpm, found.size, style=Style.POINTS),),
    )
    worst = max(found.events, key=lambda event: event[1] - event[0])
    evidence = Evidence(
        window=(worst[0], min(worst[1], worst[0] + 3.0)), charts=(chart,) if np.isfinite(found.rpm).any() else ()
    )
    severity = Severity.DANGER if growing else Severity.INFO if small else Severity.WARNING
    words = swinging_words(loop, found, growing=growing, small=small)
    cause = "shaft" if found.follows_shaft else None if found.per_turn is None else "undetermined"
    return _finding(loop, "oscillation", severity, words, found.events, measured, evidence, cause)


def _finding(
    loop: Loop,
    outcome: str,
    severity: Severity,
    words: Words,
    events: tuple[tuple[float, float], ...],
    measured: dict[str, Measured],
    evidence: Evidence | None = None,
    cause: str | None = None,
) -> Finding:
    parts = (loop.measured.name, loop.target.name, *(("motor_speed",) if loop.speed is not None else ()))
    return assemble(
        f"current_control.{outcome}", severity, words, events, measured, parts, parts, evidence, cause=cause
    )
