"""The trip check on made drives whose trip, surge and disturbance are known to the millisecond.

No published log of such a trip was found; the order of events is true by construction.
"""

from __future__ import annotations

import numpy as np
import pytest
from motor_traces import HAZEL, UNTOLD, TripLogging, part, signals, trip_drive
from one_check import findings_of

from logscope.checks.trips.check import trips
from logscope.findings import Finding, Severity
from logscope.signals import MissingPart, Part
from logscope.vehicle import Mapped, Vehicle

SEEDS = range(25)
LED_BY_ENCODER = {
    "one sample": TripLogging(glitch_s=0.0101),
    "4 ms ahead": TripLogging(),
    "50 ms ahead": TripLogging(glitch_lead_s=0.050),
    "reading lost for good": TripLogging(stays_lost=True),
    "surge of 6 ms": TripLogging(surge_s=0.006),
    "speed every 20 ms": TripLogging(speed_s=0.020, glitch_s=0.0201),
    "both every 20 ms": TripLogging(speed_s=0.020, current_s=0.020, glitch_s=0.0201, glitch_rpm=3000),
    "both every 5 ms": TripLogging(0.005, 0.005, glitch_s=0.006),
    "fault every 100 ms": TripLogging(fault_s=0.100),
}


def run(parts: dict[str, Part], vehicle: Vehicle = HAZEL) -> list[Finding]:
    """The single trips found."""
    found = findings_of(trips, signals(*parts.values()), vehicle)
    return [finding for finding in found if finding.kind in ("trip.overcurrent", "trip.other")]


def made(seed: int, how: TripLogging | None = None) -> dict[str, Part]:
    return trip_drive(np.random.default_rng(seed), how or TripLogging())


def only(found: list[Finding]) -> Finding:
    assert len(found) == 1
    return found[0]


def coded(codes: list[float], labels: dict[float, str] | None = None, over: float | None = 3.0) -> Part:
    """A fault sampled every 100 ms."""
    value = np.array(codes)
    return part(
        "fault",
        0.1 * np.arange(value.size),
        value,
        overcurrent=value == over,
        healthy=value == 0,
        labels=labels or {},
    )


def plain(fault: Part) -> Part:
    """The same fault as a bare flag."""
    on = fault.value > 0
    return part("fault", fault.time_s, on, overcurrent=np.zeros_like(on), healthy=~on)


@pytest.mark.parametrize("how", LED_BY_ENCODER.values(), ids=LED_BY_ENCODER.keys())
def test_disturbance_before_the_surge_is_the_cause_and_its_lead_lies_within_the_limits(
    how: TripLogging,
) -> None:
    for seed in SEEDS:
        trip = only(run(made(seed, how)))
        lead = trip.measured["lead_time_s"]
        assert (trip.kind, trip.severity, trip.cause) == ("trip.overcurrent", Severity.DANGER, "encoder")
        assert lead.low is not None
        assert lead.high is not None
        assert how.glitch_lead_s is not None
        assert lead.low - 0.001 <= how.glitch_lead_s <= lead.high + 0.001  # the drive is made in steps of 1 ms
        assert trip.start_s <= 10 - how.surge_s + 0.03
        assert trip.end_s == pytest.approx(10, abs=how.fault_s + 0.003)


def test_an_order_the_sampling_leaves_open_is_only_probable_and_keeps_the_power_off() -> None:
    sure = only(run(made(1, TripLogging(glitch_lead_s=0.050))))
    unsure = only(run(made(1, TripLogging(speed_s=0.020, glitch_s=0.0201))))
    assert "probably" not in sure.title
    assert "insulation" not in sure.next_step
    assert "probably" in unsure.title
    assert "insulation" in unsure.next_step


@pytest.mark.parametrize("lead_s", [None, 0.4, -0.15], ids=["none", "long before", "after the trip"])
def test_without_a_disturbance_shortly_before_the_surge_the_cause_stays_undetermined(
    lead_s: float | None,
) -> None:
    for seed in SEEDS:
        trip = only(run(made(seed, TripLogging(glitch_lead_s=lead_s))))
        assert trip.cause == "undetermined"
        assert trip.measured["lead_time_s"].value is None


def test_coarse_sampling_leaves_the_cause_open_and_says_what_to_record() -> None:
    how = TripLogging(0.1, 0.1, 0.1, glitch_s=0.101, glitch_rpm=5000)
    for seed in SEEDS:
        trip = only(run(made(seed, how)))
        assert trip.cause == "undetermined"
        assert (
            "record motor speed, throttle and torque target, motor current, DC-link voltage every 10 ms"
            in trip.explanation
        )


def test_peak_current_and_evidence() -> None:
    trip = only(run(made(1)))
    assert trip.measured["peak_current_A"].value == pytest.approx(20 + 1.6 * 110 + 260, abs=8)
    assert [mark.label for mark in trip.evidence.marks] == ["speed disturbance", "surge sets in", "trip"]
    assert trip.evidence.levels[0].value == 350
    assert trip.parts[:2] == ("motor_current", "motor_speed")
    assert trip.caution
    assert "wiring" in trip.next_step


def test_without_a_fault_the_trip_is_inferred() -> None:
    for seed in SEEDS:
        parts = made(seed)
        del parts["fault"]
        trip = only(run(parts))
        assert trip.title.startswith("Probable overcurrent trip")
        assert trip.cause == "encoder"
        assert "fault_code" not in trip.measured
        del parts["torque"], parts["throttle"]  # then only the limit can tell
        assert len(run(parts)) == 1
        assert run(parts, UNTOLD) == []


@pytest.mark.parametrize("keep_torque", [True, False])
def test_a_driver_who_lifts_does_not_trip(keep_torque: bool) -> None:
    """Stabs at the pedal to full current and prompt lifts, gear changes with the torque cut: 100 minutes."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        time = np.arange(0, 600, 0.010)
        knots = np.cumsum(rng.choice([0.05, 0.2, 1.0, 3.0], 900))
        pedal = np.interp(time, knots, rng.choice([0, 0, 20, 60, 100], 900))
        torque = 1.5 * np.interp(time - 0.03, time, pedal)
        current = np.abs(1.6 * torque + rng.normal(0, 2, time.size)) + 15 * (torque > 0)
        values = {"motor_current": current, "throttle": pedal, "torque": torque, "motor_speed": 30 * pedal}
        parts = {name: part(name, time, value, step=0.5) for name, value in values.items()}
        if not keep_torque:
            del parts["torque"]
        assert run(parts) == []


def test_a_gear_change_without_surge_does_not_trip() -> None:
    """The inverter cuts the torque under a pedal held down; the current had been steady."""
    time = np.arange(0, 20, 0.010)
    on = ~((time > 10) & (time < 10.5))
    values = {"motor_current": 200.0 * on, "torque": 100.0 * on, "throttle": np.full(time.size, 60.0)}
    assert run({name: part(name, time, value) for name, value in values.items()}) == []


def test_a_latched_fault_is_one_trip_until_a_healthy_sample() -> None:
    assert len(run({"fault": coded([0, 3, 3, 3, 3])})) == 1
    assert len(run({"fault": coded([0, 3, 3, 0, 3, 3])})) == 2


def test_a_change_of_code_is_another_trip_and_an_alternating_report_is_not() -> None:
    kinds = [each.kind for each in run({"fault": coded([0, 3, 3, 5, 5])})]
    assert kinds == ["trip.overcurrent", "trip.other"]
    assert len(run({"fault": coded([0, 3, 5, 3, 5, 3])})) == 2


def test_a_fault_in_the_first_sample_was_set_before_the_log() -> None:
    first, second = run({"fault": coded([3, 3, 0, 3])})
    assert "before the log began" in first.title
    assert (first.kind, first.cause) == ("trip.overcurrent", "undetermined")
    assert "before the log began" not in second.title


def test_another_fault_is_named_by_its_label() -> None:
    trip = only(run({"fault": coded([0, 5, 5], {5.0: "Overtemperature"})}))
    assert (trip.kind, trip.severity, trip.cause) == ("trip.other", Severity.DANGER, None)
    assert "Overtemperature" in trip.title
    assert "fault 7" in only(run({"fault": coded([0, 7, 7])})).title


def test_a_bare_flag_is_an_overcurrent_if_the_current_says_so() -> None:
    for seed in SEEDS:
        parts = made(seed)
        parts["fault"] = plain(parts["fault"])
        assert only(run(parts)).kind == "trip.overcurrent"
        steady = parts["motor_current"]
        parts["motor_current"] = part(
            "motor_current", steady.time_s, np.where(steady.value > 20, 200.0, steady.value), step=0.5
        )
        assert only(run(parts)).kind == "trip.other"


def test_a_mapped_fault_is_not_judged_by_the_current() -> None:
    mapped = Vehicle(signals={"fault": Mapped(signal="Inverter.Fault", overcurrent=(3,))}, limits=HAZEL.limits)
    parts = made(0)
    parts["fault"] = plain(parts["fault"])
    assert only(run(parts, mapped)).kind == "trip.other"


def test_a_trip_without_current_or_speed_is_still_told() -> None:
    fault = made(0)["fault"]
    trip = only(run({"fault": fault}))
    assert (trip.cause, trip.measured["peak_current_A"].value) == ("undetermined", None)
    assert "speed" in trip.method
    assert only(run({"fault": plain(fault)})).kind == "trip.other"


def test_no_trip_no_finding() -> None:
    parts = made(0)
    parts["fault"] = coded([0.0] * 100)
    assert run(parts) == []
    assert run({"motor_current": part("motor_current", np.arange(2.0), np.zeros(2))}) == []


def test_neither_fault_nor_current_is_a_missing_part() -> None:
    with pytest.raises(MissingPart):
        run({"motor_speed": made(0)["motor_speed"]})


def _driven_at_the_limit(falls_s: float) -> list[Part]:
    """Current, torque and pedal of a drive at 320 A that ends within `falls_s`, every 10 ms."""
    time = np.arange(0.0, 20.0, 0.01)
    share = np.interp(time, [3.0, 4.0, 10.0, 10.0 + falls_s], [0.0, 1.0, 1.0, 0.0])
    pedal = np.interp(time, [3.0, 3.2, 15.0, 15.1], [0.0, 80.0, 80.0, 0.0])
    ripple = np.random.default_rng(4).normal(0.0, 0.5, time.size)
    return [
        part("motor_current", time, 320.0 * share + ripple, 1.0),
        part("torque", time, 150.0 * share + ripple / 5.0, 0.1),
        part("throttle", time, pedal, 0.1),
    ]


def test_a_current_that_collapses_without_fault_and_pedal_is_no_drive_without_a_trip() -> None:
    current, torque, pedal = _driven_at_the_limit(0.01)
    unseen = findings_of(trips, signals(current, torque), HAZEL)[0]
    assert unseen.kind == "trip.undetermined"
    assert unseen.severity is Severity.INFO
    assert unseen.measured["current_before_A"].value == pytest.approx(320.0, abs=2.0)
    link = part("dc_link_voltage", pedal.time_s, np.full(pedal.time_s.size, 330.0), 0.1)
    seen = findings_of(trips, signals(current, torque, pedal, link), HAZEL)
    assert seen[0].kind == "trip.overcurrent"


def test_a_current_that_a_ramp_takes_away_is_no_doubt() -> None:
    current, torque, _ = _driven_at_the_limit(0.4)
    assert findings_of(trips, signals(current, torque), HAZEL)[0].kind == "trip.none"


def test_no_trip_is_good_only_where_the_fault_signal_is_logged() -> None:
    """A trip while braking gently leaves no sign in current and pedal."""
    current, torque, _ = _driven_at_the_limit(0.4)
    healthy = part("fault", current.time_s, np.zeros(current.time_s.size), healthy=np.ones(current.time_s.size, bool))
    without, with_fault = (findings_of(trips, signals(current, *more), HAZEL)[0] for more in ((torque,), (healthy,)))
    assert (without.kind, without.severity) == ("trip.none", Severity.INFO)
    assert "without a fault signal" in without.title
    assert (with_fault.kind, with_fault.severity) == ("trip.none", Severity.GOOD)
