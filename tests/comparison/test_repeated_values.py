"""Values that findings measure again and again: which count, what a change is worth, and which way is better."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log

import numpy as np
import pytest
from scipy import stats

from logscope.comparison.outcome import Verdict
from logscope.comparison.repeated import repeats_of, weigh_repeated
from logscope.findings import Finding, Measured, Severity
from logscope.measures import Aim, Repeated

RATIO = Repeated(
    "tau", "Time constant", "s", ("precharge.",), "tau_s", ratio=True, aim=Aim.EXPECTED, repeatability=0.0, margin=0.1
)
PLAIN = replace(RATIO, unit="V", ratio=False, aim=Aim.LOWER, margin=2.0)
BAND = Measured(0.15, "s", 0.12, 0.18)


def finding(value: float | None, low: float | None, high: float | None, kind: str = "precharge.ok") -> Finding:
    return Finding(kind, Severity.GOOD, 0.0, 1.0, "", "", "", (), measured={"tau_s": Measured(value, "s", low, high)})


@pytest.mark.parametrize(
    ("measure", "given", "value", "deviation"),
    [
        (RATIO, (exp(0.2), 1.0, exp(0.392)), 0.2, 0.1),  # 95 % limits lie 2 · 1.96 deviations apart
        (PLAIN, (3.0, 2.0, 5.92), 3.0, 1.0),
        (PLAIN, (0.0, -1.96, 1.96), 0.0, 1.0),  # a difference may be zero and below
        (RATIO, (1.0, 1.0, 1.0), 0.0, 1e-6),
        (RATIO, (1.0, 0.0, 2.0), None, None),  # no logarithm of zero
        (RATIO, (1.0, 1e-9, 2.0), 0.0, log(2e9) / 3.92),
        (PLAIN, (1.0, 0.0, inf), None, None),
        (PLAIN, (None, 0.0, 1.0), None, None),
        (PLAIN, (1.0, None, 1.0), None, None),
        (PLAIN, (1.0, 0.0, None), None, None),
    ],
)
def test_values_with_limits_on_both_sides_count_with_their_deviation(
    measure: Repeated,
    given: tuple[float | None, float | None, float | None],
    value: float | None,
    deviation: float | None,
) -> None:
    found = repeats_of(measure, [finding(*given)])
    assert found.value.tolist() == ([] if value is None else pytest.approx([value]))
    assert found.deviation.tolist() == ([] if deviation is None else pytest.approx([deviation]))


def test_only_findings_of_the_measures_kinds_that_hold_it_count_in_their_order() -> None:
    bare = replace(finding(1.0, 0.9, 1.1), measured={})
    given = [finding(3.0, 2.0, 4.0), finding(9.0, 8.0, 10.0, "discharge.ok"), bare, finding(2.0, 1.0, 3.0)]
    assert repeats_of(PLAIN, given).value.tolist() == [3.0, 2.0]


@pytest.mark.parametrize(
    ("measure", "before", "after", "margin", "said"),
    [
        # one value a side, deviations 0.1 and 0.2 of the logarithm; the margin is that of a ratio of 1.1
        (RATIO, (0.0, 0.1), (0.8, 0.2), 0.09531018, "A change of less than 10 % counts as none."),
        (RATIO, (0.8, 0.2), (0.0, 0.1), 0.09531018, "A change of less than 10 % counts as none."),
        (PLAIN, (10.0, 3.0), (2.0, 4.0), 2.0, "A change of less than 2\u00a0V counts as none."),
    ],
)
def test_a_change_of_single_values_is_the_z_test_of_their_difference(
    measure: Repeated, before: tuple[float, float], after: tuple[float, float], margin: float, said: str
) -> None:
    """Chances and limits by scipy.stats.norm: the difference of the two, less the margin."""
    back = np.exp if measure.ratio else (lambda x: x)
    aim = replace(measure, aim=Aim.LOWER)
    sides = [[finding(*(float(back(v + k * d)) for k in (0.0, -1.96, 1.96)))] for v, d in (before, after)]
    found = weigh_repeated(aim, *sides)
    error, moved = float(np.hypot(before[1], after[1])), after[0] - before[0]
    assert found.p_value == pytest.approx(2.0 * stats.norm.sf(abs(moved), margin, error), rel=1e-6)
    assert found.if_shown is (Verdict.BETTER if moved < 0 else Verdict.WORSE)
    for shown, centre, spread, unit in (
        (found.before, before[0], before[1], measure.unit),
        (found.after, after[0], after[1], measure.unit),
        (found.effect, moved, error, "1" if measure.ratio else measure.unit),
    ):
        assert shown is not None
        assert shown.unit == unit
        expected = [float(back(stats.norm.ppf(q, centre, spread))) for q in (0.5, 0.025, 0.975)]
        assert [shown.value, shown.low, shown.high] == pytest.approx(expected, rel=1e-4)
    assert found.reason == said
    assert found.exposure is not None
    assert (found.exposure.counts, found.exposure.units) == ((1.0, 1.0), "single measurements")


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [(0, 2, "It was not measured before the change."), (2, 0, "It was not measured after the change.")],
)
def test_a_value_that_one_side_lacks_is_not_compared(before: int, after: int, words: str) -> None:
    found = weigh_repeated(RATIO, [finding(1.0, 0.9, 1.1)] * before, [finding(1.0, 0.9, 1.1)] * after)
    assert (found.p_value, found.reason) == (None, words)
    assert found.exposure is not None
    assert found.exposure.counts == (before, after)


def expecting(value: float, expected: Measured | None, kind: str = "precharge.ok") -> Finding:
    own = finding(value, value * 0.99, value * 1.01, kind)
    return own if expected is None else replace(own, expected={"tau_s": expected})


NOT, SAME = Verdict.NOT_COMPARABLE, Verdict.NO_DIFFERENCE


@pytest.mark.parametrize(
    ("before", "after", "expected", "meaning", "words"),
    [
        (0.1201, 0.1799, BAND, SAME, "Both are within the expected 120 to 180\u00a0ms."),
        (0.1801, 0.15, BAND, Verdict.BETTER, "The vehicle file expects 150\u00a0ms."),
        (0.15, 0.1199, BAND, Verdict.WORSE, "The vehicle file expects 150\u00a0ms."),
        # nearer is meant as a ratio: 0.079 is 1.9 times off and 0.225 1.5 times, though 71 ms off against 75 ms
        (0.225, 0.079, BAND, Verdict.WORSE, "The vehicle file expects 150\u00a0ms."),
        (0.079, 0.225, BAND, Verdict.BETTER, "The vehicle file expects 150\u00a0ms."),
        (0.2, 0.15, Measured(0.15, "s"), NOT, "The expected value is unknown"),  # no band
        (0.2, 0.15, None, NOT, "The expected value is unknown"),
    ],
)
def test_nearer_to_what_the_vehicle_file_expects_is_better(
    before: float, after: float, expected: Measured | None, meaning: Verdict, words: str
) -> None:
    found = weigh_repeated(RATIO, [expecting(before, None)], [expecting(after, expected)])
    assert found.if_shown is meaning
    assert words in found.reason


def test_what_is_expected_of_another_kind_of_finding_says_nothing() -> None:
    other = expecting(0.15, BAND, "discharge.ok")
    assert weigh_repeated(RATIO, [expecting(0.3, None), other], [expecting(0.15, None)]).if_shown is NOT


@pytest.mark.parametrize(
    ("aim", "before", "after", "meaning"),
    [
        (Aim.LOWER, 10.0, 9.0, Verdict.BETTER),
        (Aim.LOWER, 9.0, 10.0, Verdict.WORSE),
        (Aim.HIGHER, 10.0, 9.0, Verdict.WORSE),
        (Aim.HIGHER, 9.0, 10.0, Verdict.BETTER),
    ],
)
@pytest.mark.parametrize("measure", [RATIO, PLAIN])
def test_without_an_expectation_the_aim_says_what_is_better(
    measure: Repeated, aim: Aim, before: float, after: float, meaning: Verdict
) -> None:
    found = weigh_repeated(replace(measure, aim=aim), [expecting(before, None)], [expecting(after, None)])
    assert found.if_shown is meaning
