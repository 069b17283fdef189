"""Values that findings measure again and again, before and after: time constants, voltages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, log

import numpy as np

from logscope.arrays import FloatArray
from logscope.comparison.outcome import Exposure, Verdict
from logscope.comparison.weighed import Weighed
from logscope.findings import Finding, Measured
from logscope.measures import Aim, Repeated
from logscope.quantities import expected_text
from logscope.statistics.change import Change, change_of_repeats
from logscope.statistics.rates import Estimate

_WIDTH_OF_LIMITS = 3.92  # 95 % limits of a normal distribution, in standard deviations
_LEAST_DEVIATION = 1e-6  # no log knows a value better


@dataclass(frozen=True, slots=True, eq=False)
class Repeats:
    """The estimates of one side and their standard deviations, logarithms where changes are ratios; shape (n,) each."""

    value: FloatArray
    deviation: FloatArray


def repeats_of(measure: Repeated, findings: Sequence[Finding]) -> Repeats:
    """All values of a measure that have limits on both sides."""
    given = [
        f.measured[measure.value] for f in findings if f.kind.startswith(measure.kinds) and measure.value in f.measured
    ]
    usable = [
        (each.value, each.low, each.high)
        for each in given
        if each.value is not None and each.low is not None and each.high is not None
    ]
    rows = np.array([row for row in usable if _sound(row, measure)], dtype=np.float64).reshape(-1, 3)
    if measure.ratio:
        rows = np.log(rows)
    return Repeats(rows[:, 0], np.maximum((rows[:, 2] - rows[:, 1]) / _WIDTH_OF_LIMITS, _LEAST_DEVIATION))


def _sound(row: tuple[float, float, float], measure: Repeated) -> bool:
    return all(isfinite(x) for x in row) and (min(row) > 0 or not measure.ratio)


def weigh_repeated(measure: Repeated, before: Sequence[Finding], after: Sequence[Finding]) -> Weighed:
    """Compare a repeated value, from all findings of each side."""
    sides = [repeats_of(measure, findings) for findings in (before, after)]
    counts = (float(sides[0].value.size), float(sides[1].value.size))
    for count, which in zip(counts, ("before", "after"), strict=True):
        if not count:
            return Weighed(measure, f"It was not measured {which} the change.", exposure=Exposure(counts))
    margin = log(1.0 + measure.margin) if measure.ratio else measure.margin
    found = change_of_repeats(
        sides[0].value,
        sides[0].deviation,
        sides[1].value,
        sides[1].deviation,
        repeatability=measure.repeatability,
        margin=margin,
    )
    meaning, why = _meaning(measure, found, [*before, *after])
    matters = f"{100 * measure.margin:g} %" if measure.ratio else expected_text(Measured(measure.margin, measure.unit))
    return Weighed(
        measure,
        why or f"A change of less than {matters} counts as none.",
        found.change.p_value,
        meaning,
        _back(found.first, measure.unit, ratio=measure.ratio),
        _back(found.second, measure.unit, ratio=measure.ratio),
        _back(found.change, "1" if measure.ratio else measure.unit, ratio=measure.ratio),
        Exposure(counts, units="single measurements"),
    )


def _meaning(measure: Repeated, found: Change, findings: Sequence[Finding]) -> tuple[Verdict, str]:
    """What a real change means, and why where that is not plain."""
    expected = _expected(measure, findings)
    if expected is not None and measure.ratio:
        value, low, high = expected
        levels = [exp(found.first.value), exp(found.second.value)]
        if all(low <= level <= high for level in levels):
            return (
                Verdict.NO_DIFFERENCE,
                f"Both are within the expected {expected_text(Measured(None, measure.unit, low, high))}.",
            )
        nearer = abs(log(levels[1] / value)) < abs(log(levels[0] / value))
        wanted = expected_text(Measured(value, measure.unit))
        return (Verdict.BETTER if nearer else Verdict.WORSE), f"The vehicle file expects {wanted}."
    if measure.aim is Aim.EXPECTED:
        return (
            Verdict.NOT_COMPARABLE,
            "The expected value is unknown, so neither is better. State resistance_ohm and capacitance_uF.",
        )
    improved = (found.change.value < 0) == (measure.aim is Aim.LOWER)
    return (Verdict.BETTER if improved else Verdict.WORSE), ""


def _expected(measure: Repeated, findings: Sequence[Finding]) -> tuple[float, float, float] | None:
    """Expected value with its band, as the findings state it."""
    for finding in findings:
        if finding.kind.startswith(measure.kinds) and measure.value in finding.expected:
            given = finding.expected[measure.value]
            if given.value is not None and given.low is not None and given.high is not None:
                return given.value, given.low, given.high
    return None


def _back(estimate: Estimate, unit: str, *, ratio: bool) -> Measured:
    values = (estimate.value, estimate.low, estimate.high)
    value, low, high = (exp(each) for each in values) if ratio else values
    return Measured(value, unit, low, high)
