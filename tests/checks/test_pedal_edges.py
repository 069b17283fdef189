"""The pedal's rest, dead band, jumps and tracks at the very edges of what counts; expected by hand, reading by reading.

Limits are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import part, signals
from pedal_traces import REST, T, pedal
from scipy import stats

from logscope.checks.throttle.check import _torque_meanwhile
from logscope.checks.throttle.pedal import (
    Rest,
    _due_within,
    _slope,
    find_both,
    find_dead_band,
    find_disagreement,
    find_jump,
    find_rest,
)
from logscope.checks.throttle.travel import _visits, find_falling


@pytest.mark.parametrize(("stands", "rests"), [(12.0, True), (12.01, False)])
def test_a_level_up_to_two_per_cent_above_the_lowest_is_rest(stands: float, rests: bool) -> None:
    """Half of the minute at 10 %, less a press of a second, and half of it 2 % higher."""
    value = np.select([(T >= 5.0) & (T < 6.0), T < 30.0], [40.0, 10.0], stands)
    found = find_rest(pedal(value))
    assert found is not None
    assert found.rows == pytest.approx(2950 if rests else 1450, abs=25)


def test_a_rest_of_slow_readings_ends_four_of_them_beside_a_press() -> None:
    """A level of nine readings, ten times a second: half of nine on either side may still be on the way."""
    at = 0.1 * np.arange(300)
    found = find_rest(pedal(np.where((at > 9.95) & (at < 14.95), 40.0, 10.0), at))
    assert found is not None
    assert found.rows == 300 - 50 - 2 * 4


def test_the_noise_at_rest_has_the_limits_that_it_scatters_within() -> None:
    """Fifty rests of 300 readings with 0.3 % of made noise: what they find scatters by a deviation of its own."""
    rng, at = np.random.default_rng(5), T[:360]
    found = [find_rest(pedal(np.where(at < 0.8, 40.0, 10.0) + rng.normal(0.0, 0.3, 360), at)) for _ in range(50)]
    rests = [each for each in found if each is not None]
    assert len(rests) == 50
    noise, low, high, drift = (
        np.array([getattr(one, name) for one in rests]) for name in ("noise", "noise_low", "noise_high", "drift")
    )
    assert (noise.mean(), drift.mean()) == pytest.approx((0.3, 0.3), rel=0.03)
    assert noise - low == pytest.approx(high - noise)
    assert (high - noise).mean() == pytest.approx(stats.norm.ppf(0.975) * noise.std(), rel=0.2)


def pressed(dead: float) -> tuple[np.ndarray, np.ndarray]:
    """Four slow presses from 10 % by 0.2 % a reading; torque from `dead` above rest on."""
    phase = T % 15.0
    value = 10.0 + np.clip((phase - 2.0) * 10.0, 0.0, 60.0) * (phase < 12.0)
    return value, np.where(value - 10.0 > dead + 1e-6, 50.0, 0.0)


@pytest.mark.parametrize(("dead", "known"), [(19.9, True), (20.3, False)])
def test_a_dead_band_is_no_wider_than_a_fifth_of_the_travel(dead: float, known: bool) -> None:
    value, asked = pressed(dead)
    assert (find_dead_band(pedal(value), REST, signals(part("torque_target", T - 0.001, asked))) is not None) is known


def test_a_dead_band_may_be_a_fraction_of_a_per_cent() -> None:
    value, asked = pressed(0.5)
    found = find_dead_band(pedal(value), REST, signals(part("torque_target", T - 0.001, asked)))
    assert found is not None
    assert (found.low, found.high) == pytest.approx((0.2, 0.6), abs=0.011)


def test_torque_that_begins_while_the_pedal_falls_shows_no_dead_band() -> None:
    """What a speed control asks for comes at any pedal. Noise of 0.1 % and a tenth make 0.4 % of no fall yet."""
    value, asked = pressed(8.1)
    begins = np.flatnonzero((asked[1:] > 0) & (asked[:-1] == 0)) + 1
    for falls, noise, known in ((0.09, 0.0, True), (0.11, 0.0, False), (0.39, 0.1, True), (0.41, 0.1, False)):
        moved = value.copy()
        moved[begins - 1] = moved[begins] + falls
        rest = Rest(10.0, noise, noise, noise, 0.0, 500)
        made = signals(part("torque_target", T - 0.001, asked))
        assert (find_dead_band(pedal(moved), rest, made) is not None) is known


def test_torque_that_begins_with_the_last_reading_of_the_pedal_has_no_next_one() -> None:
    """Two messages with one stamp: 8.2 % of travel at their own reading, or 8.4 % at the next where there is one."""
    value, asked = pressed(8.1)
    last = int(np.flatnonzero((asked[1:] > 0) & (asked[:-1] == 0))[2]) + 1
    for size in (last + 1, T.size):
        at = T[:size]
        found = find_dead_band(pedal(value[:size], at), REST, signals(part("torque_target", at, asked[:size])))
        assert found is not None
        assert found.high == pytest.approx(8.4, abs=0.011)  # the middle one of three, of four


def test_a_pedal_that_was_pressed_with_the_first_reading_counts() -> None:
    """Two moves on either side of a gap of 3 %, the first of them from the very first reading, or to the last."""
    value = np.array([20.0, 20.9, 21.8, 24.8, 25.7, 26.6])
    assert _due_within(value, 2, 3.0, 0.1)
    assert _due_within(value[::-1], 2, 3.0, 0.1)
    assert not _due_within(value[1:], 1, 3.0, 0.1)
    assert not _due_within(value[:-1], 2, 3.0, 0.1)
    stood = np.concatenate([value[:1], np.full(98, 20.9), value[2:]])  # within a hundred readings
    assert _due_within(stood, 99, 3.0, 0.1)
    assert not _due_within(np.concatenate([value[:1], np.full(100, 20.9), value[2:]]), 101, 3.0, 0.1)
    assert not _due_within(np.concatenate([value[:4], np.full(100, 25.7), value[5:]]), 2, 3.0, 0.1)


@pytest.mark.parametrize(("fast", "found"), [(6, True), (7, False)])
def test_a_place_that_is_mostly_passed_fast_is_not_jumped_over(fast: int, found: bool) -> None:
    levels = np.concatenate([np.arange(12.2, 30.1, 0.2), np.arange(33.2, 50.0, 0.2)])
    sweep = np.concatenate([levels, levels[::-1]])
    quick = np.concatenate([[20.0, 45.0] for _ in range((fast + 1) // 2)])
    quick = quick if fast % 2 else np.append(quick, 20.0)
    value = np.concatenate([sweep, sweep, sweep, quick])
    got = find_jump(pedal(value, 0.02 * np.arange(value.size)), REST)
    assert (got is not None) is found
    if got is not None:
        assert len(got[2]) == 6


@pytest.mark.parametrize(("count", "found"), [(10, True), (9, False)])
def test_twenty_levels_of_the_travel_show_a_place_that_is_jumped_over(count: int, found: bool) -> None:
    """Ten below it, ten or nine above it."""
    levels = np.concatenate([12.2 + 0.2 * np.arange(10), 20.0 + 0.2 * np.arange(count)])
    value = np.concatenate([levels[:: 1 if k % 2 == 0 else -1] for k in range(6)])
    assert (find_jump(pedal(value, 0.02 * np.arange(value.size)), REST) is not None) is found


@pytest.mark.parametrize(("count", "known"), [(100, True), (99, False)])
def test_two_tracks_are_compared_from_a_hundred_readings_over_a_tenth_of_the_travel_on(count: int, known: bool) -> None:
    """Six places of 2 %, 10 % from the first to the last; the second track parts for six readings, 0.1 s."""
    at = 0.02 * np.arange(count)
    value = 10.0 + 2.0 * np.minimum(np.arange(count) // 16, 5)
    second = value + np.where(np.arange(count) < 6, 6.0, 0.0)
    found, worst, usual = find_disagreement(pedal(value, at), part("throttle_second", at, second))
    assert found == ([(0.0, 0.1)] if known else [])
    if known:
        assert (worst, usual) == (pytest.approx(6.0), pytest.approx(0.0, abs=1e-9))
    else:
        assert (worst, np.isnan(usual)) == (0.0, True)
    two_places = np.where(np.arange(count) < 50, 10.0, 25.0)  # show no slope
    found, worst, usual = find_disagreement(pedal(two_places, at), part("throttle_second", at, second))
    assert (found, worst, np.isnan(usual)) == ([], 0.0, True)
    narrow = 10.0 + 1.98 * np.minimum(np.arange(count) // 16, 5)
    assert np.isnan(find_disagreement(pedal(narrow, at), part("throttle_second", at, narrow))[2])


def test_tracks_may_part_within_a_reading_of_a_quick_move_by_what_it_makes() -> None:
    """From 30 to 50 % between two readings: 500 %/s there, over two message periods 20 %, and one reading farther."""
    places = 10.0 + 5.0 * (T // 6.0)
    k = np.arange(T.size)
    for moved in (1000, 1001):
        value = np.where(k >= moved, places + 20.0, places)
        before, after = range(moved - 20, moved - 1), range(moved + 1, moved + 20)
        for fault, begins, ends in (
            (range(1003, 1030), 1003, 1029),
            (after, moved + 2, moved + 19),
            (before, moved - 20, moved - 3),
        ):
            second = value + np.where(np.isin(k, fault), 10.0, 0.0)
            found, worst, _ = find_disagreement(pedal(value), part("throttle_second", T, second))
            assert found == [(pytest.approx(T[begins]), pytest.approx(T[ends]))]
            assert worst == pytest.approx(10.0)


@pytest.mark.parametrize("worst_at", [1600, 1605, 1619])
def test_tracks_part_most_at_any_reading_of_a_stretch_its_ends_too(worst_at: int) -> None:
    value, k = 10.0 + 5.0 * (T // 6.0), np.arange(T.size)
    second = value + np.where((k >= 1600) & (k < 1620), 6.0, 0.0) + np.where(k == worst_at, 3.0, 0.0)
    found, worst, _ = find_disagreement(pedal(value), part("throttle_second", T, second))
    assert len(found) == 1
    assert worst == pytest.approx(9.0)


@pytest.mark.parametrize(("off", "parted"), [(0.51, True), (0.49, False), (-0.51, True)])
def test_a_track_that_hardly_moves_counts_as_if_it_moved_by_a_tenth(off: float, parted: bool) -> None:
    """A twentieth of the pedal: 5 % of travel are half a per cent of it."""
    value = 10.0 + 5.0 * (T // 6.0)
    second = 30.0 + 0.05 * value + np.where((T > 32.0) & (T < 33.0), off, 0.0)
    assert bool(find_disagreement(pedal(value), part("throttle_second", T, second))[0]) is parted


def test_a_place_of_the_travel_has_three_readings_and_there_are_six() -> None:
    x = np.repeat(np.arange(1.0, 13.0, 2.0), 3)
    assert _slope(x, 5.0 + 0.7 * x) == pytest.approx(0.7)
    assert _slope(x[1:], 5.0 + 0.7 * x[1:]) is None  # two readings in one of the six
    moving = np.concatenate([2.0 * k + np.array([0.1, 0.8, 1.5]) for k in range(6)])  # 2 % are a place
    assert _slope(moving, 5.0 + 0.7 * moving) == pytest.approx(0.7)


@pytest.mark.parametrize(("apart_s", "count"), [(0.18, 1), (0.24, 2)])
def test_presses_with_the_brake_that_are_a_fifth_of_a_second_apart_are_one(apart_s: float, count: int) -> None:
    value = np.where(((T >= 10.0) & (T < 10.5)) | ((10.48 + apart_s - 1e-9 <= T) & (T < 12.0)), 60.0, 10.0)
    on = (T > 9.0) & (T < 15.0)
    assert len(find_both(pedal(value), part("brake", T - 0.001, on * 1.0, on=on), REST)) == count


def test_a_press_with_the_brake_counts_from_a_fifth_of_a_second_on() -> None:
    at = 0.1 * np.arange(50)
    on = np.full(50, True)
    for readings, both in ((3, [(0.0, 0.2)]), (2, [])):
        value = np.where(np.arange(50) < readings, 60.0, 10.0)
        assert find_both(pedal(value, at), part("brake", at, on * 1.0, on=on), REST) == both


def test_the_lowest_place_and_the_smallest_demand_are_visited_too() -> None:
    """2 % above rest and its band, where 0.4 Nm are asked for, and nothing where the pedal is at rest."""
    value = np.where((T // 0.5).astype(int) % 2 == 0, 14.0, 11.9)
    _, place, wished = _visits(pedal(value), REST, part("torque_target", T, np.full(T.size, 0.4)), None)
    assert set(place.tolist()) == {0.0}
    assert set(wished.tolist()) == {0.4}


@pytest.mark.parametrize(("every", "visited"), [(20, True), (12, False)])
def test_a_reading_that_is_missing_ends_a_stand(every: int, visited: bool) -> None:
    """One of twenty leaves 0.36 s in a row, one of twelve 0.2 s."""
    at = T[np.arange(T.size) % every != 0]
    _, place, _ = _visits(pedal(24.0, at), REST, part("torque_target", T, np.full(T.size, 50.0)), None)
    assert bool(place.size) is visited


@pytest.mark.parametrize(("visits", "known"), [(4, True), (3, False)])
def test_a_dip_is_one_from_four_visits_to_either_place_on(visits: int, known: bool) -> None:
    """In turn at 24 and 44 % for half a second each, then far on at another place."""
    index = (T // 0.5).astype(int)
    value = np.where(index < 2 * visits, np.where(index % 2 == 0, 24.0, 44.0), 80.0)
    asked = np.where(index < 2 * visits, np.where(index % 2 == 0, 60.0, 50.0), 100.0)
    found = find_falling(pedal(value), REST, signals(part("torque_target", T, asked)))
    assert (found is not None) is known
    if found is not None:
        assert found.less == 10.0


def test_the_deepest_of_several_dips_is_stated() -> None:
    """60, 50 and 35 Nm at three places one after the other: 25 Nm less from the first to the last."""
    index = (T // 0.5).astype(int) % 4
    value, asked = (np.array(each)[index] for each in ((24.0, 34.0, 44.0, 80.0), (60.0, 50.0, 35.0, 100.0)))
    for demand, nearer, farther in ((asked, 24.5, 44.5), (np.where(index == 1, 30.0, asked), 24.5, 34.5)):
        for scale in (1.0, 0.02):  # of a small motor a small demand
            found = find_falling(pedal(value), REST, signals(part("torque_target", T, scale * demand)))
            assert found is not None
            assert (found.nearer, found.farther) == (nearer, farther)


def test_no_torque_is_stated_where_none_was_read_meanwhile() -> None:
    torque = part("torque", T, np.full(T.size, -20.0))
    assert _torque_meanwhile(signals(torque), [(10.0, 11.0)]) == "Highest torque meanwhile: -20 Nm."
    assert _torque_meanwhile(signals(torque), [(70.0, 71.0)]) == "Torque meanwhile: not logged."
    assert _torque_meanwhile(signals(torque), [(70.0, 71.0), (10.0, 11.0)]) == "Highest torque meanwhile: -20 Nm."
