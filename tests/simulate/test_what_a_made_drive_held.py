"""What the simulator states of a drive: truths and what is sent, for rows made by hand; nothing is stepped.

Closed forms: τ = R·C, V·e^(−t/τ), Millman's theorem, ∫I²·R/C; all else is arithmetic on the scenario.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, log

import numpy as np
import pytest
from drives_by_hand import CHARGE, CIRCUIT, between, made

from logscope.simulate.charge import Charge, Pack
from logscope.simulate.drive import OVERCURRENT, ROW_S, UNDERVOLTAGE, Drive
from logscope.simulate.drive_truth import _cause, _stopped_by, drive_truth
from logscope.simulate.encoder import Encoder, EncoderFault, Fault
from logscope.simulate.key_cycles import play
from logscope.simulate.scenarios import KeyCycle, Tuning
from logscope.simulate.truth import TruthEvent


def events(drive: Drive, *topics: str, start_s: float = 0.0) -> list[TruthEvent]:
    return [each for each in drive_truth(drive, start_s) if each.kind.split(".")[0] in topics]


def test_a_precharge_and_its_discharge_are_stated_as_the_circuit_solves_them() -> None:
    """τ = 150.1 Ω · 1 mF beside a bleeder; to 0.96 of 330 V and 80 ms more; then 47 s down."""
    story = play(CIRCUIT, (KeyCycle(2.0, 10.0),), 400.0)
    charge, fall = story.truth
    tau = 1e-3 / (1 / 150.1 + 1 / 47e3)
    rest = 330.0 * 47e3 / (47e3 + 150.1)
    closes = 2.0 + tau * log(rest / (rest - 316.8)) + 0.08
    assert (charge.kind, charge.start_s) == ("precharge.complete", 2.0)
    assert charge.end_s == pytest.approx(closes, abs=1e-5)
    end_V = rest * (1 - np.exp(-(closes - 2.0) / tau))
    assert charge.parameters == pytest.approx(
        {"time_constant_s": tau, "start_voltage_V": 0.0, "end_voltage_V": end_V, "pack_voltage_V": 330.0,
         "fraction_reached": end_V / 330, "fraction_at_close": end_V / 330, "close_difference_V": 330 - end_V},
        rel=1e-4,
    )  # fmt: skip
    assert story.closed == ((pytest.approx(closes, abs=1e-5), 10.0),)
    assert [(stage.relay, stage.contactor) for stage in story.stages] == [
        (False, False), (True, False), (True, True), (False, True), (False, False),
    ]  # fmt: skip
    assert story.stages[3].start_s - story.stages[2].start_s == pytest.approx(0.3)
    assert (fall.kind, fall.start_s, fall.end_s) == ("dc_link.discharged", 10.0, 400.0)
    full = 330.0 * 47e3 / (47e3 + 0.12)
    assert fall.parameters == pytest.approx(
        {"start_voltage_V": full, "end_voltage_V": full * np.exp(-390 / 47), "time_constant_s": 47.0,
         "time_to_60V_s": 47 * log(full / 60)}, rel=1e-4,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("cycle", "bleeder_ohm", "kinds"),
    [
        (KeyCycle(1.0, 9.0, resistance_ohm=179.0), 47e3, ["precharge.complete", "dc_link.discharged"]),
        (KeyCycle(1.0, 9.0, resistance_ohm=181.0), 47e3, ["precharge.slow", "dc_link.discharged"]),
        (KeyCycle(1.0, 9.0, resistance_ohm=121.0), 47e3, ["precharge.complete", "dc_link.discharged"]),
        (KeyCycle(1.0, 9.0, resistance_ohm=119.0), 47e3, ["precharge.fast", "dc_link.discharged"]),
        (KeyCycle(1.0, 9.0, close_fraction=0.9, close_delay_s=0.0), 47e3,
         ["precharge.closed_early", "dc_link.discharged"]),
        (KeyCycle(1.0, 9.0), 170e3, ["precharge.complete", "dc_link.discharged"]),  # 290 s to 60 V
        (KeyCycle(1.0, 9.0), 180e3, ["precharge.complete", "dc_link.slow_discharge"]),  # 307 s
        (KeyCycle(1.0, 9.0), inf, ["precharge.complete", "dc_link.stays_live"]),
        (KeyCycle(1.0, 9.0, drop_out_s=0.1), 47e3, ["precharge.interrupted"]),
        (KeyCycle(1.0, 9.0, timeout_s=0.3), 47e3, ["precharge.interrupted"]),  # still rising
        (KeyCycle(1.0, 9.0, parallel_ohm=450.0), 47e3, ["precharge.stalled"]),
        (KeyCycle(1.0, 9.0, parallel_ohm=2.2), 47e3, ["precharge.no_rise"]),  # 4.8 V
        (KeyCycle(1.0, 9.0, parallel_ohm=2.5), 47e3, ["precharge.stalled"]),  # 5.4 V
    ],
)  # fmt: skip
def test_key_cycles_are_called_by_what_they_held(cycle: KeyCycle, bleeder_ohm: float, kinds: list[str]) -> None:
    story = play(replace(CIRCUIT, bleeder_ohm=bleeder_ohm), (cycle,), 400.0)
    assert [event.kind for event in story.truth] == kinds
    welded = play(CIRCUIT, (replace(cycle, welded=True),), 400.0).truth
    assert [event.kind for event in welded][1:] == ["dc_link.stays_live"] * (len(kinds) - 1)


def test_contactors_that_open_by_themselves_or_under_load_are_stated_with_their_current() -> None:
    cycles = (KeyCycle(2.0, 18.0, under_load=True, dropouts=((8.0, 8.5),)),)
    drive = made(key_cycles=cycles, columns={"pack_A": between(7.0, 8.0, 90.0) + between(17.0, 18.0, 40.0)})
    found = events(drive, "contactor", start_s=1.5)
    assert [(e.kind, e.start_s, e.end_s, e.parameters) for e in found] == [
        ("contactor.dropout", 6.5, 7.0, {"current_A": 90.0}),
        ("contactor.opened_under_load", 16.5, 16.5, {"current_A": 40.0}),
    ]
    assert events(made(18.0, key_cycles=cycles[:1]), "contactor")[1:] == []


def test_disturbed_readings_are_episodes_by_their_length_or_their_script() -> None:
    deviation = (between(5.0, 5.034, -300.0) + between(6.0, 6.036, 200.0) + between(7.0, 7.02, 50.0)
                 + between(7.119, 7.14, 80.0) + between(9.0, 9.02, 10.0) + between(9.122, 9.158, 10.0))  # fmt: skip
    faults = (EncoderFault(Fault.HOLD, 6.03, 6.1),)
    drive = made(columns={"deviation_rpm": deviation, "current_A": between(5.0, 7.0, 70.0)}, encoder_faults=faults)
    found = [(e.kind, round(e.start_s, 3), round(e.end_s, 3)) for e in events(drive, "encoder")]
    assert found == [
        ("encoder.spike", 5.0, 5.034), ("encoder.hold", 6.0, 6.036), ("encoder.burst", 7.0, 7.14),
        ("encoder.spike", 9.0, 9.02), ("encoder.burst", 9.122, 9.158),
    ]  # fmt: skip
    first, _, third, *_ = events(drive, "encoder")
    assert first.parameters == {"peak_deviation_rpm": 300.0, "current_A": 70.0}
    assert third.parameters == {"peak_deviation_rpm": 80.0, "current_A": 0.0}


def test_lasting_faults_of_the_encoder_last_while_the_shaft_turns() -> None:
    turning = {"rotor_rpm": between(4.0, 9.0, -101.0) + between(9.0, 12.0, 99.0)}
    worn = made(columns=turning, encoder=Encoder(200.0, lost_counts=3.0, eccentricity=0.02), logged_speed_scale=2.0)
    ripple, scale = events(worn, "encoder")
    assert (ripple.kind, scale.kind) == ("encoder.ripple", "encoder.scale")
    assert (ripple.start_s, ripple.end_s) == pytest.approx((4.0, 8.999))
    assert ripple.parameters == pytest.approx({"order": 1.0, "largest_share_of_speed": 0.035})
    assert scale.parameters == {"scale": 2.0}
    assert events(made(columns=turning), "encoder") == []
    assert events(made(encoder=Encoder(lost_counts=3.0)), "encoder") == []


def test_trips_are_stated_with_what_led_to_them() -> None:
    fault = between(10.0, 14.0, OVERCURRENT) + between(16.0, 20.0, UNDERVOLTAGE)
    columns = {"fault": fault, "rotor_rpm": between(9.0, 20.0, 3000.0), "target_A": between(9.95, 10.5, 200.0),
               "current_A": between(9.9, 9.95, 350.0) + between(9.95, 10.0, 410.0) + between(9.0, 9.9, 600.0),
    }  # fmt: skip
    first, second = events(made(columns=columns), "trip")
    assert (first.kind, first.cause) == ("trip.overcurrent", "demand")
    assert (first.start_s, first.end_s) == pytest.approx((10.0, 14.0))
    assert first.parameters == pytest.approx({"peak_current_A": 410.0, "speed_rpm": 3000.0, "lead_time_s": 0.1})
    assert (second.kind, second.cause, second.end_s) == ("trip.other", None, pytest.approx(20.0))
    assert second.parameters["fault_code"] == UNDERVOLTAGE


@pytest.mark.parametrize(
    ("columns", "scenario", "cause", "lead_s"),
    [
        ({}, {"short_circuits_s": (9.996,)}, "sudden", 0.0),
        ({}, {"short_circuits_s": (9.994,)}, "demand", 0.1),
        ({}, {"key_cycles": (KeyCycle(2.0, 18.0, dropouts=((9.5, 9.91),)),)}, "supply", 0.5),
        ({}, {"key_cycles": (KeyCycle(2.0, 18.0, dropouts=((9.5, 9.89),)),)}, "demand", 0.1),
        ({"deviation_rpm": between(9.95, 9.96, 5.0)}, {}, "encoder", 0.05),
        ({"deviation_rpm": between(9.88, 9.89, 5.0)}, {}, "demand", 0.1),
        ({}, {"tunings": (Tuning(0.0), Tuning(9.0, loop_damping=0.0), Tuning(11.0))}, "oscillation", 0.1),
        ({}, {"tunings": (Tuning(0.0, loop_damping=0.0), Tuning(9.0))}, "demand", 0.1),
        ({}, {"encoder": Encoder(lost_counts=1.0)}, "encoder", 0.1),
        ({}, {"encoder": Encoder(eccentricity=0.1)}, "encoder", 0.1),
        ({"target_A": 361.0}, {}, "limit", 0.1),  # nine tenths of the 400 A at which it trips
        ({"target_A": 359.0}, {}, "demand", 0.1),
        ({"target_A": 361.0 - between(9.96, 9.97, 79.0)}, {}, "limit", 0.1),  # a fifth of 400 A
        ({"target_A": 361.0 - between(9.96, 9.97, 81.0)}, {}, "demand", 0.04),
    ],
)  # fmt: skip
def test_a_trip_has_the_cause_that_the_scenario_gave_it(
    columns: dict[str, np.ndarray], scenario: dict[str, object], cause: str, lead_s: float
) -> None:
    drive = made(columns=columns, **scenario)
    found, row = _cause(drive, slice(9900, 10_001))
    assert found == cause
    assert (10_000 - row) * ROW_S == pytest.approx(lead_s)


@pytest.mark.parametrize(
    ("charge", "end_s", "cause"),
    [
        (replace(CHARGE, stops_s=50.0), 49.8, None), (replace(CHARGE, request_ends_s=50.0), 49.8, "request"),
        (replace(CHARGE, request_ends_s=50.0), 49.7, "limit"), (replace(CHARGE, fault_s=50.0), 50.0, "fault"),
        (replace(CHARGE, request_silent_s=50.0), 52.0, "communication"),
        (replace(CHARGE, supply_lost_s=50.0), 50.0, "supply"),
        (replace(CHARGE, unplugged_s=50.0, supply_lost_s=51.0), 52.0, "plug"),
        (replace(CHARGE, ends_at_C=40.0), 50.0, "temperature"), (replace(CHARGE, ends_at_V=340.0), 50.0, "limit"),
    ],
)  # fmt: skip
def test_a_charge_is_stopped_by_what_came_first(charge: Charge, end_s: float, cause: str | None) -> None:
    assert _stopped_by(charge, end_s) == cause


def charge_truth(charge: Charge, columns: dict[str, np.ndarray] | None = None) -> list[TruthEvent]:
    return events(made(60.0, columns=columns, charge=charge, pack=Pack(capacity_Ah=2.0)), "charge")


def test_a_whole_charge_is_stated_with_its_amounts() -> None:
    (found,) = charge_truth(CHARGE)
    drive = made(60.0, charge=CHARGE, pack=Pack(capacity_Ah=2.0))
    session = drive.charge
    assert session is not None
    assert (found.kind, found.cause, found.start_s) == ("charge.complete", None, pytest.approx(4.0))
    on = session.current > 0
    assert found.parameters["charge_Ah"] == pytest.approx(session.current.sum() * 0.1 / 3600)
    energy = (session.current * session.voltage).sum() * 0.1
    assert found.parameters["energy_Wh"] == pytest.approx(energy / 3600)
    mains = energy / 0.93 + 15.0 * on.sum() * 0.1
    assert found.parameters["efficiency_percent"] == pytest.approx(100 * energy / mains)
    assert found.parameters["taper_time_constant_s"] == pytest.approx(0.1 * 2.0 * 3600 / 35)


@pytest.mark.parametrize(
    ("charge", "kinds"),
    [
        (replace(CHARGE, starts=False), ["charge.no_current"]),
        (replace(CHARGE, voltage_error=0.01), ["charge.over_limit"]),
        (replace(CHARGE, voltage_error=0.004), ["charge.complete"]),
        (replace(CHARGE, current_share=0.8), ["charge.off_target"]),
        (replace(CHARGE, regulates_off_V=-1.0), ["charge.off_target"]),
        (replace(CHARGE, request_ends_s=6.0), ["charge.stopped"]),
        (replace(CHARGE, request_ends_s=6.0, obeys_s=6.0), ["charge.not_stopping"]),
        (replace(CHARGE, request_ends_s=6.0, obeys_s=4.0), ["charge.stopped"]),
        (replace(CHARGE, unplugged_s=6.0), ["charge.plug_out"]),
    ],
)
def test_what_was_wrong_with_a_charge_is_stated(charge: Charge, kinds: list[str]) -> None:
    assert [each.kind for each in charge_truth(charge)] == kinds


def test_a_limit_is_passed_from_the_first_to_the_last_moment_above_it() -> None:
    """Half a percent above 333 V is 334.665 V; the charger goes to 336.33 V."""
    drive = made(60.0, charge=replace(CHARGE, voltage_error=0.01), pack=Pack(capacity_Ah=2.0))
    (found,) = [each for each in drive_truth(drive) if each.kind == "charge.over_limit"]
    session = drive.charge
    assert session is not None
    above = session.time_s[session.charging & (session.voltage > 334.665)]
    assert (found.start_s, found.end_s) == pytest.approx((above[0], above[-1]))


def test_a_plug_that_is_pulled_is_stated_with_its_current_and_an_enabled_drive_with_its_time() -> None:
    (pulled,) = charge_truth(replace(CHARGE, unplugged_s=5.0))
    assert pulled.start_s == 5.0
    assert pulled.parameters["current_A"] == pytest.approx(20.0)
    enabled = between(2.0, 5.0, 1.0, 60.0)
    found = [each for each in charge_truth(CHARGE, {"enabled": enabled}) if each.kind == "charge.while_enabled"]
    assert (found[0].start_s, found[0].end_s) == pytest.approx((4.0, 4.999), abs=0.0011)
