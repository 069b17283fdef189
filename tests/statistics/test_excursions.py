"""Readings that step away and back, and runs and groups of samples."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from logscope.statistics.episodes import join_neighbours, runs_of_equal
from logscope.statistics.excursions import Excursions, RateLimit, excursions, impossible_steps, is_lost


def find(value: np.ndarray, limit: float, time_s: np.ndarray | None = None) -> Excursions:
    """Excursions of a signal with one sample a second that moves by `limit` a second at most."""
    time_s = np.arange(value.size, dtype=float) if time_s is None else time_s
    reach = RateLimit(limit, 0.0, np.diff(time_s), limit * np.diff(time_s))
    steps = impossible_steps(value, reach)
    return excursions(
        time_s, value, reach, steps=steps, zero=1e-3, join_s=2.5, join_samples=2, undone_s=6.0, lost_s=20.0
    )


def test_published_hampel_example() -> None:
    """MathWorks `hampel` page: a sine of 100 samples, the 6th at 2, the 20th at −2: these two, no other."""
    value = np.sin(2 * np.pi * np.arange(100) / 100)
    value[5], value[19] = 2, -2
    found = find(value, 2 * np.pi / 100)  # the steepest the sine gets
    assert found.first.tolist() == found.last.tolist() == [5, 19]


def test_a_lone_step_is_no_excursion() -> None:
    assert find(np.repeat([0.0, 9.0], 20), 1.0).first.size == 0


def test_two_steps_the_same_way_are_no_excursion() -> None:
    assert find(np.array([0, 0, 5, 9, 9, 9.0]), 1.0).first.size == 0


def test_a_lost_reading_is_one_excursion_however_long_up_to_the_limit() -> None:
    value = np.full(60, 9.0)
    value[10:25] = 0
    found = find(value, 1.0)
    assert (found.before.tolist(), found.first.tolist(), found.last.tolist(), found.after.tolist()) == (
        [9], [10], [24], [25],
    )  # fmt: skip
    value[10:35] = 0
    assert find(value, 1.0).first.size == 0


def test_a_mirrored_reading_is_lost_and_one_near_zero_speed_is_not() -> None:
    assert is_lost(np.array([-95.0, 0, 60, 0]), np.array([100.0, 100, 100, 1.5]), 1.0).tolist() == [
        True,
        True,
        False,
        False,
    ]


@given(st.integers(0, 10_000), st.floats(0.1, 5))
def test_no_signal_within_its_reach_has_an_excursion(seed: int, limit: float) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.01, 3, 200))
    value = np.cumsum(np.append(0, rng.uniform(-limit, limit, 199) * np.diff(time_s)))
    assert find(value, limit, time_s).first.size == 0


@given(st.integers(0, 10_000), st.integers(5, 180), st.integers(1, 2), st.sampled_from([-1, 1]))
def test_every_excursion_of_three_times_the_reach_is_found(seed: int, at: int, width: int, sign: int) -> None:
    value = np.cumsum(np.random.default_rng(seed).uniform(-1, 1, 200))
    value[at : at + width] += 3 * sign
    assert find(value, 1.0).first.tolist() == [at]


@given(arrays(bool, st.integers(0, 30)))
def test_groups_cover_all_items_once(joined: np.ndarray) -> None:
    first, last = join_neighbours(joined)
    covered = np.concatenate([np.arange(a, b + 1) for a, b in zip(first, last, strict=True)])
    assert covered.tolist() == list(range(joined.size + 1))


@given(st.lists(st.sampled_from([0.0, 1.0, 2.0]), min_size=1, max_size=40))
def test_runs_are_those_of_itertools(values: list[float]) -> None:
    first, last = runs_of_equal(np.array(values))
    assert (last - first + 1).tolist() == [len(list(run)) for _, run in groupby(values)]


def test_no_step_no_excursion() -> None:
    assert find(np.zeros(5), 1.0).after.size == 0
    assert find(np.array([0.0, 5.0]), 1.0).after.size == 0


@pytest.mark.parametrize("jump", [1.0, -1.0])
def test_a_step_of_exactly_the_reach_is_possible(jump: float) -> None:
    assert impossible_steps(np.array([0.0, jump]), RateLimit(1.0, 0.0, np.ones(1), np.ones(1))).size == 0


def test_a_step_that_is_undone_is_one_excursion_and_one_that_leads_elsewhere_is_none() -> None:
    value = np.zeros(20)
    value[5:10] = 10.0
    found = find(value, 1.0)
    assert (found.first.tolist(), found.after.tolist()) == ([5], [10])
    value[10:] = 4.0
    assert find(value, 1.0).after.size == 0


def eighths(value: np.ndarray, **more: float) -> Excursions:
    """Eight samples a second, a step of 2 is possible; joined up to 1/4 s, undone up to 1/2 s, lost up to 3/4 s."""
    time_s, rows = np.arange(value.size) / 8, value.size - 1
    reach = RateLimit(8.0, 1.0, np.full(rows, 0.125), np.full(rows, 2.0))
    given = {"zero": 1.0, "join_s": 0.25, "join_samples": 1, "undone_s": 0.5, "lost_s": 0.75, **more}
    return excursions(time_s, value, reach, steps=impossible_steps(value, reach), **given)  # type: ignore[arg-type]


def test_several_excursions_lie_each_between_its_own_steps() -> None:
    """By hand: a spike, a lost and a mirrored reading, a level that steps up for good, and a last spike on it."""
    value = np.full(80, 20.0)
    value[10] = 35.0
    value[20:26] = 0.0
    value[40:44] = -20.0
    value[55:] = 30.0
    value[70:72] = [50.0, 10.0]
    found = eighths(value)
    assert found.before.tolist() == [9, 19, 39, 69]
    assert found.first.tolist() == [10, 20, 40, 70]
    assert found.last.tolist() == [10, 25, 43, 71]
    assert found.after.tolist() == [11, 26, 44, 72]
    assert found.steps.tolist() == [2, 2, 2, 3]


@pytest.mark.parametrize(
    ("away", "more", "found"),
    [
        # within the time, and one sample more; the way back leads close to the level but not to it
        ([9.0] * 2, {"undone_s": 0.0}, 1), ([9.0] * 3, {"undone_s": 0.0}, 0),
        ([9.0] * 3, {"undone_s": 0.0, "join_samples": 3}, 1), ([9.0] * 4, {"undone_s": 0.0, "join_samples": 3}, 0),
        ([9.0] * 4, {}, 1), ([9.0] * 5, {}, 0), ([-20.0] * 6, {}, 1), ([-20.0] * 7, {}, 0), ([-40.0] * 6, {}, 1),
        ([-20.0] * 5 + [-18.5], {}, 0), ([-18.5] + [-20.0] * 5, {}, 0),  # lost from the beginning to the end
        ([-20.0] * 3 + [-18.5] * 2 + [-20.0], {}, 1), ([-19.0] * 6, {}, 1),
        # the first step is possible, the second leads away, and a fifth of that is near
        ([1.4, 9.0, 9.0, 9.0, 9.0], {}, 1), ([1.6, 9.0, 9.0, 9.0, 9.0], {}, 0),
    ],
)  # fmt: skip
def test_steps_belong_together_up_to_their_time(away: list[float], more: dict[str, float], found: int) -> None:
    value = np.full(40, 20.0)
    value[10 : 10 + len(away)] += away
    for sign in (1.0, -1.0):
        assert eighths(sign * value, **more).first.size == found
