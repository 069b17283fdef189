"""Rings and lasting swings: made signals of known constants, the frequency beside that of scipy.signal."""

from __future__ import annotations

import numpy as np
import pytest
from limits_study import LimitsStudy
from scipy import stats
from scipy.signal import periodogram

from logscope.physics.second_order import damping_of
from logscope.statistics.oscillation import find_swings
from logscope.statistics.ringing import DampedSinusoid, fit_damped_sinusoid

T = np.arange(0, 20, 0.01)


def test_a_swing_of_three_times_the_noise_is_found_at_its_frequency() -> None:
    """scipy.signal.periodogram finds the same line; 97 of 100 are asked for."""
    found = 0
    for seed in range(500, 600):
        rng = np.random.default_rng(seed)
        frequency = rng.uniform(10, 45)
        on = (T > 8) & (8 + rng.uniform(2, 5) > T)
        value = rng.normal(0, 1, T.size) + 3 * on * np.sin(2 * np.pi * frequency * T)
        swings = find_swings(T, value)
        line, power = periodogram(value[on], 100.0)
        found += len(swings.episodes) == 1 and abs(np.median(swings.frequency_hz) - line[np.argmax(power)]) < 0.6
    assert found >= 97


def test_noise_alone_does_not_swing_in_ten_hours() -> None:
    """At most 0.1 false alarms an hour are asked for; white noise, and noise through a filter."""
    t = np.arange(0, 18_000, 0.01)
    rng = np.random.default_rng(501)
    white = rng.normal(0, 1, t.size)
    assert not find_swings(t, white).episodes
    assert not find_swings(t, np.convolve(white, [1, 0.5, 0.2], "same")).episodes


def test_a_ring_that_dies_away_is_no_lasting_swing() -> None:
    rng = np.random.default_rng(502)
    value = rng.normal(0, 0.2, T.size) + 50 * (T > 5) * np.exp(-4 * np.maximum(T - 5, 0)) * np.sin(2 * np.pi * 12 * T)
    assert not find_swings(T, value).episodes


def test_a_constant_with_rounding_only_is_silent() -> None:
    assert not find_swings(T, np.round(T * 0.01, 1), 0.1).episodes


def _reach(ring: DampedSinusoid) -> float:
    return float(stats.t.ppf(0.975, ring.freedom))


def test_limits_of_frequency_and_damping_hold_the_truth() -> None:
    """Rings on a trend in normal noise."""
    t = np.arange(0, 1, 0.01)
    of_frequency, of_damping = LimitsStudy(), LimitsStudy()
    for seed in range(600, 850):
        rng = np.random.default_rng(seed)
        frequency, damping = rng.uniform(3, 15), rng.uniform(-0.02, 0.2)
        decay = 2 * np.pi * frequency * damping / np.sqrt(1 - damping**2)
        value = 10 * np.exp(-decay * t) * np.sin(2 * np.pi * frequency * t + rng.uniform(0, 6)) + 5 * t
        ring = fit_damped_sinusoid(t, value + rng.normal(0, 0.5, t.size), 2, 20)
        assert ring is not None
        half_hz = _reach(ring) * ring.frequency_error
        of_frequency.add(frequency, ring.frequency_hz, ring.frequency_hz - half_hz, ring.frequency_hz + half_hz)
        low, high = (
            damping_of(ring.decay_per_s + s * _reach(ring) * ring.decay_error, ring.frequency_hz) for s in (-1, 1)
        )
        of_damping.add(damping, None, low, high)
    of_frequency.judge()
    of_damping.judge()


@pytest.mark.parametrize("period_s", [0.002, 0.005, 0.01, 0.02, 0.05])
def test_slow_swings_are_found_whatever_the_sampling(period_s: float) -> None:
    """By formula, no published source: sines from 2 Hz on, of four times the noise, for 5.5 s.

    Where the sampling leaves 32 samples to a window of 1.6 s, a slow one must last three windows of twice that."""
    rng = np.random.default_rng(20)
    t = np.arange(0.0, 30.0, period_s)
    for frequency in (2.2, 3.0, 4.5, 6.5, 8.0):
        inside = (t > 10.0) & (t < (15.5 if period_s < 0.05 else 18.5))
        value = np.where(inside, 4.0 * np.sin(2 * np.pi * frequency * t), 0.0) + rng.normal(0.0, 1.0, t.size)
        found = find_swings(t, value)
        assert len(found.episodes) >= 1
        assert float(np.median(found.frequency_hz)) == pytest.approx(frequency, rel=0.06)


def test_white_noise_holds_no_swing_at_any_scale() -> None:
    rng = np.random.default_rng(21)
    for period_s in (0.005, 0.05):
        t = np.arange(0.0, 1e5 * period_s, period_s)
        assert not find_swings(t, rng.normal(0.0, 1.0, t.size)).episodes
