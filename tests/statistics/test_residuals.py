"""Errors of fitted parameters from residuals, against statsmodels and the theory of autoregressive series."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.signal import lfilter

from logscope.statistics.residuals import hc3_covariance, raised_by_likeness


def test_the_covariance_is_hc3_of_statsmodels() -> None:
    """statsmodels.OLS, cov_type="HC3"; nothing known beforehand, and no sample that draws its residual to itself."""
    rng = np.random.default_rng(81)
    columns = np.column_stack([np.ones(40), rng.normal(0.0, 2.0, 40), rng.uniform(0.0, 1.0, 40) ** 2])
    value = columns @ [1.0, -0.5, 3.0] + rng.normal(0.0, 0.2, 40) * (1 + np.abs(columns[:, 1]))
    fitted = sm.OLS(value, columns).fit(cov_type="HC3")
    ours = hc3_covariance(np.vstack([columns, np.zeros(3)]), fitted.resid, 0.0)
    assert ours == pytest.approx(fitted.cov_params(), rel=1e-9)


def test_what_is_known_beforehand_counts_as_one_more_sample() -> None:
    """By hand: the mean of four samples and one more that is known to 1, each with a leverage of a fifth."""
    residual = np.array([1.0, -1.0, 1.0, -1.0])
    leverage = 1 / 5
    expected = (4 * (1 / (1 - leverage)) ** 2 + 1) / 25
    assert hc3_covariance(np.ones((5, 1)), residual, 1.0)[0, 0] == pytest.approx(expected)


@pytest.mark.parametrize("likeness", [0.0, 0.3, 0.6, 0.8])
def test_likeness_raises_the_variance_of_a_mean_as_of_an_autoregressive_series(likeness: float) -> None:
    """Bartlett 1935: of an AR(1) series the variance of the mean is (1 + φ)/(1 − φ) times that of independent ones."""
    noise = np.random.default_rng(82).normal(0.0, 1.0, (4000, 400))
    series = lfilter([1.0], [1.0, -likeness], noise, axis=1)[:, 100:]
    raised = float(np.var(series.mean(axis=1)) * 300 / np.var(series))
    assert raised_by_likeness(series.ravel()) == pytest.approx(raised, rel=0.1)
    assert raised_by_likeness(series.ravel()) == pytest.approx((1 + likeness) / (1 - likeness), rel=0.05)


def test_residuals_that_alternate_lower_nothing() -> None:
    assert raised_by_likeness(np.array([1.0, -1.0] * 20)) == 1.0
    assert raised_by_likeness(np.zeros(5)) == 1.0
    assert raised_by_likeness(np.ones(1000)) == pytest.approx(39.0)  # bounded at a likeness of 0.95


def test_parameters_that_the_samples_do_not_tell_apart_are_open() -> None:
    """Two columns that are one: their sum is known, neither of them is."""
    column = np.linspace(1.0, 2.0, 20)
    jacobian = np.vstack([np.column_stack([column, column]), np.zeros(2)])
    covariance = hc3_covariance(jacobian, np.random.default_rng(83).normal(0.0, 1.0, 20), 0.0)
    assert np.isinf(np.diag(covariance)).all()
