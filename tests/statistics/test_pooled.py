"""Several estimates as one."""

from __future__ import annotations

import numpy as np
import pytest
from limits_study import LimitsStudy
from scipy.optimize import curve_fit

from logscope.statistics.pooled import pool


def test_one_estimate_keeps_its_value_and_its_limits() -> None:
    joint = pool(np.array([[2.0]]), np.array([[[0.04]]]), np.array([9.0]), [1e6])
    assert joint.figure(lambda x: float(x)) == pytest.approx((2.0, 2.0 - 1.96 * 0.2, 2.0 + 1.96 * 0.2), rel=1e-3)


def test_straight_lines_of_unlike_height_pool_to_their_joint_fit() -> None:
    """scipy: curve_fit of slope-over-height through all samples at once; strength is the squared height."""
    rng = np.random.default_rng(8)
    x, heights = np.linspace(0.1, 1.0, 50), np.array([1.0, 3.0, 10.0])
    samples = [h * 0.7 * x + rng.normal(0.0, 0.1, x.size) for h in heights]
    values = np.array([[float(x @ y / (x @ x) / h)] for y, h in zip(samples, heights, strict=True)])
    own = np.array([[[0.01 / float(x @ x) / h**2]] for h in heights])
    joint = pool(values, own, heights**2, [49.0] * 3)
    every_x = np.concatenate([h * x for h in heights])
    best, covariance = curve_fit(
        lambda at, a: a * at, every_x, np.concatenate(samples), sigma=np.full(150, 0.1), absolute_sigma=True
    )
    assert joint.value[0] == pytest.approx(best[0], rel=1e-9)
    # where the three differ by more than their errors, scipy scales by the residuals of a mean of three
    scaled = curve_fit(lambda _, a: np.full(3, a), heights, values[:, 0], sigma=np.sqrt(own[:, 0, 0]))[1]
    assert joint.covariance[0, 0] == pytest.approx(max(covariance[0, 0], scaled[0, 0]), rel=1e-3)


@pytest.mark.parametrize("further", [1.0, 5.0], ids=["by their errors", "by more"])
def test_limits_of_pooled_estimates_hold_the_truth_as_often_as_they_say(further: float) -> None:
    """Eight estimates of unlike strength, that differ by their errors or by five times as much."""
    study = LimitsStudy()
    for seed in range(300):
        rng = np.random.default_rng([seed, 83])
        strength = rng.uniform(1.0, 10.0, 8)
        seen = 1.3 + further * rng.normal(0.0, 0.2, 8) / np.sqrt(strength)
        pooled = pool(seen[:, None], (0.04 / strength)[:, None, None], strength, [200.0] * 8)
        study.add(1.3, *pooled.figure(lambda x: float(x)))
    study.judge()


def test_figures_of_two_parameters_have_the_limits_of_error_propagation() -> None:
    """By hand: of a sum, √(a + b + 2c) standard errors; within what 32 directions round the ellipse leave."""
    covariance = np.array([[0.04, 0.01], [0.01, 0.09]])
    joint = pool(np.array([[2.0, 3.0]]), covariance[None], np.ones(1), [1e9])
    middle, low, high = joint.figure(lambda x, y: float(x + y))
    assert middle == 5.0
    assert (high - middle, middle - low) == pytest.approx([1.96 * np.sqrt(0.15)] * 2, rel=0.01)


def test_weights_do_not_follow_the_values() -> None:
    """Errors that grow with the value, as those of an overshoot do, draw a mean weighted by them towards zero."""
    rng = np.random.default_rng(9)
    seen = np.maximum(rng.normal(1.3, 0.6, (400, 8)), 0.02)
    own = (0.46 * seen) ** 2
    by_error = np.sum(seen / own, axis=1) / np.sum(1.0 / own, axis=1)
    pooled = [
        pool(v[:, None], e[:, None, None], np.ones(8), [20.0] * 8).value[0] for v, e in zip(seen, own, strict=True)
    ]
    assert float(np.mean(pooled)) == pytest.approx(float(seen.mean()), rel=0.01)
    assert float(np.mean(by_error)) < 0.6 * float(np.mean(pooled))


def test_estimates_that_differ_by_more_than_their_errors_widen_the_limits() -> None:
    values = np.array([[1.0], [1.2], [0.8]])
    near, far = (pool(values, np.full((3, 1, 1), e**2), np.ones(3), [50.0] * 3) for e in (0.2, 0.01))
    assert far.covariance[0, 0] == pytest.approx(np.var([1.0, 1.2, 0.8], ddof=1) / 3)
    assert near.covariance[0, 0] == pytest.approx(0.2**2 / 3)
