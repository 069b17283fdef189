"""When a trip was seen, and what a current that collapses needs beside it to be one where no fault is logged.

By tables of made drives; true by construction.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.observations.trips.events import _pedal_stayed, _torque_fell, find_trips
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Vehicle

AT = np.arange(0.0, 20.0, 0.02)
ON_S, OFF_S = 10.0, 10.02  # last seen on, first seen off


def made(name: str, before: float, after: float, change_s: float = 10.01, end_s: float = 20.0) -> Part:
    there = end_s > AT
    return Part(name, AT[there], np.where(AT[there] < change_s, before, after), "", f"Made.{name}")


@pytest.mark.parametrize(
    ("throttle", "stayed"),
    [
        (None, True),
        (made("throttle", 60.0, 60.0), True),
        (made("throttle", 60.0, 0.0), False),  # a driver who lifts
        (made("throttle", 0.0, 0.0), False),  # nothing was asked for
        (made("throttle", 60.0, 0.0, 11.5), True),  # a driver who lifts a second later, because of it
        (made("throttle", 60.0, 60.0, end_s=5.0), True),  # not sampled by then: not denied
    ],
)
def test_the_pedal_of_a_trip_was_down_and_stayed_there(throttle: Part | None, stayed: bool) -> None:
    assert _pedal_stayed(throttle, ON_S, OFF_S) is stayed


@pytest.mark.parametrize(
    ("torque", "fell"),
    [
        (None, True),
        (made("torque", 90.0, 0.0), True),
        (made("torque", -90.0, 0.0), True),
        (made("torque", 90.0, 90.0), False),
        (made("torque", 90.0, 45.0), False),
        (made("torque", 90.0, 0.0, end_s=5.0), True),
    ],
)
def test_the_torque_of_a_trip_goes_with_the_current(torque: Part | None, fell: bool) -> None:
    assert _torque_fell(torque, ON_S, OFF_S) is fell


def stairs(*levels: tuple[float, float], at: np.ndarray = AT) -> Part:
    """A level from a time on."""
    since_s, value = np.array(levels).T
    return Part("torque", at, value[np.searchsorted(since_s, at, side="right") - 1], "", "Made.N")


@pytest.mark.parametrize(
    ("torque", "fell"),
    [
        # most of the 0.2 s from one reading after it on, 10.04 to 10.24 s
        (stairs((0.0, 90.0), (10.11, 0.0)), True), (stairs((0.0, 90.0), (10.17, 0.0)), False),
        (stairs((0.0, 0.0), (9.99, 90.0), (10.01, 0.0), (10.11, 90.0)), False),
        (stairs((0.0, 0.0), (9.99, 90.0), (10.01, 0.0), (10.17, 90.0)), True),
    ],
)  # fmt: skip
def test_the_torque_of_a_trip_is_gone_for_most_of_the_time_after_it(torque: Part, fell: bool) -> None:
    assert _torque_fell(torque, ON_S, OFF_S) is fell


SELDOM = np.arange(0.25, 20.0, 0.7)  # 9.35 and 10.05 among them


@pytest.mark.parametrize(
    ("throttle", "stayed"),
    [
        (stairs((0.0, 60.0), (9.99, 0.0)), False), (stairs((0.0, 0.0), (9.99, 60.0)), True),  # at its last reading
        (stairs((0.0, 60.0), (9.7, 0.0), at=SELDOM), False), (stairs((0.0, 0.0), (9.7, 60.0), at=SELDOM), False),
        (stairs((0.0, 60.0), at=SELDOM), True),
    ],
)  # fmt: skip
def test_the_pedal_of_a_trip_is_that_of_its_last_reading_before(throttle: Part, stayed: bool) -> None:
    assert _pedal_stayed(throttle, ON_S, OFF_S) is stayed


VEHICLE = Vehicle(limits=Limits(motor_current_A=350.0))
SURGE = np.interp(AT, [3.0, 4.0, 9.97, 10.0], [0.0, 150.0, 150.0, 340.0]) * (AT <= ON_S)
LEVEL = np.interp(AT, [3.0, 4.0], [0.0, 320.0]) * (AT <= ON_S)


def spans(*parts: Part) -> list[tuple[float, float]]:
    """Between which two times each trip was found to lie."""
    drive = Signals({each.name: each for each in parts}, 0.0, 20.0)
    return [(trip.sound_s, trip.time_s) for trip in find_trips(drive, VEHICLE)]


def current(amps: np.ndarray) -> Part:
    return Part("motor_current", AT, amps, "A", "Made.motor_current")


@pytest.mark.parametrize("faulty_s", [(3.0, 4.0), (3.0, 4.0, 11.0, 12.0)])
def test_a_trip_lies_between_the_last_sample_without_the_fault_and_the_first_with_it(faulty_s: tuple[float]) -> None:
    at = np.arange(0.0, 20.0, 0.1) + 0.05
    on = np.any([(at > begin) & (at < end) for begin, end in zip(faulty_s[::2], faulty_s[1::2], strict=True)], axis=0)
    fault = Part("fault", at, 3.0 * on, "", "Made.fault", overcurrent=on, healthy=~on)
    for found, begin_s in zip(spans(fault), faulty_s[::2], strict=True):
        assert found == pytest.approx((begin_s - 0.05, begin_s + 0.05))


@pytest.mark.parametrize(
    ("beside", "is_trip"),
    [
        ((), False),  # nothing says who wanted it
        ((made("torque", 90.0, 0.0),), True),
        ((made("throttle", 60.0, 60.0),), True),
        ((made("throttle", 60.0, 0.0),), False),
        ((made("throttle", 60.0, 60.0), made("torque", 90.0, 80.0)), False),
    ],
)
def test_a_surge_below_the_limit_that_collapses_is_a_trip_where_pedal_or_torque_says_so(
    beside: tuple[Part, ...], is_trip: bool
) -> None:
    found = spans(current(SURGE), *beside)
    assert len(found) == is_trip
    assert not found or found[0] == pytest.approx((ON_S, OFF_S))


PEDAL, LINK = made("throttle", 80.0, 80.0), made("dc_link_voltage", 330.0, 330.0)
LET_GO: dict[str, tuple[np.ndarray, tuple[Part, ...], bool]] = {
    "the pedal stays down unanswered, the link stays up": (LEVEL, (PEDAL, LINK), True),
    "the pedal is not logged": (LEVEL, (LINK,), False),
    "the link is not logged": (LEVEL, (PEDAL,), False),
    "the link goes with it: a contactor opened": (LEVEL, (PEDAL, made("dc_link_voltage", 330.0, 200.0)), False),
    "the pedal is let go half a second later: a gear change": (
        LEVEL, (made("throttle", 80.0, 0.0, 10.5), LINK), False,
    ),
    "the current is back after half a second": (np.where(AT > 10.5, 300.0, LEVEL), (PEDAL, LINK), False),
    "the current was higher before": (np.where(AT < 2.0, 400.0, LEVEL), (PEDAL, LINK), False),
}  # fmt: skip


@pytest.mark.parametrize("name", LET_GO)
def test_an_inverter_that_lets_go_at_its_highest_current_leaves_pedal_and_link_as_they_were(name: str) -> None:
    amps, beside, is_trip = LET_GO[name]
    near = [found for found in spans(current(amps), *beside) if abs(found[0] - ON_S) < 0.1]
    assert len(near) == is_trip
