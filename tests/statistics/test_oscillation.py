"""Swings among noise and spikes, at the samplings of real loggers; the truth is a sine of our choice."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.statistics.oscillation import find_swings

AMPLITUDE = 3.0  # times the noise


def noise_and_swing(
    rng: np.random.Generator, period_s: float, frequency_hz: float, *, spikes: bool
) -> tuple[FloatArray, FloatArray]:
    """Forty seconds; 20 turns, at least 5 s, of a swing; steps of a target leave spikes of up to 90 noises."""
    time_s = np.arange(0, 40, period_s)
    lasts_s = max(20 / frequency_hz, 5.0)
    begin_s = rng.uniform(4, 12)
    on = (time_s > begin_s) & (time_s < begin_s + lasts_s)
    value = rng.normal(0, 1, time_s.size) + on * AMPLITUDE * np.sin(2 * np.pi * frequency_hz * time_s)
    if spikes:
        for at_s in np.arange(1.5, 40, 1.5):
            since = time_s - at_s
            value -= np.where(since > 0, rng.uniform(30, 90) * np.exp(-300 * np.maximum(since, 0)), 0)
    return time_s, value


@pytest.mark.parametrize("spikes", [False, True], ids=["alone", "beside steps"])
@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.02, 0.05])
def test_a_swing_from_2_hz_on_is_found_whatever_the_sampling(period_s: float, spikes: bool) -> None:
    """At 50 ms one of ten may be lost beside steps, of which each spoils three tenths of a second or more."""
    found = 0
    for seed in range(40, 60):
        rng = np.random.default_rng(seed)
        frequency_hz = float(np.exp(rng.uniform(np.log(2.05), np.log(0.4 / period_s))))
        swings = find_swings(*noise_and_swing(rng, period_s, frequency_hz, spikes=spikes), 0.1)
        median = [float(np.median(swings.frequency_hz[episode])) for episode in swings.episodes]
        found += any(abs(each - frequency_hz) < max(0.5, 0.05 * frequency_hz) for each in median)
    assert found >= (17 if spikes and period_s == 0.05 else 19)


@pytest.mark.parametrize(("period_s", "hours"), [(0.01, 1.0), (0.05, 5.0)])
def test_white_noise_has_none(period_s: float, hours: float) -> None:
    rng = np.random.default_rng(61)
    value = rng.normal(0, 1, round(hours * 3600 / period_s))
    assert not find_swings(np.arange(value.size) * period_s, value, 0.1).episodes
