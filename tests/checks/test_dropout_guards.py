"""What counts as a dropout: each guard by made readings on each side of its edge.

Expected by hand from the limits that the code gives its reasons for (common practice, no published source).
"""

from __future__ import annotations

import numpy as np
import pytest
from contactor_pieces import history, link_of, part, switchings

from logscope.checks.contactors.drop_after_current import (
    _ends,
    _least_off,
    _off_pack,
    _watched_from_s,
    after_current,
)
from logscope.checks.contactors.drop_by_voltage import (
    _falls_on,
    _just_before,
    _leaps,
    _thresholds,
    falls,
    lifts,
    precharged,
    stays_open,
    stays_with_pack,
)
from logscope.checks.contactors.dropout import _by_state, _closes_s, _path_open_s, dropout

MAIN, NEGATIVE, RELAY, LINK = "main_contactor", "negative_contactor", "precharge_relay", "dc_link_voltage"
T = np.arange(0.0, 10.0, 0.01)
LOADED = part("battery_current", T, np.full(T.size, 50.0))


def traced(*spans: tuple[float, float, float]):
    """A link of 350 V, at another voltage in spans (begin [s], end [s], volts)."""
    volts = np.full(T.size, 350.0)
    for begin_s, end_s, at_v in spans:
        volts[np.searchsorted(T, begin_s - 1e-9) : np.searchsorted(T, end_s - 1e-9)] = at_v
    return link_of(part(LINK, T, volts))


@pytest.mark.parametrize(
    ("pack_v", "away_v", "seen"),
    [
        (350.0, 262.0, True),  # a quarter below the pack's 350 V: 262.5 V
        (350.0, 263.0, False),
        (320.0, 241.0, False),
        (320.0, 239.0, True),
        (None, 209.0, True),  # 60 % of the full voltage where no pack is logged
        (None, 211.0, False),
    ],
)
def test_a_link_falls_away_where_no_sag_of_its_pack_takes_it(pack_v, away_v, seen):
    parts = [LOADED] + ([] if pack_v is None else [part("battery_voltage", T, np.full(T.size, pack_v))])
    drops = falls(history(parts, link=traced((4.0, 4.3, away_v))))
    assert [(d.start_s, d.end_s, d.low_v, d.high_v, d.shown_by) for d in drops] == (
        [(pytest.approx(4.0), pytest.approx(4.3), away_v, away_v, LINK)] if seen else []
    )


@pytest.mark.parametrize(
    ("end_s", "back_v", "amps", "seen"),
    [
        (5.99, 350.0, 50.0, True),
        (6.02, 350.0, 50.0, False),  # more than two seconds: a key turned off and on
        (4.3, 333.0, 50.0, True),  # within 5 % of its pack it has come back
        (4.3, 332.0, 50.0, False),
        (4.3, 350.0, 5.0, False),  # no load drains it
    ],
)
def test_a_dropout_comes_back_to_its_pack_within_two_seconds_of_load(end_s, back_v, amps, seen):
    parts = [part("battery_current", T, np.full(T.size, amps)), part("battery_voltage", T, np.full(T.size, 350.0))]
    link = traced((4.0, end_s, 200.0), (end_s, 10.0, back_v))
    assert len(falls(history(parts, link=link))) == seen


def test_noise_lowers_what_is_apart_and_what_has_come_back():
    parts = [LOADED, part("battery_voltage", T, np.full(T.size, 350.0))]
    made = history(parts, link=traced())
    apart, joined = _thresholds(made, traced())
    assert (apart[5], joined[5]) == (pytest.approx(262.5), pytest.approx(332.5))
    noisy = link_of(traced((4.0, 4.3, 260.0)).part, noise_v=1.0)
    assert falls(history(parts, link=noisy)) == []  # 262.5 V less 3 V
    apart, joined = _thresholds(history([LOADED]), traced())
    assert (apart[5], joined[5]) == (pytest.approx(210.0), pytest.approx(262.5))


@pytest.mark.parametrize(
    ("lifted_v", "end_s", "back_v", "seen"),
    [
        (403.0, 4.3, 350.0, True),  # 15 % above 350 V is 402.5 V
        (402.0, 4.3, 350.0, False),
        (450.0, 6.1, 350.0, False),  # not back within two seconds
        (450.0, 4.3, 262.0, False),  # it fell through its pack's level
        (450.0, 4.3, 264.0, True),
        (450.0, 4.3, 368.0, False),  # still 5 % above its pack
        (450.0, 4.3, 367.0, True),
    ],
)
def test_a_link_is_lifted_where_it_leaps_above_its_pack_and_stays_with_it_after(lifted_v, end_s, back_v, seen):
    parts = [LOADED, part("battery_voltage", T, np.full(T.size, 350.0))]
    link = traced((4.0, end_s, lifted_v), (end_s, 10.0, back_v))
    drops = lifts(history(parts, link=link))
    assert len(drops) == seen
    if seen:
        (drop,) = drops
        assert (drop.start_s, drop.end_s) == (pytest.approx(4.0), pytest.approx(4.3))
        assert (drop.low_v, drop.high_v, drop.lifted) == (lifted_v, lifted_v, True)


@pytest.mark.parametrize(
    ("amps", "reopens", "relay_s", "seen"),
    [
        (-50.0, None, None, True),
        (5.0, None, None, False),  # nothing is braked into it
        (None, None, None, False),  # no current before it is logged
        (-50.0, 4.0, None, False),  # its state says open when the link is back
        (-50.0, 9.0, None, True),
        (-50.0, None, 4.2, False),  # a precharge between
    ],
)
def test_a_lift_is_a_dropout_under_load_that_closes_again_by_itself(amps, reopens, relay_s, seen):
    current = part("battery_current", T, np.full(T.size, amps or 50.0))
    parts = [current.where(T > 6.0) if amps is None else current, part("battery_voltage", T, np.full(T.size, 350.0))]
    switched = {MAIN: [], RELAY: [] if relay_s is None else switchings(RELAY, (relay_s, True))}
    parts += [] if reopens is None else [part(MAIN, T, reopens > T)]
    drops = lifts(history(parts, link=traced((4.0, 4.3, 450.0)), switched=switched))
    assert len(drops) == seen
    fallen = falls(history(parts, link=traced((4.0, 4.3, 200.0)), switched=switched))
    assert len(fallen) == seen


@pytest.mark.parametrize(("period_s", "lasts_s", "seen"), [(0.01, 0.1, True), (0.01, 0.2, False), (0.04, 0.08, True)])
def test_a_link_that_leaps_within_a_tenth_of_a_second_is_lifted(period_s, lasts_s, seen):
    """Behind a filter it takes several readings from 350 to 420 V: 15 % are 402.5 V, and 5 % 367.5 V."""
    at = np.arange(0.0, 10.0, period_s)
    volts = np.interp(at, [4.0, 4.0 + lasts_s, 4.4, 4.4 + period_s], [350.0, 420.0, 420.0, 350.0])
    parts = [LOADED, part("battery_voltage", at, np.full(at.size, 350.0))]
    drops = lifts(history(parts, link=link_of(part(LINK, at, volts))))
    assert len(drops) == seen
    if seen:
        assert drops[0].start_s == pytest.approx(at[np.argmax(volts > 367.5)])


@pytest.mark.parametrize(
    ("drops", "off_v", "back_v", "seen"),
    [
        (falls, 200.0, 330.0, True),
        (falls, 200.0, 329.0, False),
        (lifts, 450.0, 370.0, True),
        (lifts, 450.0, 371.0, False),
    ],
)  # fmt: skip
def test_a_link_that_left_its_pack_is_back_at_it_within_the_noise(drops, off_v, back_v, seen):
    """5 % of 350 V and three noises of 1 V: from 329.5 to 370.5 V."""
    parts = [LOADED, part("battery_voltage", T, np.full(T.size, 350.0))]
    link = link_of(traced((4.0, 4.3, off_v), (4.3, 10.0, back_v)).part, noise_v=1.0)
    assert len(drops(history(parts, link=link))) == seen


@pytest.mark.parametrize(("lifted_v", "seen"), [(424.0, False), (427.0, True)])
def test_a_lift_is_judged_from_the_pack_above_which_a_link_that_sagged_leaps(lifted_v, seen):
    """15 % above its 370 V, 425.5 V; not above the 350 V that the link read."""
    parts = [LOADED, part("battery_voltage", T, np.full(T.size, 370.0))]
    assert len(lifts(history(parts, link=traced((4.0, 4.3, lifted_v))))) == seen


def test_a_link_back_at_its_pack_is_watched_for_as_long_as_it_was_away_and_half_a_second():
    after = traced((4.4, 5.0, 260.0))
    at = int(np.searchsorted(T, 4.0))
    assert stays_with_pack(history(link=after), at - 15, 0.3, 350.0)  # until 4.35 s
    assert not stays_with_pack(history(link=after), at, 0.3, 350.0)  # until 4.5 s
    assert not stays_with_pack(history(link=after), at - 30, 0.75, 350.0)  # until 4.45 s
    end = int(np.searchsorted(T, 9.495))
    assert not stays_with_pack(history(link=traced()), end, 0.0, 350.0)  # the log ends before half a second
    assert stays_with_pack(history(link=traced()), end - 1, 0.0, 350.0)


@pytest.mark.parametrize(
    ("volts", "falls_on"),
    [
        ([350, 350, 340, 340, 331, 331], True),  # 5 % below 350 V is 332.5 V
        ([350, 350, 340, 340, 333, 333], False),
        ([331, 331, 340, 340, 331, 331], False),
        ([350, 350, 331, 331, 331, 331], False),
        ([300], True),
    ],
)
def test_a_link_left_to_itself_only_ever_falls(volts, falls_on):
    assert _falls_on(np.array(volts, dtype=float), 350.0) is falls_on


def test_a_state_that_says_open_when_the_link_is_back_makes_it_no_dropout():
    """States every 100 ms; one may come a period and its lag (0.15 s and a period) later."""
    at = np.arange(0.0, 10.0, 0.1)
    for reopened_s, still in ((4.3, False), (4.9, True)):
        state = part(MAIN, at, (at < 4.0) | (at > reopened_s - 0.05))
        made = history([state], switched={MAIN: switchings(MAIN, (4.0, False), (reopened_s, True))})
        assert stays_open(made, 4.0, 4.3) is still
    never = part(MAIN, at, 0 * at)
    assert not stays_open(history([never], switched={MAIN: []}), 4.0, 4.3)
    assert not stays_open(history([state]), 4.0, 4.3)  # a part that is no state says nothing


@pytest.mark.parametrize(
    ("at_s", "on", "restart"),
    [(3.84, True, False), (3.86, True, True), (5.14, True, True), (5.16, True, False), (4.5, False, False)],
)
def test_a_relay_that_closes_meanwhile_makes_it_a_restart(at_s, on, restart):
    """From 4.0 to 5.0 s; a state lies up to 0.15 s off."""
    assert precharged(history(switched={RELAY: switchings(RELAY, (at_s, on))}), 4.0, 5.0) is restart


def test_the_half_second_before_a_sample_leaves_the_sample_out():
    at = np.array([0.0, 0.4, 0.5, 0.75, 1.0, 1.0, 1.25])
    assert _just_before(at, 4) == slice(2, 4)
    assert _just_before(at, 0) == slice(0, 0)


@pytest.mark.parametrize(
    ("volts", "reach", "leaps"),
    [
        ([300, 300, 346, 300], 1, [False, False, True, False]),
        ([300, 300, 345, 300], 1, [False, False, False, False]),  # 15 % exactly
        ([300, 320, 350, 400], 1, [False, False, False, False]),
        ([300, 320, 350, 400], 2, [False, False, True, True]),
        ([100, 320, 330, 400], 2, [False, False, False, True]),  # it was not connected
    ],
)
def test_a_leap_is_measured_from_the_lowest_of_the_samples_before(volts, reach, leaps):
    assert _leaps(np.array(volts, dtype=float), 210.0, reach).tolist() == leaps


@pytest.mark.parametrize(
    ("amps", "ends"),
    [
        ([50, 50, 5, 0], [(0.1, 0.2)]),
        ([50, -50, 6, 0], [(0.2, 0.3)]),
        ([0, 5, 50, 50], []),
        ([50, 0, -50, 0], [(0.0, 0.1), (0.2, 0.3)]),
        ([50], []),
    ],
)
def test_a_current_ends_between_its_last_loaded_sample_and_the_next(amps, ends):
    rest = np.zeros(0 if len(amps) < 2 else 40)  # so long at rest that the current has no noise
    at = 0.1 * (np.arange(rest.size + len(amps)) - rest.size)
    amps = np.concatenate((rest, amps))
    found = [(end.flowed_s, end.gone_s) for end in _ends(part("battery_current", at, amps))]
    assert found == [pytest.approx(end) for end in ends]


@pytest.mark.parametrize(("grown_a", "since_s"), [(55.0, 1.9), (56.0, 2.0)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_link_is_watched_from_before_the_currents_end_where_that_had_not_grown(grown_a, since_s, sign):
    """50 A before, grown in the last 0.1 s: 5 A more are no load, whether it drives or brakes."""
    amps = sign * np.where(T < 1.955, 50.0, np.where(T < 2.005, grown_a, 0.0))
    current = part("battery_current", T, amps)
    (end,) = _ends(current)
    assert _watched_from_s(current, end) == pytest.approx(since_s)


@pytest.mark.parametrize(
    ("with_pack", "spread_v", "noise_v", "least_v"),
    [
        (True, 0.0, 0.0, 17.5),
        (False, 0.0, 0.0, 35.0),  # twice as much without a pack beside it
        (True, 40.0, 0.0, 40.0),
        (True, 0.0, 2.0, 23.5),
    ],
)
def test_a_link_is_off_its_level_farther_than_load_and_braking_take_it(with_pack, spread_v, noise_v, least_v):
    volts = np.where(T < 5.0, 350.0 - spread_v, 350.0)
    volts[:100] = 0.0  # not connected
    volts[100:105] = 500.0  # too short to count
    link = link_of(part(LINK, T, volts), noise_v=noise_v)
    pack = [part("battery_voltage", T, np.full(T.size, 350.0))] if with_pack else []
    assert _least_off(history(pack), link, 350.0) == pytest.approx(least_v)


def test_a_link_is_off_its_pack_by_more_than_its_sensors_differ():
    at, volts = np.array([2.0, 3.0, 4.0, 5.0]), np.array([332.0, 333.0, 367.0, 368.0])
    made = history([part("battery_voltage", T, np.full(T.size, 350.0))])
    assert _off_pack(made, at, volts, -1.0).tolist() == [True, False, False, False]
    assert _off_pack(made, at, volts, 1.0).tolist() == [False, False, False, True]
    assert _off_pack(history(), at, volts, 1.0).all()


@pytest.mark.parametrize(
    ("away_v", "begin_s", "end_s", "seen"),
    [
        (300.0, 3.0, 3.4, True),
        (340.0, 3.0, 3.4, False),
        (300.0, 3.35, 3.6, False),  # later than 0.3 s and two periods after the current's end
        (300.0, 3.2, 3.6, True),
        (300.0, 3.0, 5.5, False),  # not back within two seconds
        (400.0, 3.0, 3.2, True),
        (366.0, 3.0, 3.2, False),
    ],
)
def test_a_link_that_leaves_its_pack_as_the_current_ends_has_dropped_out(away_v, begin_s, end_s, seen):
    at = np.arange(0.0, 200.0, 0.01)  # in which 2.5 s are too short to be the load's doing
    volts = np.where((at > begin_s - 1e-9) & (at < end_s - 1e-9), away_v, 350.0)
    parts = [part("battery_current", at, np.where(at < 2.995, 50.0, 0.0))]
    parts.append(part("battery_voltage", at, np.full(at.size, 350.0)))
    found = after_current(history(parts, link=link_of(part(LINK, at, volts))))
    assert len(found) == seen
    if seen:
        (drop,) = found
        assert (drop.start_s, drop.end_s) == (pytest.approx(begin_s), pytest.approx(end_s))
        assert (drop.low_v, drop.high_v, drop.lifted) == (away_v, away_v, away_v > 350.0)


@pytest.mark.parametrize(
    ("pack_v", "away_v", "then_v", "end_s"),
    [
        (350.0, 300.0, 334.0, 3.1),  # from 345 V: it is back at a quarter of the way, 333.75 V
        (350.0, 300.0, 333.0, 3.2),
        (350.0, 330.0, 350.0, None),  # 5 % below the lowest before, 345 V, are 327.75 V
        (350.0, 327.0, 350.0, 3.1),
        (345.0, 366.0, 350.0, None),  # 5 % above the highest before, 350 V, are 367.5 V
        (345.0, 368.0, 350.0, 3.1),
    ],
)
def test_a_link_is_off_what_it_stood_at_under_load_and_back_near_it(pack_v, away_v, then_v, end_s):
    """It reads 345 and 350 V in turn before the current ends."""
    at = np.arange(0.0, 60.0, 0.01)
    volts = np.where(np.arange(at.size) % 2 == 1, 345.0, 350.0)
    volts[at > 2.995] = 350.0
    for begin_s, value_v in ((3.0, away_v), (3.1, then_v), (3.2, 350.0)):
        volts[at > begin_s - 1e-9] = value_v
    parts = [part("battery_current", at, np.where(at < 2.995, 50.0, 0.0))]
    parts.append(part("battery_voltage", at, np.full(at.size, pack_v)))
    found = after_current(history(parts, link=link_of(part(LINK, at, volts))))
    assert [drop.end_s for drop in found] == ([] if end_s is None else [pytest.approx(end_s)])


@pytest.mark.parametrize(("level_v", "seen"), [(211.0, 1), (209.0, 0)])
def test_a_link_below_three_fifths_of_its_voltage_was_not_connected(level_v, seen):
    at = np.arange(0.0, 9.0, 0.01)
    parts = [part("battery_current", at, np.where(at < 2.995, 50.0, 0.0))]
    link = link_of(part(LINK, at, np.where((at > 2.995) & (at < 3.1), 0.7 * level_v, level_v)))
    assert len(after_current(history(parts, link=link))) == seen


@pytest.mark.parametrize(
    ("moments", "at_s", "closes_s"),
    [
        (((1.0, True), (4.0, False)), 2.0, 2.0),
        (((1.0, False), (4.0, True)), 2.0, 4.0),
        (((1.0, False),), 2.0, np.inf),
        (((3.0, True),), 2.0, 3.0),  # open before its first closing
        (((3.0, False),), 2.0, 2.0),  # closed before its first opening
        (((1.0, True), (2.0, False), (5.0, True), (7.0, True)), 2.0, 5.0),
    ],
)
def test_a_contactor_closes_again_at_its_next_closing(moments, at_s, closes_s):
    assert _closes_s(switchings(MAIN, *moments), at_s) == closes_s


def test_a_path_is_open_from_the_first_opening_to_the_last_closing_of_both():
    off, on = switchings(MAIN, (2.0, False), (3.0, True), within_s=0.125)
    for moments, open_s in (
        (((1.9375, False), (3.25, True)), 3.25 - 1.8125),
        (((2.25, False), (3.25, True)), 3.0 - 1.875),  # it opened after: not turned off with this one
        (((1.75, False), (2.5, True)), 3.0 - 1.875),  # it closed before
    ):
        switched = {MAIN: [off, on], NEGATIVE: switchings(NEGATIVE, *moments, within_s=0.125)}
        assert _path_open_s(history(switched=switched), off, on) == open_s


@pytest.mark.parametrize(
    ("back_s", "relay_s", "seen"),
    [(3.9, None, True), (4.1, None, False), (3.0, 2.5, False), (3.0, 3.1, False), (3.0, 3.2, True), (3.0, 1.9, True)],
)
def test_a_state_drops_out_for_two_seconds_at_most_and_without_a_precharge(back_s, relay_s, seen):
    switched = {MAIN: switchings(MAIN, (0.5, True), (2.0, False), (back_s, True))}
    switched[RELAY] = [] if relay_s is None else switchings(RELAY, (relay_s, True))
    found = _by_state(history([LOADED], switched=switched), MAIN)
    assert [(d.start_s, d.end_s, d.shown_by, d.low_v) for d in found] == ([(2.0, back_s, MAIN, None)] if seen else [])


def test_one_finding_gathers_the_dropouts_of_a_part_with_their_worst():
    switched = {MAIN: switchings(MAIN, (0.5, True), (2.0, False), (2.5, True), (6.0, False), (7.25, True)), RELAY: []}
    amps = part("battery_current", T, np.where(T < 4.0, 50.0, 80.0))
    link = traced((2.0, 2.5, 120.0), (6.0, 7.0, 90.0))
    parts = [amps, part("battery_voltage", T, np.full(T.size, 350.0)), part(MAIN, T, np.ones(T.size))]
    (found,) = dropout(history(parts, link=link, switched=switched))
    assert (found.kind, found.severity.name) == ("contactor.dropout", "DANGER")
    measured = {name: value.value for name, value in found.measured.items()}
    assert measured == {"current_A": 80.0, "count": 2.0, "longest_s": 1.25, "link_low_V": 90.0, "link_high_V": 350.0}
    assert "under load" in found.title
