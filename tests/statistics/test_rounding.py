"""The likelihood of rounded readings, and what the rounding of a level hides, against scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logscope.observations.charging.phases import level_of
from logscope.statistics.rounding import OUTLIER_SHARE, largest_rounding_bias, rounded_normal_log_likelihood


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


@pytest.mark.parametrize(("noise", "widest"), [(0.0, 0.6), (0.1, 0.6), (0.2, 0.6), (0.3, 0.6), (0.6, 0.2), (1.0, 0.3)])
@pytest.mark.parametrize("readings", [60, 600])
def test_limits_of_a_steady_level_hold_what_its_rounding_hides(noise: float, widest: float, readings: int) -> None:
    """numpy's normal noise on levels anywhere between two steps, rounded to 1: 95 % of the limits hold them.

    Of noise far below half a step the mean keeps an error however many readings there are: half a step at most.
    """
    rng = np.random.default_rng(31)
    held, half = 0, []
    for level in rng.uniform(20.0, 21.0, 100):
        found = level_of(np.round(level + noise * rng.standard_normal(readings)), 1.0)
        held += found.low <= level <= found.high
        half.append((found.high - found.low) / 2)
    assert held >= 92
    assert np.median(half) < widest


@pytest.mark.parametrize("noise", [0.56, 0.6, 0.7])
def test_what_rounding_hides_shrinks_with_the_noise_before_it(noise: float) -> None:
    """scipy: the largest difference between a level and the mean of its rounded readings, over all levels.

    The readings' own variance is that of the noise and, by Sheppard, a twelfth of the step squared.
    """
    before = np.sqrt(noise**2 - 1 / 12)
    levels, steps = np.linspace(0.0, 0.5, 101)[:, None], np.arange(-5, 6)
    cells = np.diff(stats.norm.cdf(np.append(steps - 0.5, 5.5) - levels, scale=before))
    largest = float(np.max(np.abs(cells @ steps - levels[:, 0])))
    assert largest_rounding_bias(2.0 * noise, 2.0) == pytest.approx(2.0 * largest, rel=0.01)


@pytest.mark.parametrize(("noise", "bias"), [(0.0, 0.5), (0.3, 0.5), (0.549, 0.5)])
def test_readings_that_flip_between_two_steps_show_no_noise(noise: float, bias: float) -> None:
    assert largest_rounding_bias(2.0 * noise, 2.0) == 2.0 * bias
    assert largest_rounding_bias(noise, 0.0) == 0.0
