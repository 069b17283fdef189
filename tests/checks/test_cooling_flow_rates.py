"""How far apart two rates of falling back are, against the ordinary least squares of statsmodels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from logscope.checks.cooling.rates import misfit_of, placed, rates_of
from logscope.checks.cooling.windows import Windows, share_of


def windows(low_per_s: float, seed: int) -> tuple[Windows, np.ndarray]:
    """Forty windows of 10 s, flow lost in the middle: made with 0.02 /s and `low_per_s`, noise of 0.05 K."""
    rng = np.random.default_rng([seed, 1620])
    size = 40
    starved = (np.arange(size) >= 15) & (np.arange(size) < 27)
    heat, excess = rng.uniform(0.0, 1500.0, size), rng.uniform(20.0, 180.0, size)
    change = 2e-3 * heat - np.where(starved, low_per_s, 0.02) * excess + rng.normal(0.0, 0.05, size)
    start_s = 10.0 * np.arange(size)
    joined = np.arange(size) > 0
    return Windows(change, heat, excess, start_s, start_s + 10.0, joined), starved.astype(np.float64)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_error_of_the_two_together_is_that_of_least_squares(seed: int):
    made, starved = windows(0.002, seed)
    rates = rates_of(made, starved)
    sums = np.cumsum(np.column_stack((made.heat, -made.excess * (1.0 - starved), -made.excess * starved)), axis=0)
    fit = sm.OLS(np.cumsum(made.change), sm.add_constant(sums)).fit()
    assert [rates.gain, rates.high, rates.low] == pytest.approx(fit.params[1:].tolist(), rel=1e-6)
    together = float(fit.t_test([[0.0, 0.0, 0.4, -1.0]]).sd.squeeze())
    assert rates.apart_error / rates.high_error == pytest.approx(together / fit.bse[2], rel=1e-6)


@pytest.mark.parametrize(("alike", "times"), [(-0.5, 1.5**0.5), (0.6, None), (0.99, 19.0**0.5)])
def test_residuals_that_are_alike_widen_the_errors(alike: float, times: float | None):
    """By √((1 + r)/(1 − r)) of an autoregressive series (Bayley and Hammersley), of r = 0.2 to 0.9: √1.5 to √19.

    The rest is statsmodels' ordinary error.
    """
    rng = np.random.default_rng(1622)
    size = 400
    starved = ((np.arange(size) // 50) % 2).astype(np.float64)
    heat, excess = rng.uniform(0.0, 1500.0, size), rng.uniform(20.0, 180.0, size)
    left = np.zeros(size)
    for k in range(1, size):
        left[k] = alike * left[k - 1] + rng.normal(0.0, 0.05)
    summed = 2e-3 * np.cumsum(heat) - 0.02 * np.cumsum(excess * (1 - starved)) - 0.002 * np.cumsum(excess * starved)
    change = np.diff(summed + left, prepend=0.0)
    at = 10.0 * np.arange(size)
    rates = rates_of(Windows(change, heat, excess, at, at + 10.0, at > 0.0), starved)
    sums = np.cumsum(np.column_stack((heat, -excess * (1.0 - starved), -excess * starved)), axis=0)
    fit = sm.OLS(np.cumsum(change), sm.add_constant(sums)).fit()
    seen = float(fit.resid[1:] @ fit.resid[:-1] / fit.ssr)
    times = times or np.sqrt((1.0 + seen) / (1.0 - seen))
    assert [rates.high_error, rates.low_error] == pytest.approx((fit.bse[2:] * times).tolist(), rel=1e-6)
    assert rates.noise_K == pytest.approx(np.sqrt(2.0 * fit.mse_resid))  # of the difference of two sums


def test_rates_that_are_alike_are_not_apart():
    assert all(rates_of(*windows(0.001, seed)).apart for seed in range(20))
    assert not any(rates_of(*windows(0.015, seed)).apart for seed in range(20))


@pytest.mark.parametrize("edges_s", [(145.0, 267.5), (152.5, 275.0), (150.0, 270.0)])
def test_edges_within_a_window_are_found_with_both_rates(edges_s: tuple[float, float]):
    """Made with 0.02 /s and 0.002 /s: an edge half a window off alone would make them differ by far more than noise."""
    rng = np.random.default_rng(1621)
    size = 40
    start_s = 10.0 * np.arange(size)
    heat, excess = rng.uniform(0.0, 1500.0, size), rng.uniform(100.0, 180.0, size)
    made = Windows(np.zeros(size), heat, excess, start_s, start_s + 10.0, start_s > 0.0)
    rate = 0.02 - 0.018 * share_of(made, (edges_s,))
    made = replace(made, change=2e-3 * heat - rate * excess + rng.normal(0.0, 0.02, size))
    spans = placed(made, ((150.0, 260.0),))
    assert spans == (pytest.approx(edges_s, abs=0.1),)
    rates = rates_of(made, share_of(made, spans))
    assert (rates.high, rates.low) == pytest.approx((0.02, 0.002), abs=3.0 * rates.high_error + 3.0 * rates.low_error)


def test_each_of_two_times_without_flow_has_its_own_edges():
    """From 95 to 145 s and from 240 to 302.5 s, begun from whole windows."""
    rng = np.random.default_rng(1623)
    size = 40
    start_s = 10.0 * np.arange(size)
    heat, excess = rng.uniform(0.0, 1500.0, size), rng.uniform(100.0, 180.0, size)
    made = Windows(np.zeros(size), heat, excess, start_s, start_s + 10.0, start_s > 0.0)
    edges_s = ((95.0, 145.0), (240.0, 302.5))
    rate = 0.02 - 0.018 * share_of(made, edges_s)
    made = replace(made, change=2e-3 * heat - rate * excess)
    found = placed(made, ((100.0, 150.0), (240.0, 310.0)))
    assert found == (pytest.approx(edges_s[0], abs=0.1), pytest.approx(edges_s[1], abs=0.1))


def test_a_device_takes_no_heat_from_colder_coolant_where_flow_is_gone():
    """Made with −0.004 /s in the middle: spans are judged as if it were nothing there, against statsmodels."""
    made, starved = windows(-0.004, 5)
    spans = ((150.0, 270.0),)
    assert rates_of(made, starved).low < -0.003
    sums = np.cumsum(np.column_stack((made.heat, -made.excess * (1.0 - starved))), axis=0)
    left = sm.OLS(np.cumsum(made.change), sm.add_constant(sums)).fit().ssr
    assert misfit_of(made, spans) == pytest.approx(left, rel=1e-6)
    assert misfit_of(made, spans) > 2.0 * rates_of(made, starved).misfit
