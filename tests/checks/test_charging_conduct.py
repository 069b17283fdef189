"""What must not go on beside a charge, one guard a row: when each thing was logged is made by hand.

Limits are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import charge, logged, read, state

from logscope.arrays import FloatArray
from logscope.checks.charging.conduct import Event, _repeats, not_stopping, opened_under_current, while_enabled
from logscope.observations.charging.sessions import Session
from logscope.signals import Part

HALVES = np.arange(0.5, 120.0, 1.0)
WHOLE = np.arange(0.0, 120.0, 1.0)


def flows(until_s: float, rest_a: float = 20.0, *, held_a: float = 20.0, from_s: float = 30.0) -> Part:
    """Current from 10.5 s on, another one from some moment on, and none after the end."""
    amps = np.where(from_s > HALVES, held_a, rest_a)
    return read("charger_current", HALVES, np.where((HALVES > 10.0) & (until_s >= HALVES), amps, 0.0))


def request(until_s: float = 30.0, rest: float = 0.0, level: float = 20.0, at: FloatArray = WHOLE) -> Part:
    return read("charger_current_target", at, np.where(at < until_s, level, rest))


def still(current: Part, target: Part | None, end_s: float, *more: Part, **of: float | bool) -> Event | None:
    session = charge(current, 10.5, end_s, **of)  # type: ignore[arg-type]
    return not_stopping(session, logged(current, *([] if target is None else [target]), *more))


@pytest.mark.parametrize(
    ("target", "end_s", "found"),
    [
        # counted from 5 s after 30 s: 35.5, 36.5 and 37.5 s
        (request(), 37.5, Event(30.0, 37.5, 20.0, constant=True)),
        (request(), 36.5, None),
        (None, 50.5, None),
        (request(rest=1.0), 50.5, Event(30.0, 50.5, 20.0, constant=True)),  # a twentieth is withdrawn
        (request(rest=1.01), 50.5, None),
        (request(level=0.0), 50.5, None),  # zero all along
        (request(until_s=51.0), 50.5, None),  # withdrawn after the end
        (request(until_s=10.0), 50.5, None),  # and before the beginning
        (request(at=WHOLE[::2]), 38.5, Event(30.0, 38.5, 20.0, constant=True)),  # three periods of 2 s: from 36 s on
        (request(at=WHOLE[::2]), 37.5, None),
        (request(at=WHOLE[WHOLE <= 35.0]), 50.5, Event(30.0, 37.5, 20.0, constant=True)),  # a request is old after 3 s
        (request(at=WHOLE[WHOLE <= 34.0]), 50.5, None),
        (request(at=WHOLE[WHOLE <= 34.0][::2]), 50.5, Event(30.0, 39.5, 20.0, constant=True)),  # or three periods
        (request(until_s=12.0), 50.5, Event(12.0, 50.5, 20.0, constant=True)),  # just after the beginning
    ],
)  # fmt: skip
def test_a_charger_does_not_stop_where_its_request_was_withdrawn_and_three_readings_later_show_current(
    target: Part | None, end_s: float, found: Event | None
) -> None:
    assert still(flows(end_s), target, end_s) == found


def test_a_reading_may_be_an_old_one_where_it_is_that_of_just_before() -> None:
    """The last one before 30 s: 20 A, as afterwards, or another."""
    for before_a, constant in ((20.0, True), (21.0, False)):
        amps = flows(50.5)
        amps = replace(amps, value=np.where((amps.time_s > 20.0) & (amps.time_s < 29.0), 19.0, amps.value))
        amps = replace(amps, value=np.where(amps.time_s == 29.5, before_a, amps.value))
        assert still(amps, request(), 50.5) == Event(30.0, 50.5, 20.0, constant=constant)


def test_a_request_that_is_not_sent_while_it_charges_withdraws_nothing() -> None:
    assert still(flows(50.5), request(at=WHOLE[WHOLE < 5.0]), 50.5) is None


def test_only_the_last_withdrawal_counts() -> None:
    asked = np.where((WHOLE < 20.0) | ((WHOLE >= 25.0) & (WHOLE < 40.0)), 20.0, 0.0)
    found = still(flows(60.5), read("charger_current_target", WHOLE, asked), 60.5)
    assert found == Event(40.0, 60.5, 20.0, constant=True)


def test_a_withdrawal_after_the_charge_does_not_hide_the_one_within_it() -> None:
    asked = np.where((WHOLE < 30.0) | ((WHOLE >= 49.0) & (WHOLE < 51.0)), 20.0, 0.0)
    found = still(flows(50.5), read("charger_current_target", WHOLE, asked), 50.5)
    assert found == Event(30.0, 48.5, 20.0, constant=True)


def test_a_current_of_the_battery_alone_shows_no_charger_that_goes_on() -> None:
    assert still(flows(50.5), request(), 50.5, of_charger=False) is None


@pytest.mark.parametrize(
    ("held_a", "rest_a", "on_a", "pushes"),
    [
        (10.0, 1.01, 0.5, True), (10.0, 0.99, 0.5, False),  # an ampere may be an offset
        (40.0, 2.01, 0.5, True), (40.0, 1.99, 0.5, False),  # and so may a twentieth of the current before
        (10.0, 3.01, 3.0, True), (10.0, 2.99, 3.0, False),
    ],
)  # fmt: skip
def test_what_may_be_an_offset_is_no_current_that_goes_on(
    held_a: float, rest_a: float, on_a: float, pushes: bool
) -> None:
    found = still(flows(50.5, rest_a, held_a=held_a), request(level=held_a), 50.5, on_a=on_a)
    assert found == (Event(30.0, 50.5, rest_a) if pushes else None)


@pytest.mark.parametrize(
    ("inward_a", "held_a", "into"),
    [
        (1.01, 10.0, True), (0.99, 10.0, False), (-5.0, 10.0, False), (2.01, 40.0, True), (1.99, 40.0, False),
        (None, 10.0, None),
    ],
)  # fmt: skip
def test_the_batterys_own_current_says_whether_it_is_charged(
    inward_a: float | None, held_a: float, into: bool | None
) -> None:
    amps = np.full(WHOLE.size, np.nan if inward_a is None else -inward_a)
    battery = read("battery_current", WHOLE, amps + 1e-4 * np.sin(WHOLE))
    if inward_a is None:  # logged up to the withdrawal alone
        battery = read("battery_current", WHOLE[:30], -np.full(30, 9.0))
    found = still(flows(50.5, held_a=held_a, rest_a=held_a / 2), request(level=held_a), 50.5, battery)
    assert found == Event(30.0, 50.5, held_a / 2, into)


def test_a_battery_current_that_repeats_one_reading_says_nothing() -> None:
    at = np.arange(0.0, 120.0, 0.5)
    repeated = read("battery_current", at, np.where(at < 33.0, -20.0 + 0.1 * (np.arange(at.size) % 2), -20.0))
    found = still(flows(50.5, 12.0), request(), 50.5, repeated)
    assert found == Event(30.0, 50.5, 12.0, None)


def walk(size: int) -> FloatArray:
    """0 0 1 1 0 0 …: of 50 readings 24 of 49 differ from the one before."""
    return np.asarray((np.arange(size) // 2) % 2, dtype=np.float64)


@pytest.mark.parametrize(
    ("before", "inside", "repeats"),
    [
        # (25/49)²⁰ = 1.4e-6 and (25/49)²¹ = 7.3e-7, against one in a million
        (walk(50), np.full(21, 7.0), False), (walk(50), np.full(22, 7.0), True),
        (walk(58), np.full(22, 7.0), True),  # what was longer ago plays no part
        (np.append(np.zeros(200), walk(50)), np.full(22, 7.0), True),
        (walk(49), np.full(60, 7.0), False),  # too few readings to know how often it changes
        (np.append(walk(50), np.full(30, 7.0)), np.full(22, 7.0), True),  # it stood before the stretch already
        (walk(50), np.append(np.full(40, 7.0), 7.1), False),
        (np.arange(50.0), np.full(1, 7.0), False), (np.arange(50.0) + 9, np.full(2, 7.0), True),
        (np.zeros(0), np.full(60, 7.0), False),
    ],
)  # fmt: skip
def test_a_value_is_repeated_where_it_stands_longer_than_it_ever_would(
    before: FloatArray, inside: FloatArray, repeats: bool
) -> None:
    value = np.concatenate([before, inside, [3.0]])
    at = np.arange(value.size) * 0.1
    part = Part("battery_current", at, value, "A", "Made.A")
    assert _repeats(part, float(at[before.size]), float(at[-2])) is repeats


def beside(part: Part, end_s: float = 60.5, on_a: float = 0.5, *more: Part) -> Event | None:
    current = flows(60.5, 10.0)
    session: Session = charge(current, 10.5, end_s, on_a=on_a)
    return while_enabled(session, logged(current, part, *more))


def between(*spans: tuple[float, float], at: FloatArray = WHOLE) -> FloatArray:
    return np.asarray(np.any([(at >= a) & (at <= b) for a, b in spans], axis=0))


@pytest.mark.parametrize(
    ("part", "found"),
    [
        # held from 20 to below 23 s: read at 20.5, 21.5 and 22.5 s
        (state("inverter_state", WHOLE, between((20, 22))),
         Event(20.5, 22.5, 20.0, what="the inverter reports that it is enabled")),
        (state("inverter_state", WHOLE, between((20, 21))), None),
        (state("inverter_state", WHOLE, between((2, 9), (70, 90))), None),  # not while current flows
        # of several, the longest with its own current: the pause between them is none
        (state("inverter_state", WHOLE, between((24, 26), (50, 52))),
         Event(24.5, 26.5, 20.0, what="the inverter reports that it is enabled")),
        (state("inverter_state", WHOLE, between((24, 26), (44, 47), (50, 52))),
         Event(44.5, 47.5, 10.0, what="the inverter reports that it is enabled")),
        (state("inverter_state", WHOLE, between((0, 200))),
         Event(10.5, 60.5, 10.0, what="the inverter reports that it is enabled", constant=True)),
        (read("motor_speed", WHOLE, np.where(between((40, 45)), -60.1, 0.0)),
         Event(40.5, 45.5, 10.0, what="the motor turns")),
        (read("motor_speed", WHOLE, np.where(between((40, 45)), 59.9, 0.0)), None),
        (read("vehicle_speed", WHOLE, np.where(between((40, 45)), 2.01, 0.0)),
         Event(40.5, 45.5, 10.0, what="the vehicle moves")),
        (read("vehicle_speed", WHOLE, np.where(between((40, 45)), -1.99, 0.0)), None),
        # the motor that turns all along is no other signal: it is a motor that turns
        (read("motor_speed", WHOLE, np.full(WHOLE.size, 900.0)), Event(10.5, 60.5, 10.0, what="the motor turns")),
        (read("inverter_state", WHOLE, np.ones(WHOLE.size)), None),  # which of its values mean on is not stated
        # the last message holds for three periods: up to 23 s
        (state("inverter_state", WHOLE[:21], between((20, 20), at=WHOLE[:21])),
         Event(20.5, 22.5, 20.0, what="the inverter reports that it is enabled")),
        (state("inverter_state", WHOLE[20:21], np.ones(1, dtype=np.bool_)), None),
    ],
)  # fmt: skip
def test_charging_beside_an_enabled_drive_lasts_two_seconds_and_three_readings(part: Part, found: Event | None) -> None:
    assert beside(part) == found


def test_current_below_what_counts_as_flowing_is_no_charging_beside_a_drive() -> None:
    part = state("inverter_state", WHOLE, between((40, 45)))
    assert beside(part, on_a=9.9) is not None
    assert beside(part, on_a=10.1) is None


@pytest.mark.parametrize(
    ("period_s", "rows", "found"), [(0.5, 5, True), (0.5, 4, False), (1.5, 3, True), (2.0, 2, False)]
)
def test_an_overlap_takes_both_its_time_and_its_readings(period_s: float, rows: int, found: bool) -> None:
    at = np.arange(0.0, 60.0, period_s)
    current = read("charger_current", at, np.full(at.size, 8.0))
    enabled = state("inverter_state", at, (np.arange(at.size) >= 10) & (np.arange(at.size) < 10 + rows))
    event = while_enabled(charge(current, 0.0, 60.0), logged(current, enabled))
    assert (event is not None) is found


def test_a_reading_that_is_missing_breaks_an_overlap() -> None:
    """A second to either side of it: neither lasts two."""
    for left_out, found in ((20.0, False), (30.0, True)):
        at = WHOLE[left_out != WHOLE]
        current = read("charger_current", at, np.full(at.size, 8.0))
        enabled = state("inverter_state", WHOLE, between((18, 22)))
        event = while_enabled(charge(current, 0.0, 60.0), logged(current, enabled))
        assert (event is not None) is found


def test_where_the_inverter_says_nothing_the_motor_may() -> None:
    silent = read("inverter_state", WHOLE, np.ones(WHOLE.size))
    turns = read("motor_speed", WHOLE, np.where(between((40, 45)), 100.0, 0.0))
    found = beside(silent, 60.5, 0.5, turns)
    assert found == Event(40.5, 45.5, 10.0, what="the motor turns")


def opens(*off_s: float, name: str = "charge_plug") -> Part:
    """Open for two seconds from each of these moments on."""
    return state(name, WHOLE, ~np.any([(s <= WHOLE) & (s + 2.0 > WHOLE) for s in off_s], axis=0))


@pytest.mark.parametrize(
    ("states", "held_a", "rest_a", "found"),
    [
        ([opens(40.0)], 20.0, 20.0, Event(39.0, 50.5, 20.0, what="plug")),
        ([opens(40.0, 45.0)], 20.0, 20.0, Event(39.0, 50.5, 20.0, what="plug")),
        ([opens(40.0, name="charge_lock")], 20.0, 20.0, Event(39.0, 50.5, 20.0, what="lock")),
        ([opens(40.0, name="charge_lock"), opens(45.0)], 20.0, 20.0, Event(44.0, 50.5, 20.0, what="plug")),
        ([read("charge_plug", WHOLE, WHOLE), opens(40.0, name="charge_lock")], 20.0, 20.0,
         Event(39.0, 50.5, 20.0, what="lock")),
        ([opens(51.0)], 20.0, 20.0, None),
        ([opens(10.0)], 20.0, 20.0, None),
        ([], 20.0, 20.0, None),
        # two amperes, or a tenth of the median over the charge
        ([opens(40.0)], 10.0, 2.01, Event(39.0, 50.5, 2.01, what="plug")),
        ([opens(40.0)], 10.0, 1.99, None),
        ([opens(40.0)], 50.0, 5.01, Event(39.0, 50.5, 5.01, what="plug")),
        ([opens(40.0)], 50.0, 4.99, None),
    ],
)  # fmt: skip
def test_a_plug_or_lock_opens_under_current_where_more_than_a_rest_still_flows(
    states: list[Part], held_a: float, rest_a: float, found: Event | None
) -> None:
    current = flows(50.5, rest_a, held_a=held_a, from_s=40.0)
    assert opened_under_current(charge(current, 10.5, 50.5), logged(current, *states)) == found


@pytest.mark.parametrize(("opens_s", "found"), [(10.5, False), (11.5, True), (50.5, True), (51.5, False)])
def test_a_plug_opens_under_current_from_after_its_first_reading_to_its_last(opens_s: float, found: bool) -> None:
    current = flows(60.5)
    plug = state("charge_plug", HALVES, opens_s > HALVES)
    assert (opened_under_current(charge(current, 10.5, 50.5), logged(current, plug)) is not None) is found
