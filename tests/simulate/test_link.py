"""The link under the motor: energy while it is alone, sag while it is not, and what opens or shorts it."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf

import numpy as np
import pytest

from logscope.simulate.circuits import HighVoltage
from logscope.simulate.drive import COLUMNS, OVERCURRENT, UNDERVOLTAGE, simulate_drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.hazel_drives import HAZEL, healthy_drive
from logscope.simulate.key_cycles import play
from logscope.simulate.link import Supply, advance_link, link_rows
from logscope.simulate.machine import Inverter
from logscope.simulate.scenarios import KeyCycle

CIRCUIT = HighVoltage(330.0, 150.0, 1e-3, pack_ohm=0.08, loop_ohm=0.02, bleeder_ohm=47e3)
SUPPLY = Supply(0.1, 1e-3, 0.0)


def rows(dropped):
    time_s = np.array([3.0])
    story = play(CIRCUIT, (KeyCycle(1.0, 10.0),), 10.0)
    return link_rows(CIRCUIT, story, time_s, np.array([dropped]))


def test_a_link_alone_gives_what_it_holds():
    # d(½Cv²)/dt = −P: 10 kW for 1 ms take 10 J of the 54.45 J that 1 mF holds at 330 V
    link, shift = rows(dropped=True), 0.0
    for _ in range(100):
        shift = advance_link(SUPPLY, link, 0, shift, 0.0, 10e3, 1e-5)
    volts = link.base_V[0] + shift
    held = 0.5e-3 * link.base_V[0] ** 2 - 10.0
    assert 0.5e-3 * volts**2 == pytest.approx(held, rel=1e-3)


def test_a_link_alone_bleeds_down():
    # exp(−t/RC), 47 kΩ and 1 mF: one time constant in 47 s
    link, shift = rows(dropped=True), 0.0
    for _ in range(4700):
        shift = advance_link(SUPPLY, link, 0, shift, 0.0, 0.0, 1e-2)
    assert link.base_V[0] + shift == pytest.approx(link.base_V[0] * exp(-1), rel=1e-3)


def test_a_closed_contactor_sags_by_resistance_times_current():
    link = rows(dropped=False)
    shift = advance_link(SUPPLY, link, 0, 0.0, -1.0, 33e3, 1e-4)
    assert shift == pytest.approx(-1.0 - 0.1 * 33e3 / link.base_V[0])


def cause(scenario, seed=3):
    events = drive_truth(simulate_drive(scenario, seed))
    return [(e.kind, e.cause) for e in events if e.kind.startswith(("trip", "contactor"))]


def test_a_contactor_that_drops_out_trips_by_undervoltage():
    drive = simulate_drive(replace(healthy_drive(), key_cycles=(KeyCycle(2.5, 38.0, dropouts=((16.5, 16.8),)),)), 3)
    fault = drive.column("fault")
    first = int(np.argmax(fault > 0))
    assert fault[first] == UNDERVOLTAGE
    # 54 J at some 30 kW last for about 2 ms
    assert 16.5 <= drive.time_s[first] < 16.51
    assert [e.kind for e in drive_truth(drive) if e.kind.startswith("contactor")] == ["contactor.dropout"]


def test_an_inverter_that_does_not_watch_its_link_trips_by_overcurrent():
    cycle = KeyCycle(2.5, 38.0, dropouts=((17.0, 17.12),))
    throttle = replace(healthy_drive().throttle, corners=((0.0, 0.0), (14.0, 0.0), (14.3, 1.0), (19.0, 1.0)))
    blind = replace(healthy_drive(), key_cycles=(cycle,), throttle=throttle, inverter=Inverter(supply_delay_s=inf))
    assert cause(blind)[:2] == [("contactor.dropout", None), ("trip.overcurrent", "supply")]


def test_a_short_circuit_trips_at_once():
    drive = simulate_drive(replace(healthy_drive(), short_circuits_s=(16.0,)), 3)
    trip = next(e for e in drive_truth(drive) if e.kind == "trip.overcurrent")
    # V/L = 330 V/0.15 mH is 2.2 kA/ms: over the 400 A in a fraction of a millisecond
    assert (trip.cause, trip.start_s) == ("sudden", pytest.approx(16.0, abs=0.0011))
    assert drive.column("fault").max() == OVERCURRENT


def test_opening_under_load_is_told_with_its_current():
    late = replace(healthy_drive(), key_cycles=(KeyCycle(2.5, 17.0, under_load=True),))
    event = next(e for e in drive_truth(simulate_drive(late, 3)) if e.kind == "contactor.opened_under_load")
    assert event.parameters["current_A"] > 20.0


def test_what_the_pack_gave_is_what_its_voltage_lost():
    # ΔOCV = ∫I·dt · (V per level)/(Q): Kirchhoff and the straight line of the pack
    drive = simulate_drive(healthy_drive(), 3)
    taken_As = drive.column("pack_A").sum() * 1e-3
    slope = drive.scenario.pack.volts_per_coulomb
    assert drive.column("drift_V")[-1] == pytest.approx(-taken_As * slope, rel=1e-3)
    assert COLUMNS[-1] == "drift_V"


def test_energy_from_the_pack_arrives_at_the_inverter():
    # ∫OCV·I = ∫P + ∫R·I² while the contactor is closed, to a thousandth
    drive = simulate_drive(healthy_drive(), 3)
    pack_A, power_W = drive.column("pack_A"), drive.column("power_W")
    driving = (drive.time_s > 5.0) & (drive.time_s < 19.0)
    volts = HAZEL.open_circuit_V + drive.column("drift_V")
    given_J = float((volts * pack_A)[driving].sum())
    heat_J = float(((HAZEL.pack_ohm + HAZEL.loop_ohm) * pack_A**2)[driving].sum())
    assert float(power_W[driving].sum()) + heat_J == pytest.approx(given_J, rel=1e-3)
