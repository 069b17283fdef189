"""A gain or a driveline changed between two runs: overshoot and judder through the comparison.

Oracle: scipy.signal.lsim makes the loops; their overshoot is exp(−πζ/√(1−ζ²)) (Ogata, Modern Control Engineering).
"""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np
import pytest
from loop_traces import loop_log
from made_runs import run, with_findings
from one_check import findings_of
from seeds import seeds
from tuning_traces import launches

from logscope.checks.current_control.check import current_control
from logscope.checks.driveline.check import driveline
from logscope.checks.measures import MEASURES
from logscope.comparison.compare import compare_results
from logscope.comparison.outcome import ComparedMeasure, Verdict
from logscope.result import Result
from logscope.vehicle import Motor, Vehicle


def overshoot_percent(damping: float) -> float:
    return 100 * exp(-pi * damping / sqrt(1 - damping**2))


def driven(seed: int, damping: float) -> Result:
    """A checked run whose current loop has this damping."""
    signals = loop_log(np.random.default_rng(seed), 8.0, damping)
    return with_findings(run(seed), *findings_of(current_control, signals, Vehicle()))


def compared(before: float, after: float, seed: int) -> ComparedMeasure:
    sides = [[driven(10 * seed + k + 5 * side, d) for k in range(3)] for side, d in enumerate((before, after))]
    comparison = compare_results(sides[0], sides[1], (Vehicle(), Vehicle()), MEASURES)
    return next(each for each in comparison.measures if each.name == "overshoot_percent")


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_better_damped_loop_overshoots_less_by_what_it_does(seed: int) -> None:
    found = compared(0.3, 0.65, seed)
    assert found.verdict is Verdict.BETTER
    assert found.effect is not None
    difference = overshoot_percent(0.65) - overshoot_percent(0.3)
    assert found.effect.low is not None
    assert found.effect.high is not None
    assert found.effect.low <= difference <= found.effect.high


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_loop_left_alone_is_not_called_changed(seed: int) -> None:
    assert compared(0.45, 0.45, seed).verdict not in (Verdict.BETTER, Verdict.WORSE)


def launched(seed: int, damping: float) -> Result:
    """A checked run whose driveline rings with this damping."""
    made = launches(np.random.default_rng(seed), damping=damping)
    return with_findings(run(seed), *findings_of(driveline, made, Vehicle(motor=Motor(max_speed_rpm=9000))))


@pytest.mark.parametrize(("before", "after", "verdict"), [(0.05, 0.12, Verdict.BETTER), (0.12, 0.05, Verdict.WORSE)])
def test_a_driveline_that_is_damped_better_judders_less(before: float, after: float, verdict: Verdict) -> None:
    """The damping ratio of a ring made by formula; higher is better."""
    sides = [[launched(20 + k + 5 * side, d) for k in range(3)] for side, d in enumerate((before, after))]
    comparison = compare_results(sides[0], sides[1], (Vehicle(), Vehicle()), MEASURES)
    found = next(each for each in comparison.measures if each.name == "judder_damping_ratio")
    assert found.verdict is verdict
    assert found.effect is not None
    assert found.effect.low is not None
    assert found.effect.high is not None
    assert found.effect.low <= after / before <= found.effect.high
