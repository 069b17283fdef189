"""Which rises of the link are a precharge: each guard by a curve of made readings on each side of its edge.

True by construction: the test draws the curve, a reading each 10 ms where nothing else is said. Shares and times are
common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.observations.dc_link.attempts import (
    _above_pack,
    _back_at_once,
    _believable,
    _disconnected,
    _falls_evenly,
    _gone_at_once,
    _hot_restart,
    _once,
    _rises_and_flags,
    _rises_gradually,
    _thrown_up,
    _up_to_pack,
    find_attempts,
)
from logscope.observations.dc_link.link import Link, describe_link
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Part, Signals

FULL_V = 300.0
Volts = list[float]


def link(volts: Volts | FloatArray, period_s: float = 0.01, noise_v: float = 0.0) -> Link:
    value = np.asarray(volts, dtype=float)
    part = Part("dc_link_voltage", period_s * np.arange(value.size), value, "V", "Link.V", 1.0)
    return Link(part, 1.0, noise_v, noise_v, 0.0, FULL_V, -np.inf)


def rise(onset: int, top: int, end: int = 0) -> Attempt:
    return Attempt(onset, top, end or top, True, "fall")


def signals(*parts: Part) -> Signals:
    return Signals({part.name: part for part in parts}, 0.0, 100.0)


def state(name: str, at_s: list[float], on: list[bool]) -> Part:
    return Part(name, np.array(at_s), np.array(on, dtype=float), "", f"States.{name}", 1.0, on=np.array(on))


@pytest.mark.parametrize(
    ("volts", "attempt", "period_s", "noise_v", "gone"),
    [
        ([0, 0, 300, 300, 0, 0], rise(1, 2), 0.01, 0.0, True),  # the second reading after the top counts
        ([0, 0, 300, 0, 300, 0], rise(1, 2), 0.01, 0.0, False),
        ([0, 0, 300, 0, 0, 0], rise(1, 2), 0.01, 0.0, True),
        ([0, 0, 300, 40, 30, 0], rise(1, 2), 0.01, 0.0, True),  # a tenth of the rise may be left
        ([0, 0, 300, 40, 31, 0], rise(1, 2), 0.01, 0.0, False),
        ([0, 0, 300, 40, 33, 0], rise(1, 2), 0.01, 11.0, True),  # or three noises
        ([0, 0, 300, 40, 34, 0], rise(1, 2), 0.01, 11.0, False),
        ([0, 0, 300, 0, 0, 0], rise(1, 2), 0.149, 0.0, True),
        ([0, 0, 300, 0, 0, 0], rise(1, 2), 0.151, 0.0, False),  # in 0.3 s an active discharge may have emptied it
        ([0, 0, 150, 300, 0, 0], rise(1, 3), 0.01, 0.0, True),
        ([0, 0, 100, 200, 300, 0, 0], rise(1, 4), 0.01, 0.0, False),  # up within three readings is no stray one
        ([0, 0, 300, 0], rise(1, 2), 0.01, 0.0, False),  # the log ends too soon to say
    ],
)
def test_a_reading_gone_astray_is_back_at_once(
    volts: Volts, attempt: Attempt, period_s: float, noise_v: float, gone: bool
) -> None:
    assert _gone_at_once(link(volts, period_s, noise_v), attempt) is gone


@pytest.mark.parametrize(
    ("volts", "attempt", "period_s", "noise_v", "back"),
    [
        ([300, 300, 0, 300], rise(2, 3), 0.01, 0.0, True),
        ([300, 0, 0, 300], rise(2, 3), 0.01, 0.0, True),  # two readings before
        ([300, 0, 0, 0, 300], rise(3, 4), 0.01, 0.0, False),  # three are a link that was down
        ([270, 0, 300], rise(1, 2), 0.01, 0.0, True),  # a tenth of the rise lower
        ([269, 0, 300], rise(1, 2), 0.01, 0.0, False),
        ([267, 0, 300], rise(1, 2), 0.01, 11.0, True),
        ([266, 0, 300], rise(1, 2), 0.01, 11.0, False),
        ([300, 300, 0, 300], rise(2, 3), 0.149, 0.0, True),
        ([300, 300, 0, 300], rise(2, 3), 0.151, 0.0, False),
        ([*[300] * 12, 0, 300], rise(12, 13), 0.1, 0.0, True),  # whenever it was
        ([0, 300], rise(0, 1), 0.01, 0.0, False),  # nothing before it
        ([300, 0, 150, 300], rise(1, 3), 0.01, 0.0, True),
        ([300, 0, 100, 200, 300], rise(1, 4), 0.01, 0.0, False),
    ],
)
def test_a_link_that_stood_as_high_just_before_was_not_charged(
    volts: Volts, attempt: Attempt, period_s: float, noise_v: float, back: bool
) -> None:
    assert _back_at_once(link(volts, period_s, noise_v), attempt) is back


@pytest.mark.parametrize(
    ("volts", "attempt", "period_s", "noise_v", "thrown"),
    [
        ([100, 300, 300, 284, 284], rise(0, 1), 0.01, 0.0, True),  # 16 V lower within half a second
        ([100, 300, 300, 286, 286], rise(0, 1), 0.01, 0.0, False),  # 5 % of 300 V are 15 V
        ([100, 300, 300, 284, 284], rise(0, 1), 0.01, 1.0, False),  # and three noises
        ([100, 300, 300, 281.5, 284], rise(0, 1), 0.01, 1.0, True),
        ([19, 300, 300, 200, 200], rise(0, 1), 0.01, 0.0, False),  # from nothing: charged
        ([21, 300, 300, 200, 200], rise(0, 1), 0.01, 0.0, True),
        ([100, 150, 200, 230, 260, 300, 200], rise(0, 5), 0.01, 0.0, True),  # up within 50 ms
        ([100, 150, 200, 230, 260, 280, 300, 200], rise(0, 6), 0.01, 0.0, False),
        ([100, 200, 300, 200, 201], rise(0, 2), 0.125, 0.0, True),  # or within two readings
        ([100, 200, 250, 300, 200], rise(0, 3), 0.125, 0.0, False),
        ([100, 300, 301, 302, 303, 200], rise(0, 1), 0.125, 0.0, True),  # down after 0.5 s
        ([100, 300, 301, 302, 303, 304, 200], rise(0, 1), 0.125, 0.0, False),
    ],
)
def test_a_link_that_leaps_up_and_falls_at_once_is_braked_into(
    volts: Volts, attempt: Attempt, period_s: float, noise_v: float, thrown: bool
) -> None:
    assert _thrown_up(link(volts, period_s, noise_v), attempt) is thrown


@pytest.mark.parametrize(("between", "gradual"), [(4, True), (3, False)])
def test_a_gradual_rise_has_four_readings_between_a_tenth_and_nine_of_it(between: int, gradual: bool) -> None:
    volts = [100.0, 119.0, *np.linspace(121.0, 279.0, between), 281.0, 300.0]
    assert _rises_gradually(link(volts), rise(0, len(volts) - 1)) is gradual


@pytest.mark.parametrize(
    ("way", "noise_v", "even"),
    [
        (300.0 * np.exp(-np.linspace(0.0, np.log(1 / 0.6), 50)), 0.0, True),  # an exponential down to 60 %
        (np.r_[300.0, np.full(49, 250.0)], 0.0, False),  # leaps down and stands
        (np.r_[np.linspace(300.0, 250.0, 50)], 0.0, True),
        (np.r_[300.0, 283.0, 267.0, 250.0], 0.0, False),  # four readings tell no leap from a curve
        (np.r_[300.0, 287.0, 275.0, 262.0, 250.0], 0.0, True),
        (np.full(50, 250.0), 0.0, False),  # did not fall
        (np.r_[np.full(20, 300.0), np.linspace(300.0, 250.0, 30)], 0.0, True),  # stood before it fell
        (np.r_[np.linspace(300.0, 275.0, 25), np.linspace(265.0, 250.0, 25)], 0.0, True),  # 9.5 V off: 10 V are a fifth
        (np.r_[np.linspace(300.0, 275.0, 25), np.linspace(264.0, 250.0, 25)], 0.0, False),
        (np.r_[np.linspace(300.0, 275.0, 25), np.linspace(255.0, 250.0, 25)], 4.0, True),  # six noises may be off
    ],
)
def test_a_link_apart_from_its_pack_comes_down_evenly(way: FloatArray, noise_v: float, even: bool) -> None:
    assert _falls_evenly(link(np.r_[way, 300.0], noise_v=noise_v), rise(way.size - 1, way.size)) is even


@pytest.mark.parametrize(("before_s", "even"), [(62, True), (59, False)])
def test_the_way_down_is_looked_at_for_a_minute(before_s: int, even: bool) -> None:
    """A leap down by 110 V, so long before the rise."""
    volts = np.r_[np.full(9, 400.0), np.linspace(290.0, 250.0, before_s), 300.0]
    onset = volts.size - 2
    assert _falls_evenly(link(volts, period_s=1.0), rise(onset, onset + 1)) is even


def restart(quiet_s: float = 1.0, slope_v: float = 1.0, to_v: float = 300.0) -> tuple[Link, Attempt]:
    """Stands at 200 V for a while, falling a little, then charges within 0.2 s."""
    rows = round(quiet_s / 0.01)
    volts = np.r_[np.linspace(200.0 + slope_v, 200.0, rows), np.linspace(200.0, to_v, 21)[1:], np.full(50, to_v)]
    return link(volts), rise(rows - 1, rows + 19, volts.size - 1)


@pytest.mark.parametrize(
    ("made", "amps", "apart", "hot"),
    [
        (restart(), None, True, True),
        (restart(quiet_s=0.43), None, True, True),  # four fifths of half a second are seen
        (restart(quiet_s=0.39), None, True, False),
        (restart(slope_v=14.0), None, True, True),
        (restart(slope_v=31.0), None, True, False),  # falls by more than 5 % of 300 V within half a second
        (restart(to_v=214.0), None, True, False),  # rises by less
        (restart(to_v=216.0), None, True, True),
        (restart(), 5.5, True, False),  # the pack delivers
        (restart(), 4.5, True, True),
        (restart(), -5.5, True, False),
    ],
)
def test_a_hot_restart_follows_a_quiet_link_that_no_current_left(
    made: tuple[Link, Attempt], amps: float | None, apart: bool, hot: bool
) -> None:
    volts, attempt = made
    time_s = volts.part.time_s
    own = () if amps is None else (Part("battery_current", time_s, np.full(time_s.size, amps), "A", "Pack.A"),)
    assert _hot_restart(signals(volts.part, *own), volts, attempt, np.full(time_s.size, apart)) is hot


def test_a_pack_that_is_logged_says_whether_the_link_was_apart_all_the_while() -> None:
    volts, attempt = restart()
    pack = Part("battery_voltage", volts.part.time_s, np.full(volts.part.time_s.size, 300.0), "V", "Pack.V")
    apart = np.ones(volts.part.time_s.size, dtype=bool)
    assert _hot_restart(signals(volts.part, pack), volts, attempt, apart)
    apart[attempt.onset - 49] = False
    assert not _hot_restart(signals(volts.part, pack), volts, attempt, apart)


ON_S = np.arange(0.0, 6.0, 0.01).tolist()  # when states are read
STEADY, LEAP = [0.0, 2.0, 3.0, 6.0], [0.0, 2.0, 2.03, 6.0]  # a rise within a second, and within 30 ms


def on_from(name: str, since_s: float, until_s: float = 9.0) -> Part:
    return state(name, ON_S, [since_s <= each < until_s for each in ON_S])


def pack_of(volts: float) -> Part:
    return Part("battery_voltage", np.array(ON_S), np.full(len(ON_S), volts), "V", "Pack.V")


@pytest.mark.parametrize(
    ("from_v", "parts", "apart_before", "believed"),
    [
        # the relay's edge vouches where it is near the beginning
        (0.0, [on_from("precharge_relay", 2.44)], False, True),
        (0.0, [on_from("precharge_relay", 2.47)], False, False),
        (0.0, [on_from("precharge_relay", 2.47)], True, True),
        (0.0, [on_from("precharge_relay", 2.2), on_from("main_contactor", 0.5)], False, False),  # joined with the pack
        (0.0, [on_from("precharge_relay", 2.2), on_from("main_contactor", 5.0)], False, True),
        # the states say that nothing closes
        (0.0, [on_from("precharge_relay", 5.0), on_from("main_contactor", 5.5)], True, False),
        # the contactor alone: open until the rise begins
        (0.0, [on_from("main_contactor", 3.1)], True, True),
        (0.0, [on_from("main_contactor", 3.1)], False, False),
        # no state: from below three fifths of the full voltage, 180 V
        (179.0, [pack_of(300.0)], True, True),
        (179.0, [], True, True),
        (179.0, [pack_of(300.0)], False, False),
    ],
)
def test_a_rise_is_believed_by_its_relay_its_contactor_or_its_depth(
    from_v: float, parts: list[Part], apart_before: bool, believed: bool
) -> None:
    """Before the rise at 2 s, the link was apart from its pack, or not at one reading 0.1 s earlier and at the last."""
    volts = np.interp(ON_S, STEADY, [from_v, from_v, FULL_V, FULL_V])
    made = link(volts)
    apart = np.ones(volts.size, dtype=bool)
    if not apart_before:
        apart[[190, 200]] = False
    attempt = rise(200, 300, volts.size - 1)
    assert bool(_believable(signals(made.part, *parts), made, attempt, apart)) is believed


@pytest.mark.parametrize(
    ("by_v", "noise_v", "step_v", "count"),
    [
        (14.9, 0.0, 1.0, 0), (15.1, 0.0, 1.0, 1),  # a twentieth of 300 V
        (23.9, 3.0, 1.0, 0), (24.1, 3.0, 1.0, 1),  # eight noises
        (19.9, 0.0, 10.0, 0), (20.1, 0.0, 10.0, 1),  # two steps
    ],
)  # fmt: skip
def test_a_rise_is_a_twentieth_of_the_full_voltage_eight_noises_and_two_steps(
    by_v: float, noise_v: float, step_v: float, count: int
) -> None:
    volts = np.interp(ON_S, [0.0, 1.0, 1.01, 2.0, 2.2, 6.0], [0.0, 0.0, 0.01, 0.01, by_v, by_v])
    made = replace(link(volts, noise_v=noise_v), step_v=step_v)
    found, _ = _rises_and_flags(signals(made.part, on_from("main_contactor", 3.1)), made)
    assert len(found) == count


def test_one_reading_not_apart_within_the_lateness_of_a_state_is_enough() -> None:
    made = link(np.interp(ON_S, STEADY, [0.0, 0.0, FULL_V, FULL_V]))
    for row, believed in ((186, False), (184, True)):  # 0.14 s and 0.16 s before
        apart = np.ones(len(ON_S), dtype=bool)
        apart[row] = False
        held = signals(made.part, on_from("main_contactor", 3.1))
        assert bool(_believable(held, made, rise(200, 300), apart)) is believed


def test_a_link_alone_that_leaps_from_where_it_stood_and_falls_was_braked_into() -> None:
    made = link(np.interp(ON_S, [0.0, 2.0, 2.03, 2.2, 2.3, 6.0], [100.0, 100.0, FULL_V, FULL_V, 100.0, 100.0]))
    apart = np.ones(len(ON_S), dtype=bool)
    assert not _believable(signals(made.part), made, rise(200, 203, 220), apart)
    assert _believable(signals(made.part, pack_of(300.0)), made, rise(200, 203, 220), apart)
    stays = link(np.interp(ON_S, LEAP, [100.0, 100.0, FULL_V, FULL_V]))
    assert _believable(signals(stays.part), stays, rise(200, 203, 599), apart)


def test_apart_is_what_the_contactor_says_and_before_its_first_word_what_that_says() -> None:
    volts = link(np.full(6, 300.0), period_s=1.0)
    for on, expected in (([False, True, False], [1, 1, 1, 0, 0, 1]), ([True, False, True], [0, 0, 0, 1, 1, 0])):
        contactor = state("main_contactor", [1.5, 2.5, 4.5], on)
        assert _disconnected(signals(volts.part, contactor), volts).tolist() == [bool(each) for each in expected]


def test_apart_is_clearly_below_the_lowest_pack_or_below_three_fifths_of_the_full() -> None:
    """Pack 300 V: 5 % and three noises of 1 V lower is 282 V. Alone: 180 V."""
    readings = [281.9, 282.1, 179.9, 180.1]
    volts = link(np.array(readings), period_s=1.0, noise_v=1.0)
    pack = Part("battery_voltage", np.arange(-1.0, 5.0, 0.1), np.full(60, 300.0), "V", "Pack.V")
    assert _disconnected(signals(volts.part, pack), volts).tolist() == [True, False, True, True]
    assert _disconnected(signals(volts.part), volts).tolist() == [False, False, True, False]


def test_above_the_pack_is_by_more_than_braking_lifts_a_pack() -> None:
    """15 % above 300 V and three noises of 1 V: 348 V."""
    volts = link(np.array([347.9, 348.1]), period_s=1.0, noise_v=1.0)
    pack = Part("battery_voltage", np.arange(-1.0, 3.0, 0.1), np.full(40, 300.0), "V", "Pack.V")
    assert _above_pack(signals(volts.part, pack), volts).tolist() == [False, True]
    assert _above_pack(signals(volts.part), volts).tolist() == [False, False]


def test_a_rise_ends_two_readings_before_the_link_is_lifted_off_its_pack() -> None:
    volts = link([0, 100, 200, 290, 299, 320, 340, 360, 380, 100])
    lifted = volts.part.value > 348.0
    assert _up_to_pack(volts, lifted, 0, 8, 9) == (5, 7)
    assert _up_to_pack(volts, lifted, 0, 6, 9) == (6, 9)  # is not lifted so far
    none = np.zeros(10, dtype=bool)
    assert _up_to_pack(volts, none, 0, 8, 9) == (8, 9)


def test_a_reading_that_repeats_in_time_and_value_is_left_out_and_attempts_keep_theirs() -> None:
    made = link([0, 0, 100, 100, 200, 200, 300])
    made.part.time_s[:] = [0.0, 1.0, 2.0, 2.0, 3.0, 4.0, 5.0]
    kept, (attempt,) = _once(made, [Attempt(1, 4, 6, True, "fall")])
    assert kept.part.time_s.tolist() == [0, 1, 2, 3, 4, 5]
    assert kept.part.value.tolist() == [0, 0, 100, 200, 200, 300]
    assert (attempt.onset, attempt.top, attempt.end) == (1, 3, 5)


def hot_restart_with_relay(by_v: float, relay_from_s: float = 2.0, main_s: float | None = None) -> list[Attempt]:
    """From 290 V up within 0.1 s at 2 s, then down; the relay is on for 0.5 s."""
    at = np.arange(0.0, 5.0, 0.01)
    volts = np.interp(at, [0, 2.0, 2.1, 3.0, 3.1], [290.0, 290.0, 290.0 + by_v, 290.0 + by_v, 290.0])
    part = Part("dc_link_voltage", at, volts + 0.01 * (np.arange(at.size) % 2), "V", "Link.V")
    pack = Part("battery_voltage", at, np.full(at.size, 300.0), "V", "Pack.V")
    states_s = np.arange(0.0, 5.0, 0.01).tolist()
    relay = state("precharge_relay", states_s, [relay_from_s <= each < relay_from_s + 0.5 for each in states_s])
    parts = [part, pack, relay]
    if main_s is not None:
        parts.append(state("main_contactor", states_s, [each >= main_s for each in states_s]))
    made = signals(*parts)
    return list(find_attempts(made, describe_link(made, None)).found)


def test_a_small_rise_counts_where_the_relay_vouches_for_it() -> None:
    """A hundredth of the pack's 300 V is 3 V, and a twentieth 15 V."""
    assert len(hot_restart_with_relay(3.2)) == 1
    assert not hot_restart_with_relay(2.8)
    (found,) = hot_restart_with_relay(3.2)
    assert found.relay_s == pytest.approx(2.0)
    assert found.relay_end_s == pytest.approx(2.5)
    assert found.ended_by == "fall"
    assert not hot_restart_with_relay(3.2, relay_from_s=3.2)
    assert len(hot_restart_with_relay(3.2, relay_from_s=1.5)) == 1  # by 0.15 s after it opened
    assert not hot_restart_with_relay(3.2, relay_from_s=1.3)
    assert not hot_restart_with_relay(3.2, main_s=1.0)  # the pack's own voltage
