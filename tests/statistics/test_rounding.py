"""The likelihood of rounded readings against scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logscope.statistics.rounding import OUTLIER_SHARE, rounded_normal_log_likelihood


def test_a_reading_has_the_probability_of_its_rounding_cell() -> None:
    """scipy.stats.norm.cdf over the cell, mixed with the share of outliers."""
    cell = np.diff(stats.norm(3.2, 0.7).cdf([2.5, 3.5]))[0]
    expected = np.log((1 - OUTLIER_SHARE) * cell + OUTLIER_SHARE / 100)
    got = rounded_normal_log_likelihood(np.array([3.0]), np.array([[3.2]]), np.array([[0.7]]), 1.0, 100.0)
    assert got == pytest.approx([expected])


def test_the_cells_of_all_readings_add_up_to_certainty() -> None:
    readings = np.arange(-50.0, 51.0)
    each = [
        rounded_normal_log_likelihood(np.array([y]), np.array([[0.3]]), np.array([[2.0]]), 1.0, 101.0)[0]
        for y in readings
    ]
    assert np.exp(each).sum() == pytest.approx(1.0)


def test_without_rounding_it_is_the_normal_density() -> None:
    """scipy.stats.norm.logpdf."""
    got = rounded_normal_log_likelihood(np.array([1.0, 2.0]), np.array([[1.1, 1.7]]), np.full((1, 2), 0.4), 0.0, 1e9)
    assert got == pytest.approx([stats.norm.logpdf([1.0, 2.0], [1.1, 1.7], 0.4).sum()], abs=3e-3)


@pytest.mark.parametrize("step", [0.0, 0.5])
def test_a_reading_at_the_floor_stands_for_all_below(step: float) -> None:
    """A censored normal: scipy's distribution function up to the floor's upper edge."""
    got = rounded_normal_log_likelihood(
        np.array([0.0]), np.array([[0.4]]), np.array([[0.7]]), step, 1e6, outlier_share=0.0, floor=0.0
    )
    assert got == pytest.approx(stats.norm(0.4, 0.7).logcdf(step / 2))
