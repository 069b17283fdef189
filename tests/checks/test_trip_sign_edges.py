"""Signs before a trip at their very edges, and the judgement that they lead to: samples and words by hand.

Times and shares are common practice, no published source; the likelihoods follow Bayes' rule.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.trips.current_signs import (
    _fully_down,
    _highest_level,
    _scatter,
    _stood_s,
    far,
    goes_on,
    level,
    slow,
    swings,
)
from logscope.checks.trips.order import Moment, sharpest
from logscope.checks.trips.sign import Sign
from logscope.checks.trips.signs import (
    _command,
    _link,
    _may_be_its_effect,
    _rise,
    _speed,
    _switched_on,
    _unless_missing,
)
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import Surge

PERIOD_S = 0.015625  # sums of it are exact
T = np.arange(0.0, 12.0, PERIOD_S)
EVENT = Moment(10.0, 10.015625)


def amps(value: Any, step: float | None = None) -> Any:
    return part("motor_current", T, np.broadcast_to(np.asarray(value, float), T.shape), step)


def study(*steps: int, value: Any = 0.0, update_s: float = 0.01, stamps_off_s: float = 0.0, at: Any = T) -> Any:
    speed = part("motor_speed", at, np.broadcast_to(np.asarray(value, float), at.shape))
    reach = SimpleNamespace(limit=np.full(at.size - 1, 100.0))
    return SimpleNamespace(
        speed=speed, steps=np.array(steps, dtype=int), lost=np.array([], dtype=int), stamps_off_s=stamps_off_s,
        model=SimpleNamespace(update_s=update_s, smallest_seen_rpm=120.0, reach=reach),
    )  # fmt: skip


ROW = 640  # the sample at 10 s
JUMP = np.where(np.arange(T.size) >= ROW - 2, 900.0, 0.0)


@pytest.mark.parametrize(
    ("of", "seen", "says"),
    [
        (None, None, "without a logged motor speed"),
        (study(ROW - 2, value=JUMP), True, "no shaft could follow"),
        (study(), False, "of less than 120 rpm, or between two samples"),
        (study(update_s=0.025), False, "within 100 ms before"),
        (study(update_s=0.026), None, "a new value every 26 ms, and a disturbance may hide"),
        (study(ROW - 2, value=JUMP, update_s=0.084), True, "no shaft could follow"),  # and 15.6 ms are just below 0.1 s
        (study(ROW - 2, value=JUMP, update_s=0.084375), True, ""),  # 0.1 s
        (study(ROW - 2, value=JUMP, update_s=0.085), None, "a new value every 85 ms, which leaves open by 101 ms"),
        (study(ROW + 2, value=JUMP), None, "disturbed right after it: its readings are known in time to 10 ms"),
        (study(ROW + 4, value=JUMP), False, ""),
        (
            study(ROW + 4, value=JUMP, stamps_off_s=0.05),
            None,
            "and its messages come in bursts",
        ),
    ],
)
def test_a_speed_disturbance_is_a_sign_where_its_order_is_known(of: Any, seen: bool | None, says: str) -> None:
    """A disturbance first seen two rows after the event may be 10 ms older: just before it was seen."""
    found = _speed(of, EVENT)
    assert (found.name, found.seen) == ("speed", seen)
    assert says in found.words
    assert (found.moment is not None) is (seen is True or "leaves open" in found.words)


@pytest.mark.parametrize(
    ("row", "moved", "effect"),
    [(ROW + 1, 99.0, True), (ROW + 1, 100.0, True), (ROW + 1, 101.0, False), (ROW, 50.0, False)],
)
def test_what_a_motor_can_do_within_the_surge_may_be_its_effect(row: int, moved: float, effect: bool) -> None:
    """By 100 rpm at most; a change that was seen before the surge is none."""
    of = study(row, value=np.where(np.arange(T.size) >= row, -moved, 0.0))
    moment = Moment(float(T[row - 1]), float(T[row]))
    assert _may_be_its_effect(of, moment, EVENT) is effect
    assert (_speed(of, EVENT).seen is None) is effect


def test_a_change_is_taken_between_its_two_rows_and_held_against_their_limit() -> None:
    """90 rpm in one row; 40 rpm in the row before it, and 80 rpm at most in the rows about it."""
    at = np.arange(T.size)
    of = study(ROW + 1, value=np.where(at > ROW, 130.0, np.where(at == ROW, 40.0, 0.0)))
    moment = Moment(float(T[ROW]), float(T[ROW + 1]))
    for own, others, effect in ((100.0, 80.0, True), (80.0, 100.0, False)):
        of.model.reach.limit[:] = others
        of.model.reach.limit[ROW] = own
        assert _may_be_its_effect(of, moment, EVENT) is effect


@pytest.mark.parametrize(("rows", "off"), [(7, True), (6, False)])
@pytest.mark.parametrize(("left", "counts"), [(2.0, True), (2.1, False)])
def test_a_bridge_was_off_with_two_hundredths_for_a_tenth_of_a_second(
    rows: int, off: bool, left: float, counts: bool
) -> None:
    value = np.full(T.size, -100.0)
    value[ROW - 15 : ROW - 15 + rows] = left
    assert _switched_on(amps(value), EVENT) is (off and counts)
    assert not _switched_on(None, EVENT)
    assert not _switched_on(part("motor_current", T[::2], value[::2]), EVENT)  # every 31 ms


@pytest.mark.parametrize(
    ("name", "before", "after", "rises"),
    [
        ("throttle", 10.0, 30.5, True), ("throttle", 10.0, 29.5, False), ("throttle", -10.0, -30.5, True),
        ("torque_target", 0.0, -41.0, True), ("torque_target", 0.0, 39.0, False), ("throttle", 30.5, 10.0, False),
    ],
)  # fmt: skip
def test_a_demand_rises_by_20_per_cent_of_travel_or_a_fifth_of_the_largest(
    name: str, before: float, after: float, rises: bool
) -> None:
    """The largest is 200, long before; the pedal's step does not depend on it."""
    value = np.where(np.arange(T.size) < 100, 200.0, np.where(np.arange(T.size) < ROW - 5, before, after))
    found = _rise(part(name, T, value), EVENT)
    assert found == (Moment(float(T[ROW - 6]), float(T[ROW - 5])) if rises else None)


@pytest.mark.parametrize(("row", "rises"), [(ROW - 16, True), (ROW - 18, False), (ROW + 1, True), (ROW + 2, False)])
def test_a_demand_leads_by_a_quarter_of_a_second_at_most(row: int, rises: bool) -> None:
    value = np.where(np.arange(T.size) < row, 10.0, 60.0)
    assert (_rise(part("throttle", T, value), EVENT) is not None) is rises


def test_what_was_seen_stays_seen_but_for_what_need_not_have_lasted() -> None:
    """A quarter of a second of the current is missing just before."""
    there = (T < 9.7) | (T > 9.95)
    made = signals(part("motor_current", T[there], T[there]), part("motor_speed", T, T))
    for name, seen, kept in (("swings", True, None), ("level", True, None), ("slow", True, True), ("slow", False, None),
                             ("speed", False, False), ("far", False, False), ("goes_on", False, False)):  # fmt: skip
        found = _unless_missing(Sign(name, seen, "words"), EVENT, made)
        assert found.seen is kept
        assert found.words == ("words" if kept is seen else "0.27 s of the motor current are missing before it")


def test_swings_are_four_turns_in_a_stretch_that_ends_with_the_event() -> None:
    """Half swings of 50 A, four samples each, about 200 A; of a log that reaches 400 A a tenth is the least."""
    at = np.arange(T.size)
    half = np.where(at // 4 % 2 == 0, 150.0, 200.0)

    def seen(rows: int, until: int = ROW + 1, low: float = 150.0, last: float | None = None) -> bool | None:
        value = np.where((at >= until - rows) & (at < until), np.where(half == 150.0, low, 200.0), 200.0)
        value[:50] = 400.0
        if last is not None:
            value[ROW + 1] = last
        return swings(amps(value), EVENT, EVENT.seen_s).seen

    assert seen(24) is True
    assert seen(24, low=161.0) is False  # 39 A of 400
    assert seen(24, until=ROW - 7) is True
    assert seen(24, until=ROW - 8) is False  # the last turn is 14 rows before, 0.22 s
    assert seen(24, last=301.0) is False  # by more than three times: something else came
    assert seen(24, last=299.0) is True
    assert seen(24, last=300.0) is True
    assert seen(24, last=-301.0) is False
    assert seen(8) is None  # once there and back
    assert seen(0) is False
    seldom = part("motor_current", T[::2], T[::2])
    found = swings(seldom, EVENT, EVENT.seen_s)
    assert (found.seen, found.words) == (None, "a current sampled every 31.2 ms cannot show an oscillation")
    assert swings(None, EVENT, EVENT.seen_s).seen is None


@pytest.mark.parametrize(("rows", "seen"), [(9, True), (10, None)])
def test_swings_count_within_six_tenths_of_a_second(rows: int, seen: bool | None) -> None:
    """Half swings of 50 A: the last two of six rows each, those before of 9 or 10 rows; four turns, or three."""
    before = ROW + 1 - np.arange(T.size)
    edges = [0, 6, *range(12, 12 + 6 * rows, rows)]
    value = np.where(np.searchsorted(edges, before, side="right") % 2 == 0, 150.0, 200.0)
    assert swings(amps(np.where(before > edges[-1], 200.0, value)), EVENT, EVENT.seen_s).seen is seen


def link(*volts: float, first_s: float = 9.796875) -> Any:
    """One reading in each row of 15.6 ms from a moment on, and the last of them until the end."""
    row = np.clip(np.round((T - first_s) / PERIOD_S).astype(int), 0, len(volts) - 1)
    return _link(signals(part("dc_link_voltage", T, np.array(volts)[row])), EVENT)


def test_a_link_departs_from_its_first_reading_of_the_last_fifth_of_a_second() -> None:
    """The first row within 0.2 s of the event at 10 s is at 9.8125 s."""
    first_s = 9.8125
    departs = link(100.0, 116.0, first_s=first_s)
    assert (departs.seen, departs.words) == (True, "the DC-link voltage goes from 100 to 116 V")
    assert departs.moment == Moment(first_s, first_s + PERIOD_S)
    assert link(100.0, 114.0, 116.0, first_s=first_s).moment == Moment(first_s + PERIOD_S, first_s + 2 * PERIOD_S)
    assert link(100.0, 114.0, first_s=first_s).seen is False
    assert link(100.0, 84.0, first_s=first_s).seen is True
    assert link(-100.0, -116.0, first_s=first_s).seen is True
    assert link(100.0, 116.0, first_s=first_s - PERIOD_S).seen is False  # it moved before
    assert link(0.5, 0.6, first_s=first_s).seen is False  # 0.15 V of an empty link
    assert link(0.5, 0.7, first_s=first_s).seen is True


def test_a_link_departs_between_two_readings_at_the_least() -> None:
    for since_s, seen in ((9.99, True), (10.01, None)):
        there = (T < 9.0) | (T - since_s > 0.0)
        volts = part("dc_link_voltage", T[there], np.where(T > 10.01, 120.0, 100.0)[there])
        assert _link(signals(volts), EVENT).seen is seen


def test_how_soon_a_current_followed_a_demand_is_known_to_30_ms() -> None:
    at = T - 10.0
    pedal = part("throttle", at, np.where(at < -0.1, 10.0, 60.0))
    for seen_s, seen in ((0.030, True), (0.031, None)):
        assert _command(signals(pedal), Moment(0.0, seen_s)).seen is seen


def test_swings_are_counted_from_the_first_to_the_last() -> None:
    at = np.arange(T.size)
    value = np.where((at >= ROW - 16) & (at // 4 % 2 == 0), 120.0, 200.0)
    found = swings(amps(value), EVENT, EVENT.seen_s)
    assert found.moment is not None
    assert found.moment.seen_s == pytest.approx(T[ROW - 16], abs=4 * PERIOD_S)
    assert found.moment.known_to_s == PERIOD_S
    assert "by up to 80 A" in found.words


def test_noise_and_rounding_scatter_a_difference_of_two_samples() -> None:
    """√2 · 6 standard deviations of 2 A, and two resolutions; what lies in the last 0.6 s is not noise."""
    noise = np.random.default_rng(7).normal(0.0, 2.0, T.size)
    noise[ROW - 38 :] *= 20.0
    assert _scatter(amps(noise), EVENT) == pytest.approx(6 * 2**0.5 * 2.0, rel=0.25)
    assert _scatter(amps(0.0, 0.5), EVENT) == 1.0


def stood(value: Any, limit_A: float | None = 350.0, pedal: Any = None, surge: Surge | None = None) -> Sign:
    return level(amps(value), surge, EVENT, limit_A, pedal)


def high(top: float, before: float = 100.0, since_s: float = 9.0) -> np.ndarray:
    return np.where(since_s > T, before, np.where(T <= 10.0, top, 0.0))


@pytest.mark.parametrize(
    ("value", "limit_A", "seen", "says"),
    [
        (high(350.0), 350.0, True, "level at 350 A for 1 s, its limit of 350 A"),
        (high(340.0), 350.0, True, "its limit of 350 A"),  # 3 %
        (high(339.0), 350.0, True, "as high as it ever is"),
        (high(298.0), 350.0, True, "as high as it ever is"),  # 85 % of the limit
        (high(297.0), 350.0, None, "for 1 s, as high as it ever is but below its limit of 350 A"),
        (high(297.0), None, True, "as high as it ever is"),
        (high(297.0, since_s=5.1), 350.0, None, ""),  # for 4.9 s
        (high(297.0, since_s=4.9), 350.0, True, "for 5.1 s, as high"),
        (np.where(T < 3.0, 360.0, high(305.0)), 500.0, False, ""),  # 306 A are 85 % of the highest level
        (np.where(T < 3.0, 360.0, high(307.0)), 350.0, True, ""),
        (np.where((T > 2.0) & (T < 2.05), 900.0, high(300.0)), 350.0, True, ""),  # a surge is no level
        (np.where((T > 9.95) & (T < 9.97), 333.0, high(350.0)), 350.0, True, ""),  # 5 % of itself
        (np.where((T > 9.95) & (T < 9.97), 331.0, high(350.0)), 350.0, False, ""),
        (np.where(T == 10.0, 150.0, high(350.0)), 350.0, True, "its limit"),  # half way down
    ],
)
def test_a_level_is_high_and_steady_for_a_tenth_of_a_second(
    value: np.ndarray, limit_A: float | None, seen: bool | None, says: str
) -> None:
    found = stood(value, limit_A)
    assert found.seen is seen
    assert says in found.words


def test_a_level_is_none_after_a_surge_and_open_where_it_is_not_sampled() -> None:
    surge = Surge(9.9, 9.95, 9.97, 100.0, 300.0)
    assert stood(high(350.0), surge=surge).words == "the current surged"
    assert level(None, None, EVENT, 350.0).seen is None
    seldom = level(part("motor_current", T[::2], high(350.0)[::2]), None, EVENT, 350.0)
    assert (seldom.seen, "every 31.2 ms" in seldom.words) == (None, True)
    for since_s, seen in ((9.96, True), (9.97, None)):  # three readings, or two
        there = (T < 9.0) | (T - since_s > 0.0)
        assert level(part("motor_current", T[there], high(350.0)[there]), None, EVENT, 350.0).seen is seen
    assert _highest_level(amps(np.where(np.arange(T.size) % 7 == 0, 400.0, -100.0))) == 100.0
    assert _stood_s(amps(high(350.0)), 340.0, EVENT) == pytest.approx(10.0 - 9.0 + PERIOD_S)
    assert _stood_s(amps(350.0), 340.0, EVENT) == 10.0


@pytest.mark.parametrize(("percent", "down"), [(95.0, True), (94.9, False)])
def test_a_pedal_is_fully_down_from_95_per_cent_on(percent: float, down: bool) -> None:
    pedal = part("throttle", T, np.where(T < 9.9, 20.0, percent))
    assert _fully_down(pedal, EVENT) is down
    assert _fully_down(part("throttle", T, np.where(T < 9.91, 20.0, percent)), EVENT) is False  # 0.1 s before
    assert _fully_down(None, EVENT) is False
    assert stood(high(250.0), pedal=pedal).seen is (True if down else None)
    assert stood(high(250.0), pedal=pedal).words.endswith("with the pedal fully down") is down


@pytest.mark.parametrize(
    ("after", "torque", "seen"),
    [
        (40.5, None, False),  # a fifth is left, but not half of the middle
        (101.0, None, True),
        (99.0, None, False),
        (200.0, 49.0, False),
        (200.0, 51.0, True),
    ],
)
def test_current_and_torque_go_on_with_more_than_half(after: float, torque: float | None, seen: bool) -> None:
    """From 0.1 to 1 s after the fault; 200 A and 100 Nm before."""
    made = amps(np.where(T <= 10.05, 200.0, after))
    other = None if torque is None else part("torque", T, np.where(T <= 10.05, 100.0, torque))
    found = goes_on(made, other, 10.0)
    assert found.seen is seen
    if seen:
        assert found.words == f"motor current{'' if torque is None else ' and torque'} continued after the fault"


def test_a_short_dip_ends_a_current_and_a_little_one_says_nothing() -> None:
    def gone(dip: float) -> bool | None:
        return goes_on(amps(np.where((T > 10.5) & (T < 10.52), dip, 200.0)), None, 10.0).seen

    assert (gone(39.0), gone(41.0)) == (False, True)  # a fifth
    for before, seen in ((41.0, True), (39.0, None)):  # a tenth of the log's highest
        assert goes_on(amps(np.where(T < 1.0, 400.0, before)), None, 10.0).seen is seen
    assert goes_on(amps(200.0), None, 11.95).seen is None  # the log ends
    for period_s, seen in ((0.19, True), (0.21, None)):
        at = np.arange(0.0, 12.0, period_s)
        assert goes_on(part("motor_current", at, 200.0 + at % 2), None, 10.0).seen is seen


def surge(rise_s: float, peak: float = 400.0) -> Surge:
    return Surge(10.0, 10.0 + PERIOD_S, 10.0 + rise_s, 100.0, peak)


def test_a_rise_is_slow_beyond_15_ms_and_a_sample() -> None:
    assert slow(amps(T), surge(0.0308)).seen is True
    assert slow(amps(T), surge(0.0308)).words == "the current took 31 ms to its peak"
    assert slow(amps(T), surge(0.0304)).seen is None  # every 15.6 ms
    fine = np.arange(0.0, 12.0, 0.0149)
    assert slow(part("motor_current", fine, fine), surge(0.0297)).seen is False
    assert slow(None, surge(0.03)).seen is None
    assert slow(amps(T), None).seen is None


def test_a_surge_is_far_beyond_half_as_much_again_as_its_limit() -> None:
    """A stated limit of 200 A; what the rest of the log reaches in 99 % of the time is 240 A, or 160 A."""
    for usual, peak, seen in (
        (160.0, 301.0, True),
        (160.0, 300.0, None),
        (160.0, 299.0, None),
        (240.0, 361.0, True),
        (240.0, 359.0, None),
    ):
        value = np.where(np.abs(T - EVENT.seen_s) <= 0.5, 900.0, usual)
        assert far(amps(value), surge(0.02, peak), EVENT, 200.0).seen is seen
    apart_s = np.abs(T - EVENT.seen_s)  # what is more than half a second away counts, in a hundredth of the time
    near = amps(np.where(apart_s <= 0.5, 900.0, np.where(apart_s < 0.73, 240.0, 160.0)))
    assert far(near, surge(0.02, 359.0), EVENT, 200.0).seen is None
    assert far(None, surge(0.02, 500.0), EVENT, 200.0).seen is None
    assert far(near, None, EVENT, 200.0).seen is None
    told = far(amps(160.0), surge(0.02, 500.0), EVENT, 200.0)
    assert told.words == "the current reached 500 A, 2.5 times its limit of 200 A"
    assert far(amps(160.0), surge(0.02), EVENT, None).seen is None
    for period_s, seen in ((0.0019, False), (0.0021, None)):
        at = np.arange(0.0, 12.0, period_s)
        assert far(part("motor_current", at, 100.0 + at), surge(0.02, 250.0), EVENT, 200.0).seen is seen


def test_the_collapse_is_sharper_than_the_fault_where_its_samples_are_closer() -> None:
    made = amps(np.where(T <= 10.0, 200.0, 0.0))
    late, sharp = Trip(10.0, 10.1, True, "OC", 3.0), Trip(10.03, 10.04, True, "OC", 3.0)
    assert sharpest(late, None, made) == (Moment(10.0, 10.015625), "the current's collapse")
    assert sharpest(sharp, None, made) == (Moment(10.03, 10.04), "the trip")


def test_what_was_before_a_fault_is_the_middle_of_150_ms() -> None:
    """It fell from 200 to 60 A 0.1 s before the fault, and 40 A go on: more than half of 60."""
    made = amps(np.where(T < 9.9, 200.0, np.where(T <= 10.05, 60.0, 40.0)))
    assert goes_on(made, None, 10.0).seen is True
    longer = amps(np.where(T < 9.95, 200.0, np.where(T <= 10.05, 60.0, 40.0)))
    assert goes_on(longer, None, 10.0).seen is False


def test_a_level_stands_since_the_newest_reading_below_it_but_for_the_last() -> None:
    for at_s, stood_s in ((10.0, 10.0 - 9.0 + PERIOD_S), (10.0 - PERIOD_S, PERIOD_S)):
        assert _stood_s(amps(np.where(at_s == T, 150.0, high(350.0))), 340.0, EVENT) == pytest.approx(stood_s)
