"""What is left of a loop's error beside its answers to steps; the loops are made by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from linear_system import answer, second_order
from scipy.signal import lfilter

from logscope.arrays import FloatArray
from logscope.statistics.linear_response import _by_folds, _without_response, unexplained

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


def turns(size: int = 1600) -> tuple[FloatArray, FloatArray]:
    """A target that is at rest first and then goes to and fro every 40 samples; what a lag of 0.7 makes of it."""
    levels = np.random.default_rng(75).uniform(6.0, 10.0, size // 40) * np.tile([1.0, -1.0], size // 80)
    levels[:2] = 0.0
    target = np.repeat(levels, 40)
    return target, lfilter([0.3], [1.0, -0.7], target)


def test_where_the_target_begins_does_not_matter() -> None:
    target, moved = turns()
    value = moved + np.random.default_rng(76).normal(0.0, 0.1, target.size)
    here, there = unexplained(value, target, 30, 0.1), unexplained(value + 50.0, target + 500.0, 30, 0.1)
    for one, other in ((here.value, there.value), (here.shifted, there.shifted), (here.unlike, there.unlike)):
        np.testing.assert_allclose(one, other, atol=1e-6)


def test_noise_is_read_off_what_is_left_where_that_is_less_than_given() -> None:
    """Noise of 1 where 2 is given at most: a row counts by 1/(1 + room²), room by numpy from the response itself."""
    target, moved = turns(8000)
    value = moved + np.random.default_rng(77).normal(0.0, 1.0, target.size)
    found, _ = _without_response(value, target, np.diff(target, prepend=0.0), 30, 2.0, False)
    weight = (found.value + 10.0 * found.unlike) / value
    explained = 10.0 * found.unlike / weight
    room = np.hypot(0.3 * np.gradient(explained), 0.1 * explained)
    seen = (np.abs(value) > 0.5) & (room > 0.5)
    noise = room[seen] / np.sqrt(1.0 / weight[seen] - 1.0)
    assert np.median(noise) == pytest.approx(1.0, rel=0.2)


@pytest.mark.parametrize(("share", "explained"), [(0.24, False), (0.26, True)])
def test_moves_of_a_quarter_of_the_energy_elsewhere_are_enough(share: float, explained: bool) -> None:
    """Pulses of 10 in the first quarter, in each of the others of a size that holds a third of the share."""
    sizes = np.array([10.0, *[10.0 * (share / 3.0) ** 0.5] * 3])
    target = np.concatenate([np.where((np.arange(200) >= 50) & (np.arange(200) < 120), size, 0.0) for size in sizes])
    value = lfilter([0.5], [1.0, -0.5], target)
    rest, _ = _by_folds(value, target, np.repeat(np.arange(4), 200), 20, 0.01, False)
    assert bool(np.std(rest.value[:200]) < 0.1 * np.std(value[:200])) is explained
    assert np.std(rest.value[200:]) < 0.1 * np.std(value[200:])
    if not explained:
        np.testing.assert_array_equal(rest.value[:200], value[:200])


@pytest.mark.parametrize(
    ("lag", "size", "on"),
    # 32 lags end in nine: what comes there is a ninth of it off their mean, and counts above 0.15 of the largest
    [(23, 0.5, True), (22, 0.5, False), (25, 0.2, True), (25, 0.15, False), (31, -0.2, True), (31, -0.15, False)],
)
def test_a_response_rings_on_by_what_its_last_quarter_holds(lag: int, size: float, on: bool) -> None:
    target = np.repeat(np.tile([0.0, 5.0, 2.0, 9.0], 10), 40)
    moves = np.diff(target, prepend=0.0)
    kernel = np.zeros(32)
    kernel[0], kernel[lag] = 4.0, 4.0 * size
    assert _without_response(np.convolve(moves, kernel)[:1600], target, moves, 32, 1e-6, False)[1] is on


def test_few_lags_are_enough_and_no_more_than_half_of_the_values_are_taken() -> None:
    target, _ = turns()
    at_once = unexplained(0.5 * target, target, 1, 0.01)
    assert np.std(at_once.value) < 0.05 * np.std(target)
    short = unexplained(0.5 * target[:401], target[:401], 1000, 0.01)
    assert short.value.shape == (401,)


def test_a_move_of_ten_noises_is_half_believed_and_a_clear_one_wholly() -> None:
    """Ridge regression of one move of 10: 10²/(10² + (noise/0.1)²) of the response is explained, a half.

    Where it is steep a row counts for a hundredth, so that in four rounds a half of a half of it remains, and so on.
    """
    target = np.where(np.arange(200) < 100, 0.0, 10.0)
    moves = np.diff(target, prepend=0.0)
    value = np.convolve(moves, [1.0, 0.5, 0.25])[:200]
    shares = []
    for noise in (1.0, 1e-6):
        found, _ = _without_response(value, target, moves, 12, noise, False)
        shares.append(10.0 * found.unlike[100] / (10.0 * found.unlike[100] + found.value[100]))
    assert shares == pytest.approx([0.5**4, 1.0], rel=0.25)
