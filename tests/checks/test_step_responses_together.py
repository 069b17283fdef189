"""What several step responses say together, and what bounds one that is too fast for its samples: by known truth."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
import statsmodels.api as sm
from made_loops import T, answer, loop
from motor_traces import part

from logscope.checks.current_control import pooled
from logscope.checks.current_control.pooled import _figures, delay, steady_error
from logscope.checks.current_control.response import _peak_share, _within
from logscope.checks.current_control.step_response import StepResponse
from logscope.checks.current_control.steps import Step

_PERIOD_S = 0.01


def step(before: float = 0.0, after: float = 100.0, early_s: float = _PERIOD_S) -> Step:
    return Step(1.0, 1.01, early_s, 0.0, 0.0, 0.0, 2.0, before, after)


def response(to: Step, natural: float = 40.0, damping: float = 0.7, start_s: float = 1.02) -> StepResponse:
    none = np.zeros(0)
    return StepResponse(
        step=to, log_natural=float(np.log(natural)), log_damping=float(np.log(damping)), covariance=np.eye(2) * 1e-4,
        start_s=start_s, start_error=0.001, freedom=60, reach=2.0, within_s=0.1, fast=False, error=0.0,
        error_reach=0.1, peak_share=0.0, ring_before=0.0, time_s=none, value=none, fitted=none,
    )  # fmt: skip


def test_a_delay_has_the_room_that_both_samplings_leave() -> None:
    """Begun 20 ms behind a target that may have moved a period earlier, each begin known to twice 1 ms."""
    found = delay([response(step()), response(step(), start_s=1.021), response(step(), start_s=1.019)], _PERIOD_S)
    assert (found.low, found.value, found.high) == pytest.approx((0.018, 0.025, 0.032))
    at_once = delay([response(step(), start_s=1.001)], _PERIOD_S)
    assert (at_once.low, at_once.value, at_once.high) == pytest.approx((None, None, 0.013))


def test_a_step_of_three_times_the_height_counts_nine_times() -> None:
    """statsmodels' weighted least squares of a constant: the noise is alike, so the weight is the height squared."""
    answers = [response(step(after=30.0), 30.0), response(step(after=90.0), 50.0)]
    mean = sm.WLS(np.log([30.0, 50.0]), np.ones(2), weights=[30.0**2, 90.0**2]).fit().params[0]
    assert _figures(answers)["natural_frequency_Hz"].value == pytest.approx(np.exp(mean) / (2 * np.pi))


def test_a_steady_error_is_that_of_the_steps_to_the_larger_levels() -> None:
    """Student's limits of a mean: 1, 2, 3 A at 95 % are 2 ± 2.484 A (t of two degrees of freedom is 4.303)."""
    answers = [replace(response(step(after=100.0)), error=float(k)) for k in (1, 2, 3)]
    found = steady_error([*answers, replace(response(step(100.0, 10.0)), error=50.0)], "A")
    assert (found.low, found.value, found.high) == pytest.approx((2 - 2.484, 2.0, 2 + 2.484), abs=1e-3)


@pytest.mark.parametrize("before", [0.0, 60.0, -60.0])
@pytest.mark.parametrize("tau_s", [0.002, 0.02, 0.06])
def test_a_rise_takes_no_longer_than_its_bound_wherever_samples_and_target_fall(tau_s: float, before: float) -> None:
    """1 − exp(−t/τ) is nine tenths after 2.303 τ (closed form); the target moved up to a period before it was seen."""
    rng = np.random.default_rng(3)
    for _ in range(50):
        moved_s = -rng.uniform(0.0, _PERIOD_S)
        t = np.arange(-0.2, 0.5, _PERIOD_S) + rng.uniform(0.0, _PERIOD_S)
        value = before + 100.0 * -np.expm1(-np.maximum(t - moved_s, 0.0) / tau_s)
        bound_s = _within(t, value, np.array([before, 100.0]), step(), _PERIOD_S)
        assert 2.302 * tau_s <= bound_s <= 2.303 * tau_s + 3 * _PERIOD_S


@pytest.mark.parametrize(("before", "after"), [(0.0, 100.0), (100.0, 0.0), (-50.0, -150.0)])
def test_an_overshoot_is_beyond_target_and_settled_value_whichever_way_the_step_goes(
    before: float, after: float
) -> None:
    height = after - before
    for shares, settles, beyond in (
        ((0.5, 1.2, 0.95, 1.0), 1.0, 0.2),
        ((0.5, 1.2, 0.9, 0.9), 0.9, 0.2),  # it settles below its target
        ((0.5, 1.2, 1.1, 1.1), 1.1, 0.1),
    ):
        value = before + height * np.array(shares)
        assert _peak_share(value, before + settles * height, step(before, after)) == pytest.approx(beyond)


@pytest.mark.parametrize(
    ("height", "ring_before", "before", "after", "folds"),
    [
        (-10.0, 0.0, [12.0, 12.0], [8.0, 0.5, 3.0], True),  # overshoots by 5.2 A: within 0.8 A and noise of zero
        (-10.0, 0.0, [12.0, 12.0], [8.0, 1.0, 3.0], True),
        (-10.0, 0.0, [12.0, 12.0], [8.0, 1.3, 3.0], False),
        (10.0, 0.0, [0.1, 0.2], [0.1, 8.0, 14.0], False),  # overshoots upwards
        (-10.0, 3.0, [0.2, 2.0], [8.0, 5.0, 6.0], True),  # still rings from before, about zero
        (-10.0, 0.2, [0.2, 2.0], [8.0, 5.0, 6.0], False),  # by less than noise
        (-0.5, 0.0, [2.0, 2.0], [0.1, 0.1, 0.1], False),  # so small a step overshoots by less than noise
    ],
)
def test_a_magnitude_may_fold_where_its_swing_comes_near_to_zero(
    height: float, ring_before: float, before: list[float], after: list[float], folds: bool
) -> None:
    """A second-order loop of damping 0.2 overshoots by exp(−πζ/√(1−ζ²)) = 52.7 % (any textbook on control).

    At 5 Hz, read every 10 ms, a swing of 5.27 A changes by up to 1.65 A between two samples.
    """
    answer = SimpleNamespace(
        log_natural=np.log(10.0 * np.pi), log_damping=np.log(0.2), step=SimpleNamespace(height=height, start_s=1.0),
        time_s=np.array([0.98, 0.99, 1.01, 1.02, 1.03]), value=np.array([*before, *after]), ring_before=ring_before,
    )  # fmt: skip
    assert StepResponse.may_fold(cast(StepResponse, answer), 0.1, 0.01) is folds


def test_answers_are_put_together_by_the_speed_at_which_they_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thirds of 9000 rpm; what comes before the first reading of the speed is of an unknown one."""
    monkeypatch.setattr(pooled, "_figures", lambda own: {"count": len(own)})
    speed = part("motor_speed", T[T >= 3.0], np.where(T[T >= 3.0] < 6.0, -1000.0, 8000.0))
    answers = [answer(start_s=each) for each in (2.0, 4.0, 5.0, 7.0)] + [answer(start_s=7.0, fast=True)]
    found = pooled.behaviours(loop(speed=speed), answers)
    assert [(one.band, one.count, one.figures["count"]) for one in found] == [
        ("low", 2, 2), ("high", 1, 1), ("unknown", 1, 1),
    ]  # fmt: skip
