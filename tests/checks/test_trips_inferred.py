"""What a current that collapses needs beside it to be a trip, where no fault is logged: by tables of made drives."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.observations.trips.events import _pedal_stayed, _torque_fell
from logscope.signals import Part

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
