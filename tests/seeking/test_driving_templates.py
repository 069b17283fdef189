"""What torque, currents and pedal look like beside a speed, by Newton's second law on a made drive."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.seeking.likeness.driving import acceleration, beside_force, rest_of, sidedness, templates

STEP_S = 0.05
AT = np.arange(0.0, 60.0, STEP_S)
SPEED = 50.0 * np.sin(np.pi * AT / 60.0) ** 2  # pulls away, and brakes to a stop


def test_the_acceleration_is_the_derivative_of_a_smooth_speed() -> None:
    expected = 50.0 * np.pi / 60.0 * np.sin(2.0 * np.pi * AT / 60.0)
    assert acceleration(SPEED, STEP_S)[40:-40] == pytest.approx(expected[40:-40], abs=0.01)


def test_power_is_drawn_while_the_force_drives_and_given_back_while_it_brakes() -> None:
    force, rolling = np.array([2.0, 1.0, -1.0, -2.0]), np.array([0.0, 1.0, 1.0, 0.5])
    made = beside_force(force, rolling)
    assert made["torque"].tolist() == [2.0, 1.0, -1.0, -2.0]
    assert made["motor_current"].tolist() == [2.0, 1.0, 1.0, 2.0]
    assert made["throttle"].tolist() == [2.0, 1.0, 0.0, 0.0]
    assert made["battery_current"].tolist() == [0.0, 1.0, -1.0, -1.0]


def test_what_slows_a_vehicle_hard_is_its_brakes_and_no_more_than_a_third_of_it_the_motor() -> None:
    made = templates(SPEED, STEP_S)
    pulls, brakes = (AT > 10.0) & (AT < 20.0), (AT > 40.0) & (AT < 50.0)
    for name, turns in (("torque", -1.0), ("battery_current", -1.0), ("motor_current", 1.0), ("throttle", 0.0)):
        assert np.all(made[name][pulls] > 0.0)
        assert np.all(np.sign(made[name][brakes]) == turns)
    assert made["torque"].min() == pytest.approx(-0.3 * np.quantile(made["torque"], 0.99), rel=0.02)


@pytest.mark.parametrize(
    ("row", "rest", "expected"),
    [
        (np.linspace(-1.0, 1.0, 2001), 0.0, 1.0),
        (np.linspace(0.0, 1.0, 2001), 0.0, -1.0),
        (np.linspace(-1.0, 0.0, 2001), 0.0, -1.0),
        (np.linspace(-0.15, 1.85, 2001), 0.0, 0.0),  # 7.5 % of the span to the one side
        (np.linspace(-1.85, 0.15, 2001), 0.0, 0.0),
        (np.zeros(100), 0.0, 0.0),
    ],
)
def test_a_field_moves_to_one_side_of_where_it_rests_or_to_both(row: np.ndarray, rest: float, expected: float) -> None:
    assert sidedness(row, rest) == pytest.approx(expected, abs=0.1)


def test_a_field_rests_where_it_stays_longest() -> None:
    assert rest_of(np.array([3.0, 3.2, 2.9, 7.0, 8.0])) == (3.0, 0.6)
