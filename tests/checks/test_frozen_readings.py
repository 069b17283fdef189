"""Readings of a motor speed that stand still, and what an episode reads: each guard at its edge, by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from made_speeds import P, T, model, speed

from logscope.observations.motor_speed.disturbances import (
    _frozen,
    _holds,
    _inside,
    _kind,
    _line,
    _usual_around,
    _zero,
    analyse_speed,
)
from logscope.statistics.excursions import RateLimit
from logscope.vehicle import Vehicle


def held(since: int, rows: int, slope: float = 5.0, then: float | None = None) -> np.ndarray:
    """A speed that rises by `slope` a reading; it stands from a row on, then jumps to where it has got."""
    value = 1000.0 + slope * np.arange(T.size)
    value[since : since + rows + 1] = value[since]
    if then is not None:
        value[since + rows + 1 :] += then
    return value


@pytest.mark.parametrize(
    ("value", "found"),
    [
        (held(500, 9), 1),  # ten readings, until the next one 0.1 s
        (held(500, 8), 0),
        (held(500, 20, slope=0.9), 1),  # 18.9 rpm: beyond five steps of a rpm, and the slack of 12
        (held(500, 20, slope=0.55), 0),
        (held(500, 20, then=-200.0), 0),  # the jump leads elsewhere
        (held(500, 20, then=100.0), 1),  # within a factor of two of the trends
        (held(500, 20, then=120.0), 0),
    ],
)
def test_a_reading_is_frozen_for_a_tenth_of_a_second_and_jumps_to_its_trend(value: np.ndarray, found: int) -> None:
    loose = RateLimit(5e4, 6.0, np.full(T.size - 1, P), np.full(T.size - 1, 506.0))  # no jump is beyond these tyres
    got = _holds(speed(value), model(in_gear=loose), None)
    assert len(got) == found
    if found:
        (one,) = got
        last = 500 + int(np.flatnonzero(np.diff(value[500:]))[0])
        assert (one.kind, one.before, one.first, one.last, one.after) == ("hold", 500, 501, last, last + 1)
        assert one.deviation_rpm == pytest.approx(abs(value[last + 1] - value[500]))


@pytest.mark.parametrize(("slope", "found"), [(0.9, 0), (1.0, 1)])
def test_the_jump_after_a_frozen_reading_is_beyond_five_of_its_steps(slope: float, found: int) -> None:
    """Of 4 rpm: 20 rpm, more than the slack; 21 readings by 0.9 or 1 rpm."""
    loose = RateLimit(5e4, 6.0, np.full(T.size - 1, P), np.full(T.size - 1, 506.0))
    assert len(_holds(speed(held(500, 20, slope=slope)), model(quantum_rpm=4.0, in_gear=loose), None)) == found


def test_a_frozen_reading_lies_between_readings_and_not_at_rest() -> None:
    value = held(500, 20)
    time_s = T.copy()
    time_s[510:] += 0.03  # more than three updates within it are a gap
    assert _holds(speed(value, time_s), model(), None) == []
    assert _holds(speed(value - value[500] + 9.0), model(), None) == []  # what stands is zero
    assert _holds(speed(value[500:], T[500:]), model(T.size - 500), None) == []  # nothing before
    assert _holds(speed(value[:521], T[:521]), model(521), None) == []  # nothing follows
    assert _holds(speed(value), model(slew_rpm_per_s=499.0), None) == []  # 105 rpm in 0.21 s are 500 rpm/s
    assert len(_holds(speed(value), model(slew_rpm_per_s=501.0), None)) == 1
    next_jump = value.copy()
    next_jump[522:] += 54.0  # the step after the jump is more than half of it
    assert not _frozen(speed(next_jump), model(), 500, 520, led=True, leapt=False)
    assert _frozen(speed(value), model(), 500, 520, led=True, leapt=False)
    assert not _frozen(speed(value), model(), 500, 520, led=False, leapt=False)
    for rows, found in ((524, 1), (523, 1), (522, 0)):  # as many readings as there are after it show its trend
        assert len(_holds(speed(value[:rows], T[:rows]), model(rows), None)) == found


def test_a_jump_that_tyres_do_not_allow_shows_a_frozen_reading_without_a_trend() -> None:
    """Twice 56 rpm, and a calm reading after it."""
    flat = np.full(T.size, 2000.0) + np.arange(T.size) % 2
    for jump, found in ((113.0, 1), (111.0, 0)):
        value = flat.copy()
        value[500:521] = 2000.0
        value[521:] += jump - value[521] + 2000.0
        assert len(_holds(speed(value), model(), None)) == found
        assert _holds(speed(value), model(update_s=0.03), None) == []  # too coarse to tell
        assert _frozen(speed(value), model(), 500, 520, led=False, leapt=True)
    wild = value.copy()
    wild[522:] += 57.0  # what follows is beyond tyres, too: a wheel breaks away
    assert not _frozen(speed(wild), model(), 500, 520, led=False, leapt=True)


def test_a_coarse_trend_is_that_of_three_new_values() -> None:
    """Every 0.1 s, and 50 rpm more each time; four readings before and after it came from elsewhere."""
    at = 0.1 * np.arange(60.0)
    value = 1000.0 + 50.0 * np.arange(60)
    value[30:36] = value[30]
    for rows, frozen in (([26, 40], True), ([27], False), ([39], False)):
        made = value.copy()
        made[rows] = 2000.0 + 1000.0 * (np.array(rows) < 30)
        assert _frozen(speed(made, at), model(60, update_s=0.1), 30, 35, led=True, leapt=False) is frozen


def test_the_value_after_a_jump_is_the_next_new_one() -> None:
    """Each is logged twice: at rows 500 to 521 it stands, then it has got by 110 rpm."""
    value = np.repeat(held(250, 10, slope=10.0)[: T.size // 2], 2)
    assert _frozen(speed(value, T / 2.0), model(repeat=2), 500, 521, led=True, leapt=False)
    for row, frozen in ((524, False), (526, True)):
        far = value.copy()
        far[row:] += 56.0  # with the 10 rpm of its slope more than half of the jump
        assert _frozen(speed(far, T / 2.0), model(repeat=2), 500, 521, led=True, leapt=False) is frozen


@pytest.mark.parametrize(("rows", "found"), [(19, 0), (20, 1)])
def test_a_reading_that_changes_seldom_is_frozen_for_five_times_as_long(rows: int, found: int) -> None:
    """It changes by 1 rpm each four readings; what stands from row 504 on ends in a leap."""
    value = 2000.0 + np.arange(T.size) // 4 % 2
    value[504 : 504 + rows] = 2000.0
    value[504 + rows :] = 2150.0 + np.arange(T.size - 504 - rows) // 4 % 2
    assert len(_holds(speed(value), model(), None)) == found


def test_how_often_readings_change_counts_on_the_slower_side() -> None:
    """Runs of 2, 2, 2, then 10, then 3, 3, 9 readings; steps of 5, 5, 5 before and 7, 6, 4.5 after; its own is 4."""
    lengths, steps = [2, 2, 2, 10, 3, 3, 9, 1], [5.0, 5.0, 5.0, 4.0, 7.0, 6.0, 4.5]
    value = np.repeat(np.cumsum([100.0, *steps]), lengths)
    starts = np.cumsum([0, *lengths[:-1]])
    usual, least = _usual_around(value, starts, np.cumsum(lengths) - 1, np.array([3]))
    assert (usual.tolist(), least.tolist()) == ([3.0], [4.5])


def test_steps_inside_an_episode_and_the_kind_of_what_it_reads() -> None:
    episodes: Any = SimpleNamespace(first=np.array([10, 50]), after=np.array([20, 55]))
    assert _inside(np.array([9, 10, 20, 21, 49, 50, 55, 56]), episodes).tolist() == [
        False, True, True, False, False, True, True, False,
    ]  # fmt: skip
    assert _zero(model(zero_rpm=10.0, standstill_rpm=30.0)) == 15.0
    assert _zero(model(zero_rpm=10.0, standstill_rpm=15.0)) == 10.0
    made = speed([0.0, 0.0, 500.0, 100.0, 400.0], np.array([0.0, 1.0, 2.0, 3.0, 5.0]))
    assert _line(made, 0, 2, 3, 4).tolist() == pytest.approx([160.0, 240.0])
    line = np.full(5, 3000.0)
    odd = np.array([3600.0, 3000.0, 3600.0, 3000.0, 3600.0])
    for steps, lasts_s, update_s, kind in (
        (3, 0.036, 0.01, "burst"), (3, 0.035, 0.01, "spike"), (2, 0.2, 0.01, "spike"), (3, 0.074, 0.05, "spike"),
        (3, 0.076, 0.05, "burst"),
    ):  # fmt: skip
        assert _kind(odd, line, steps, lasts_s, update_s, 10.0) == kind
    half = np.array([3000.0, 0.0, 1490.0, 0.0, 3000.0])
    assert _kind(half, line, 2, 0.02, 0.01, 10.0) != "dropout"  # half as deep, and not at zero
    assert _kind(np.array([3000.0, 0.0, 1510.0, 3000.0, 3000.0]), line, 2, 0.02, 0.01, 10.0) == "dropout"


@pytest.mark.parametrize(
    ("count", "apart_s", "judged"), [(10, 0.01, True), (9, 0.01, False), (20, 0.0, False), (10, 5.0, True)]
)
def test_ten_samples_that_are_not_all_at_once_are_judged(count: int, apart_s: float, judged: bool) -> None:
    time_s = 3.0 + apart_s * np.arange(count)
    value = 1000.0 + np.arange(count) % 3
    assert (analyse_speed(speed(value, time_s), Vehicle()) is not None) is judged


def test_a_wheel_that_was_free_before_a_jump_shows_no_frozen_reading_without_a_trend() -> None:
    """80 rpm a reading are beyond tyres; one side that is calm is enough, none is not."""
    for before, after, found in ((1.0, 1.0, 1), (80.0, 1.0, 1), (80.0, 80.0, 0)):
        rows = np.arange(T.size)
        swings = np.where(rows < 500, before, np.where(rows > 521, after, 0.0)) * (rows % 16 - 8.0)
        value = 3000.0 + swings + 150.0 * (rows >= 521)
        got = [each for each in _holds(speed(value), model(), None) if each.before == 500 or each.first == 501]
        assert len(got) == found


@pytest.mark.parametrize(("update_s", "rows", "found"), [(0.01, 9, 1), (0.02, 9, 1), (0.022, 9, 0), (0.022, 10, 1)])
def test_a_reading_is_frozen_for_five_updates_too(update_s: float, rows: int, found: int) -> None:
    """Ten readings are 0.1 s; five updates of 22 ms 0.11 s."""
    loose = RateLimit(5e4, 6.0, np.full(T.size - 1, P), np.full(T.size - 1, 506.0))
    assert len(_holds(speed(held(500, rows)), model(update_s=update_s, in_gear=loose), None)) == found


def test_a_spike_of_a_speed_is_found_with_its_samples_and_its_stamps() -> None:
    value = 3000.0 + np.arange(T.size) % 2
    value[700:702] += 700.0
    value[900:] = 0.0  # and it is lost from there on
    found = analyse_speed(speed(value), Vehicle())
    assert found is not None
    (one,) = found.disturbances
    assert (one.kind, one.before, one.first, one.last, one.after) == ("spike", 699, 700, 701, 702)
    assert one.deviation_rpm == pytest.approx(700.0, abs=1.1)
    assert set(found.steps.tolist()) == {700, 702}
    assert found.lost.tolist() == [900]
    assert found.stamps_off_s == 0.0


@pytest.mark.parametrize(
    ("away", "kinds"),
    [
        ([(700, 755, 1000.0)], ["spike"]),  # undone within 0.6 s
        ([(700, 765, 1000.0)], []),
        ([(700, 795, -3000.0)], ["dropout"]),  # lost within a second
        ([(700, 805, -3000.0)], []),
        ([(700, 702, 700.0), (711, 713, -700.0)], ["burst"]),  # 90 ms after the one before
        ([(700, 702, 700.0), (713, 715, -700.0)], ["spike", "spike"]),
    ],
)
def test_impossible_steps_belong_together_by_their_time(away: list[tuple[int, int, float]], kinds: list[str]) -> None:
    value = 3000.0 + np.arange(T.size) % 2
    for since, until, rpm in away:
        value[since:until] = np.maximum(value[since:until] + rpm, 0.0)
    found = analyse_speed(speed(value), Vehicle())
    assert found is not None
    assert [each.kind for each in found.disturbances] == kinds
    assert found.lost.tolist() == ([700] if away == [(700, 805, -3000.0)] else [])


@pytest.mark.parametrize(("repeat", "away", "found"), [(1, 2, 1), (1, 3, 0), (2, 2, 1), (2, 3, 0)])
def test_where_sampling_is_coarse_two_new_values_away_are_one_episode(repeat: int, away: int, found: int) -> None:
    """Every 0.1 s, each value once or twice: up by 9,000 rpm, and by 6,500 back; a light rotor does 3,000 in 0.1 s."""
    value = 3000.0 + 20.0 * (np.arange(100) % 2)
    value[50 : 50 + away] += 9000.0
    value[50 + away :] += 2500.0
    at = 0.1 * np.arange(100 * repeat)
    study = analyse_speed(speed(np.repeat(value, repeat), at), Vehicle())
    assert study is not None
    assert study.model.repeat == repeat
    assert len(study.disturbances) == found
