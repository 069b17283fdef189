"""A plug without current: what counts as one, and what is said of it; made by hand, a guard a row.

Limits are common practice, no published source.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest
from charge_pieces import charge, logged, read, state

from logscope.arrays import FloatArray
from logscope.checks.charging.idle import Idle, _held, _typical, find_idle
from logscope.observations.charging.sessions import Session
from logscope.signals import Part

AT = np.arange(0.0, 300.0, 1.0)
PLUGGED = (AT >= 50.0) & (AT <= 110.0)
ALONE = Idle(50.0, 110.0, "charge_plug", None, False, False, None, None, None)


def current(value: float | FloatArray = 0.0, at: FloatArray = AT) -> Part:
    return read("charger_current", at, value * np.ones(at.size))


def found(*parts: Part, sessions: tuple[Session, ...] = ()) -> list[Idle]:
    return list(find_idle(logged(*parts), sessions))


def plug(until_s: float = 110.0, name: str = "charge_plug") -> Part:
    return state(name, AT, (AT >= 50.0) & (until_s >= AT))


def pulse(amps: float, at_s: float = 80.0) -> FloatArray:
    return np.asarray(np.where(at_s == AT, amps, 0.0))


def noisy(amps: float) -> FloatArray:
    """Noise of 0.4 A, and one reading."""
    noise = np.random.default_rng(22).normal(0.0, 0.4, AT.size)
    return np.asarray(np.where(AT == 80.0, amps, noise))


def moving(name: str, value: float, *at_s: float) -> Part:
    return read(name, AT, np.where(np.isin(AT, at_s), value, 0.0))


GONE = AT[(AT < 60.0) | (AT > 66.5)]  # 60 and up to 67 s are missing: 8 s of a plug's 60
WAITS: dict[str, tuple[list[Part], bool]] = {
    "for a minute": ([plug(), current()], True),
    "for less": ([plug(109.0), current()], False),
    "by the charger's state": ([plug(name="charger_state"), current()], True),
    "no plug logged": ([current()], False),
    "never in": ([state("charge_plug", AT, AT < 0.0), current()], False),
    "a plug of one reading": ([state("charge_plug", AT[:1], AT[:1] == 0.0), current()], False),
    "half an ampere is the meter's rest": ([plug(), current(pulse(0.5))], True),
    "more flows": ([plug(), current(pulse(0.51))], False),
    "two and a half steps are nothing": ([plug(), read("charger_current", AT, pulse(2.0), step=1.0)], True),
    "three steps are more": ([plug(), read("charger_current", AT, pulse(3.0), step=1.0)], False),
    "four of five standard deviations of noise": ([plug(), current(noisy(1.7))], True),
    "six of five standard deviations of noise": ([plug(), current(noisy(2.5))], False),
    "what flows at another time": ([plug(), current(pulse(9.0, 40.0))], True),
    "five readings of the current": (
        [plug(), current(0.0, np.array([52.0, 64.0, 76.0, 88.0, 100.0, 112.0, 124.0]))], True,
    ),
    "four": ([plug(), current(0.0, np.array([50.0, 66.0, 82.0, 98.0, 114.0, 130.0]))], False),
    "a tenth of the time not logged": ([plug(), current(0.0, AT[(AT < 60.0) | (AT > 64.5)])], True),  # 6 of 60 s
    "more of it": ([plug(), current(0.0, AT[(AT < 60.0) | (AT > 65.5)])], False),
    "rolls for two readings": ([plug(), current(), moving("vehicle_speed", 2.1, 70.0, 71.0)], False),
    "rolls for one": ([plug(), current(), moving("vehicle_speed", 2.1, 70.0)], True),
    "hardly rolls": ([plug(), current(), moving("vehicle_speed", 1.9, 70.0, 71.0)], True),
    "rolls backwards": ([plug(), current(), moving("vehicle_speed", -2.1, 70.0, 71.0)], False),
    "turns": ([plug(), current(), moving("motor_speed", 61.0, 70.0, 71.0)], False),
    "hardly turns": ([plug(), current(), moving("motor_speed", 59.0, 70.0, 71.0)], True),
    "turns at another time": ([plug(), current(), moving("motor_speed", 900.0, 40.0, 41.0, 120.0)], True),
}  # fmt: skip


@pytest.mark.parametrize("name", WAITS)
def test_a_vehicle_waits_where_its_plug_is_in_for_a_minute_without_current(name: str) -> None:
    parts, waits = WAITS[name]
    assert bool(found(*parts)) is waits


def test_each_stretch_is_named_with_what_shows_it() -> None:
    on = PLUGGED | ((AT >= 150.0) & (AT <= 230.0))
    assert found(state("charge_plug", AT, on), plug(name="charger_state"), current()) == [
        ALONE, Idle(150.0, 230.0, "charge_plug", None, False, False, None, None, None)
    ]  # fmt: skip
    (one,) = found(state("charge_plug", AT, AT < 0.0), plug(name="charger_state"), current())
    assert one.shown_by == "charger_state"


@pytest.mark.parametrize(
    ("start_s", "end_s", "waits"),
    [(10.0, 49.0, True), (10.0, 50.0, False), (110.0, 140.0, False), (111.0, 140.0, True)],
)
def test_a_plug_in_while_it_charges_waits_for_nothing(start_s: float, end_s: float, waits: bool) -> None:
    session = charge(current(), start_s, end_s)
    assert bool(found(plug(), current(), sessions=(session,))) is waits


def asked(amps: float, share: float = 1.0) -> Part:
    return read("charger_current_target", AT, np.where(50.0 + 61 * share > AT, amps, 0.0))


def volts(name: str, value: float) -> Part:
    return read(name, AT, np.full(AT.size, value))


def healthy(*, but_at_s: float | None = None) -> Part:
    return read("charger_fault", AT, np.zeros(AT.size), healthy=np.asarray(but_at_s != AT))


REPORTED: dict[str, tuple[list[Part], dict[str, object]]] = {
    "asked": ([asked(16.0)], {"asked_a": 16.0, "request_logged": True}),
    "asked for more than half of the time": ([asked(16.0, 0.52)], {"asked_a": 16.0, "request_logged": True}),
    "asked for less": ([asked(16.0, 0.48)], {"request_logged": True}),
    "never asked": ([asked(0.0)], {"request_logged": True}),
    "full": ([volts("charger_voltage_target", 400.0), volts("battery_voltage", 399.21)], {"full": True}),
    "full at the edge": ([volts("charger_voltage_target", 1000.0), volts("battery_voltage", 998.0)], {"full": True}),
    "not full": ([volts("charger_voltage_target", 400.0), volts("battery_voltage", 399.19)], {}),
    "nothing asked": ([volts("charger_voltage_target", 0.0), volts("battery_voltage", 399.0)], {}),
    "voltage unknown": ([volts("charger_voltage_target", 400.0)], {}),
    "flows all the same": ([volts("battery_current", -0.51)], {"battery_a": 0.51}),
    "an offset": ([volts("battery_current", -0.49)], {}),
    "a load": ([volts("battery_current", 5.0)], {}),
    "fault": ([healthy(but_at_s=80.0)], {"fault": True}),
    "fault before": ([healthy(but_at_s=49.0)], {"fault": False}),
    "healthy": ([healthy()], {"fault": False}),
    "a fault whose values are not stated": ([read("charger_fault", AT, AT)], {}),
    "unfed": ([volts("charger_input_power", 4.9)], {"unfed": True}),
    "unfed, its meter below zero": ([volts("charger_input_power", -4.9)], {"unfed": True}),
    "fed": ([volts("charger_input_power", 5.1)], {"unfed": False}),
    "fed for a moment": (
        [read("charger_input_power", AT, np.where(AT == 90.0, 50.0, 0.0))], {"unfed": False},
    ),
    "fed before": ([read("charger_input_power", AT, np.where(AT < 50.0, 50.0, 0.0))], {"unfed": True}),
}  # fmt: skip


@pytest.mark.parametrize("name", REPORTED)
def test_what_is_reported_meanwhile_goes_with_it(name: str) -> None:
    parts, more = REPORTED[name]
    (idle,) = found(plug(), current(), *parts)
    expected = {field: getattr(ALONE, field) for field in Idle.__slots__} | more
    assert idle == Idle(**expected)  # type: ignore[arg-type]


@pytest.mark.parametrize(("at", "until_s"), [(AT[:11], 13.0), (AT[:11] * 2, 26.0), (np.arange(0.0, 5.1, 0.1), 8.0)])
def test_a_message_holds_for_three_of_its_periods_and_three_seconds_at_least(at: FloatArray, until_s: float) -> None:
    part = read("charger_current_target", at, np.full(at.size, 7.0))
    held = _held(part, np.array([until_s - 0.1, until_s + 0.1]))
    assert held.tolist() == [7.0, pytest.approx(np.nan, nan_ok=True)]
    assert np.isnan(_held(None, AT[:3])).all()
    assert np.isnan(_held(read("charger_current_target", AT[:0], AT[:0]), AT[:3])).all()


def test_the_typical_value_is_the_median_of_those_known() -> None:
    assert _typical(np.array([np.nan, 1.0, 2.0, 9.0, np.nan])) == 2.0
    assert _typical(cast(FloatArray, np.full(3, np.nan))) == 0.0
