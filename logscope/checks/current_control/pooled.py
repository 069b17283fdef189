"""The figures of several answers together, and by speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.checks.current_control.loop import BANDS, Loop
from logscope.checks.current_control.step_response import FIGURES, StepResponse
from logscope.findings import Measured
from logscope.statistics.distributions import student_quantile
from logscope.statistics.pooled import Pooled, pool


@dataclass(frozen=True, slots=True, eq=False)
class Behaviour:
    """How the loop answers in one third of the speed range, or in all where the speed is not logged."""

    band: str
    count: int
    figures: dict[str, Measured]


def behaviours(loop: Loop, answers: Sequence[StepResponse]) -> list[Behaviour]:
    """One for each third of the speed range that holds an answer slow enough to be seen."""
    seen = [answer for answer in answers if not answer.fast]
    band = loop.band(np.array([answer.step.start_s for answer in seen]))
    found = []
    for k, name in [*enumerate(BANDS), (None, "unknown")]:
        own = [a for a, b in zip(seen, band, strict=True) if (np.isnan(b) if k is None else b == k)]
        if own:
            found.append(Behaviour(name, len(own), _figures(own)))
    return found


def _joint(answers: Sequence[StepResponse]) -> Pooled:
    """ωₙ [rad/s] and ζ of all answers, as logarithms: a step of twice the height counts four times as much."""
    return pool(
        np.array([[a.log_natural, a.log_damping] for a in answers]),
        np.array([a.covariance for a in answers]),
        np.array([a.step.height**2 for a in answers]),
        [a.freedom for a in answers],
    )


def _figures(answers: Sequence[StepResponse]) -> dict[str, Measured]:
    joint, found = _joint(answers), {}
    for name, (unit, of) in FIGURES.items():
        value, low, high = joint.figure(
            lambda natural, damping, of=of: of(float(np.exp(natural)), float(np.exp(damping)))
        )
        found[name] = Measured(value, unit, low, high)
    return found


def delay(answers: Sequence[StepResponse], period_s: float) -> Measured:
    """From the target's move to the answer's begin [s]; the sampling of both leaves a period open on each side."""
    low = [a.start_s - a.step.start_s - a.reach * a.start_error for a in answers]
    high = [a.start_s - a.step.start_s + a.step.early_s + a.reach * a.start_error for a in answers]
    middle = [(one + other) / 2 for one, other in zip(low, high, strict=True)]
    value, least, most = (float(np.median(each)) for each in (middle, low, high))
    if least <= 0.0:  # no delay is as likely: only a bound is left, and never a finer one than a sample
        return Measured(None, "s", None, max(most, period_s))
    return Measured(value, "s", least, most)


def steady_error(answers: Sequence[StepResponse], unit: str) -> Measured:
    """Measured less target once settled, after the steps to larger levels, with Student's limits over those steps.

    A wrong scale shows where there is much to scale; after a step to zero there is none.
    """
    sizes = [abs(a.step.after) for a in answers]
    answers = [a for a, size in zip(answers, sizes, strict=True) if size >= max(sizes) / 2]
    errors = np.array([a.error for a in answers])
    single = float(np.mean([a.error_reach for a in answers]))
    mean = float(errors.mean())
    reach = single
    if errors.size >= 2:
        spread = float(errors.std(ddof=1) / np.sqrt(errors.size))
        reach = max(student_quantile(0.975, errors.size - 1) * spread, single / float(np.sqrt(errors.size)))
    return Measured(mean, unit, mean - reach, mean + reach)
