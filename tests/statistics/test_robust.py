"""Robust scale, noise floor and quantum, against published data and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats
from statsmodels.robust.scale import mad

from logscope.statistics.robust import MAD_TO_SIGMA, level_spacing, mad_scale, noise_floor

# 24 determinations of copper in wholemeal flour; Venables & Ripley, MASS, data set `chem`.
CHEM = np.array(
    (
        *(2.20, 2.20, 2.4, 2.4, 2.5, 2.7, 2.8, 2.9, 3.03, 3.03, 3.10, 3.37),
        *(3.4, 3.4, 3.4, 3.5, 3.6, 3.7, 3.7, 3.7, 3.7, 3.77, 5.28, 28.95),
    )
)
numbers = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60).map(np.array)


def test_mad_factor() -> None:
    """1/(√2·erfinv(½)), as the MathWorks page on the Hampel identifier gives it."""
    assert pytest.approx(1 / (np.sqrt(2) * special.erfinv(0.5))) == MAD_TO_SIGMA


def test_mad_of_the_copper_determinations() -> None:
    """MASS: the scaled MAD is 0.52632."""
    assert mad_scale(CHEM) == pytest.approx(0.52632, abs=5e-6)


def test_three_mads_flag_both_outliers_of_the_copper_determinations() -> None:
    """MASS: 5.28 and 28.95; mean and standard deviation would miss 5.28."""
    far = np.abs(CHEM - np.median(CHEM)) > 3 * mad_scale(CHEM)
    assert CHEM[far].tolist() == [5.28, 28.95]


@given(numbers)
def test_mad_is_that_of_statsmodels_and_scipy(values: np.ndarray) -> None:
    assert mad_scale(values) == pytest.approx(float(mad(values)), rel=1e-6, abs=1e-6)
    assert mad_scale(values) == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-6, abs=1e-6)


def test_nothing_has_no_scale() -> None:
    assert np.isnan(mad_scale(np.empty(0)))
    assert np.isnan(noise_floor(np.array([1.0, 2.0])))


@pytest.mark.parametrize("sigma", [0.5, 3.0, 40.0])
def test_noise_floor_is_the_noise_whatever_the_ramp_and_the_spikes(sigma: float) -> None:
    """numpy's normal noise as reference; 3 % covers 4 standard errors of 20,000 differences' MAD."""
    rng = np.random.default_rng(1)
    values = 5.0 * np.arange(20_000) + rng.normal(0, sigma, 20_000)
    values[::50] += 3000
    assert noise_floor(values) == pytest.approx(sigma, rel=0.12)  # each spike spoils three differences of 50
    values[::50] -= 3000
    assert noise_floor(values) == pytest.approx(sigma, rel=0.03)


@pytest.mark.parametrize("sigma", [0.3, 0.5, 1.0, 3.0])
def test_noise_floor_of_a_rounded_signal_is_that_of_noise_and_rounding(sigma: float) -> None:
    """Rounding adds q²/12: Widrow's quantisation model, which holds from about half a quantum of noise on."""
    rng = np.random.default_rng(4)
    values = np.round(np.linspace(0, 300, 50_000) + rng.normal(0, sigma, 50_000))
    assert noise_floor(values, quantum=1.0) == pytest.approx(np.sqrt(sigma**2 + 1 / 12), rel=0.05)


def test_noise_floor_of_counts_is_that_of_two_roundings() -> None:
    """A count is a difference of two floors: third differences of uniform variables, 20/12 in place of 6/12."""
    rng = np.random.default_rng(5)
    turned = np.floor(np.cumsum(37.3 + rng.uniform(-2, 2, 200_000).cumsum() * 1e-4))
    assert noise_floor(np.diff(turned), quantum=1.0) == pytest.approx(np.sqrt(20 / 72), rel=0.06)


def test_noise_floor_of_chosen_samples() -> None:
    rng = np.random.default_rng(2)
    values = np.concatenate([np.zeros(5000), rng.normal(0, 2, 5000)])
    assert noise_floor(values) < 1.5
    assert noise_floor(values, np.arange(10_000) >= 5000) == pytest.approx(2, rel=0.08)


@given(st.floats(0.05, 200), st.integers(0, 1000))
def test_spacing_of_a_quantised_signal_is_its_quantum(quantum: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = quantum * rng.integers(-20, 20, 2000)
    values[rng.integers(0, 2000, 30)] = rng.uniform(-9e3, 9e3, 30)  # disturbances between the levels
    assert level_spacing(values) == pytest.approx(quantum)


@pytest.mark.parametrize("values", [[], [0.0] * 500, [0.0] * 400 + [900.0] * 50, list(np.linspace(0, 1, 700))])
def test_too_few_levels_show_no_quantum(values: list[float]) -> None:
    assert level_spacing(np.array(values)) is None


@pytest.mark.parametrize(("levels", "samples", "shown"), [(5, 5, True), (4, 5, False), (5, 4, False)])
def test_five_levels_of_five_samples_each_show_the_quantum(levels: int, samples: int, shown: bool) -> None:
    assert level_spacing(np.repeat(0.25 * np.arange(levels), samples)) == (0.25 if shown else None)


def test_a_level_that_is_skipped_does_not_widen_the_quantum() -> None:
    """Eleven distances, the lower tenth of which is the quantum although all others are twice that."""
    levels = np.cumsum([0.0, 0.5, 0.5, *[1.0] * 9])
    assert level_spacing(np.repeat(levels, 5)) == pytest.approx(0.5)
    assert level_spacing(np.repeat(-levels, 5)) == pytest.approx(0.5)


def test_a_level_that_differs_in_the_last_digit_does_not_shrink_the_spacing() -> None:
    """0.3 is written by two floats, one next to the other: of 20 distances one is 1e-16."""
    levels = np.sort(np.append(0.1 * np.arange(20), np.nextafter(0.3, 0.0)))
    assert level_spacing(np.repeat(levels, 5)) == pytest.approx(0.1, rel=1e-6)
