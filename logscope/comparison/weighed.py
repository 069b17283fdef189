"""A measure weighed on both sides, before all measures are judged together."""

from __future__ import annotations

from dataclasses import dataclass

from logscope.comparison.outcome import Exposure, Verdict
from logscope.findings import Measured
from logscope.measures import Measure


@dataclass(frozen=True, slots=True)
class Weighed:
    """What one measure shows.

    p_value : of no change that matters; None where the sides cannot be compared, and `reason` says why
    if_shown : what a change means if it is real; reason : of it, or what the limits leave open
    other fields : as in ComparedMeasure
    """

    measure: Measure
    reason: str
    p_value: float | None = None
    if_shown: Verdict = Verdict.NOT_COMPARABLE
    before: Measured | None = None
    after: Measured | None = None
    effect: Measured | None = None
    exposure: Exposure | None = None
    could_show: float | None = None
    more_min: float | None = None
