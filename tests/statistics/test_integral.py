"""Integrals of samples with their limits, against scipy and the theory of sums."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from limits_study import WIDEST, LimitsStudy
from scipy.integrate import trapezoid

from logscope.arrays import FloatArray
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


def _noise(rng: np.random.Generator) -> tuple[FloatArray, FloatArray, float]:
    return np.arange(300.0), 50.0 + rng.normal(0.0, 2.0, 300), 50.0 * 299


def _jumps(rng: np.random.Generator) -> tuple[FloatArray, FloatArray, float]:
    """Levels that change some every eight samples, anywhere between two of them; noise of a fiftieth."""
    at = np.sort(rng.uniform(0.0, 299.0, 37))
    levels = rng.uniform(0.0, 100.0, 38)
    time_s = np.arange(300.0)
    truth = float(levels @ np.diff(np.concatenate(([0.0], at, [299.0]))))
    return time_s, levels[np.searchsorted(at, time_s)] + rng.normal(0.0, 1.0, 300), truth


def _bends(rng: np.random.Generator) -> tuple[FloatArray, FloatArray, float]:
    """Slopes that change some every eight samples, and turn either way."""
    at = np.sort(rng.uniform(0.0, 299.0, 40))
    ends = np.concatenate(([0.0], at, [299.0]))
    corners = np.concatenate(([0.0], np.cumsum(rng.normal(0.0, 10.0, 41) * np.diff(ends))))
    time_s = np.arange(300.0)
    return time_s, np.interp(time_s, ends, corners), float(trapezoid(corners, ends))


@pytest.mark.parametrize(
    ("draw", "widest"), [(_noise, WIDEST), (_jumps, WIDEST), (_bends, 2.7)], ids=["noise", "jumps", "bends"]
)
def test_limits_hold_the_truth_as_often_as_they_say_and_are_no_wider(
    draw: Callable[[np.random.Generator], tuple[FloatArray, FloatArray, float]], widest: float
) -> None:
    """By construction. Errors of bends all but cancel where slopes turn back, which no sample shows."""
    study = LimitsStudy(widest)
    for seed in range(400):
        time_s, value, truth = draw(np.random.default_rng([33, seed]))
        study.of(truth, integrate(time_s, value))
    study.judge()


def test_two_samples_bound_their_integral_by_either_of_them() -> None:
    found = integrate(np.array([0.0, 2.0]), np.array([10.0, 14.0]))
    assert (found.low, found.value, found.high) == pytest.approx((20.0, 24.0, 28.0))


@pytest.mark.parametrize(
    ("kind", "variance"),
    [
        ("noise", 1.0),  # each reading by itself
        ("jumps", 1 / 12),  # of one anywhere in a step, the rule takes half: E[(½ − u)²], u uniform
        ("bends", 1 / 120),  # of one anywhere in a step: E[(u·(1 − u)/2)²]
    ],
)
def test_limits_are_as_wide_as_the_rule_is_off_by_integration(kind: str, variance: float) -> None:
    """One normal jump or bend of unit variance in each step, noiseless; the errors of all steps add up in squares."""
    rng, steps, reach = np.random.default_rng(2911), 20_000, []
    for _ in range(20):
        heights, begins = rng.normal(size=steps), np.arange(steps) + rng.uniform(size=steps)
        after = np.arange(1.0, steps + 1)
        value = {
            "noise": heights,
            "jumps": np.cumsum(heights),
            "bends": after * np.cumsum(heights) - np.cumsum(heights * begins),
        }[kind]
        found = integrate(after, value)
        reach.append((found.high - found.value) / 1.96)
    assert np.mean(np.square(reach)) == pytest.approx(steps * variance, rel=0.15)  # shares below zero are none
