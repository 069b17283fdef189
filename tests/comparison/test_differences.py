"""What differs between two sides besides the change, and which measures that spoils; by tables, expected by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.comparison.differences import definition_differences, sampling_differences, spoils, vehicle_differences
from logscope.comparison.outcome import Difference
from logscope.measures import Aim, EventRate, Measure, NoiseFloor, Repeated
from logscope.result import Result
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

RATE = EventRate("r", "Rate", "1/min", ("encoder.",), "motor_speed", 0.1, 0.2, sections=("motor",))
FLOOR = NoiseFloor("n", "Noise", "rpm", "motor_speed", lambda *_: None, 0.1)
CONSTANT = Repeated(
    "c", "Constant", "s", ("precharge.",), "time_constant_s", ratio=True, aim=Aim.LOWER, repeatability=0.01, margin=0.1
)
OF_SPEED = Difference("It was logged otherwise.", ("motor_speed",))
OF_LINK = Difference("It was logged otherwise.", ("dc_link_voltage",))
OF_MOTOR = Difference("The motor is another.", (), ("motor",))
OF_LIMITS = Difference("A limit is another.", (), ("limits",))


@pytest.mark.parametrize(
    ("measure", "differs", "spoiled"),
    [
        (RATE, OF_SPEED, True),
        (RATE, OF_LINK, False),
        (RATE, OF_MOTOR, True),  # what counts as a disturbance is judged by it
        (RATE, OF_LIMITS, False),
        (FLOOR, OF_SPEED, True),
        (FLOOR, OF_LINK, False),
        (FLOOR, OF_MOTOR, False),  # noise is noise whatever the file says
        (CONSTANT, OF_SPEED, False),  # has limits of its own at any sampling
        (CONSTANT, OF_LINK, False),
    ],
)
def test_events_and_noise_are_not_compared_where_they_were_not_seen_alike(
    measure: Measure, differs: Difference, spoiled: bool
) -> None:
    assert bool(spoils(measure, [differs])) is spoiled
    assert spoils(measure, []) == ""


def logged(*periods_s: float) -> list[Result]:
    """Runs in which the speed was logged at these periods."""
    parts = (Part("motor_speed", s * np.arange(50.0), np.zeros(50), "rpm", "M.Speed") for s in periods_s)
    return [cast(Result, SimpleNamespace(signals=Signals({part.name: part}, 0.0, 9.0))) for part in parts]


@pytest.mark.parametrize(
    ("before", "after", "text"),
    [
        ((0.01,), (0.01,), None),
        ((0.01,), (0.0124,), None),  # within a quarter
        ((0.0124,), (0.01,), None),
        ((0.01,), (0.0126,), "every 10 ms before, every 12.6 ms after"),
        ((0.0126,), (0.01,), "every 12.6 ms before, every 10 ms after"),
        ((0.01, 0.1), (0.01, 0.1), "every 10 ms and 100 ms before, every 10 ms and 100 ms after"),
        ((0.01,), (), None),  # not logged on one side: for others to say
    ],
)
def test_sides_are_sampled_alike_within_a_quarter(
    before: tuple[float, ...], after: tuple[float, ...], text: str | None
) -> None:
    found = sampling_differences(logged(*before), logged(*after))
    assert [difference.parts for difference in found] == ([] if text is None else [("motor_speed",)])
    assert all((text or "") in difference.text for difference in found)


def test_what_two_vehicle_files_state_differently_is_named_with_both_values() -> None:
    one, other = (
        Vehicle.model_validate(
            {
                "vehicle": {"name": name},
                "motor": {"pole_pairs": pairs, "max_speed_rpm": 9000},
                "signals": {"torque": {"signal": "M.T", "scale": scale}, "motor_speed": "M.S"},
            }
        )
        for name, pairs, scale in (("Hazel", 2, 1.0), ("Rowan", None, -1.0))
    )
    found = vehicle_differences(one, other)
    assert [(each.text, each.parts, each.sections) for each in found] == [
        ("The vehicle file says motor.pole_pairs = 2 before, nothing after.", (), ("motor",)),
        ("Torque is mapped to M.T before, to M.T, scale = -1.0 after.", ("torque",), ()),
    ]
    assert vehicle_differences(one, one) == []


def test_a_signal_that_both_sides_define_differently_is_named() -> None:
    found = definition_differences({"torque": 1, "brake": 2, "fault": 3}, {"torque": 1, "brake": 9, "throttle": 4})
    assert [difference.parts for difference in found] == [("brake",)]


@pytest.mark.parametrize(("stamps_s", "differs"), [([0.0, 0.1], True), ([0.0], False), ([5.0, 5.0, 5.0, 5.0], False)])
def test_a_period_takes_two_samples_at_moments_of_their_own(stamps_s: list[float], differs: bool) -> None:
    """Against 10 ms."""
    few = Part("motor_speed", np.array(stamps_s), np.zeros(len(stamps_s)), "rpm", "M.Speed")
    own = cast(Result, SimpleNamespace(signals=Signals({few.name: few}, 0.0, 9.0)))
    assert bool(sampling_differences([own], logged(0.01))) is differs
    assert bool(sampling_differences(logged(0.01), [own])) is differs
