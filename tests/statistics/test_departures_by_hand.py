"""Runs of steps, the way back, and which departures are over too soon: small signals and runs, tables by hand."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.statistics.departures import (
    Runs,
    Sampling,
    back_at,
    from_rest,
    off_level,
    opposite,
    over_too_soon,
    runs_of_steps,
)

P = 1 / 64  # sums of it are exact
ONCE, TWICE = Sampling(1, P, 1e-6), Sampling(2, 2 * P, 1e-6)  # a new value with every sample, with every other one


def run_of(value: np.ndarray, steps: list[int], how: Sampling = ONCE, reach: int = 3) -> Runs:
    return runs_of_steps(P * np.arange(value.size), value, np.array(steps), how, reach)


@pytest.mark.parametrize("unit", [1.0, 1e-3, -1e-3])
def test_runs_are_the_same_in_any_unit(unit: float) -> None:
    """Up by 2 and 3, down by 4 and 3, up by 1 two samples later: three runs."""
    value = unit * np.cumsum([0.0, 0.0, 2.0, 3.0, -4.0, -3.0, 0.0, 1.0, 0.0])
    runs = run_of(value, [2, 3, 4, 5, 7])
    assert runs.move == pytest.approx(unit * np.array([5.0, -7.0, 1.0]))
    assert (runs.before.tolist(), runs.after.tolist()) == ([1, 3, 6], [3, 5, 7])


@pytest.mark.parametrize(
    ("lead", "quantum", "begin"),
    [(0.25, 0.1, 4), (0.26, 0.1, 3), (0.5, 0.5, 4), (0.51, 0.5, 3), (-0.9, 0.1, 4)],
)
def test_a_step_leads_in_by_more_than_a_quarter_of_the_largest_and_the_resolution(
    lead: float, quantum: float, begin: int
) -> None:
    value = np.cumsum([0.0, 0.0, 0.0, lead, 1.0, lead, 0.0, 0.0])
    for sign in (1.0, -1.0):
        runs = run_of(sign * value, [4], Sampling(1, P, quantum))
        assert runs.before.tolist() == [begin - 1]
        assert runs.after.tolist() == [9 - 1 - begin]  # as far after it as before it
        assert runs.lasts_s.tolist() == [P * (runs.after[0] - runs.before[0])]


def test_a_lead_is_followed_no_farther_than_asked_nor_beyond_the_ends() -> None:
    """A ramp: steps of 1 all the way from sample 0 to 9."""
    ramp = np.arange(10.0)
    for reach, before, after in ((1, 3, 6), (3, 1, 8), (9, 0, 9)):
        runs = run_of(ramp, [5], ONCE, reach)
        assert (runs.before.tolist(), runs.after.tolist()) == ([before], [after])
    pause = np.cumsum([0.0, 1.0, 0.0, 1.0, 1.0, 1.0, 0.0, 1.0, 1.0])  # what moves again beyond a pause is another run
    assert (run_of(pause, [4]).before.tolist(), run_of(pause, [4]).after.tolist()) == ([2], [5])


def test_where_values_repeat_runs_go_on_from_new_value_to_new_value() -> None:
    """Every value twice: 0 0 3 3 13 13 23 23 26 26 26 26; large steps lead to samples 4 and 6."""
    value = np.repeat([0.0, 3.0, 13.0, 23.0, 26.0, 26.0], 2)
    runs = run_of(value, [4, 6], TWICE)
    assert (runs.before.tolist(), runs.after.tolist(), runs.of_step.tolist()) == ([1], [8], [0, 0])
    assert runs.move.tolist() == [26.0]
    assert runs.start_s.tolist() == [(2 - 2) * P]  # an update before the first step
    assert runs.end_s.tolist() == [8 * P]
    apart = run_of(np.repeat([0.0, 10.0, 10.0, 20.0], 2), [2, 6], TWICE, 1)
    assert apart.of_step.tolist() == [0, 1]  # a new value lies between


def made(start: list[int], end: list[int], move: list[float]) -> Runs:
    """Runs at given sixty-fourths of a second; what they consist of does not matter."""
    none = np.zeros(len(move), np.intp)
    return Runs(none, none, none, none, P * np.array(start, float), P * np.array(end, float), np.array(move))


YES, NO = np.ones(1, bool), np.zeros(1, bool)


@pytest.mark.parametrize(
    ("end", "back", "away", "alone", "move", "soon"),
    [
        (4, 9, YES, NO, [10.0, -10.0], True), (5, 9, YES, NO, [10.0, -10.0], False),  # four in all
        (4, 9, NO, NO, [10.0, -10.0], False), (4, 9, YES, NO, [10.0, 10.0], False), (4, 9, YES, NO, [-1, 0.1], True),
        (4, 9, YES, NO, [0.1, 0.1], False),
        (9, 6, YES, YES, [10.0, -10.0], True), (9, 7, YES, YES, [10.0, -10.0], False),  # alone six, until it is back
        (9, 6, YES, NO, [10.0, -10.0], False), (9, 6, NO, YES, [10.0, -10.0], False),
        (9, 6, YES, YES, [10.0, 10.0], False), (4, 9, YES, YES, [10.0, -10.0], True),
    ],
)  # fmt: skip
def test_two_opposite_runs_are_over_too_soon(
    end: int, back: int, away: np.ndarray, alone: np.ndarray, move: list[float], soon: bool
) -> None:
    """From 100 on, so that the moments count from the first run's start."""
    runs = made([100, 102], [102, 100 + end], move)
    found = over_too_soon(runs, away, alone, np.array([P * (100 + back)]), 4 * P, 6 * P)
    assert found.tolist() == [soon, soon]


def test_each_departure_lasts_from_its_own_start() -> None:
    """Three, far apart: of four, five and four sixty-fourths of a second, the last one with as small a swing after it.

    Between them lie pairs that are long.
    """
    start, end = [0, 2, 500, 502, 900, 902, 904], [2, 4, 502, 505, 902, 904, 906]
    runs = made(start, end, [10.0, -10.0] * 3 + [4.0])
    every = np.ones(6, bool)
    found = over_too_soon(runs, every, ~every, np.full(6, 99.0), 4 * P, 6 * P)
    assert found.tolist() == [True, True, False, False, True, True, False]
    at_back = P * np.array([6.0, 99, 507, 999, 906, 999])
    found = over_too_soon(runs, every, every, at_back, 0.0, 6 * P)
    assert found.tolist() == [True, True, False, False, True, True, False]
    # a long departure closes none: the smaller one from its way back on is one by itself
    runs = made([0, 2, 500, 503, 505], [2, 4, 502, 505, 506], [10.0, -10.0, 10.0, -10.0, 4.0])
    found = over_too_soon(runs, every[:4], ~every[:4], np.full(4, 99.0), 4 * P, 6 * P)
    assert found.tolist() == [True, True, False, True, True]


@pytest.mark.parametrize(
    ("move", "soon"),
    [
        ([10.0, -10.0, 4.9], [True, True, False]),  # smaller than half: what the departure caused
        ([10.0, -10.0, 5.0], [True, True, True]), ([-10.0, 10.0, -4.9], [True, True, False]),
        ([10.0, -7.5, 3.0], [True, True, False]), ([10.0, -12.5, 3.0], [True, True, False]),  # a quarter is left
        ([10.0, -7.4, 3.0], [True, True, True]), ([10.0, -12.6, 3.0], [True, True, True]),  # not closed
        ([10.0, 10.0, -10.0], [False, True, True]),
    ],
)  # fmt: skip
def test_a_run_that_closes_one_departure_opens_no_smaller_one(move: list[float], soon: list[bool]) -> None:
    runs = made([0, 1, 2], [1, 2, 3], move)
    both = np.ones(2, bool)
    assert over_too_soon(runs, both, ~both, np.full(2, 99.0), 4 * P, 6 * P).tolist() == soon


@pytest.mark.parametrize(
    ("way_back", "back"),
    [
        # from 0 to 8 at sample 2; a quarter of that, 2, is near enough
        ([8.0, 5.0, 2.0, 0.5, 0.0], 4), ([8.0, 5.0, 2.1, 0.5, 0.0], 5), ([8.0, 4.0, -2.0, -2.0, -2.0], 4),
        ([8.0, 1.0, 0.5, 0.5, 0.0], 3),
        ([8.0, 5.0, 4.0, 3.0, 2.1], 6), ([8.0, 4.0, 0.0, -1.0, -2.1], 6),  # it ends elsewhere: where it ends
    ],
)  # fmt: skip
@pytest.mark.parametrize(("level", "sign"), [(0.0, 1.0), (50.0, -1.0)])
def test_a_run_has_led_back_within_a_quarter_of_the_way(
    way_back: list[float], back: int, level: float, sign: float
) -> None:
    value = level + sign * np.array([0.0, 0.0, *way_back])
    time_s = 100.0 + P * np.arange(value.size)
    none, at = np.zeros(2, np.intp), (np.array([1, 2]), np.array([2, 6]))
    runs = Runs(none, none, *at, time_s[at[0]], time_s[at[1]], value[at[1]] - value[at[0]])
    assert back_at(time_s, value, runs, ONCE).tolist() == [100.0 + P * back]


def test_each_run_leads_back_to_where_the_one_before_began() -> None:
    """From 0 to 8 and back in two, from 5 down to 1 and back in three; the pair between them leads elsewhere."""
    value = np.array([0.0, 8.0, 3.0, 0.0, 5.0, 1.0, 3.0, 4.2, 4.5])
    time_s = P * np.arange(value.size)
    none, before, after = np.zeros(5, np.intp), np.array([0, 1, 3, 4, 5]), np.array([1, 3, 4, 5, 8])
    runs = Runs(none, none, before, after, time_s[before], time_s[after], value[after] - value[before])
    assert (back_at(time_s, value, runs, ONCE) / P).tolist() == [3.0, 4.0, 5.0, 7.0]
    # medians of 0 0 0 and 0 5 1, of 8 0 0 and 5 1 3, of 0 3 8 and 1 3 4.2, of 5 0 3 and 4.5 thrice
    assert off_level(value, runs, ONCE).tolist() == [8.0, 2.0, 2.0, 3.5]


def test_where_values_repeat_the_way_back_is_looked_at_from_new_value_to_new_value() -> None:
    value = np.repeat([0.0, 8.0, 4.0, 1.0, 0.0], 2)
    time_s = P * np.arange(10)
    none, at = np.zeros(2, np.intp), (np.array([1, 3]), np.array([2, 8]))
    runs = Runs(none, none, *at, time_s[at[0]], time_s[at[1]], value[at[1]] - value[at[0]])
    assert back_at(time_s, value, runs, TWICE).tolist() == [7 * P]  # the second sample of the 1


def test_opposite_runs_are_as_large_as_their_share_says() -> None:
    move = [100.0, -75.0, 100.0, -99.0, -99.0]
    runs = made([0, 1, 2, 3, 4], [1, 2, 3, 4, 5], move)
    assert opposite(runs, 0.25).tolist() == [True, True, True, False]
    assert opposite(runs, 0.24).tolist() == [False, False, True, False]
    assert opposite(made([0, 1], [1, 2], [1e-3, -1e-3]), 0.0).tolist() == [True]


def test_off_the_level_of_three_new_values_to_each_side() -> None:
    """1 2 9 | 50 | 4 5 6: the median of 1, 2, 4, 5, 6 and 9 is 4.5; beyond an end its last value stands thrice."""
    value = np.array([7.0, 1.0, 2.0, 9.0, 50.0, 4.0, 5.0, 6.0, 7.0])
    assert off_level(value, run_of(value, [4, 5], ONCE, 1), ONCE).tolist() == [45.5]
    twice = np.repeat(value, 2)
    assert off_level(twice, run_of(twice, [8, 10], TWICE, 1), TWICE).tolist() == [45.5]
    short = np.array([5.0, 50.0, 7.0, 1.0])  # 5 5 5 | 50 | 7 1 1
    for sign in (1.0, -1.0):
        assert off_level(sign * short, run_of(sign * short, [1, 2], ONCE, 0), ONCE).tolist() == [50.0 - 5.0]


@pytest.mark.parametrize(
    ("before", "at", "reach", "rest"),
    [(5.0, 1, 3, True), (5.1, 1, 3, False), (-5.1, 1, 3, False), (5.1, 3, 3, False), (5.1, 4, 3, True)],
)
def test_a_departure_leads_from_rest_with_no_step_half_as_large_before(
    before: float, at: int, reach: int, rest: bool
) -> None:
    """Up by 12, down by 10 at samples 8 and 9: half of the smaller is 5. The step before leads to sample 8 − `at`."""
    moved = np.zeros(12)
    moved[[8, 9]] = 12.0, -10.0
    moved[8 - at] = before
    value = np.cumsum(moved)
    runs = run_of(value, [8, 9], ONCE, 0)
    assert from_rest(value, runs, ONCE, reach).tolist() == [rest]
    twice = np.repeat(value, 2)
    assert from_rest(twice, run_of(twice, [16, 18], TWICE, 0), TWICE, reach).tolist() == [rest]


def test_what_lies_before_the_log_is_at_rest_and_each_departure_has_its_own_past() -> None:
    value = np.cumsum([0.0, 0.0, 12.0, -12.0, 0.0, 5.0, 0.0, 7.0, 0.0, 12.0, -12.0])
    runs = run_of(value, [2, 3, 7, 9, 10], ONCE, 0)
    # steps of 12, 5 and 7 before the others, more than half of 7, 7 and 12
    assert from_rest(value, runs, ONCE, 3).tolist() == [True, False, False, False]
