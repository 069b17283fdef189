"""A small fixed part of the precharge score, with the thresholds the full run must meet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cramer_rao import bounds
from limits_study import LimitsStudy
from precharge_cases import PrechargeCase, random_precharge
from precharge_score import score, scored
from scipy.optimize import curve_fit

pytestmark = pytest.mark.study

SEEDS = range(1000, 1030)  # apart from the seeds that the method was developed on
FEW = range(1000, 1010)


def test_limits_hold_the_true_constant_as_often_as_they_say() -> None:
    cases = score("complete", SEEDS)
    study = LimitsStudy()
    for case in cases:
        if case.found_s is not None:
            study.add(case.truth_s, *case.found_s)
    study.judge()
    assert len(study.scaled) >= 25
    assert not any(case.wrong_claim for case in cases)


@pytest.mark.parametrize("kind", ["slow", "stalled", "interrupted"])
def test_kinds_are_told_apart(kind: str) -> None:
    cases = score(kind, FEW)
    assert sum(case.outcome == kind for case in cases) >= len(FEW) - 1
    assert not any(case.wrong_claim for case in cases)


@pytest.mark.parametrize("kind", ["closed_early", "bypassed"])
def test_a_hard_closing_is_never_called_sound(kind: str) -> None:
    """Between these two a coarse log cannot decide; both are dangers, and neither may pass as good."""
    assert not {"complete", "slow"} & {case.outcome for case in score(kind, FEW)}


def test_a_fast_link_behind_a_lag_is_not_good_where_its_contactor_may_have_closed_far_too_early() -> None:
    """39 ms behind 46 ms, read every 59 ms: the closing lies anywhere between 1 and 96 % of the pack's voltage."""
    assert scored("fast", 5019, 0.05, clean=False).outcome == "undetermined"


def test_the_bound_is_that_of_linear_regression_where_nothing_is_rounded_and_no_stamp_jitters() -> None:
    """scipy.optimize.curve_fit: with normal noise of one size its covariance is the bound itself."""
    case = random_precharge(3, quantum_V=0.0, noise_V=0.5, sampling_s=0.001)
    truth = case.truth
    assert truth.close_s is not None
    inside = (case.time_s >= truth.start_s - 0.5) & (case.time_s < truth.close_s)
    start = [truth.start_V, truth.end_V - truth.start_V, truth.time_constant_s, truth.start_s]
    _, covariance = curve_fit(
        _charge,
        case.time_s[inside],
        case.voltage_V[inside],
        start,
        sigma=np.full(inside.sum(), 0.5),
        absolute_sigma=True,
    )
    assert bounds(_exactly_stamped(case)).time_constant_s == pytest.approx(float(covariance[2, 2] ** 0.5), rel=0.03)


def _charge(time_s, start_v, rise_v, tau_s, onset_s):  # type: ignore[no-untyped-def]
    return start_v + rise_v * -np.expm1(-np.maximum(time_s - onset_s, 0.0) / tau_s)


def _exactly_stamped(case: PrechargeCase) -> PrechargeCase:
    return replace(case, recording=replace(case.recording, jitter_s=0.0))
