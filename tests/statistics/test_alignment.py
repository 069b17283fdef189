"""Two clocks brought together: against scipy and on made-up logs with known offset and drift."""

from __future__ import annotations

import numpy as np
import pytest
from clock_study import drive, logged, pair
from limits_study import LimitsStudy
from scipy.signal import correlate, correlation_lags

from logscope.statistics.alignment import Alignment, NotAligned, align_clocks, normalised_correlation


def test_the_normalised_correlation_is_that_of_scipy() -> None:
    """scipy: correlate and correlation_lags, divided by the energies of the overlapping parts."""
    rng = np.random.default_rng(2)
    one, other = rng.normal(size=60), rng.normal(size=25)
    found, count = normalised_correlation(one, np.ones(60), other, np.ones(25))
    lags = correlation_lags(60, 25)
    product = correlate(one, other, method="direct")
    for lag, value, samples, sum_of_products in zip(lags, found, count, product, strict=True):
        there = slice(max(lag, 0), min(lag + 25, 60))
        here = slice(there.start - lag, there.stop - lag)
        assert samples == there.stop - there.start
        energy = np.sqrt(np.sum(one[there] ** 2) * np.sum(other[here] ** 2))
        assert value == pytest.approx(sum_of_products / energy, abs=1e-9)


def test_samples_that_are_not_known_do_not_count() -> None:
    signal, known = np.array([1.0, 0.0, 2.0]), np.array([1.0, 0.0, 1.0])
    found, count = normalised_correlation(signal, known, signal, known)
    assert found[2] == pytest.approx(1.0)
    assert count[2] == 2


@pytest.mark.parametrize("seed", range(900, 912))
def test_offset_and_drift_of_one_drive_are_found(seed: int) -> None:
    """Known truth: clocks up to 30 s and 100 ppm apart, CAN each 10 ms, console each 50 ms."""
    error, found = pair(np.random.default_rng([seed, 60]), related=True)
    assert isinstance(found, Alignment)
    assert error < 0.015
    assert found.residual_s < 0.025


@pytest.mark.parametrize("seed", range(900, 912))
def test_unrelated_drives_are_refused(seed: int) -> None:
    _, found = pair(np.random.default_rng([seed, 61]), related=False)
    assert isinstance(found, NotAligned)


def test_the_limits_hold_the_offset() -> None:
    study = LimitsStudy()
    for seed in range(30):
        rng = np.random.default_rng([seed, 5])
        truth = drive(rng, 240.0)
        first, second = (logged(rng, truth, period, 0.001, 1.0, 3.0) for period in (0.01, 0.05))
        found = align_clocks(*first, second[0] - 12.0, second[1])
        assert isinstance(found, Alignment)
        study.add(12.0, found.offset_s, found.offset_low_s, found.offset_high_s)
    study.judge()


def test_a_scaled_and_shifted_copy_aligns_as_well() -> None:
    rng = np.random.default_rng(6)
    first_s, first = logged(rng, drive(rng, 120.0), 0.02, 0.0, 0.1, 0.5)
    found = align_clocks(first_s, first, first_s + 100.0, 7.0 - 0.02 * first)
    assert isinstance(found, NotAligned)  # turned round: not the same quantity
    found = align_clocks(first_s, first, first_s + 100.0, 7.0 + 0.02 * first)
    assert isinstance(found, Alignment)
    assert found.offset_s == pytest.approx(-100.0, abs=1e-3)


@pytest.mark.parametrize(
    ("second", "why"),
    [
        (np.zeros(2000), "agree"),
        (np.ones(5), "few samples"),
        (np.random.default_rng(1).normal(size=300), "too short"),
    ],
)
def test_what_cannot_be_aligned_says_why(second: np.ndarray, why: str) -> None:
    rng = np.random.default_rng(3)
    first_s, first = logged(rng, drive(rng, 100.0), 0.05, 0.0, 1.0, 1.0)
    found = align_clocks(first_s, first, 0.05 * np.arange(second.size), second)
    assert isinstance(found, NotAligned)
    assert why in found.reason
