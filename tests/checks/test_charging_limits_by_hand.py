"""Margins, what comes before a charge, and readings that stand still, from levels put in by hand.

Limits are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest
from charge_pieces import charge, logged, read, state
from scipy import stats

from logscope.arrays import FloatArray
from logscope.checks.charging.before import Before, find_before
from logscope.checks.charging.margins import Margin, _given_power, _lasting, find_margins
from logscope.checks.charging.stale import _moves, _stands_since, stale_since
from logscope.findings import Measured
from logscope.observations.charging.sessions import Session
from logscope.signals import Part
from logscope.vehicle import Charging, Limits, Vehicle

AT = np.arange(0.0, 300.0, 1.0)
FLOWS = (AT >= 100.0) & (AT <= 200.0)
CURRENT = read("charger_current", AT, np.where(FLOWS, 20.0, 0.0))


def session(part: Part = CURRENT, **of: object) -> Session:
    return charge(part, 100.0, 200.0, **of)  # type: ignore[arg-type]


def part(name: str, value: float | FloatArray, step: float | None = None) -> Part:
    return read(name, AT, value * np.ones(AT.size), step=step)


def during(value: float, from_s: float, until_s: float, rest: float) -> FloatArray:
    return np.asarray(np.where((from_s <= AT) & (until_s >= AT), value, rest))


def margin(own: Part, key: str, limit: float, made: Session | None = None) -> Margin | None:
    stated = {key: limit}
    vehicle = Vehicle(charging=Charging(**stated)) if key.startswith("charger") else Vehicle(limits=Limits(**stated))
    found = find_margins(made or session(), logged(own), vehicle)
    return found[0] if found else None


@pytest.mark.parametrize(
    ("key", "limit", "name", "own", "unit", "doubt"),
    [
        # half a percent of a voltage, 10 mV of a cell's, two percent of a current or half an ampere, 2 K
        ("battery_max_V", 400.0, "pack_voltage_margin_V", part("battery_voltage", 390.0), "V", 2.0),
        ("cell_max_V", 4.2, "cell_voltage_margin_V", part("cell_voltage_highest", 4.1), "V", 0.010),
        ("charge_current_A", 32.0, "charge_current_margin_A", part("charger_current", 20.0), "A", 0.64),
        ("charge_current_A", 22.0, "charge_current_margin_A", part("charger_current", 20.0), "A", 0.5),
        ("charger_max_current_A", 32.0, "charger_current_margin_A", part("charger_current", 20.0), "A", 0.64),
        ("charger_max_V", 420.0, "charger_voltage_margin_V", part("charger_voltage", 390.0), "V", 2.1),
        ("battery_temperature_max_C", 55.0, "battery_temperature_margin_K",
         part("battery_temperature_highest", 40.0), "°C", 2.0),
        ("battery_temperature_min_C", 0.0, "battery_cold_margin_K", part("battery_temperature_lowest", 5.0), "°C", 2.0),
    ],
)  # fmt: skip
def test_each_margin_has_its_name_its_unit_and_its_meters_doubt(
    key: str, limit: float, name: str, own: Part, unit: str, doubt: float
) -> None:
    found = margin(own, key, limit)
    upper = not key.endswith("min_C")
    level = float(own.value[0])
    assert found == Margin(
        name, own.name, key, limit, unit, upper, pytest.approx(limit - level if upper else level - limit), 100.0,
        pytest.approx(doubt), (), (),
    )  # fmt: skip
    assert found is not None
    assert found.of_charger is key.startswith("charger_")


def test_a_reading_may_be_off_by_half_a_step() -> None:
    """And by the scatter of rounding, at most 1/√12 of a step: scipy.stats.norm and √3, as below."""
    found = margin(part("battery_voltage", 390.0, step=1.0), "battery_max_V", 400.0)
    assert found is not None
    assert 2.5 <= found.doubt <= 2.5 + stats.norm.isf(0.025 / 101) / 12**0.5 / 3**0.5


def test_a_power_is_judged_by_two_and_a_half_percent() -> None:
    """20 A at 400 V, 8 kW of 10."""
    found = margin(CURRENT, "charger_max_power_W", 10_000.0, session(voltage=part("charger_voltage", 400.0)))
    assert found is not None
    assert (found.name, found.unit, found.left) == ("charger_power_margin_W", "W", 2000.0)
    assert found.doubt == pytest.approx(250.0)
    assert margin(CURRENT, "charger_max_power_W", 10_000.0) is None


def test_a_given_power_is_current_times_voltage_where_both_are_known() -> None:
    volts = part("charger_voltage", 400.0).where((AT >= 150.0) & (AT <= 250.0))
    own = read("charger_current", AT, CURRENT.value, step=0.1)
    found = _given_power(session(own, voltage=volts))
    assert found is not None
    assert (found.time_s[0], found.time_s[-1], found.step) == (150.0, 250.0, pytest.approx(40.0))
    assert found.value[:51].tolist() == [8000.0] * 51
    assert _given_power(session(own, voltage=volts, of_charger=False)) is None
    for rows, known in ((2, False), (3, True)):
        assert (_given_power(session(own, voltage=volts.where(np.arange(101) < rows))) is not None) is known


@pytest.mark.parametrize(
    ("value", "left", "time_s", "beyond", "over"),
    [
        (during(405.0, 150.0, 152.0, 390.0), -5.0, 150.0, ((150.0, 152.0),), ((150.0, 152.0),)),
        (during(405.0, 150.0, 151.0, 390.0), -5.0, 150.0, (), ((150.0, 151.0),)),  # two readings do not last
        (during(405.0, 150.0, 150.0, 390.0), 10.0, 100.0, (), ((150.0, 150.0),)),  # nor is a lone one
        (during(402.01, 150.0, 160.0, 390.0), -2.01, 150.0, ((150.0, 160.0),), ((150.0, 160.0),)),
        (during(401.99, 150.0, 160.0, 390.0), -1.99, 150.0, (), ((150.0, 160.0),)),  # within half a percent
        (during(405.0, 0.0, 99.0, 390.0), 10.0, 100.0, (), ()),
        # visits five seconds apart are one
        (np.maximum(during(405.0, 120.0, 122.0, 390.0), during(405.0, 127.0, 129.0, 390.0)), -5.0, 120.0,
         ((120.0, 129.0),), ((120.0, 129.0),)),
        (np.maximum(during(405.0, 120.0, 122.0, 390.0), during(405.0, 128.0, 130.0, 390.0)), -5.0, 120.0,
         ((120.0, 122.0), (128.0, 130.0)), ((120.0, 130.0),)),
        # a controller that sleeps reads less than half of the limit
        (during(199.0, 100.0, 150.0, 390.0), 10.0, 151.0, (), ()),
        (during(201.0, 151.0, 200.0, 390.0), 10.0, 100.0, (), ()),
    ],
)  # fmt: skip
def test_a_limit_is_passed_where_three_readings_are_beyond_it_and_the_doubt(
    value: FloatArray, left: float, time_s: float, beyond: tuple[object, ...], over: tuple[object, ...]
) -> None:
    found = margin(part("battery_voltage", value), "battery_max_V", 400.0)
    assert found is not None
    assert found.left == pytest.approx(left)
    assert (found.time_s, found.beyond, found.over) == (time_s, beyond, over)
    assert found.passed is bool(beyond)


def test_a_sleeping_controller_shows_no_margin() -> None:
    assert margin(part("battery_voltage", 199.0), "battery_max_V", 400.0) is None
    assert margin(part("battery_voltage", during(390.0, 150.0, 152.0, 199.0)), "battery_max_V", 400.0) is not None
    assert margin(part("battery_voltage", during(390.0, 150.0, 151.0, 199.0)), "battery_max_V", 400.0) is None
    assert margin(part("charger_current", during(9.0, 150.0, 151.0, 0.0)), "charge_current_A", 32.0) is None
    cold = margin(part("battery_temperature_lowest", -6.0), "battery_temperature_min_C", 0.0)
    assert cold is not None
    assert cold.passed


def test_the_worst_of_many_noisy_readings_is_farther_out() -> None:
    """scipy.stats.norm: of 101 readings none is beyond by chance, in 97.5 % of all cases; a median of three over √3."""
    noise = np.random.default_rng(5).normal(0.0, 1.0, AT.size)
    found = margin(part("battery_voltage", 390.0 + noise, 0.2), "battery_max_V", 400.0)
    assert found is not None
    assert found.doubt - 2.0 - 0.1 == pytest.approx(stats.norm.isf(0.025 / 101) / 3**0.5, rel=0.2)


@pytest.mark.parametrize(
    ("period_s", "rows", "lasts"),
    [
        (0.1, 3, True), (0.1, 2, False), (1.0, 3, True), (1.0, 2, False), (1.5, 2, True), (1.5, 1, False),
        (10.0, 2, True), (10.0, 1, False),
    ],
)  # fmt: skip
def test_of_a_slow_message_two_readings_last(period_s: float, rows: int, lasts: bool) -> None:
    at = period_s * np.arange(30)
    own = read("battery_voltage", at, at)
    beyond = (np.arange(30) >= 10) & (np.arange(30) < 10 + rows)
    assert _lasting(own, at, beyond) == (((at[10], at[9 + rows]),) if lasts else ())


def plugged(*in_s: float) -> Part:
    """In for ten seconds from each of these moments on."""
    return state("charge_plug", AT, np.any([(begin <= AT) & (begin + 10.0 > AT) for begin in in_s], axis=0))


@pytest.mark.parametrize(
    ("in_s", "plug"),
    [
        ((90.0,), Measured(10.5, "s", 10.0, 11.0)), ((60.0, 85.0), Measured(15.5, "s", 15.0, 16.0)),
        ((100.0,), Measured(0.5, "s", 0.0, 1.0)), ((101.0,), None),
    ],
)  # fmt: skip
def test_the_time_from_the_plug_is_known_to_a_message(in_s: tuple[float, ...], plug: Measured | None) -> None:
    assert find_before(session(), logged(plugged(*in_s))) == Before(plug, None)


@pytest.mark.parametrize(("start_s", "known"), [(129.0, True), (130.0, False)])
def test_a_plug_longer_ago_than_two_minutes_had_another_reason_to_wait(start_s: float, known: bool) -> None:
    late = charge(read("charger_current", AT, np.full(AT.size, 9.0)), start_s, 250.0)
    assert (find_before(late, logged(plugged(10.0))).plug is not None) is known
    assert find_before(late, logged(read("charge_plug", AT, AT))).plug is None


@pytest.mark.parametrize(
    ("volts", "rise"),
    [
        # empty at 80 s, at 200 V at 81 and 82 s, at its level of 380 V from 83 s on: at least from 81 to 82 s
        (np.select([AT <= 80.0, AT <= 82.0], [0.0, 200.0], 380.0), Measured(2.0, "s", 1.0, 3.0)),
        (np.select([AT <= 80.0], [0.0], 380.0), Measured(0.5, "s", 0.0, 1.0)),
        (np.select([AT <= 80.0, AT <= 81.0], [0.0, 200.0], 380.0), Measured(1.0, "s", 0.0, 2.0)),
        (np.select([AT <= 80.0], [37.9], 380.0), Measured(0.5, "s", 0.0, 1.0)),  # a tenth of the level is empty
        (np.select([AT <= 80.0], [38.1], 380.0), None),
        # risen is 95 % of it
        (np.select([AT <= 80.0, AT <= 90.0], [0.0, 361.1], 380.0), Measured(0.5, "s", 0.0, 1.0)),
        (np.select([AT <= 80.0, AT <= 90.0], [0.0, 360.9], 380.0), Measured(10.0, "s", 9.0, 11.0)),
        (np.select([AT <= 80.0, (AT >= 98.0) & (AT <= 100.0)], [0.0, 300.0], 380.0), None),  # it fell again
        (np.select([AT <= 100.0], [0.0], 380.0), None),
        (np.full(AT.size, 380.0), None),
    ],
)  # fmt: skip
def test_the_output_rises_between_its_last_empty_and_its_first_full_reading(
    volts: FloatArray, rise: Measured | None
) -> None:
    assert find_before(session(), logged(part("charger_voltage", volts))) == Before(None, rise)
    cut = session(starts_cut=True)
    assert find_before(cut, logged(part("charger_voltage", volts), plugged(90.0))) == Before(None, None)


@pytest.mark.parametrize(
    ("value", "at", "since_s"),
    [
        (np.where(AT < 180.0, AT, 5.0), AT, 180.0), (np.where(AT < 181.0, AT, 5.0), AT, None),  # for 20 s, no less
        (np.full(AT.size, 5.0), AT, 0.0), (np.where(AT < 150.0, AT, np.where(AT > 200.0, 9.0, 5.0)), AT, 150.0),
        (np.full(5, 5.0), np.linspace(160.0, 200.0, 5), 160.0), (np.full(4, 5.0), np.linspace(160.0, 200.0, 4), None),
    ],
)  # fmt: skip
def test_a_reading_stands_still_to_the_end_for_twenty_seconds(
    value: FloatArray, at: FloatArray, since_s: float | None
) -> None:
    assert _stands_since(read("battery_current", at, value), session()) == since_s


def steps(begin: float, end: float, wobble: float = 0.0) -> Part:
    """Up to 150 s and after it; it wobbles by so much from reading to reading."""
    return part("battery_current", np.where(AT < 150.0, begin, end) + wobble / 2 * (-1.0) ** np.arange(AT.size))


@pytest.mark.parametrize(
    ("beside", "own", "moves"),
    [
        # 30 % of the larger one of a current, 0.25 % of a voltage
        (steps(20.0, 13.99), 20.0, True), (steps(20.0, 14.01), 20.0, False), (steps(14.01, 20.0), 20.0, False),
        (steps(-20.0, -13.99), 20.0, True), (steps(0.0, 0.0), 20.0, False),
        (read("battery_voltage", AT, np.where(AT < 150.0, 400.0, 398.99)), 4000.0, True),
        (read("battery_voltage", AT, np.where(AT < 150.0, 400.0, 399.01)), 4000.0, False),
        # three steps of the one that stands: of 0.5 A in 5 A they are 30 %, of 0.6 A 36 %
        (steps(20.0, 13.5), 5.0, True), (steps(20.0, 13.5), 4.0, False), (steps(20.0, 12.4), 4.0, True),
        (steps(20.0, 5.0), 0.0, False),
        # four times the noise of 2 A is 40 % of 20 A
        (steps(20.0, 11.0, 2.0), 20.0, True), (steps(20.0, 13.0, 2.0), 20.0, False),
    ],
)  # fmt: skip
def test_the_other_reading_moves_where_it_leaves_its_level_by_more_than_meters_do(
    beside: Part, own: float, moves: bool
) -> None:
    stands = part("charger_current", own, step=0.5)
    assert _moves(beside, 100.0, 200.0, stands) is moves


@pytest.mark.parametrize(("moves_s", "moves"), [(104.5, False), (108.5, True), (191.5, True), (195.5, False)])
def test_what_moves_within_five_seconds_of_either_end_is_late(moves_s: float, moves: bool) -> None:
    """The medians of the first and the last five readings from 105 to 195 s."""
    beside = part("battery_current", np.where(moves_s > AT, 20.0, 5.0))
    assert _moves(beside, 100.0, 200.0, part("charger_current", 20.0)) is moves
    for rows, enough in ((10, True), (9, False)):
        few = read("battery_current", np.linspace(105.0, 195.0, rows), np.linspace(20.0, 5.0, rows))
        assert _moves(few, 100.0, 200.0, part("charger_current", 20.0)) is enough


def test_of_two_readings_of_one_quantity_the_one_that_stands_is_old() -> None:
    standing, moving = np.full(AT.size, 20.0), np.linspace(20.0, 5.0, AT.size)
    for one, other in (("charger_current", "battery_current"), ("charger_voltage", "battery_voltage")):
        for stands, moves in ((one, other), (other, one)):
            assert stale_since(session(), logged(part(stands, standing), part(moves, moving))) == {stands: 0.0}
    cell = part("cell_voltage_highest", standing / 5), part("battery_voltage", moving)
    assert stale_since(session(), logged(*cell)) == {"cell_voltage_highest": 0.0}
    assert stale_since(session(), logged(part("charger_current", standing), part("battery_voltage", moving))) == {}
    assert stale_since(session(), logged(part("charger_current", standing), part("battery_current", standing))) == {}


@pytest.mark.parametrize(("celsius", "over"), [(-6.0, ((100.0, 200.0),)), (-0.1, ((100.0, 200.0),)), (0.1, ())])
def test_a_lower_limit_is_passed_below_it(celsius: float, over: tuple[object, ...]) -> None:
    cold = margin(part("battery_temperature_lowest", celsius), "battery_temperature_min_C", 0.0)
    assert cold is not None
    assert cold.over == over
