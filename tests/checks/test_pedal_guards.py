"""Rest, dead band, jumps and tracks of the pedal, each guard on both sides of its edge. Expected by hand.

Oracle of the slope: scipy.stats.theilslopes. Limits are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import part, signals
from pedal_traces import REST, T, pedal
from scipy import stats

from logscope.checks.throttle.check import _torque_meanwhile
from logscope.checks.throttle.pedal import (
    _differing,
    _due_within,
    _pace,
    _slope,
    find_both,
    find_dead_band,
    find_disagreement,
    find_jump,
    find_rest,
)
from logscope.checks.throttle.travel import _visits, find_falling


def spans(*each: tuple[float, float, float], rest: float = 10.0) -> np.ndarray:
    value = np.full(T.size, rest)
    for begin_s, end_s, level in each:
        value[np.searchsorted(T, begin_s - 1e-9) : np.searchsorted(T, end_s - 1e-9)] = level
    return value


def test_a_pedal_rests_at_its_median_with_what_its_step_leaves_of_noise():
    found = find_rest(pedal(spans((20.0, 30.0, 40.0)), step=0.5))
    assert found is not None
    assert (found.level, found.noise, found.noise_low, found.noise_high) == (10.0, 0.0, 0.0, 0.5)
    assert (found.drift, found.rows) == (0.0, pytest.approx(2500, abs=16))  # half of 15 readings next to a press


@pytest.mark.parametrize(
    ("top", "rest_s", "known"), [(20.0, 60.0, True), (19.9, 60.0, False), (40.0, 2.6, True), (40.0, 2.0, False)]
)
def test_a_rest_needs_a_tenth_of_the_travel_and_a_hundred_readings(top, rest_s, known):
    value = spans((5.0, 6.0, top)) if rest_s == 60.0 else np.where(rest_s > T, 10.0, top)
    assert (find_rest(pedal(value)) is not None) is known


def pressed(dead: float, asked_nm: float = 50.0) -> tuple[np.ndarray, np.ndarray]:
    """Four slow presses from 10 % by 0.2 % a reading; torque from `dead` above rest on, of 100 Nm at the most."""
    phase = T % 15.0
    value = 10.0 + np.clip((phase - 2.0) * 10.0, 0.0, 60.0) * (phase < 12.0)
    asked = np.where(value - 10.0 > dead + 1e-6, asked_nm, 0.0)
    asked[0] = -100.0
    return value, asked


def test_the_dead_band_lies_between_the_last_reading_without_and_the_first_with_torque():
    """Torque from 8.1 % on: between 7.8 and 8.2 % of travel, for either message may be a period late."""
    value, asked = pressed(8.1)
    made = signals(part("torque_target", T - 0.001, asked))
    found = find_dead_band(pedal(value), REST, made)
    assert found is not None
    assert (found.value, found.low, found.high) == pytest.approx((8.0, 7.8, 8.2), abs=0.011)
    assert find_dead_band(pedal(value), REST, signals()) is None


@pytest.mark.parametrize(("asked_nm", "known"), [(2.1, True), (2.0, False)])
def test_torque_is_asked_from_two_per_cent_of_the_largest_on(asked_nm, known):
    value, asked = pressed(8.1, asked_nm)
    assert (find_dead_band(pedal(value), REST, signals(part("torque_target", T - 0.001, asked))) is not None) is known


def test_the_target_goes_before_the_torque_and_three_presses_show_a_dead_band():
    value, asked = pressed(8.1)
    late = pressed(15.0)[1]
    made = signals(part("torque", T - 0.001, late), part("torque_target", T - 0.001, asked))
    found = find_dead_band(pedal(value), REST, made)
    assert found is not None
    assert found.high == pytest.approx(8.2, abs=0.011)
    for until_s, known in ((45.0, True), (30.0, False)):
        part_of = np.where(until_s > T, asked, 0.0)
        assert (find_dead_band(pedal(value), REST, signals(part("torque_target", T, part_of))) is not None) is known


def sweep(low: float, high: float, passes: int, step: float = 0.2) -> np.ndarray:
    """Slow sweeps over the travel from 12.2 to 60 %, with no reading between two levels."""
    levels = np.arange(12.2, 60.0, step)
    levels = levels[(levels <= low + 1e-9) | (levels >= high - 1e-9)]
    return np.concatenate([levels[:: 1 if k % 2 == 0 else -1] for k in range(passes)])


@pytest.mark.parametrize(
    ("low", "high", "passes", "found"), [(30.0, 33.2, 5, True), (30.0, 32.8, 5, False), (30.0, 33.2, 4, False)]
)
def test_a_place_is_jumped_over_from_three_per_cent_and_five_passes_on(low, high, passes, found):
    value = sweep(low, high, passes)
    got = find_jump(pedal(value, at=0.02 * np.arange(value.size)), REST)
    assert (got is not None) is found
    if got is not None:
        assert (got[0], got[1], len(got[2])) == (pytest.approx(low), pytest.approx(high), passes)


@pytest.mark.parametrize("off", [0.0, 0.03, -0.03, 4e-15])
def test_a_place_is_jumped_over_whatever_the_last_digits_of_its_edges(off):
    """Levels are told apart to a tenth of a per cent; a reading is a whole number times a scale, seldom that tenth."""
    value = sweep(30.0, 33.4, 6) + off
    got = find_jump(pedal(value, at=0.02 * np.arange(value.size)), REST)
    assert got is not None
    assert len(got[2]) == 6


@pytest.mark.parametrize(("pace", "due"), [(0.9, True), (1.1, False)])
def test_a_reading_within_was_due_where_the_pedal_came_and_left_slowly(pace, due):
    """A gap of 3 %: a third of it, 1 %, is slow; two moves on each side, in the same direction."""
    value = np.concatenate((20.0 + pace * np.arange(4), 20.0 + 3 * pace + 3.0 + pace * np.arange(4)))
    assert _due_within(value, 3, 3.0, 0.1) is due
    assert _due_within(value[::-1], 3, 3.0, 0.1) is due
    assert not _due_within(value[2:6], 1, 3.0, 0.1)  # one move on each side
    turned = value.copy()
    turned[:3] = turned[:3][::-1] + 5.0
    assert not _due_within(turned, 3, 3.0, 0.1)


def test_readings_differ_by_more_than_noise_makes():
    assert _differing(np.array([1.0, 1.1, 1.3, 1.25, 1.6, 2.0]), 0.2).tolist() == [1.0, 1.3, 1.6]


@pytest.mark.parametrize(
    ("apart", "lasts_s", "slope", "parted"),
    [
        (5.1, 0.2, 1.0, True),
        (4.9, 0.2, 1.0, False),
        (5.1, 0.08, 1.0, False),
        (5.1, 0.2, 0.5, True),
        (4.9, 0.2, 0.5, False),
    ],
)
def test_two_tracks_part_by_five_per_cent_of_travel_for_100_ms(apart, lasts_s, slope, parted):
    """The second track has a slope of its own; the pedal stands in ten places for 6 s each."""
    value = 10.0 + 5.0 * (T // 6.0)
    second = 3.0 + slope * value
    second += slope * (spans((32.0, 32.0 + lasts_s, apart), rest=0.0))
    found, worst, usual = find_disagreement(pedal(value), part("throttle_second", T, second))
    assert found == ([pytest.approx((32.0, 32.0 + lasts_s - 0.02))] if parted else [])
    assert (worst, usual) == (pytest.approx(apart if parted else 0.0), pytest.approx(0.0, abs=1e-9))


def test_the_slope_of_the_second_track_is_that_of_theil_and_sen_over_its_places():
    rng = np.random.default_rng(4)
    places = np.repeat(np.arange(1.0, 17.0, 2.0), 5)
    y = 7.0 + 0.5 * places + np.repeat(rng.normal(0.0, 0.5, 8), 5)
    assert _slope(places, y) == pytest.approx(stats.theilslopes(y[::5], places[::5])[0])
    assert _slope(places[:30], y[:30]) is not None  # six places
    assert _slope(places[:25], y[:25]) is None
    assert _slope(np.repeat(places[::5], 2), np.repeat(y[::5], 2)) is None  # two readings each


def test_the_pace_is_measured_over_both_neighbours():
    time_s, x = np.array([0.0, 0.1, 0.2, 0.2]), np.array([10.0, 11.0, 14.0, 16.0])
    assert _pace(time_s, x, 0.1) == pytest.approx(np.array([10.0, 20.0, 25.0, 20.0]))


@pytest.mark.parametrize(("percent", "lasts_s", "both"), [(15.1, 0.24, True), (15.0, 0.24, False), (15.1, 0.16, False)])
def test_throttle_and_brake_together_are_5_per_cent_of_pedal_for_200_ms(percent, lasts_s, both):
    value = spans((10.0, 10.0 + lasts_s, percent), (20.0, 22.0, 60.0))
    on = (T > 9.0) & (T < 15.0)
    for brake in (part("brake", T - 0.001, on * 1.0, on=on), part("brake", T - 0.001, on * 7.0)):
        found = find_both(pedal(value), brake, REST)
        assert found == ([pytest.approx((10.0, 10.0 + lasts_s - 0.02))] if both else [])


def test_the_largest_torque_meanwhile_is_that_within_the_spans():
    torque = part("torque", T, spans((10.0, 10.1, 30.0), (20.0, 20.1, 45.0), (40.0, 41.0, 99.0), rest=0.0))
    assert _torque_meanwhile(signals(torque), [(9.0, 11.0), (19.0, 21.0)]) == "Highest torque meanwhile: 45 Nm."
    assert _torque_meanwhile(signals(), [(9.0, 11.0)]) == "Torque meanwhile: not logged."


def stands(places: list[tuple[float, float]], each_s: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    """The pedal stands in places [% above rest and its band], and what is asked there [Nm]; in turn until the end."""
    index = (T // each_s).astype(int) % len(places)
    above, asked = (np.array([place[k] for place in places])[index] for k in (0, 1))
    return 12.0 + above, asked


@pytest.mark.parametrize(
    ("nearer_nm", "farther_nm", "less"), [(60.0, 54.0, 6.0), (60.0, 56.0, None), (54.0, 60.0, None)]
)
def test_more_pedal_asks_for_less_from_a_twentieth_of_the_largest_on(nearer_nm, farther_nm, less):
    more, less_still = (12.0, nearer_nm + 9.0), (32.0, farther_nm - 9.0)  # the nearest two of all visits count
    value, asked = stands([(12.0, nearer_nm), (32.0, farther_nm), more, less_still, (47.0, 100.0)])
    found = find_falling(pedal(value), REST, signals(part("torque_target", T, asked)))
    assert (found is not None) is (less is not None)
    if found is not None:  # the middles of the fifths of ten per cent
        assert (found.nearer, found.farther, found.less, found.unit) == (24.5, 44.5, less, "Nm")


def test_a_demand_that_falls_over_time_is_no_dip():
    value, asked = stands([(12.0, 60.0), (32.0, 60.0)])
    later = np.where(T < 30.0, 0, 1)
    value = np.where(later == 0, 24.0, 44.0) + 0 * value
    value[::25] = 10.0  # each stand is a visit of its own
    asked = np.where(later == 0, 60.0, 40.0)
    assert find_falling(pedal(value), REST, signals(part("torque_target", T, asked))) is None


@pytest.mark.parametrize(("each_s", "visited"), [(0.34, True), (0.28, False)])
def test_a_visit_lasts_300_ms_at_low_speed_and_without_braking(each_s, visited):
    value, asked = stands([(12.0, 60.0), (32.0, -10.0)], each_s)
    _, place, wished = _visits(pedal(value), REST, part("torque_target", T, asked), None)
    assert bool(place.size) is visited
    assert set(place.tolist()) == ({2.0} if visited else set())
    assert set(wished.tolist()) == ({60.0} if visited else set())
    for rpm, slow in ((2000.0, True), (2001.0, False)):
        speed = part("motor_speed", T, np.where(T < 59.9, -rpm, 4000.0))
        _, place, _ = _visits(pedal(value), REST, part("torque_target", T, asked), speed)
        assert bool(place.size) is (visited and slow)
