"""When the link was taken from its pack, by states and by voltages: each guard at its edge, by hand.

The test itself switches and draws the voltages. Times and shares are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.openings import (
    Opening,
    Stretch,
    Switch,
    _before,
    _before_rise,
    _by_state,
    _by_voltages,
    _falls_only_then,
    _known_pack,
    _level,
    _until,
    _where_it_parts,
    find_openings,
    openings_without_link,
    path_stretches,
    state_lag_s,
    switches,
)
from logscope.signals import Part, Signals

P = 0.0625  # sums of it are exact
T = np.arange(0.0, 40.0, P)
MAIN, NEGATIVE, RELAY = "main_contactor", "negative_contactor", "precharge_relay"


def link(volts: Any, noise_v: float = 0.5, step_v: float = 1.0, full_v: float | None = 300.0, time_s: Any = T) -> Link:
    value = np.broadcast_to(np.asarray(volts, float), time_s.shape)
    return Link(
        Part("dc_link_voltage", time_s, value, "V", "Link.V", step_v), step_v, noise_v, noise_v, 0.0, full_v, 0.0
    )


def attempts(*onset_s: float) -> Any:
    return SimpleNamespace(found=onset_s, onset_s=lambda each: each)


def state(name: str, changes: list[tuple[float, bool]], period_s: float = P) -> Part:
    """A state that is read each period and has each value from a time on."""
    time_s = np.arange(0.0, 40.0, period_s)
    on = np.zeros(time_s.size, bool)
    for since_s, value in changes:
        on[time_s >= since_s] = value
    return Part(name, time_s, on.astype(float), "", f"States.{name}", on=on)


def signals(*parts: Part) -> Signals:
    return Signals({part.name: part for part in parts}, 0.0, 40.0)


def test_a_switch_lies_between_the_reading_before_less_its_lag_and_its_own() -> None:
    """A state may be 0.15 s late, or one period; a contactor takes 50 ms to open."""
    off, on = switches(state(MAIN, [(0.0, True), (10.0, False), (20.0, True)]))
    assert off == Switch(MAIN, False, 10.0 - P - 0.15, 10.0)
    assert on == Switch(MAIN, True, 20.0 - P - 0.15, 20.0)
    assert (off.high_s, on.high_s) == (10.05, 20.0)
    assert state_lag_s(state(MAIN, [], 0.5)) == 0.5
    assert state_lag_s(state(MAIN, [], 0.1)) == 0.15
    assert switches(None) == []
    assert switches(Part(MAIN, T, T, "", "X")) == []


@pytest.mark.parametrize(
    ("changes", "stretches"),
    [
        # the log begins open; the relay joins the two
        ({RELAY: [(5.0, True)]}, [(None, (RELAY, 5.0))]),
        ({MAIN: [(0.0, True), (9.0, False)]}, [((MAIN, 9.0), None)]),
        ({MAIN: [(0.0, True), (9.0, False)], RELAY: [(12.0, True)]}, [((MAIN, 9.0), (RELAY, 12.0))]),
        # a precharge that never reached its contactor is no path that was opened
        ({MAIN: [(30.0, True)], RELAY: [(5.0, True), (6.0, False)]}, [(None, (RELAY, 5.0))]),
        ({MAIN: [(5.5, True), (9.0, False)], RELAY: [(5.0, True), (6.0, False)]},
         [(None, (RELAY, 5.0)), ((MAIN, 9.0), None)]),
        ({MAIN: [(0.0, True), (9.0, False)], NEGATIVE: [(0.0, True), (11.0, False)]}, [((MAIN, 9.0), None)]),
        ({MAIN: [(0.0, True)], NEGATIVE: [(0.0, True), (9.0, False), (12.0, True)]},
         [((NEGATIVE, 9.0), (NEGATIVE, 12.0))]),
        ({NEGATIVE: [(0.0, True), (9.0, False)]}, [((NEGATIVE, 9.0), None)]),
        ({MAIN: [(0.0, True), (9.0, False)], RELAY: [(0.0, True), (8.0, False)]}, [((MAIN, 9.0), None)]),
    ],
)  # fmt: skip
def test_no_path_joins_pack_and_link_between_its_opening_and_its_next_closing(
    changes: dict[str, list[tuple[float, bool]]], stretches: list[Any]
) -> None:
    made = signals(*(state(name, each) for name, each in {MAIN: [], **changes}.items() if each or name == MAIN))
    if changes.keys() == {NEGATIVE}:
        made = signals(state(NEGATIVE, changes[NEGATIVE]))
    found = path_stretches(made)
    short = [tuple(None if s is None else (s.part, s.time_s) for s in (each.opened, each.closed)) for each in found]
    assert short == stretches


def test_contactors_that_open_later_are_kept_and_relays_are_not() -> None:
    made = signals(
        state(MAIN, [(0.0, True), (9.0, False)]), state(NEGATIVE, [(0.0, True), (11.0, False)]),
        state(RELAY, [(0.0, True), (9.0, False), (10.0, True), (10.5, False)]),
    )  # fmt: skip
    found = path_stretches(made)
    assert all(s.part != NEGATIVE for s in found[0].later)  # the relay closed the path again at 10 s
    assert len(found) == 1  # what it opened again never reached the contactor
    without = signals(state(MAIN, [(0.0, True), (9.0, False)]), state(NEGATIVE, [(0.0, True), (11.0, False)]))
    (one,) = path_stretches(without)
    assert [(s.part, s.time_s) for s in one.later] == [(NEGATIVE, 11.0)]
    both = signals(state(MAIN, [(0.0, True), (9.0, False)]), state(NEGATIVE, [(0.0, True), (9.0, False)]))
    (together,) = path_stretches(both)
    assert together.opened is not None
    assert {together.opened.part, *(s.part for s in together.later)} == {MAIN, NEGATIVE}


def test_without_the_links_voltage_the_states_alone_say_when() -> None:
    made = signals(state(MAIN, [(0.0, True), (9.0, False), (12.0, True), (30.0, False)]))
    one, last = openings_without_link(made)
    assert one == Opening(9.0 - P - 0.15, 9.05, 9.05, 12.0 - P - 0.15, MAIN, None, True)
    assert last == Opening(30.0 - P - 0.15, 30.05, 30.05, 40.0, MAIN, None, False)
    assert openings_without_link(signals(state(MAIN, [(5.0, True)]))) == []


def test_the_link_is_charged_again_by_a_rise_or_a_closing_or_its_log_ends() -> None:
    one = link(300.0)
    assert _until(one, attempts(), 10.0, np.inf) == (T[-1], False)
    assert _until(one, attempts(), 10.0, 20.0) == (20.0, True)
    assert _until(one, attempts(5.0, 15.0, 25.0), 10.0, 20.0) == (15.0 - 0.15, True)
    assert _until(one, attempts(5.0), 10.0, 39.99) == (T[-1], False)
    volts = np.where(T < 9.5, 100.0, np.where(T < 9.8, 300.0, 200.0))
    assert _level(link(volts), 10.0) == 300.0  # the median of half a second
    assert _level(link(volts), -1.0) is None


STRETCH = Stretch(Switch(MAIN, False, 9.8, 10.0), None, ())


def test_an_opening_by_a_state_begins_two_readings_after_the_latest_moment() -> None:
    volts = np.where(T < 9.8, 300.0, 250.0)
    found = _by_state(link(volts), attempts(), STRETCH)
    assert found == Opening(9.8, 10.05, 10.05 + 2 * P, T[-1], MAIN, 300.0, False)
    assert found.by_state
    closed = _by_state(link(volts), attempts(), STRETCH._replace(closed=Switch(MAIN, True, 20.0, 20.2)))
    assert (closed.end_s, closed.restarted) == (20.0, True)
    begins = _by_state(link(volts), attempts(15.0), STRETCH._replace(opened=None))
    assert begins == Opening(0.0, 0.0, 0.0, 14.85, "", None, True)
    assert not begins.by_state


@pytest.mark.parametrize(("next_s", "unlogged"), [(10.5, False), (10.5625, True)])
def test_a_first_reading_half_a_second_later_does_not_show_the_opening(next_s: float, unlogged: bool) -> None:
    time_s = T[(T < 9.9) | (next_s <= T)]
    found = _by_state(link(300.0, time_s=time_s), attempts(), STRETCH)
    if unlogged:
        assert found == Opening(
            next_s, next_s, next_s, T[-1], MAIN, None, False, unlogged_s=pytest.approx(next_s - 10.05)
        )
    else:
        assert (found.low_s, found.level_v, found.unlogged_s) == (9.8, 300.0, 0.0)


def test_a_link_that_another_contactor_holds_parts_where_that_opens() -> None:
    """It stands until the second opens at 20 s, and then falls by 20 V a second."""
    volts = 300.0 - 20.0 * np.clip(T - 20.0, 0.0, 10.0)
    opening = _by_state(link(volts), attempts(), STRETCH)
    later = (Switch(NEGATIVE, False, 19.8, 20.0),)
    held, parted = _where_it_parts(link(volts), opening, later)
    assert held == replace(opening, end_s=19.8, restarted=False, held_until=NEGATIVE)
    assert parted == replace(
        opening, low_s=19.8, high_s=20.05, start_s=20.05 + 2 * P, shown_by=NEGATIVE, level_v=300.0, unlogged_s=0.0
    )
    falls = 300.0 - 20.0 * np.clip(T - 10.0, 0.0, 14.0)
    assert _where_it_parts(link(falls), opening, later) == [opening]
    assert _where_it_parts(link(volts), replace(opening, end_s=20.1), later) == [replace(opening, end_s=20.1)]


def span(start_s: float, end_s: float) -> Opening:
    return Opening(start_s, start_s, start_s, end_s, MAIN, 300.0, False)


@pytest.mark.parametrize(
    ("held_v_per_s", "then_v_per_s", "only_then"),
    [(0.0, 4.0, True), (1.0, 5.5, True), (1.0, 4.5, False), (5.0, 5.0, False)],
)
def test_a_link_falls_only_then_where_it_falls_five_times_as_fast(
    held_v_per_s: float, then_v_per_s: float, only_then: bool
) -> None:
    """From 10 to 20 s and from 20 s on; medians of five readings at either end."""
    volts = 300.0 - held_v_per_s * np.clip(T - 10.0, 0.0, 10.0) - then_v_per_s * np.clip(T - 20.0, 0.0, 20.0)
    for end_s in (30.0, 39.0):  # compared over as long as it was held
        found = _falls_only_then(link(volts, noise_v=0.01, step_v=0.0), span(10.0, 20.0), span(20.0, end_s))
        assert found is only_then


@pytest.mark.parametrize(
    ("pack", "apart_at", "level", "spread"),
    [
        (300.0, 20.0, 300.0, 0.0),
        (None, 20.0, 300.0, 15.0),  # a twentieth of it: the pack may have sagged unseen
    ],
)
def test_by_voltages_a_link_opens_where_it_leaves_its_pack(
    pack: float | None, apart_at: float, level: float, spread: float
) -> None:
    """It falls by 100 V a second from 20 s on: 15 V and three noises below 300 V after 0.165 s; or below 180 V."""
    volts = 300.0 - 100.0 * np.clip(T - apart_at, 0.0, 3.0)
    beside = [] if pack is None else [Part("battery_voltage", T, np.full(T.size, pack), "V", "Pack.V", 1.0)]
    (found,) = find_openings(signals(*beside), link(volts), attempts())
    first_s = 20.1875 if pack else 20.0 + 1.25
    assert found.high_s == first_s
    assert found.start_s == first_s + P
    assert (found.end_s, found.restarted, found.shown_by) == (T[-1], False, "dc_link_voltage")
    assert found.level_v == pytest.approx(level, abs=0.1)
    assert found.level_spread_v == pytest.approx(spread, abs=0.1)
    assert found.low_s == 0.0  # so long it may have been apart unseen
    again = _by_voltages(signals(*beside), link(volts), attempts(25.0))
    assert (again[0].end_s, again[0].restarted) == (25.0 - 0.15, True)
    assert _by_voltages(signals(*beside), link(300.0 + 0 * T), attempts()) == []


def current(amps: float) -> Part:
    return Part("battery_current", T, np.full(T.size, amps), "A", "Pack.A", 0.1)


def test_what_is_short_or_under_current_is_no_opening() -> None:
    for lasts_s, found in ((0.4, 1), (0.375, 0)):
        volts = np.where((T >= 20.0) & (20.0 + lasts_s + 2 * P > T), 100.0, 300.0)
        assert len(_by_voltages(signals(), link(volts), attempts())) == found
    volts = np.where(T >= 20.0, 100.0, 300.0)
    for amps, found in ((5.0, 1), (5.1, 0), (-5.1, 0)):
        assert len(_by_voltages(signals(current(amps)), link(volts), attempts())) == found
    twice = np.where((T >= 20.0) | ((T > 19.7) & (T < 19.8)), 100.0, 300.0)  # apart within half a second before
    assert _by_voltages(signals(), link(twice), attempts()) == []
    assert find_openings(signals(), link(300.0, time_s=T[:1]), attempts()) == []


@pytest.mark.parametrize(("back_v", "again"), [(181.4, False), (181.6, True)])
def test_a_link_is_back_with_its_pack_three_noises_above_the_threshold(back_v: float, again: bool) -> None:
    """Three fifths of 300 V, and three times 0.5 V above or below it."""
    for low_v, count in ((178.6, 0), (178.4, 1)):
        volts = np.where(T < 20.0, 300.0, np.where(T < 30.0, low_v, back_v))
        found = _by_voltages(signals(), link(volts), attempts())
        assert len(found) == count
        assert [(each.end_s, each.restarted) for each in found] == [
            (30.0 - P, True) if again else (T[-1], False)
        ] * count


def test_states_go_before_voltages() -> None:
    volts = np.where(T >= 20.0, 100.0, 300.0)
    (found,) = find_openings(signals(state(MAIN, [(0.0, True), (25.0, False)])), link(volts), attempts())
    assert found.shown_by == MAIN
    (bare,) = find_openings(signals(Part(MAIN, T, T, "", "X")), link(volts), attempts())
    assert bare.shown_by == "dc_link_voltage"
    (negative,) = find_openings(signals(state(NEGATIVE, [(0.0, True), (25.0, False)])), link(volts), attempts())
    assert negative.shown_by == NEGATIVE


@pytest.mark.parametrize(("back_v", "ends"), [(6.0, False), (6.5, True)])
def test_a_fall_ends_where_the_voltage_rises_by_eight_noises_and_two_steps(back_v: float, ends: bool) -> None:
    """Of 0.5 V and 1 V: 6 V; it ends where it is lowest, less what a state may be late."""
    volts = np.where(T < 30.0, 300.0 - T, 300.0 - 30.0 + P + back_v)
    end_s, restarted = _before_rise(link(volts), 10.0, 35.0, False)
    assert (end_s, restarted) == ((30.0 - P - 0.15, True) if ends else (35.0, False))
    fine, coarse = link(volts, step_v=0.4), link(volts, step_v=1.5)  # 4.8 V and 7 V
    assert _before_rise(fine, 10.0, 35.0, False)[1]
    assert not _before_rise(coarse, 10.0, 35.0, False)[1]


def test_the_pack_beside_a_link_is_that_of_an_awake_controller() -> None:
    volts = np.where(T < 5.0, 60.0, 310.0)  # less than three tenths of its highest
    pack = Part("battery_voltage", T, volts, "V", "Pack.V", 1.0)
    known = _known_pack(signals(pack), link(300.0))
    assert known is not None
    assert known.tolist() == [310.0] * T.size
    assert _known_pack(signals(), link(300.0)) is None
    assert _known_pack(signals(replace(pack, value=volts / 20.0)), link(300.0)) is None  # never above 20 V


def test_the_level_before_an_opening_is_the_packs_as_the_links_sensor_reads_it() -> None:
    """The link reads 4 V more than its pack, give or take 1 V; the pack recovers to 310 V after the opening."""
    rows = np.arange(T.size)
    known = np.where(rows < 320, 300.0, 310.0)
    volts = np.where(rows < 320, 304.0 + np.where(rows % 2 == 0, 1.0, -1.0), 100.0)
    volts[:100] = 200.0  # apart before row 100
    begun, level_v, spread_v = _before(link(volts), known, 320, 400)
    assert (begun, level_v, spread_v) == (100, pytest.approx(314.0), pytest.approx(1.0))


def test_without_a_pack_the_level_is_the_highest_as_far_back_as_the_link_only_fell() -> None:
    """It rests at 290 V, stands at 320 V from row 100 on, and falls by 3 V a reading from row 300 on."""
    rows = np.arange(T.size)
    volts = np.where(rows < 100, 290.0, 320.0 - 3.0 * np.clip(rows - 300, 0, 50))
    first = 340  # 200 V
    begun, level_v, spread_v = _before(link(volts), None, first, 400)
    assert (begun, level_v, spread_v) == (100, 320.0, 16.0)  # 30 V lower are more than 16 V and five noises and steps
    low = np.where(rows < 100, 302.0, volts)
    assert _before(link(low), None, first, 400)[0] == 0


@pytest.mark.parametrize(("rows", "parts"), [(6, True), (4, False)])
def test_more_than_five_readings_on_either_side_show_where_a_link_parts(rows: int, parts: bool) -> None:
    """Full until 20 s, then 100 V a reading lower each time; so many readings before it, or after it."""
    volts = np.where(T < 20.0, 300.0, np.maximum(300.0 - 30.0 * (T - 20.0) / P, 0.0))
    one = link(volts, noise_v=0.01, step_v=0.0)
    before = span(20.0 - rows * P, 20.0 - P)
    assert _falls_only_then(one, before, span(20.0, 25.0)) is parts
    assert _falls_only_then(one, span(15.0, 20.0 - P), span(20.0, 20.0 + (rows - 1) * P)) is parts
    late = link(np.where(T < 20.0, 300.0, 300.0 - 2.0 * (T - 20.0)), noise_v=1.0, step_v=1.0)
    assert _falls_only_then(late, span(15.0, 20.0), span(20.0, 21.0)) is False  # within three noises and a step
    assert _falls_only_then(late, span(10.0, 20.0), span(20.0, 30.0)) is True


def test_a_link_charged_again_at_once_is_charged_again_after_that() -> None:
    assert _until(link(300.0), attempts(10.0), 10.0, np.inf) == (T[-1], False)
    assert _until(link(300.0), attempts(10.01), 10.0, np.inf) == (10.01 - 0.15, True)


def test_the_range_of_a_links_offset_leaves_out_a_hundredth_at_either_end() -> None:
    """It reads 1 to 1000 mV more than its pack, evenly; the widest hundredths may be strays."""
    rows = np.arange(T.size)
    known = np.full(T.size, 300.0)
    volts = np.where(
        rows < 400, 300.0 + np.random.default_rng(1).permutation(400)[np.minimum(rows, 399)] / 100.0, 100.0
    )
    _, level_v, spread_v = _before(link(volts), known, 400, 500)
    assert level_v == pytest.approx(301.995)
    assert spread_v == pytest.approx(3.99 * 0.98 / 2)
