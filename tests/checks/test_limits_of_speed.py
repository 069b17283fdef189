"""How fast a motor speed can change, and what another reading allows it to be."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from scipy.constants import g, pi

from logscope.checks.encoder.disturbance_rate import Stretches, rate_law
from logscope.observations.motor_speed.departures import departures
from logscope.observations.motor_speed.envelope import free_slew, in_gear_slew
from logscope.observations.motor_speed.model import SpeedModel
from logscope.observations.motor_speed.other_readings import OtherSpeed
from logscope.signals import Part
from logscope.vehicle import Driveline, Motor, Vehicle

HAZEL = Vehicle(
    motor=Motor(max_torque_Nm=160, rotor_inertia_kgm2=0.05), driveline=Driveline(ratio=8.2, wheel_radius_m=0.31)
)
NONE = np.zeros(0)


def test_in_gear_a_motor_speeds_up_as_tyres_of_1_g_let_it_and_a_fifth_more() -> None:
    """60·g·G/(2πr) with scipy.constants.g: 2,473 rpm/s."""
    assert in_gear_slew(HAZEL)[0] == pytest.approx(1.2 * 60 * g * 8.2 / (2 * pi * 0.31), rel=1e-3)
    assert in_gear_slew(Vehicle())[0] == 5000.0


def test_a_free_rotor_speeds_up_as_its_torque_lets_it_and_a_fifth_more() -> None:
    """60/(2π)·M/J: 160 Nm on 0.05 kg·m² are 30,558 rpm/s."""
    assert free_slew(HAZEL, NONE, NONE, 0.01, 1.0)[0] == pytest.approx(1.2 * 60 / (2 * pi) * 160 / 0.05)


@pytest.mark.parametrize(("rpm", "away_rpm"), [(700.0, 0.0), (650.0, 50.0), (1300.0, 0.0), (1400.0, 100.0)])
def test_a_speed_departs_by_what_it_lies_outside_of_another_readings_room(rpm: float, away_rpm: float) -> None:
    """By 15 % of 1,000 rpm (practice) and what counts as zero twice, 150 rpm in all: 700 to 1,300 rpm."""
    time_s = np.arange(0.0, 20.0, 0.02)
    value = np.where((time_s > 8.0) & (time_s < 12.0), rpm, 1000.0)
    model = SimpleNamespace(update_s=0.02, zero_rpm=75.0, reach=SimpleNamespace(slack=10.0))
    other = OtherSpeed("motor_speed_second", True, np.full(time_s.size, 1000.0), np.ones(time_s.size, bool), 0.02)
    found = departures(Part("motor_speed", time_s, value, "rpm", "M.N"), cast(SpeedModel, model), (other,))
    assert [each.worst_rpm for each in found] == pytest.approx([away_rpm] if away_rpm else [])


def test_the_drawn_law_rises_by_its_factor_for_each_100_a() -> None:
    """Counts drawn with a factor of 3 for each 100 A (numpy); the line is the law that is stated."""
    rng = np.random.default_rng(4)
    current = rng.uniform(0.0, 300.0, 400)
    counts = rng.poisson(0.3 * 3 ** (current / 100)).astype(np.float64)
    law = rate_law(
        Stretches(counts, np.full(400, 10.0), current, np.zeros(400), np.zeros(0, int), np.zeros(0, bool), NONE)
    )
    assert law is not None
    assert law.current.low < 3.0 < law.current.high
    amps, rate, low, high = law.line
    assert (amps[0], amps[-1]) == pytest.approx((current.min(), current.max()))
    assert rate[-1] / rate[0] == pytest.approx(law.current.value ** ((amps[-1] - amps[0]) / 100))
    assert rate[0] == pytest.approx(60 * 0.03, rel=0.3)  # a minute
    assert np.all((low < rate) & (rate < high))
