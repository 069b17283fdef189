"""How far apart two rates of falling back are, against the ordinary least squares of statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from logscope.checks.cooling.flow import _sums, _Windows


def windows(low_per_s: float, seed: int) -> tuple[_Windows, np.ndarray]:
    """Forty windows of 10 s, flow lost in the middle: made with 0.02 /s and `low_per_s`, noise of 0.05 K."""
    rng = np.random.default_rng([seed, 1620])
    size = 40
    starved = (np.arange(size) >= 15) & (np.arange(size) < 27)
    heat, excess = rng.uniform(0.0, 1500.0, size), rng.uniform(20.0, 180.0, size)
    change = 2e-3 * heat - np.where(starved, low_per_s, 0.02) * excess + rng.normal(0.0, 0.05, size)
    start_s = 10.0 * np.arange(size)
    joined = np.arange(size) > 0
    return _Windows(change, heat, excess, start_s, start_s + 10.0, joined), starved


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_error_of_the_two_together_is_that_of_least_squares(seed: int):
    made, starved = windows(0.002, seed)
    rates = _sums(made, starved)
    sums = np.cumsum(np.column_stack((made.heat, -made.excess * ~starved, -made.excess * starved)), axis=0)
    fit = sm.OLS(np.cumsum(made.change), sm.add_constant(sums)).fit()
    assert [rates.gain, rates.high, rates.low] == pytest.approx(fit.params[1:].tolist(), rel=1e-6)
    together = float(fit.t_test([[0.0, 0.0, 0.4, -1.0]]).sd.squeeze())
    assert rates.apart_error / rates.high_error == pytest.approx(together / fit.bse[2], rel=1e-6)


def test_rates_that_are_alike_are_not_apart():
    assert all(_sums(*windows(0.001, seed)).apart for seed in range(20))
    assert not any(_sums(*windows(0.015, seed)).apart for seed in range(20))
