"""Rates by current: counts against numpy.histogram, limits against scipy (Garwood, Biometrika 28, 1936)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from logscope.checks.encoder.disturbance_chart import current_bins, rate_chart


def test_disturbances_are_counted_by_the_current_at_which_they_began() -> None:
    rng = np.random.default_rng(4)
    amps, exposure = rng.uniform(0.0, 300.0, 6000), np.full(6000, 0.01)
    known = rng.random(6000) < 0.9
    at = np.sort(rng.choice(6000, 80, replace=False))
    bins = current_bins(amps, known, exposure, at)
    edges = np.linspace(0.0, amps[known].max(), 7)
    assert [each.events for each in bins] == np.histogram(amps[at[known[at]]], edges)[0].tolist()
    assert [each.minutes for each in bins] == pytest.approx(np.histogram(amps[known], edges)[0] * 0.01 / 60)


def test_a_band_that_was_hardly_driven_in_is_left_out() -> None:
    amps = np.append(np.full(1000, 20.0), 300.0)
    bins = current_bins(amps, np.full(1001, True), np.full(1001, 0.01), np.array([0, 5]))
    assert [each.mean_a for each in bins] == pytest.approx([20.0])


def test_the_bars_are_exact_limits_of_a_poisson_rate() -> None:
    bins = current_bins(np.full(600, 50.0), np.full(600, True), np.full(600, 0.1), np.arange(7))
    (counted,) = rate_chart(bins, None).series
    assert counted.y == pytest.approx([7.0])
    assert counted.low == pytest.approx([chi2.ppf(0.025, 14) / 2])
    assert counted.high == pytest.approx([chi2.ppf(0.975, 16) / 2])
