"""Whole drives: what follows from what, and how long it takes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from write_sample_logs import SAMPLE_SEED

from logscope.simulate.circuits import HighVoltage
from logscope.simulate.drive import simulate_drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.encoder import EncoderFault, Fault
from logscope.simulate.hazel_drives import healthy_drive, pedal, troubled_drive
from logscope.simulate.key_cycles import play
from logscope.simulate.scenarios import KeyCycle, Profile, Tuning

CIRCUIT = HighVoltage(330.0, 150.0, 1e-3, bleeder_ohm=47e3)


def kinds(events):
    return [event.kind for event in events]


def trips(scenario, seed=SAMPLE_SEED):
    return [e for e in drive_truth(simulate_drive(scenario, seed)) if e.kind == "trip.overcurrent"]


def test_without_interference_the_troubled_drive_does_not_trip():
    # the counterfactual: the encoder is the cause because without its disturbance nothing happens
    assert {trip.cause for trip in trips(troubled_drive())} == {"encoder"}
    assert trips(replace(troubled_drive(), interference=())) == []


def test_a_single_scripted_dropout_under_load_trips_by_the_encoder():
    fault = EncoderFault(Fault.DROPOUT, 17.0, 17.04)
    found = trips(replace(healthy_drive(), encoder_faults=(fault,)))
    assert [trip.cause for trip in found] == ["encoder"]
    assert found[0].start_s == pytest.approx(17.0, abs=0.05)


def test_a_stab_at_a_poorly_damped_loop_trips_by_demand():
    stab = Profile(((0.0, 0.0), (16.0, 0.0), (16.05, 1.0), (17.0, 1.0), (17.2, 0.0)))
    lively = Tuning(0.0, loop_Hz=25.0, loop_damping=0.25, torque_ramp_Nm_per_s=12000.0)
    first = trips(replace(healthy_drive(), throttle=stab, tunings=(lively,)))[0]
    assert first.cause == "demand"
    assert trips(replace(healthy_drive(), throttle=stab)) == []


def test_healthy_drive_has_nothing_wrong():
    events = drive_truth(simulate_drive(healthy_drive(), SAMPLE_SEED))
    assert kinds(events) == ["precharge.complete", "dc_link.discharged"]


def test_trip_latches_until_the_driver_resets_it():
    scenario = replace(troubled_drive(), reset_after_s=2.5)
    drive = simulate_drive(scenario, SAMPLE_SEED)
    trip = next(e for e in drive_truth(drive) if e.kind == "trip.overcurrent")
    assert trip.end_s - trip.start_s == pytest.approx(2.5, abs=0.01)
    latched = (drive.time_s > trip.start_s + 0.02) & (drive.time_s < trip.end_s - 0.01)
    assert drive.column("current_A")[latched].max() < 1.0


def test_the_same_seed_drives_the_same_drive():
    one, two = (simulate_drive(troubled_drive(), 5).rows for _ in range(2))
    assert np.array_equal(one, two)


@pytest.mark.parametrize(
    ("cycle", "expected"),
    [
        (KeyCycle(1.0, 20.0), "precharge.complete"),
        (KeyCycle(1.0, 20.0, resistance_ohm=260.0), "precharge.slow"),
        (KeyCycle(1.0, 20.0, resistance_ohm=75.0), "precharge.fast"),
        (KeyCycle(1.0, 20.0, resistance_ohm=0.05), "precharge.bypassed"),
        (KeyCycle(1.0, 20.0, resistance_ohm=1e9), "precharge.no_rise"),
        (KeyCycle(1.0, 20.0, parallel_ohm=400.0), "precharge.stalled"),
        (KeyCycle(1.0, 20.0, power_W=160.0, cut_in_V=200.0), "precharge.stalled"),
        (KeyCycle(1.0, 20.0, drop_out_s=0.15), "precharge.interrupted"),
        (KeyCycle(1.0, 20.0, close_fraction=0.6), "precharge.closed_early"),
    ],
)
def test_key_cycle_becomes_what_its_fault_says(cycle, expected):
    assert play(CIRCUIT, (cycle,), 30.0).truth[0].kind == expected


def test_each_retry_is_an_attempt():
    story = play(CIRCUIT, (KeyCycle(1.0, 30.0, parallel_ohm=400.0, retries=2),), 30.0)
    assert kinds(story.truth) == ["precharge.stalled"] * 3
    assert [e.start_s for e in story.truth] == [1.0, 6.0, 11.0]
    assert story.closed == ()


def test_welded_contactor_leaves_the_link_live():
    story = play(CIRCUIT, (KeyCycle(1.0, 5.0, welded=True),), 30.0)
    assert kinds(story.truth) == ["precharge.complete", "dc_link.stays_live"]
    assert story.solution.sample(np.array([25.0])).link_V[0] == pytest.approx(330.0, abs=0.5)


def test_overlapping_key_cycles_are_refused():
    with pytest.raises(ValueError, match="follow one another"):
        play(CIRCUIT, (KeyCycle(5.0, 20.0), KeyCycle(3.0, 25.0)), 30.0)


def test_a_pedal_is_up_between_its_presses():
    foot = pedal((5.0, 10.0, 0.4), (20.0, 22.0, 1.0, 0.05))
    at_s = np.array([0.0, 5.0, 5.15, 5.3, 10.0, 10.1, 10.2, 15.0, 20.0, 20.025, 20.05, 22.0, 22.2, 30.0])
    expected = [0.0, 0.0, 0.2, 0.4, 0.4, 0.2, 0.0, 0.0, 0.0, 0.5, 1.0, 1.0, 0.0, 0.0]
    assert foot.at(at_s) == pytest.approx(expected)
