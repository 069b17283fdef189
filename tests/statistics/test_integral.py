"""Integrals of samples with their limits, against scipy and the theory of sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import trapezoid

from logscope.statistics.integral import integrate


def test_the_value_is_the_trapezium_rule_of_scipy() -> None:
    """scipy.integrate.trapezoid on uneven stamps."""
    rng = np.random.default_rng(31)
    time_s = np.cumsum(rng.uniform(0.5, 1.5, 500))
    value = 10.0 + np.sin(time_s / 20.0)
    assert integrate(time_s, value).value == pytest.approx(trapezoid(value, time_s), rel=1e-12)


@pytest.mark.parametrize("level", [0.0, 7000.0])
def test_a_high_level_does_not_widen_the_limits(level: float) -> None:
    """Independent readings: the standard deviation of their sum is σ·√n (any textbook of statistics)."""
    rng = np.random.default_rng(32)
    count, sigma = 3600, 5.0
    time_s = np.arange(count) + rng.uniform(-0.05, 0.05, count)
    found = integrate(time_s, level + rng.normal(0.0, sigma, count))
    assert (found.high - found.low) / 2 == pytest.approx(1.96 * sigma * np.sqrt(count), rel=0.2)
