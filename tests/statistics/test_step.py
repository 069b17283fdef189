"""One step among estimates: its levels against statsmodels' weighted least squares, its chance against its own size."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm
from scipy import stats

from logscope.statistics.trend import weighted_step


def test_levels_and_limits_are_those_of_weighted_least_squares_on_a_dummy() -> None:
    """statsmodels' WLS on an intercept and a step, scaled by its residuals, with the place given."""
    rng = np.random.default_rng(4)
    deviation = rng.uniform(0.5, 1.5, 20)
    y = np.where(np.arange(20) >= 8, 30.0, 10.0) + 3.0 * deviation * rng.standard_normal(20)
    step = weighted_step(y, deviation)
    assert step is not None
    assert step.at == 8
    fit = sm.WLS(y, sm.add_constant((np.arange(20) >= 8).astype(float)), weights=deviation**-2.0).fit()
    np.testing.assert_allclose([step.before[0], step.change[0]], fit.params, rtol=1e-9)
    np.testing.assert_allclose(step.misfit, fit.ssr, rtol=1e-9)
    error = fit.bse[1] * np.sqrt(18 / 17)  # the place takes one degree of freedom more
    np.testing.assert_allclose(step.change[2] - step.change[0], stats.t(17).ppf(0.975) * error, rtol=1e-9)


def test_no_step_is_claimed_no_more_often_than_its_chance_says() -> None:
    rng = np.random.default_rng(5)
    found = [weighted_step(rng.standard_normal(10), np.ones(10)) for _ in range(2000)]
    assert np.mean([each is not None and each.p_value < 0.05 for each in found]) < 0.065


def test_fewer_than_four_show_no_step() -> None:
    assert weighted_step(np.array([1.0, 1.0, 2.0]), np.ones(3)) is None
