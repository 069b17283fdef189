"""What is left of a loop's error beside its answers to steps; the loops are made by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from linear_system import answer, second_order

from logscope.arrays import FloatArray
from logscope.statistics.linear_response import unexplained

PERIOD_S, LAGS, NOISE = 0.01, 300, 1.0


def stepped(seed: int, damping: float, gain: float = 1.0) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time, target and error of a loop of 6 Hz that is stepped some 25 times in 30 s."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 30, PERIOD_S)
    levels = rng.uniform(0, 200, 40)
    target = levels[np.searchsorted(np.cumsum(rng.uniform(0.8, 1.6, 40)), t)]
    moved = answer(second_order(6.0, damping), target - target[0], PERIOD_S, "zoh")
    return t, target, gain * (moved + target[0]) - target + rng.normal(0, NOISE, t.size)


@pytest.mark.parametrize("gain", [1.0, 0.95], ids=["true", "scaled"])
@pytest.mark.parametrize("damping", [0.12, 0.5])
def test_the_answers_of_a_linear_loop_are_explained(damping: float, gain: float) -> None:
    _, target, error = stepped(71, damping, gain)
    rest = unexplained(error, target, LAGS, NOISE)
    assert np.std(error) > 10
    assert np.std(rest.value[LAGS:]) < 1.6


def test_a_swing_beside_the_answers_is_left() -> None:
    """All but what 25 steps explain of a swing by chance."""
    t, target, error = stepped(72, 0.3)
    swing = np.where((t > 10) & (t < 16), 4.0 * np.sin(2 * np.pi * 8.3 * t), 0.0)
    rest = unexplained(error + swing, target, LAGS, NOISE).value
    assert rest @ swing / (swing @ swing) == pytest.approx(0.9, abs=0.1)


def test_nothing_is_explained_by_itself() -> None:
    """One step alone: whatever follows it may have come by chance."""
    rng = np.random.default_rng(73)
    error = rng.normal(0, NOISE, 2000)
    target = np.where(np.arange(2000) < 700, 0.0, 100.0)
    assert np.array_equal(unexplained(error, target, LAGS, NOISE).value, error - np.median(error))


def test_an_answer_that_never_comes_to_an_end_is_left() -> None:
    _, target, error = stepped(74, 0.0005)
    assert np.std(unexplained(error, target, LAGS, NOISE).value) > 0.9 * np.std(error)
