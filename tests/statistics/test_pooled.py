"""Several estimates as one."""

from __future__ import annotations

import numpy as np
import pytest
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
    assert (
        joint.covariance[0, 0] / covariance[0, 0] == pytest.approx(1.0, rel=1e-3)
        or joint.covariance[0, 0] > covariance[0, 0]
    )


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
