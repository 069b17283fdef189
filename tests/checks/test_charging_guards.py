"""What ended a charge, what came before it and how near a limit it came, guard by guard.

True by construction: the test itself says when each thing was seen. Rules are common practice, no published source.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from limits_study import LimitsStudy
from scipy import stats

from logscope.checks.charging.amounts import mean_of
from logscope.checks.charging.before import find_before
from logscope.checks.charging.check import Charge
from logscope.checks.charging.ending import _cause
from logscope.checks.charging.margins import Margin
from logscope.checks.charging.regulation import Error, Regulation
from logscope.checks.charging.text import _near, off_target_words
from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals

BEGUN_S = 100.0
Order = tuple[tuple[str, float, float], ...]


def margin(left: float, unit: str = "V", doubt: float = 1.0, *, passed: bool = False) -> Margin:
    part = {"V": "battery_voltage", "°C": "battery_temperature", "A": "battery_current"}[unit]
    return Margin("", part, "", 400.0, unit, True, left, 50.0, doubt, ((1.0, 2.0),) if passed else (), ())


@pytest.mark.parametrize(
    ("order", "limit", "cause"),
    [
        ((("request", 10.0, 10.1), ("supply", 10.2, 10.3)), None, "request"),
        ((("supply", 10.2, 10.3), ("request", 10.0, 10.1)), None, "request"),
        ((("request", 10.0, 10.2), ("supply", 10.1, 10.3)), None, "undetermined"),
        ((("request", 10.0, 10.2), ("plug", 10.1, 10.3)), None, "plug"),  # which takes the request with it
        ((("fault", 10.0, 10.1),), None, "fault"),
        ((("request", 10.0, 10.1),), margin(0.1), "limit"),
        ((("request", 10.0, 10.1),), margin(0.1, "°C"), "temperature"),
        ((("supply", 10.0, 10.1),), margin(0.1), "supply"),  # gone whatever the battery's voltage was
        ((), margin(0.1), "limit"),
        ((), None, "undetermined"),
    ],
)
def test_a_charge_ends_by_what_came_first_beyond_doubt(order: Order, limit: Margin | None, cause: str) -> None:
    assert _cause(order, limit) == cause


def session(*, starts_cut: bool = False) -> Session:
    made = SimpleNamespace(start_s=BEGUN_S, end_s=200.0, starts_cut=starts_cut)
    return cast(Session, made)


def plug(*in_s: float, out_s: float = 300.0) -> Part:
    """In from each of these moments for two seconds, from the last for good; read every second, at half seconds."""
    at = np.arange(0.5, 300.0, 1.0)
    on = np.any([(at >= begin) & (at < begin + 2.0) for begin in in_s], axis=0) | ((at >= in_s[-1]) & (at < out_s))
    return Part("charge_plug", at, on.astype(float), "", "Charger.Plug", on=on)


@pytest.mark.parametrize(
    ("in_s", "low", "high"),
    [
        ((90.0,), 9.5, 10.5),
        ((60.0, 90.0), 9.5, 10.5),  # taken out once more meanwhile
        ((90.0, 150.0), 9.5, 10.5),  # what comes afterwards is another matter
    ],
)
def test_the_plug_is_in_for_as_long_as_its_messages_leave_open(
    in_s: tuple[float, ...], low: float, high: float
) -> None:
    found = find_before(session(), Signals({"charge_plug": plug(*in_s)}, 0.0, 300.0)).plug
    assert found is not None
    assert (found.low, found.value, found.high) == pytest.approx((low, (low + high) / 2, high))


def test_a_plug_that_was_in_long_before_or_not_seen_has_no_time() -> None:
    late = cast(Session, SimpleNamespace(start_s=250.0, end_s=290.0, starts_cut=False))
    assert find_before(late, Signals({"charge_plug": plug(90.0)}, 0.0, 300.0)).plug is None
    assert find_before(session(), Signals({}, 0.0, 300.0)).plug is None
    assert find_before(session(starts_cut=True), Signals({"charge_plug": plug(90.0)}, 0.0, 300.0)).plug is None


def test_the_rise_of_the_chargers_output_lies_between_its_readings() -> None:
    """By hand: empty up to 80.5 s, at its level from 83.5 s on; between the two it takes one to three seconds."""
    at = np.arange(0.5, 300.0, 1.0)
    volts = np.interp(at, [80.5, 83.5], [0.0, 380.0])
    made = Signals({"charger_voltage": Part("charger_voltage", at, volts, "V", "Charger.Volts")}, 0.0, 300.0)
    found = find_before(session(), made).precharge
    assert found is not None
    assert (found.low, found.high) == pytest.approx((1.0, 3.0))


@pytest.mark.parametrize(
    ("margins", "text"),
    [
        ((), ""),
        ((margin(5.0), margin(4.0, "°C")), "Smallest margin: 4.00\xa0K, battery temperature, at 50 s."),
        ((margin(5.0), margin(9.0, "°C", 3.0)), "Smallest margin: 9.00\xa0K"),  # by what each meter is worth
        ((margin(5.0), margin(-0.4)), "400\xa0mV beyond its limit, within the meter's doubt."),
        ((margin(-4.0, passed=True),), "4.00\xa0V beyond its limit, beyond the meter's doubt, too."),
    ],
)
def test_the_nearest_limit_is_said_with_its_unit(margins: tuple[Margin, ...], text: str) -> None:
    assert text in _near(cast(Charge, SimpleNamespace(margins=margins)))


@pytest.mark.parametrize(
    ("value", "unit", "caution"),
    [(3.0, "A", True), (-3.0, "A", False), (4.0, "V", True), (-4.0, "V", True)],
)
def test_hands_go_near_high_voltage_where_more_than_asked_or_another_voltage_is_given(
    value: float, unit: str, caution: bool
) -> None:
    error = Error(value, value - 1, value + 1, unit, 20.0, f"charger_{unit}", 0.5, 10.0, 60.0, limited=False)
    words = off_target_words(error, Regulation(None, None, None, None, constant_power=False), known=True)
    assert words.hands_near_hv is caution
    assert ("above the request of 20" in words.title) == (value > 0)


def test_limits_of_a_mean_are_students_and_do_not_count_repeated_readings_twice() -> None:
    """Few readings: scipy's t interval. Many: nominal 95 %, of 200 readings of which each is logged ten times."""
    rng = np.random.default_rng(2911)
    few = rng.normal(1.5, 0.3, 12)
    found = mean_of(few)
    expected = stats.t.interval(0.95, few.size - 1, few.mean(), stats.sem(few))
    assert (found.value, found.low, found.high) == pytest.approx((few.mean(), *expected))
    study = LimitsStudy()
    for _ in range(400):
        study.of(1.5, mean_of(np.repeat(rng.normal(1.5, 0.3, 200), 10)))
    study.judge()


@pytest.mark.parametrize(
    ("low", "high", "limited", "off"),
    [
        (-0.5, 0.5, False, False),
        (0.5, 1.5, False, False),  # its interval reaches what meters differ by
        (1.1, 1.5, False, True),
        (1.1, 1.5, True, False),  # more than the file states it can give, and no more than asked
        (-1.5, -0.5, False, False),
        (-1.5, -1.1, False, True),
        (-1.5, -1.1, True, True),
        (-3.0, 3.0, False, False),
    ],
)
def test_a_charger_is_off_its_request_where_all_of_the_interval_is_beyond_the_tolerance(
    low: float, high: float, limited: bool, off: bool
) -> None:
    assert Error((low + high) / 2, low, high, "A", 16.0, "charger_current", 1.0, 0.0, 60.0, limited).off is off


@pytest.mark.parametrize(
    ("value", "unit", "beyond"), [(4.9, "V", False), (5.1, "V", True), (-5.1, "V", True), (9.0, "A", False)]
)
def test_no_regulation_is_off_by_five_times_its_tolerance(value: float, unit: str, beyond: bool) -> None:
    error = Error(value, value, value, unit, 400.0, "charger_voltage", 1.0, 0.0, 60.0, False)
    assert (error.beyond_regulation, error.above) == (beyond, value > 0)
