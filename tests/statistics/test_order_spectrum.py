"""Order analysis of signals whose orders are known by construction, and its chance level against the nominal one."""

from __future__ import annotations

import numpy as np
import pytest
from limits_study import LimitsStudy
from scipy import stats
from scipy.signal import lombscargle

from logscope.statistics.order_spectrum import Segment, amplitudes, order_line

ASIDE = np.array([-0.35, -0.25, -0.15, 0.15, 0.25, 0.35])


def segments(rng: np.random.Generator, lines: dict[float, float], noise: float, count: int = 20) -> list[Segment]:
    """Sixteen turns each of a shaft that speeds up by half, evenly sampled in time, so unevenly in angle."""
    made = []
    for _ in range(count):
        time = np.linspace(0.0, 1.0, 320)
        turns = 16 * (0.8 * time + 0.2 * time**2) + rng.uniform()
        value = sum(a * np.sin(2 * np.pi * k * turns + rng.uniform(0, 6.28)) for k, a in lines.items())
        made.append((turns, value + rng.normal(0, noise, time.size)))
    return made


def test_a_known_order_gives_its_amplitude_and_the_orders_beside_give_none() -> None:
    (turns, value), *_ = segments(np.random.default_rng(1), {2.0: 5.0}, 0.0)
    found = amplitudes(turns, value, np.array([1.0, 2.0, 3.0]))
    assert found[1] == pytest.approx(5.0, rel=1e-9)
    assert max(found[0], found[2]) < 0.25


def test_amplitudes_are_those_of_the_lomb_periodogram_of_scipy() -> None:
    """scipy.signal.lombscargle, normalised to amplitudes, with the angle in place of time."""
    (turns, value), *_ = segments(np.random.default_rng(2), {1.0: 3.0, 2.5: 1.0}, 0.5)
    orders = np.linspace(0.5, 4.0, 15)
    theirs = np.abs(lombscargle(turns, value, 2 * np.pi * orders, normalize="amplitude"))
    assert amplitudes(turns, value, orders) == pytest.approx(theirs, rel=1e-6)


def test_two_orders_of_different_size_are_told_with_limits_that_hold_them() -> None:
    """Orders 1 and 2 of 3.0 and 0.8 under noise of 2.0."""
    study = LimitsStudy()
    for seed in range(100):
        made = segments(np.random.default_rng([seed, 3]), {1.0: 3.0, 2.0: 0.8}, 2.0)
        for order, true in ((1.0, 3.0), (2.0, 0.8)):
            line = order_line(made, order, order + ASIDE)
            study.add(true, line.amplitude, line.low, line.high)
    study.judge()


def test_by_noise_alone_a_line_is_as_likely_as_its_p_value_says() -> None:
    """300 signals of noise alone: p-values are uniform by the test of Kolmogorov and Smirnov (scipy)."""
    chances = [
        order_line(segments(np.random.default_rng([seed, 4]), {}, 1.0, count=6), 1.0, 1.0 + ASIDE).p_value
        for seed in range(300)
    ]
    assert stats.kstest(chances, "uniform").pvalue > 0.01


def test_a_clear_line_is_no_chance() -> None:
    line = order_line(segments(np.random.default_rng(5), {1.0: 3.0}, 2.0), 1.0, 1.0 + ASIDE)
    assert line.p_value < 1e-12
