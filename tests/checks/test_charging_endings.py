"""Charging: how it ends, and what is wrong meanwhile: made sessions of which each thing is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from charge_traces import VEHICLE, Made, judged, only
from one_check import findings_of

from logscope.checks.charging.check import charging
from logscope.checks.charging.taper import _fit
from logscope.findings import NothingToCheck, Severity
from logscope.pipeline import run_checks
from logscope.signals import Part, Signals
from logscope.vehicle import Limits

STOPS = {
    "request": {"request_ends_s": 299.5},
    "communication": {"request_silent_s": 298.0},
    "supply": {"supply_ends_s": 297.5},
    "undetermined": {},
}


@pytest.mark.parametrize("cause", STOPS)
def test_a_stop_is_put_down_to_what_came_first(cause: str) -> None:
    found = only(replace(Made(ends_s=300.0), **STOPS[cause]))  # type: ignore[arg-type]
    assert (found.kind, found.cause) == ("charge.stopped", cause)
    assert found.severity is (Severity.INFO if cause == "request" else Severity.WARNING)


def test_a_request_that_never_comes_again_is_lost_from_its_last_message_on() -> None:
    """A charger that waits two seconds for a message that is sent every 0.6 s: two were due when it stopped."""
    signals = Made(ends_s=300.0, request_silent_s=298.3).signals()
    target = signals["charger_current_target"]
    seldom = target.where(np.arange(target.time_s.size) % 3 == 0)
    (found,) = findings_of(charging, replace(signals, parts={**signals.parts, target.name: seldom}), VEHICLE)
    assert (found.kind, found.cause) == ("charge.stopped", "communication")


def test_a_charger_that_gives_all_it_can_reads_its_own_rating_and_that_is_good() -> None:
    rated = VEHICLE.model_copy(update={"charging": VEHICLE.charging.model_copy(update={"charger_max_current_A": 19.9})})
    found = only(Made(), rated)
    assert (found.kind, found.severity) == ("charge.complete", Severity.GOOD)
    assert found.measured["charger_current_margin_A"].value < 0.0


def test_a_stop_at_a_limit_is_what_the_request_follows() -> None:
    made = Made(ends_s=130.0, request_ends_s=129.8, held_v=341.0)
    vehicle = VEHICLE.model_copy(update={"limits": Limits(battery_max_V=float(made.terminal(np.array([129.9]))[0]))})
    found = only(made, vehicle)
    assert (found.kind, found.cause) == ("charge.stopped", "limit")


def test_a_plug_that_opens_under_current_is_told_once() -> None:
    found = only(Made(ends_s=303.0, plug_out_s=300.5))
    assert (found.kind, found.severity, found.cause) == ("charge.plug_out", Severity.WARNING, "plug")
    assert found.measured["current_A"].value == pytest.approx(20 * np.exp(-161 / 400), abs=0.5)


@pytest.mark.parametrize(("without", "severity"), [((), Severity.DANGER), (("battery_current",), Severity.WARNING)])
def test_a_charger_that_goes_on_is_a_danger_where_the_battery_shows_it(
    without: tuple[str, ...], severity: Severity
) -> None:
    found = only(Made(ends_s=400.0, request_ends_s=300.0, without=without))
    assert (found.kind, found.severity) == ("charge.not_stopping", severity)


def test_a_charger_that_only_feeds_a_converter_afterwards_does_not_go_on() -> None:
    """The same current of the charger, and none into the battery."""
    signals = Made(ends_s=400.0, request_ends_s=300.0).signals()
    battery = signals.parts["battery_current"]
    fed = np.where(battery.time_s < 300.3, battery.value, 0.0)
    parts = {**signals.parts, "battery_current": replace(battery, value=fed)}
    found = findings_of(charging, replace(signals, parts=parts), VEHICLE)
    assert "charge.not_stopping" not in [finding.kind for finding in found]


@pytest.mark.parametrize("request_at", ["zero all along", "stale"])
def test_a_request_that_says_nothing_is_no_charger_that_does_not_stop(request_at: str) -> None:
    signals = Made().signals()
    target = signals.parts["charger_current_target"]
    if request_at == "stale":
        target = target.where(target.time_s < 100.0)
    else:
        target = replace(target, value=np.zeros(target.value.size))
    found = findings_of(charging, replace(signals, parts={**signals.parts, target.name: target}), VEHICLE)
    assert [finding.kind for finding in found] == ["charge.complete"]


@pytest.mark.parametrize(("over_v", "danger"), [(-2.0, False), (0.5, False), (1.5, False), (4.0, True)])
def test_a_limit_is_passed_only_beyond_noise_and_the_meters_doubt(over_v: float, danger: bool) -> None:
    """Half a percent is what sound meters differ by: common practice, no published source."""
    vehicle = VEHICLE.model_copy(update={"limits": Limits(battery_max_V=333.0 - over_v)})
    found = judged(Made(), vehicle)
    assert ("charge.over_limit" in [finding.kind for finding in found]) is danger
    complete = next(finding for finding in found if finding.kind == "charge.complete")
    assert complete.severity is (Severity.GOOD if over_v < 0 else Severity.INFO)


def test_one_event_is_told_once() -> None:
    vehicle = VEHICLE.model_copy(update={"limits": Limits(battery_max_V=329.0)})
    found, _ = run_checks(Made().signals(), vehicle)
    dangers = [finding.kind for finding in found if finding.severity is Severity.DANGER]
    assert dangers == ["charge.over_limit"]


@pytest.mark.parametrize(("share", "kinds"), [(1.02, []), (0.98, []), (1.2, ["charge.off_target"]),
                                              (0.7, ["charge.off_target"])])  # fmt: skip
def test_a_current_off_its_request_is_named(share: float, kinds: list[str]) -> None:
    found = judged(Made(asked_a=20.0 / share))
    assert [f.kind for f in found if f.severity is Severity.WARNING] == kinds


def test_a_charge_that_ends_while_its_current_rises_is_not_off_its_request() -> None:
    """A full battery: the request of 20 A is withdrawn after 2 s, at 8 A, for the charger rises by 4 A a second."""
    made = Made(ends_s=22.0, log_s=120.0, request_ends_s=22.0, noise_a=0.3).signals()
    current = made["charger_current"]
    rising = np.where(current.value > 1.0, 4.0 * np.maximum(current.time_s - 20.0, 0.0), current.value)
    found = findings_of(
        charging, replace(made, parts={**made.parts, "charger_current": replace(current, value=rising)}), VEHICLE
    )
    assert [f.kind for f in found] == ["charge.stopped"]


def test_a_current_that_falls_along_a_straight_line_has_no_time_constant() -> None:
    """18 readings that fall from 14.0 to 11.5 A: any constant fits that is long enough, so none is known."""
    time_s = 5.0 * np.arange(18)
    for seed in range(40):
        noise = np.random.default_rng([seed, 5]).normal(0.0, 0.05, time_s.size)
        found = _fit(time_s, np.round(14.0 - 0.03 * time_s + noise, 1), 400.0)
        assert found is None or found[2] - found[1] > found[0]


def test_a_request_beyond_what_the_charger_can_give_is_no_fault() -> None:
    """Monitors ask for what the battery takes: 125 A of a charger of 20 A (common practice, no published source)."""
    vehicle = VEHICLE.model_copy(
        update={"charging": VEHICLE.charging.model_copy(update={"charger_max_current_A": 20.0})}
    )
    assert only(Made(asked_a=125.0), vehicle).kind == "charge.complete"
    unknown = VEHICLE.model_copy(
        update={"charging": VEHICLE.charging.model_copy(update={"charger_max_current_A": None})}
    )
    assert {f.severity for f in judged(Made(asked_a=125.0), unknown)} == {Severity.INFO}


def test_a_request_that_is_an_upper_limit_is_no_error_of_regulation() -> None:
    """A monitor that sends the highest voltage of the charging port, 400 V, and lets the charger end by its own."""
    (off,) = (each for each in judged(Made(asked_v=400.0)) if each.kind == "charge.off_target")
    assert off.severity is Severity.INFO
    assert "upper limit" in off.explanation


def test_a_drive_that_reports_enabled_in_the_whole_log_is_no_warning() -> None:
    signals = Made().signals()
    time_s = np.arange(0.0, 760.0, 0.5)
    for on, severity in ((np.ones(time_s.size, bool), Severity.INFO), (time_s > 100.0, Severity.WARNING)):
        state = Part("inverter_state", time_s, on.astype(float), "", "Made.State", on=on)
        found = findings_of(charging, replace(signals, parts={**signals.parts, state.name: state}), VEHICLE)
        assert [each.severity for each in found if each.kind == "charge.while_enabled"] == [severity]


def test_braking_is_no_charge_whatever_the_plug_reports() -> None:
    """A plug that is mapped the wrong way round reports itself in while the vehicle drives and brakes."""
    time_s = np.arange(0.0, 120.0, 0.1)
    brakes = (time_s % 30.0 > 20.0) & (time_s % 30.0 < 28.0)
    rpm = np.where(brakes, 4000.0 - 450.0 * (time_s % 30.0 - 20.0), 4000.0)
    parts = [
        Part("battery_current", time_s, np.where(brakes, -30.0, 40.0), "A", "Made.Pack", step=0.1),
        Part("motor_speed", time_s, rpm, "rpm", "Made.Speed", step=1.0),
        Part("charge_plug", time_s, np.ones(time_s.size), "", "Made.Plug", on=np.ones(time_s.size, bool)),
    ]
    with pytest.raises(NothingToCheck):
        findings_of(charging, Signals({each.name: each for each in parts}, 0.0, 120.0), VEHICLE)


def test_a_reading_that_stands_still_after_the_request_may_be_an_old_one() -> None:
    signals = Made(ends_s=300.0, request_ends_s=299.0, without=("battery_current",)).signals()
    amps = signals["charger_current"]
    last = amps.value[amps.time_s < 298.0][-1]
    frozen = replace(amps, value=np.where(amps.time_s < 298.0, amps.value, last)).where(amps.time_s < 330.0)
    found = findings_of(charging, replace(signals, parts={**signals.parts, amps.name: frozen}), VEHICLE)
    assert [each.severity for each in found if each.kind == "charge.not_stopping"] == [Severity.INFO]


def test_a_request_withdrawn_near_the_end_current_may_mean_a_full_battery() -> None:
    """7 A of a stated end of 5 A, the battery's own current unknown: a converter may take the rest."""
    made = Made(held_a=7.5, ends_s=300.0, request_ends_s=299.5, constant_s=900.0, without=("battery_current",))
    assert only(made).kind == "charge.undetermined"


def test_a_voltage_off_its_request_is_named() -> None:
    found = judged(Made(asked_v=326.0))
    assert [f.kind for f in found if f.severity is Severity.WARNING] == ["charge.off_target"]


def test_a_log_that_ends_while_it_charges_shows_no_end() -> None:
    found = only(Made(log_s=400.0))
    assert (found.kind, found.severity) == ("charge.undetermined", Severity.INFO)
    assert found.measured["constant_current_A"].value == pytest.approx(20.0, abs=0.05)
