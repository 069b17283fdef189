"""Signs of a trip at their borders, near trips and what trips share; true by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from motor_traces import HAZEL, TICK_S, FloatArray, TripLogging, part, signals, trip_drive
from one_check import findings_of

from logscope.checks.trips.check import trips
from logscope.findings import Finding
from logscope.signals import Part

PERIODS = pytest.mark.parametrize("period_s", [0.01, 0.02, 0.1])


def of_kind(parts: dict[str, Part], kind: str) -> list[Finding]:
    return [each for each in findings_of(trips, signals(*parts.values()), HAZEL) if each.kind == kind]


def drive(current: FloatArray, period_s: float, trip_s: float = 10.0) -> dict[str, Part]:
    """A steady drive with such a current every millisecond, logged with its speed and an overcurrent fault."""
    t = np.arange(current.size) * TICK_S
    every = np.arange(0, t.size, round(period_s / TICK_S))
    fault = np.where(t >= trip_s + 0.002, 3.0, 0.0)[::20]
    speed = np.round(np.interp(t, [0, 2, trip_s], [0, 0, 3000]))
    return {
        "motor_current": part("motor_current", t[every], np.round(current[every]), step=1.0),
        "motor_speed": part("motor_speed", t[every], speed[every], step=1.0),
        "torque": part("torque", t[every], current[every] / 2),
        "throttle": part("throttle", t[::20], np.where((t > 2) & (t < trip_s + 0.5), 50.0, 0.0)[::20]),
        "dc_link_voltage": part("dc_link_voltage", t[every], np.full(every.size, 330.0)),
        "fault": part("fault", t[::20], fault, overcurrent=fault == 3, healthy=fault == 0, labels={3.0: "Overcurrent"}),
    }


@PERIODS
def test_a_current_far_past_its_limit_is_a_sudden_fault_at_any_sampling(period_s: float) -> None:
    t = np.arange(0, 15, TICK_S)
    current = np.where(t > 2.5, 150.0, 10.0) * (t < 10.0)
    current[(t >= 9.85) & (t < 10.0)] = 900.0  # as an inverter shows that reports its largest since the message before
    (found,) = of_kind(drive(current, period_s), "trip.overcurrent")
    assert found.cause == "sudden"
    assert "times its limit of 350 A" in found.explanation


@PERIODS
def test_a_limit_that_every_pull_passes_makes_no_trip_sudden(period_s: float) -> None:
    """The stated limit of 350 A is another measure of the current than the 900 A that each pull of this log reaches."""
    t = np.arange(0, 15, TICK_S)
    pulls = (t > 2.5) & (t % 2.0 < 1.0)
    current = np.where(pulls, 900.0, 10.0) * (t < 10.0)
    current[(t >= 9.85) & (t < 10.0)] = 900.0
    for found in of_kind(drive(current, period_s), "trip.overcurrent"):
        assert "times its limit" not in found.explanation


@PERIODS
def test_a_surge_to_the_limit_with_nothing_before_it_is_sudden_only_where_nothing_can_hide(period_s: float) -> None:
    t = np.arange(0, 15, TICK_S)
    current = np.where(t > 2.5, 150.0, 10.0) + np.where((t > 9.96) & (t < 10.0), 220.0, 0.0)
    found = of_kind(drive(current * (t < 10.0), period_s), "trip.overcurrent")
    assert [each.cause for each in found] in (["sudden"], ["undetermined"])
    assert period_s <= 0.015 or found[0].cause == "undetermined"


@pytest.mark.parametrize(("later", "cause"), [(1, "undetermined"), (4, "sudden")])
def test_a_speed_that_is_lost_within_a_reading_of_the_surge_may_have_led_to_it(later: int, cause: str) -> None:
    """Each message holds a value of up to 10 ms before its stamp: what is seen one sample later may have come first."""
    t = np.arange(0, 12, TICK_S)
    current = np.where(t < 10.0, 130.0, np.where(t < 10.02, 415.0, 0.0))
    parts = drive(current, 0.01)
    speed = parts["motor_speed"]
    first = int(np.searchsorted(speed.time_s, 10.0 - 1e-6)) + later
    lost = (np.arange(speed.value.size) >= first) & (np.arange(speed.value.size) < first + 15)
    parts["motor_speed"] = replace(speed, value=np.where(lost, 0.0, speed.value))
    trip = of_kind(parts, "trip.overcurrent")[0]
    assert trip.cause == cause
    assert ("every 5 ms or faster" in trip.explanation) == (cause == "undetermined")


@pytest.mark.parametrize("period_s", [0.005, 0.01, 0.02])
@pytest.mark.parametrize("stood_s", [0.5, 5.0, 60.0])
@pytest.mark.parametrize("level_A", [330.0, 342.0, 351.0])
def test_a_level_current_leads_by_the_limit_however_long_it_stood(
    period_s: float, stood_s: float, level_A: float
) -> None:
    """A timed overload trips after seconds to a minute (common practice, no published source)."""
    trip_s = 70.0
    t = np.arange(0, trip_s + 5, TICK_S)
    from_s = trip_s - stood_s
    current = np.interp(t, [0, 2, from_s - 0.3, from_s], [0, 100, 100, level_A]) * (t < trip_s)
    current += np.random.default_rng(3).normal(0, 1.5, t.size) * (current > 0)
    (found,) = of_kind(drive(current, period_s, trip_s), "trip.overcurrent")
    assert found.cause == "limit"


@pytest.mark.parametrize(("stood_s", "cause"), [(2.0, "undetermined"), (20.0, "limit")])
def test_the_highest_level_of_a_log_well_below_the_stated_limit_leads_where_it_stood_for_long(
    stood_s: float, cause: str
) -> None:
    t = np.arange(0, 35, TICK_S)
    current = np.interp(t, [0, 2, 29.7 - stood_s, 30 - stood_s], [0, 100, 100, 250]) * (t < 30.0)
    (found,) = of_kind(drive(current, 0.01, 30.0), "trip.overcurrent")
    assert found.cause == cause


@pytest.mark.parametrize(("pedal_percent", "cause"), [(100.0, "limit"), (70.0, "undetermined")])
def test_a_level_that_the_fully_pressed_pedal_does_not_raise_is_the_inverters(pedal_percent: float, cause: str) -> None:
    """Half a second at the highest level of the log, well below the stated limit (common practice, no source)."""
    t = np.arange(0, 15, TICK_S)
    parts = drive(np.interp(t, [0, 2, 9.2, 9.5], [0, 100, 100, 250]) * (t < 10.0), 0.01)
    pedal = parts["throttle"]
    parts["throttle"] = replace(pedal, value=np.where(pedal.time_s > 9.2, pedal_percent, pedal.value))
    (found,) = of_kind(parts, "trip.overcurrent")
    assert found.cause == cause


def test_a_level_current_below_the_limit_and_below_what_it_reaches_elsewhere_is_not_led_by_the_limit() -> None:
    t = np.arange(0, 15, TICK_S)
    current = np.interp(t, [0, 2, 3, 4, 5, 6], [0, 100, 330, 330, 150, 150]) * (t < 10.0)
    (found,) = of_kind(drive(current, 0.01), "trip.overcurrent")
    assert found.cause != "limit"


@PERIODS
def test_a_fault_after_which_current_and_torque_go_on_is_told_as_such_and_is_no_short_circuit(period_s: float) -> None:
    t = np.arange(0, 15, TICK_S)
    current = np.interp(t, [0, 2, 3, 4, 5, 6], [0, 100, 330, 330, 150, 150])
    (found,) = of_kind(drive(current, period_s), "trip.overcurrent")
    assert found.title.startswith("Overcurrent reported, the drive continued")
    assert found.cause == "undetermined"
    (stopped,) = of_kind(drive(current * (t < 10.0), period_s), "trip.overcurrent")
    assert "continued" not in stopped.title


@pytest.mark.parametrize("count", [3, 20])
def test_retries_within_a_minute_are_one_finding_with_its_list(count: int) -> None:
    t = np.arange(0, 80, TICK_S)
    parts = drive(np.full(t.size, 30.0), 0.02)
    at = 10.0 + 3.0 * np.arange(count)
    code = 3.0 * np.any((parts["fault"].time_s[:, None] >= at) & (parts["fault"].time_s[:, None] < at + 1.0), axis=1)
    fault = replace(parts["fault"], value=code, overcurrent=code == 3, healthy=code == 0)
    (found,) = of_kind({**parts, "fault": fault}, "trip.overcurrent")
    assert found.measured["count"].value == count == len(found.events)
    assert found.events[-1].end_s == pytest.approx(at[-1], abs=0.05)
    assert f"{count} times" in found.title


@pytest.mark.parametrize("missing", [("motor_current",), ("motor_speed",), ("motor_current", "motor_speed", "torque")])
@pytest.mark.parametrize("gap_s", [0.15, 1.0])
def test_a_gap_before_a_trip_hides_the_cause(missing: tuple[str, ...], gap_s: float) -> None:
    t = np.arange(0, 15, TICK_S)
    current = np.where(t > 2.5, 150.0, 10.0) + np.where((t > 9.96) & (t < 10.0), 220.0, 0.0)
    parts = drive(current * (t < 10.0), 0.01)
    (whole,) = of_kind(parts, "trip.overcurrent")
    assert whole.cause == "sudden"
    for name in missing:
        each = parts[name]
        there = (each.time_s < 9.95 - gap_s) | (each.time_s > 9.95)
        parts[name] = replace(each, time_s=each.time_s[there], value=each.value[there])
    (found,) = of_kind(parts, "trip.overcurrent")
    assert found.cause == "undetermined"
    assert "missing before it" in found.method


def test_currents_near_the_limit_are_told_once_each_with_what_noise_leaves_of_the_highest() -> None:
    t = np.arange(0, 60, 0.01)
    rng = np.random.default_rng(5)
    amps = 100 + rng.normal(0, 3, t.size)
    for at in (10.0, 25.0, 40.0):
        amps[(t > at) & (t < at + 0.4)] += 225.0
    parts = {"motor_current": part("motor_current", t, amps), "throttle": part("throttle", t, np.full(t.size, 50.0))}
    (found,) = of_kind(parts, "trip.near")
    assert found.measured["count"].value == 3
    assert [round(event.start_s) for event in found.events] == [10, 25, 40]
    peak = found.measured["peak_current_A"]
    assert peak.low is not None
    assert peak.value is not None
    assert peak.low <= 325 + 3 * 3 < peak.value + 6
    assert peak.value - peak.low > 4  # the noise of a sample of 3 A, and not only its rounding


def test_a_trip_itself_is_no_near_trip() -> None:
    parts = trip_drive(np.random.default_rng(1), TripLogging())
    assert of_kind(parts, "trip.near") == []


def test_trips_of_one_cause_make_a_pattern_and_a_single_one_does_not() -> None:
    first = trip_drive(np.random.default_rng(1), TripLogging())
    assert of_kind(first, "trip.pattern") == []
    several = dict(first)
    for turn in (1, 2):
        more = trip_drive(np.random.default_rng(turn + 1), TripLogging())
        several = {
            name: part(
                name,
                np.append(each.time_s, more[name].time_s + 15.0 * turn),
                np.append(each.value, more[name].value),
                step=each.step,
                **(
                    {"overcurrent": np.append(each.overcurrent, more[name].overcurrent),
                     "healthy": np.append(each.healthy, more[name].healthy), "labels": each.labels}
                    if each.overcurrent is not None and each.healthy is not None
                    else {}
                ),
            )
            for name, each in several.items()
        }  # fmt: skip
    (found,) = of_kind(several, "trip.pattern")
    assert found.cause == "encoder"
    assert found.measured["count"].value == 3
    lead = found.measured["lead_time_s"]
    singles = [each.measured["lead_time_s"].value for each in of_kind(several, "trip.overcurrent")]
    assert (lead.low, lead.high) == (min(singles), max(singles))
