"""What each measure is read from and what counts as a change: the table row by row.

By how much a thing repeats and from when on a change matters are common practice with no published source: circuits 1
and 3 %, a pack 2 and 5 %, joints of the 12 V side 5 and 15 %, heat 5 and 10 %, rates 10 %, noise 20 %.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import logscope
from logscope.checks.measures import MEASURES, _speed_samples
from logscope.measures import Aim, EventRate, NoiseFloor, Repeated
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

BY_NAME = {measure.name: measure for measure in MEASURES}
RATIO = True
# name → kinds, value, unit, a ratio?, better where, repeats within, matters from
REPEATED: dict[str, tuple[Any, ...]] = {
    "precharge_time_constant_s": ("precharge.", "time_constant_s", "s", RATIO, Aim.EXPECTED, 0.01, 0.03),
    "closing_difference_V": ("precharge.", "close_difference_V", "V", not RATIO, Aim.LOWER, 1.0, 3.0),
    "bleed_down_time_constant_s": ("dc_link.", "time_constant_s", "s", RATIO, Aim.LOWER, 0.01, 0.05),
    "battery_resistance_ohm": ("battery.resistance", "resistance_ohm", "ohm", RATIO, Aim.LOWER, 0.02, 0.05),
    "low_voltage_source_ohm": ("aux.dip", "source_resistance_ohm", "ohm", RATIO, Aim.LOWER, 0.05, 0.15),
    "low_voltage_battery_ohm": ("aux.dip", "low_voltage_battery_ohm", "ohm", RATIO, Aim.LOWER, 0.05, 0.15),
    "overshoot_percent": ("current_control.response", "overshoot_percent", "%", not RATIO, Aim.LOWER, 2.0, 5.0),
    "judder_damping_ratio": ("driveline.judder", "damping_ratio", "1", RATIO, Aim.HIGHER, 0.1, 0.2),
    "taper_time_constant_s": ("charge.", "taper_time_constant_s", "s", RATIO, Aim.LOWER, 0.05, 0.1),
    "charging_efficiency_percent": ("charge.", "efficiency_percent", "%", not RATIO, Aim.HIGHER, 0.5, 2.0),
    "motor_rise_at_100A_K": ("cooling.motor", "rise_at_100A_K", "K", RATIO, Aim.LOWER, 0.05, 0.1),
    "inverter_rise_at_100A_K": ("cooling.inverter", "rise_at_100A_K", "K", RATIO, Aim.LOWER, 0.05, 0.1),
    "inverter_cooling_time_constant_s": ("cooling.inverter", "time_constant_s", "s", RATIO, Aim.LOWER, 0.05, 0.1),
}


def test_every_repeated_value_is_read_from_its_findings() -> None:
    found = {
        one.name: (*one.kinds, one.value, one.unit, one.ratio, one.aim, one.repeatability, one.margin)
        for one in MEASURES
        if isinstance(one, Repeated)
    }
    assert found == REPEATED


@pytest.mark.parametrize("name", REPEATED)
def test_what_is_read_is_what_the_findings_state(name: str) -> None:
    """By the table of kinds: a finding of that kind, and its value by that name, which ends in the unit."""
    kinds, value, unit, ratio, _, repeats, matters = REPEATED[name]
    guide = (Path(logscope.__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert f"`{kinds}" in guide or f" `.{kinds.partition('.')[2]}`" in guide  # a row of several kinds
    assert value in guide
    endings = {"%": "_percent", "1": "_ratio"}
    assert value.endswith(endings.get(unit, f"_{unit}"))
    assert 0.0 < repeats < matters
    assert ratio is (unit not in ("V", "%"))


def test_rates_count_the_episodes_of_their_kinds() -> None:
    disturbed, trips = (BY_NAME[name] for name in ("speed_disturbances_per_min", "trips_per_h"))
    assert isinstance(disturbed, EventRate)
    assert isinstance(trips, EventRate)
    wrong = ("spike", "dropout", "hold", "reversal", "burst")
    assert disturbed.kinds == tuple(f"encoder.{name}" for name in wrong)
    assert (disturbed.unit, disturbed.part, disturbed.lead_s, disturbed.margin) == ("1/min", "motor_speed", 0.2, 0.1)
    assert disturbed.sections == ("motor", "driveline")
    assert disturbed.threshold == ("peak_deviation_rpm", "smallest_seen_rpm")
    assert trips.kinds == ("trip.overcurrent", "trip.other")
    assert (trips.unit, trips.part, trips.lead_s, trips.margin) == ("1/h", "fault", 0.5, 0.1)
    assert (trips.sections, trips.threshold) == ((), ())
    assert (disturbed.per_s, trips.per_s) == (60.0, 3600.0)


def test_the_noise_of_the_speed_is_that_of_its_new_values() -> None:
    noise = BY_NAME["speed_noise_rpm"]
    assert isinstance(noise, NoiseFloor)
    assert (noise.unit, noise.part, noise.margin, noise.samples) == ("rpm", "motor_speed", 0.2, _speed_samples)


def speed(count: int, repeat: int = 1, period_s: float = 0.01) -> Signals:
    rpm = np.repeat(1000.0 + np.round(20 * np.sin(np.arange(count))), repeat)
    at = period_s * np.arange(rpm.size)
    return Signals({"motor_speed": Part("motor_speed", at, rpm, "rpm", "M.Speed", 1.0)}, 0.0, 99.0)


@pytest.mark.parametrize("repeat", [1, 2])
def test_readings_that_repeat_count_once(repeat: int) -> None:
    found = _speed_samples(speed(200, repeat), Vehicle())
    assert found is not None
    assert found.time_s.size == found.value.size == 200
    assert np.diff(found.time_s) == pytest.approx(0.01 * repeat)
    assert found.quantum == pytest.approx(1.0)


def test_ten_samples_over_some_time_hold_a_noise() -> None:
    assert _speed_samples(speed(10), Vehicle()) is not None
    assert _speed_samples(speed(9), Vehicle()) is None
    assert _speed_samples(speed(10, period_s=0.0), Vehicle()) is None
    assert _speed_samples(Signals({}, 0.0, 9.0), Vehicle()) is None
