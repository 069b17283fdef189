"""Verdicts on published before-and-after counts, whose chances and limits their sources print."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.checks.measures import MEASURES
from logscope.comparison.cells import make_grid
from logscope.comparison.driving import Driving, driving
from logscope.comparison.judge import judge
from logscope.comparison.outcome import Verdict
from logscope.comparison.rate import weigh_rate
from logscope.findings import Event, Finding, Severity
from logscope.measures import EventRate
from logscope.signals import Part, Signals

RATE = next(each for each in MEASURES if isinstance(each, EventRate))


def side(events: int, seconds: float) -> tuple[Driving, list[Finding]]:
    """Steady driving, so that no condition differs, with so many episodes evenly apart."""
    at = np.arange(0.0, seconds, 0.2)
    parts = {
        name: Part(name, at, np.full(at.size, value), "", f"Made.{name}")
        for name, value in (("motor_speed", 3000.0), ("motor_current", 100.0))
    }
    starts = (np.arange(events) + 0.5) * seconds / events
    happened = Finding(
        kind=RATE.kinds[0], severity=Severity.WARNING, start_s=0.0, end_s=seconds, title="", explanation="",
        next_step="", measured={}, parts=(RATE.part,), events=tuple(Event(float(s), float(s)) for s in starts),
    )  # fmt: skip
    return driving(Signals(parts, 0.0, seconds), "motor_speed", "motor_current"), [happened]


@pytest.mark.parametrize(
    ("before", "after", "ratio", "low", "high", "p_value", "verdict"),
    [
        # M. Fay, R package rateratio.test: 2 in 17,877 and 9 in 16,660 person-years
        ((9, 16660), (2, 17877), 0.207094, 0.0217741, 1.0005491, 0.0501065, Verdict.NO_DIFFERENCE),
        # the same, R package exactci, poisson.exact (central)
        ((10, 20000), (2, 17877), 0.223751, 0.0238374, 1.0499547, 0.0605564, Verdict.NO_DIFFERENCE),
        # breast cancer after fluoroscopy; Gu, Ng, Tang, Schucany, Biometrical J. 50 (2008), by statsmodels
        ((15, 19017), (41, 28010), 1.855759, 1.0056841, 3.6093003, 0.0476602, Verdict.WORSE),
        ((41, 28010), (15, 19017), 1 / 1.855759, 1 / 3.6093003, 1 / 1.0056841, 0.0476602, Verdict.BETTER),
        # R stats, poisson.test: Fredericia lung cancer; its p-value is of another two-sided kind
        ((21, 3011), (11, 800), 1.971488, 0.8584264, 4.2772659, None, Verdict.NO_DIFFERENCE),
        # R exactci values kept with statsmodels' tests (results_rates.py), central limits
        ((30, 54308.7), (60, 51477.5), 2.1099976, 1.3397357, 3.3883656, None, Verdict.WORSE),
    ],
)
def test_the_verdict_is_that_of_the_published_test(
    before: tuple[int, float], after: tuple[int, float], ratio: float, low: float, high: float,
    p_value: float | None, verdict: Verdict,
) -> None:  # fmt: skip
    """Exposures are a tenth of the published ones, in seconds: a ratio of rates does not depend on their unit."""
    sides = [[side(count, exposure / 10.0)] for count, exposure in (before, after)]
    grid = make_grid("motor_speed", "motor_current", [run for each in sides for run, _ in each])
    (judged,) = judge([weigh_rate(replace(RATE, margin=0.0), *sides, grid, 0.05)])
    assert judged.verdict is verdict
    assert judged.effect is not None
    assert judged.effect.value == pytest.approx(ratio, rel=2e-3)  # of driving in whole ticks
    assert (judged.effect.low, judged.effect.high) == pytest.approx((low, high), rel=3e-3)
    assert p_value is None or judged.p_value == pytest.approx(p_value, rel=0.01)
