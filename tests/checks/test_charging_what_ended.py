"""What ended a charge, guard by guard, from readings put together by hand.

A charge from 100 to 200 s at 20 A, read every second. Limits are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_pieces import charge, logged, phase, read, state

from logscope.arrays import FloatArray
from logscope.checks.charging.ending import (
    Ending,
    Outcome,
    _battery_shows_the_end,
    _events,
    _falls,
    _is_full,
    _may_be_full,
    _reached,
    _request,
    _supply,
    find_ending,
    takes_nothing,
)
from logscope.checks.charging.margins import Margin
from logscope.observations.charging.phases import Phase, Step
from logscope.observations.charging.sessions import Session
from logscope.signals import Part
from logscope.vehicle import Charging, Vehicle

Span = tuple[str, float, float]

AT = np.arange(0.0, 300.0, 1.0)
HALVES = AT + 0.5
CURRENT = read("charger_current", AT, np.where((AT >= 100.0) & (AT <= 200.0), 20.0, 0.0))
HELD = phase(Step.CURRENT, 100.0, 150.0)


def session(*phases: Phase, **of: object) -> Session:
    return charge(CURRENT, 100.0, 200.0, *phases, **of)  # type: ignore[arg-type]


def flat(end_a: float, start_a: float = 20.0) -> Phase:
    return phase(Step.VOLTAGE, 150.0, 200.0, start_a, end_a, 400.0)


def stated(end_a: float | None) -> Vehicle:
    return Vehicle(charging=Charging(end_current_A=end_a))


def battery(inward_a: float | FloatArray, at: FloatArray = AT) -> Part:
    return read("battery_current", at, -inward_a * np.ones(at.size))


@pytest.mark.parametrize(
    ("since_s", "until_s", "span"),
    [
        (10.0, 20.0, (14.0, 15.0)),
        (15.0, 20.0, (14.0, 15.0)), (15.1, 20.0, (17.0, 18.0)), (15.1, 17.0, (17.0, 18.0)), (15.1, 16.9, None),
        (18.1, 30.0, None),
    ],
)  # fmt: skip
def test_a_state_goes_off_between_two_readings_of_a_stretch(
    since_s: float, until_s: float, span: tuple[float, float] | None
) -> None:
    """Off at 15 and at 18 s."""
    part = state("charge_plug", AT[:30], ~np.isin(AT[:30], [15.0, 18.0, 19.0]) | (AT[:30] > 25.0))
    assert part.on is not None
    assert _falls(part, part.on, since_s, until_s) == span


def request(value: FloatArray, at: FloatArray = HALVES, log_end_s: float = 300.0) -> list[Span]:
    return _request(read("charger_current_target", at, value), 200.0, 6.0, 202.0, 100.0, log_end_s)


def asks(until_s: float, rest: float = 0.0) -> FloatArray:
    return np.asarray(np.where(until_s > HALVES, 20.0, rest))


def sent(*spans: tuple[float, float], log_end_s: float = 300.0) -> list[Span]:
    """20 A in some stretches, no message else."""
    at = HALVES[np.any([(a <= HALVES) & (b >= HALVES) for a, b in spans], axis=0)]
    return request(np.full(at.size, 20.0), at, log_end_s)


@pytest.mark.parametrize(
    ("found", "events"),
    [
        (request(asks(199.0)), [("request", 198.5, 199.5)]),
        (request(asks(193.5)), [("request", 192.5, 193.5)] * 0),  # longer before than a stop follows
        (request(asks(194.5)), [("request", 193.5, 194.5)]),
        (request(asks(202.5)), [("request", 201.5, 202.5)]),
        (request(asks(203.5)), []),
        (request(asks(199.0, 1.0)), [("request", 198.5, 199.5)]),  # a twentieth
        (request(asks(199.0, 1.01)), []),
        (request(0.0 * HALVES), []),
        (request(asks(250.0)[:0], HALVES[:0]), []),
        (request(np.where((HALVES > 150.0) & (HALVES < 199.0), 20.0, 0.0)), [("request", 198.5, 199.5)]),
        # never sent again: two and a half periods after the last one
        (sent((0.0, 197.5)), []),
        (sent((0.0, 196.5)), [("communication", 196.5, 199.0)]),
        (sent((0.0, 194.5)), [("communication", 194.5, 197.0)]),
        (sent((0.0, 193.5)), []),
        # sent again after the end: three periods make a gap
        (sent((0.0, 196.5), (210.0, 300.0)), [("communication", 196.5, 199.5)]),
        (sent((0.0, 197.5), (210.0, 300.0)), []),
        (sent((0.0, 195.5), (199.5, 300.0)), []),
        (sent((0.0, 196.5), log_end_s=200.0), []),  # as long as the log
    ],
)  # fmt: skip
def test_a_request_is_withdrawn_or_no_longer_sent_about_the_end(found: list[Span], events: list[Span]) -> None:
    assert found == events


def supply(value: FloatArray, of: Session | None = None) -> list[str]:
    return [name for name, _, _ in _supply(read("charger_input_power", HALVES, value), of or session(), 6.0, 202.0)]


def power(until_s: float, usual: float = 8000.0, rest: float = 0.0, own: float = 0.0) -> FloatArray:
    """What it draws by itself, then while it charges up to a moment, then the rest."""
    return np.asarray(np.where(HALVES < 100.0, own, np.where(until_s > HALVES, usual, rest)))


@pytest.mark.parametrize(
    ("found", "names"),
    [
        (supply(power(199.0)), []),  # off at 199.5 s, less than a period before the end
        (supply(power(197.6)), ["supply"]),
        (supply(power(200.0)), []),  # the charge ends, and with it what it draws
        (supply(power(198.0, rest=399.0)), ["supply"]), (supply(power(198.0, rest=401.0)), []),  # a twentieth
        # 40 W by itself, and nothing at all afterwards: even that is gone
        (supply(power(200.0, own=40.0)), ["supply"]),
        (supply(power(200.0, own=40.0, rest=9.9)), ["supply"]), (supply(power(200.0, own=40.0, rest=10.1)), []),
        (supply(power(200.0, own=799.0)), ["supply"]), (supply(power(200.0, own=801.0)), []),  # no more than a tenth
        (supply(power(210.0)), []), (supply(power(193.0)), []),
    ],
)  # fmt: skip
def test_a_supply_is_lost_where_it_goes_before_the_current_or_leaves_nothing(
    found: list[str], names: list[str]
) -> None:
    assert found == names


def test_what_a_charger_draws_by_itself_is_read_where_it_gives_no_current() -> None:
    """Another charge before shows nothing of it; and three readings must follow within ten seconds."""
    current = read("charger_current", AT, np.where((AT < 99.0) | ((AT >= 100.0) & (AT <= 200.0)), 20.0, 0.0))
    before = replace(charge(current, 100.0, 200.0))
    assert supply(power(200.0, own=40.0), before) == ["supply"]  # 99.5 s
    busy = replace(before, current=replace(before.current, part=replace(current, value=current.value + 20.0)))
    assert supply(power(200.0, own=40.0), busy) == []
    single = read("charger_input_power", HALVES, power(198.0)).where(HALVES > 197.0)
    assert list(_supply(single, session(), 6.0, 202.0)) == []  # one reading does not show what is usual
    for rows, names in ((3, ["supply"]), (2, [])):
        part = read("charger_input_power", HALVES, power(200.0, own=40.0))
        part = part.where((200.0 + rows > HALVES) | (HALVES > 211.0))
        assert [name for name, _, _ in _supply(part, session(), 6.0, 202.0)] == names


def near(part: str, limit: float, unit: str = "V", *, upper: bool = True) -> Margin:
    return Margin("", part, part, limit, unit, upper, 0.0, 0.0, 1.0, (), ())


def standing(part: str, value: float | FloatArray, at: FloatArray = AT) -> Part:
    return read(part, at, value * np.ones(at.size))


@pytest.mark.parametrize(
    ("part", "margin", "reached"),
    [
        (standing("cell_voltage_highest", 4.1951), near("cell_voltage_highest", 4.2), True),
        (standing("cell_voltage_highest", 4.1949), near("cell_voltage_highest", 4.2), False),
        (standing("battery_voltage", 399.21), near("battery_voltage", 400.0), True),
        (standing("battery_voltage", 399.19), near("battery_voltage", 400.0), False),
        (standing("battery_temperature_highest", 54.51), near("battery_temperature_highest", 55.0, "°C"), True),
        (standing("battery_temperature_highest", 54.49), near("battery_temperature_highest", 55.0, "°C"), False),
        (standing("battery_temperature_lowest", 9.0), near("battery_temperature_lowest", 0.0, "°C", upper=False),
         False),
        (standing("charger_voltage", 401.0), near("charger_voltage", 400.0), False),
        (standing("charger_current", 33.0), near("charger_current", 32.0, "A"), False),
        (standing("battery_voltage", 401.0), near("cell_voltage_highest", 4.2), False),
        # over the last three seconds, or two of its readings; of them the median of the last three
        (standing("battery_voltage", np.where(AT >= 199.0, 401.0, 390.0)), near("battery_voltage", 400.0), True),
        (standing("battery_voltage", np.where(AT >= 200.0, 401.0, 390.0)), near("battery_voltage", 400.0), False),
        (standing("battery_voltage", 401.0, AT[AT < 197.5]), near("battery_voltage", 400.0), True),
        (standing("battery_voltage", 401.0, AT[AT < 196.5]), near("battery_voltage", 400.0), False),
        (standing("battery_voltage", 401.0, AT[AT < 192.0][::4]), near("battery_voltage", 400.0), False),
        (standing("battery_voltage", 401.0, AT[AT < 193.0][::4]), near("battery_voltage", 400.0), True),
    ],
)  # fmt: skip
def test_a_limit_is_reached_where_the_last_readings_stand_at_it(part: Part, margin: Margin, reached: bool) -> None:
    other = near("battery_voltage", 800.0)
    assert _reached(session(), logged(part), [other, margin]) == (margin if reached else None)


@pytest.mark.parametrize(
    ("inward_a", "takes"),
    [(9.0, False), (0.51, False), (0.49, True), (-3.0, True), (None, False)],
)
def test_a_battery_takes_nothing_below_what_counts_as_charging(inward_a: float | None, takes: bool) -> None:
    """A tenth of 20 A is more than what counts; of 4 A it is 0.4 A."""
    parts = [] if inward_a is None else [battery(inward_a)]
    assert takes_nothing(session(), logged(*parts)) is takes
    assert not takes_nothing(session(of_charger=False), logged(*parts))


@pytest.mark.parametrize(("inward_a", "takes"), [(0.41, False), (0.39, True)])
def test_nor_below_a_tenth_of_a_small_current(inward_a: float, takes: bool) -> None:
    small = charge(replace(CURRENT, value=CURRENT.value / 5), 100.0, 200.0)
    assert takes_nothing(small, logged(battery(inward_a))) is takes
    for rows, known in ((5, True), (4, False)):
        few = battery(0.0, np.linspace(100.0, 200.0, rows))
        assert takes_nothing(small, logged(few)) is known


@pytest.mark.parametrize(
    ("end_a", "at_end_a", "inward_a", "full"),
    [
        # of 5 A stated: 1.05 × 5 and half an ampere that its meter may read at rest
        (5.74, 5.0, None, True), (5.76, 5.0, None, False),
        (9.0, 5.0, 5.74, True), (9.0, 5.0, 5.76, False),  # by the battery's own current
        (9.0, 5.0, -3.0, False), (5.7, 5.0, 9.0, True),
        # nothing stated: half of what was held
        (9.9, None, None, True), (10.1, None, None, False),
    ],
)  # fmt: skip
def test_a_battery_is_full_where_the_current_has_tapered_to_its_end(
    end_a: float, at_end_a: float | None, inward_a: float | None, full: bool
) -> None:
    parts = [] if inward_a is None else [battery(inward_a)]
    tapers = session(phase(Step.RISE, 99.0, 100.0, 60.0), HELD, flat(end_a))
    assert _is_full(tapers, logged(*parts), stated(at_end_a)) is full
    assert not _is_full(session(HELD), logged(*parts), stated(at_end_a))


def test_the_batterys_own_current_is_read_over_its_last_four_periods() -> None:
    """The median of the five readings from 196 to 200 s."""
    own = battery(np.where(AT >= 198.0, 5.0, 9.0))
    assert _is_full(session(HELD, flat(9.0)), logged(own), stated(5.0))
    own = battery(np.where(AT >= 199.0, 5.0, 9.0))
    assert not _is_full(session(HELD, flat(9.0)), logged(own), stated(5.0))


@pytest.mark.parametrize(
    ("phases", "last_a", "of_charger", "own", "may"),
    [
        ((HELD, flat(9.0)), 20.0, True, False, True),
        ((HELD,), 8.7, True, False, True), ((HELD,), 8.8, True, False, False),  # 1.05·5 + 0.5 + 3 A
        ((HELD, flat(9.0)), 20.0, False, False, False), ((HELD, flat(9.0)), 20.0, True, True, False),
    ],
)  # fmt: skip
def test_a_monitor_may_have_found_it_full_where_the_batterys_current_is_not_logged(
    phases: tuple[Phase, ...], last_a: float, of_charger: bool, own: bool, may: bool
) -> None:
    ended = replace(CURRENT, value=np.where(AT == 200.0, last_a, CURRENT.value))
    made = charge(ended, 100.0, 200.0, *phases, of_charger=of_charger)
    assert _may_be_full(made, logged(*[battery(9.0)] * own), stated(5.0)) is may
    assert _may_be_full(made, logged(*[battery(9.0)] * own), stated(None)) is (may and len(phases) > 1)


@pytest.mark.parametrize(
    ("low_a", "at_s", "shows"),
    [
        (0.49, 203.0, True), (0.51, 203.0, False), (-5.0, 203.0, True),
        # three periods until the message is missed, and three seconds
        (0.0, 206.0, True), (0.0, 207.0, False), (0.0, 200.0, True), (0.0, 199.0, False),
    ],
)  # fmt: skip
def test_the_batterys_current_shows_the_end_that_the_chargers_message_does_not(
    low_a: float, at_s: float, shows: bool
) -> None:
    own = battery(np.where(at_s == AT, low_a, 20.0))
    assert _battery_shows_the_end(session(), logged(own)) is shows
    assert not _battery_shows_the_end(session(of_charger=False), logged(own))
    assert not _battery_shows_the_end(session(), logged())
    assert not _battery_shows_the_end(session(), logged(own.where(AT <= 200.5)))


OPENS = state("charge_plug", HALVES, HALVES < 199.0)
FAULT = read("charger_fault", HALVES, HALVES, healthy=HALVES < 198.0)


@pytest.mark.parametrize(
    ("parts", "events"),
    [
        ([OPENS], [("plug", 198.5, 199.5)]),
        ([replace(OPENS, name="charge_lock")], [("plug", 198.5, 199.5)]),
        ([OPENS, state("charge_lock", HALVES, HALVES < 198.0)], [("plug", 198.5, 199.5)]),
        ([state("charge_plug", HALVES, HALVES < 203.5)], []),
        ([state("charge_plug", HALVES, HALVES < 202.0)], [("plug", 201.5, 202.5)]),  # two periods after the end
        ([FAULT], [("fault", 197.5, 198.5)]),
        ([FAULT, read("fault", HALVES, HALVES, healthy=HALVES < 197.0)], [("fault", 197.5, 198.5)]),
        ([read("charger_fault", HALVES, HALVES), read("fault", HALVES, HALVES, healthy=HALVES < 197.0)],
         [("fault", 196.5, 197.5)]),
        ([read("charger_current_target", HALVES, asks(199.0)), read("charger_input_power", HALVES, power(197.6))],
         [("request", 198.5, 199.5), ("supply", 197.5, 198.5)]),
    ],
)  # fmt: skip
def test_what_happened_about_the_end_is_gathered_with_its_moments(parts: list[Part], events: list[Span]) -> None:
    assert _events(session(), logged(*parts)) == events


FULL, OPEN = session(HELD, flat(4.0)), session(HELD, flat(9.0))
ASKED = read("charger_current_target", HALVES, asks(199.0))


@pytest.mark.parametrize(
    ("made", "parts", "old_s", "outcome", "cause", "end_a", "why"),
    [
        (session(), [], None, Outcome.OPEN, None, None, "readings that show current: only 101"),
        (FULL, [battery(0.0)], None, Outcome.OPEN, None, 4.0, "the charger reports current, and none flows"),
        (FULL, [], 123.4, Outcome.OPEN, None, 4.0, "the charger's current repeats one reading from 123 s on"),
        (FULL, [], None, Outcome.COMPLETE, None, 4.0, ""),
        (replace(FULL, ends_cut=True), [], None, Outcome.COMPLETE, None, 4.0, ""),
        (replace(session(HELD, flat(5.2)), ends_cut=True), [], None, Outcome.COMPLETE, None, 5.2, ""),
        (replace(session(HELD, flat(5.3)), ends_cut=True), [], None, Outcome.OPEN, None, 5.3, "the log ends while it"),
        (replace(OPEN, ends_cut=True), [], None, Outcome.OPEN, None, 9.0, "the log ends while it charges"),
        (replace(FULL, vanished=True), [], None, Outcome.OPEN, None, 4.0, "the message with its current ends"),
        (replace(FULL, vanished=True), [battery(np.where(AT <= 200.0, 4.0, 0.0))], None,
         Outcome.COMPLETE, None, 4.0, ""),
        (OPEN, [ASKED], None, Outcome.OPEN, None, 9.0, "the request was withdrawn above the end current stated"),
        (OPEN, [ASKED, battery(9.0)], None, Outcome.STOPPED, "request", 9.0, ""),
        (OPEN, [], None, Outcome.OPEN, None, 9.0, "neither request, input power nor a fault"),
        (OPEN, [FAULT], None, Outcome.STOPPED, "fault", 9.0, ""),
        (OPEN, [read("fault", HALVES, HALVES)], None, Outcome.STOPPED, "undetermined", 9.0, ""),
        (OPEN, [FAULT, OPENS], None, Outcome.STOPPED, "fault", 9.0, ""),
    ],
)  # fmt: skip
def test_how_a_charge_ended_is_judged_in_this_order(
    made: Session, parts: list[Part], old_s: float | None, outcome: Outcome, cause: str | None, end_a: float | None,
    why: str,
) -> None:  # fmt: skip
    found = find_ending(made, logged(*parts), stated(5.0), [], old_s)
    assert (found.outcome, found.cause, found.end_a, found.limit) == (outcome, cause, end_a, None)
    assert found.why_open.startswith(why)
    assert bool(found.why_open) is bool(why)


@pytest.mark.parametrize(("newest_a", "complete"), [(5.2, True), (5.3, False)])
def test_a_log_that_ends_while_it_charges_shows_a_full_battery_by_its_newest_reading(
    newest_a: float, complete: bool
) -> None:
    """1.05 × 5 A; the reading before it plays no part."""
    value = np.select([AT == 199.0, AT == 200.0], [5.0, newest_a], CURRENT.value)
    made = charge(replace(CURRENT, value=value), 100.0, 200.0, HELD, flat(5.6), ends_cut=True)
    assert find_ending(made, logged(), stated(5.0), []).outcome is (Outcome.COMPLETE if complete else Outcome.OPEN)


def test_a_limit_that_was_reached_goes_with_the_stop_and_events_stand_in_order_of_time() -> None:
    margin = near("battery_voltage", 400.0)
    parts = [ASKED, FAULT, standing("battery_voltage", 400.0)]
    assert find_ending(OPEN, logged(*parts), stated(5.0), [margin]) == Ending(
        Outcome.STOPPED, "limit", (("fault", 197.5, 198.5), ("request", 198.5, 199.5)), margin, 9.0
    )
