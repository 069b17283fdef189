"""A converter that stops in a log without contactor states: by the 12 V voltage while the drive is at work.

Truth by construction (`aux_traces`); that a drive at work needs its link is the circuit's.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from aux_traces import STATED, Made, claims, only
from one_check import findings_of

from logscope.arrays import FloatArray
from logscope.checks.aux_supply.check import aux_supply
from logscope.findings import Finding, Severity
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

BARE = frozenset({"main_contactor", "converter_state", "converter_current", "aux_current", "load"})
STOPS = Made(stops_s=60.0, end_s=150.0, fall_V_per_s=0.004, left_out=BARE)
UNITS = {"motor_current": "A", "battery_current": "A", "motor_speed": "rpm", "vehicle_speed": "km/h"}


def with_drive(signals: Signals, **parts: FloatArray) -> Signals:
    own = {
        name: Part(name, 0.1 * np.arange(value.size), value, UNITS[name], f"Made.{name}", step=0.1)
        for name, value in parts.items()
    }
    return replace(signals, parts={**signals.parts, **own})


def busy(size: int, seed: int = 3) -> FloatArray:
    """A drive that is pressed, coasts and stands, 0 to 1."""
    rng = np.random.default_rng(seed)
    return np.clip(np.repeat(rng.uniform(-0.3, 1.0, size // 50 + 1), 50)[:size], 0.0, 1.0) * rng.uniform(0.9, 1.0, size)


def judged(signals: Signals, vehicle: Vehicle = STATED) -> list[Finding]:
    return findings_of(aux_supply, signals, vehicle)


@pytest.mark.parametrize("seed", [7701, 7702, 7703])
@pytest.mark.parametrize(("name", "size"), [("motor_current", 200.0), ("battery_current", 80.0)])
def test_a_level_that_falls_while_the_drive_draws_current_is_a_converter_that_stopped(seed, name, size):
    supply = only(judged(with_drive(STOPS.signals(seed), **{name: size * busy(1500)})), "aux.supply")
    assert (supply.severity, supply.cause) == (Severity.WARNING, "stopped")
    assert "probably" in supply.title
    assert "not logged" in supply.explanation
    assert abs(supply.start_s - 60.0) < 15.0
    level = supply.measured["level_V"]
    assert level.low <= 12.6 - 0.03 * 7.0 - 0.004 * 67.5 <= level.high + 0.3  # the pump draws more now and then


def test_a_stop_is_said_once_where_the_messages_of_the_contactor_end():
    signals = with_drive(
        replace(STOPS, left_out=BARE - {"main_contactor"}).signals(7708), motor_current=200 * busy(1500)
    )
    contactor = signals["main_contactor"]
    ends = {**signals.parts, "main_contactor": contactor.where(contactor.time_s < 100.0)}
    stops = [each for each in judged(replace(signals, parts=ends)) if each.cause == "stopped"]
    assert len(stops) == 1
    assert "probably" not in stops[0].title


def test_motion_alone_informs():
    supply = only(judged(with_drive(STOPS.signals(7704), vehicle_speed=30.0 + 40.0 * busy(1500))), "aux.supply")
    assert (supply.severity, supply.cause) == (Severity.INFO, "stopped")


@pytest.mark.parametrize(
    "made",
    [
        replace(STOPS, stops_s=1e9),  # it runs throughout
        replace(STOPS, stops_s=1e9, converter_V=12.85),  # set low, or read at the end of a long wire
        replace(STOPS, stops_s=143.0),  # at the end, for less than a converter's own start
    ],
)
def test_a_converter_that_runs_is_not_said_to_have_stopped(made):
    signals = with_drive(made.signals(7705), motor_current=200.0 * busy(1500), vehicle_speed=60.0 * busy(1500))
    assert [cause for _, cause in claims(judged(signals, Vehicle()))] == []


def test_a_key_that_is_off_is_no_stop():
    """The drive rests after 60 s; its current reads an offset, and its speed is the last one, repeated."""
    at_rest = np.arange(1500) >= 600
    speed = np.where(at_rest, 47.3, 60.0 * busy(1500))
    amps = np.where(at_rest, 1.5, 200.0 * busy(1500))
    assert claims(judged(with_drive(STOPS.signals(7706), vehicle_speed=speed, motor_current=amps))) == []


@pytest.mark.parametrize("since_s", [0.0, 20.0, 40.0])
@pytest.mark.parametrize("stops_s", [1e9, 45.0])
def test_a_12_v_reading_that_is_repeated_makes_no_verdict(since_s, stops_s):
    """Its message repeats the last value, while the pump's current and the converter's state change."""
    signals = Made(stops_s=stops_s, end_s=90.0).signals(7710)
    part = signals["aux_voltage"]
    first = int(np.searchsorted(part.time_s, since_s))
    old = replace(part, value=np.where(part.time_s >= since_s, part.value[first], part.value))
    findings = judged(replace(signals, parts={**signals.parts, "aux_voltage": old}), Vehicle())
    supply = [each for each in findings if each.kind == "aux.supply"]
    assert len(supply) == (since_s > 0.0)  # else nothing is left to judge
    assert all(each.severity is Severity.INFO for each in supply)
    assert all("repeated one reading" in each.explanation for each in supply)


def test_a_coarse_reading_that_stands_is_a_level():
    """Steps of 0.1 V hide a pump's 10 A over 12 mΩ."""
    made = Made(step_V=0.1, noise_V=0.001, end_s=90.0)
    assert only(judged(made.signals(7711), Vehicle()), "aux.supply").severity is Severity.GOOD
