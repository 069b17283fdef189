"""The robust slope against statsmodels: Huber's M-estimate, and limits from scores by cluster."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from limits_study import LimitsStudy

from logscope.statistics.robust_line import robust_slope


def made(seed: int, wild: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 50, 400)
    cluster = np.repeat(np.arange(40), 10)
    y = 0.1 * x + rng.normal(0, 0.3, 400) + np.repeat(rng.normal(0, 0.3, 40), 10)
    y[:wild] += 200
    return x, y, cluster


def test_slope_is_that_of_huber_regression_in_statsmodels() -> None:
    """statsmodels.RLM with HuberT(1.345); its scale, like ours, is the MAD of the residuals about zero."""
    x, y, cluster = made(1, wild=20)
    ours = robust_slope(x, y, 1.0, cluster)
    norm = sm.robust.norms.HuberT(1.345)
    theirs = sm.RLM(y, x, M=norm).fit(scale_est=sm.robust.scale.mad, tol=1e-10, maxiter=200)
    assert ours is not None
    assert ours.value == pytest.approx(float(theirs.params[0]), rel=1e-3)


def test_limits_are_those_of_cluster_robust_least_squares_in_statsmodels() -> None:
    """statsmodels.OLS, cov_type="cluster": without wild points Huber's weights are nearly one."""
    x, y, cluster = made(2)
    ours = robust_slope(x, y, 1.0, cluster)
    theirs = sm.OLS(y, x).fit(cov_type="cluster", cov_kwds={"groups": cluster}, use_t=True)
    assert ours is not None
    assert ours.high - ours.low == pytest.approx(float(np.diff(theirs.conf_int()[0])[0]), rel=0.1)


def test_limits_hold_the_slope_as_often_as_they_say() -> None:
    study = LimitsStudy()
    for seed in range(100, 300):
        x, y, cluster = made(seed)
        slope = robust_slope(x, y, 1.0, cluster)
        assert slope is not None
        study.of(0.1, slope)
    study.judge()


def test_two_clusters_or_no_spread_tell_nothing() -> None:
    ones = np.ones(10)
    assert robust_slope(ones, ones, 1.0, np.repeat([0, 1], 5)) is None
    assert robust_slope(0 * ones, ones, 1.0, np.arange(10)) is None


def test_three_clusters_are_enough() -> None:
    """Of one point each, no farther than Huber's bend. statsmodels.OLS, cov_type="cluster"."""
    x, y = np.array([1.0, 2.0, 4.0]), np.array([1.1, 1.9, 4.05])
    found = robust_slope(x, y, 1.0, np.arange(3))
    assert found is not None
    assert found.clusters == 3
    theirs = sm.OLS(y, x).fit(cov_type="cluster", cov_kwds={"groups": np.arange(3)}, use_t=True)
    assert (found.low, found.high) == pytest.approx(tuple(theirs.conf_int()[0]))


def test_unequal_variances_weigh_as_values_in_their_own_deviation_do() -> None:
    """Dividing both sides by each deviation is weighted least squares; wild points are judged on that scale, too."""
    rng = np.random.default_rng(31)
    x, deviation, cluster = rng.uniform(1.0, 9.0, 60), rng.choice([0.2, 1.0, 5.0], 60), np.repeat(np.arange(12), 5)
    y = 0.7 * x + rng.normal(0.0, deviation)
    y[::12] += 20.0 * deviation[::12]
    ours, scaled = robust_slope(x, y, deviation**2, cluster), robust_slope(x / deviation, y / deviation, 1.0, cluster)
    assert ours is not None
    assert scaled is not None
    assert (ours.value, ours.low, ours.high) == pytest.approx((scaled.value, scaled.low, scaled.high))
    assert ours.scatter == pytest.approx(scaled.scatter * np.median(deviation))
    assert ours.value == pytest.approx(0.7, abs=0.1)


def test_noise_of_x_adds_to_the_far_limit_by_how_much_it_flattens() -> None:
    """x² of 4 on average: noise of 1 takes a quarter of it off, a slope of 3 may be one of 4; of 1.4 a half."""
    x, y = np.full(30, 2.0), 6.0 + 0.01 * np.tile([1.0, -1.0], 15)
    cluster = np.arange(30)
    plain, noisy = (robust_slope(x, y, 1.0, cluster, noise_x=noise) for noise in (0.0, 1.0))
    assert plain is not None
    assert noisy is not None
    assert (noisy.value, noisy.low) == pytest.approx((plain.value, plain.low))
    assert noisy.high - plain.high == pytest.approx(plain.value / 3.0)
    assert robust_slope(x, y, 1.0, cluster, noise_x=1.41) is not None
    assert robust_slope(x, y, 1.0, cluster, noise_x=1.42) is None
