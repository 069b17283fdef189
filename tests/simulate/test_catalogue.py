"""The catalogue: sound drives are sound, and each fault is what its family says."""

from __future__ import annotations

from functools import cache

import pytest
from drive_catalogue import faults, healthy, vary

from logscope.simulate.drive import simulate_drive
from logscope.simulate.drive_truth import drive_truth
from logscope.simulate.encoder import Encoder, count_speed

SEED = 11
SOUND = {"precharge.complete", "dc_link.discharged", "charge.complete"}
FAULTS = {case.name: case for case in faults()}


@cache
def events(case):
    return drive_truth(simulate_drive(vary(case.scenario, SEED), SEED))


@pytest.mark.parametrize("case", healthy(), ids=lambda case: case.name)
def test_nothing_is_wrong_in_a_healthy_drive(case):
    assert {event.kind for event in events(case)} <= SOUND


@pytest.mark.parametrize("name", [n for n in FAULTS if n.startswith(("precharge", "dc_link", "contactor"))])
def test_a_fault_of_the_high_voltage_is_what_it_is_called(name):
    assert FAULTS[name].family.split(",")[0] in {event.kind for event in events(FAULTS[name])}


@pytest.mark.parametrize("name", [n for n in FAULTS if n.startswith("trip.overcurrent")])
def test_a_trip_has_the_cause_it_is_called_by(name):
    causes = {event.cause for event in events(FAULTS[name]) if event.kind == "trip.overcurrent"}
    assert causes == {FAULTS[name].family.split(", ")[1]}


@pytest.mark.parametrize("name", [n for n in FAULTS if n.startswith("encoder.")])
def test_a_fault_of_the_encoder_is_what_it_is_called(name):
    assert FAULTS[name].family.split(",")[0] in {event.kind for event in events(FAULTS[name])}


def test_every_kind_and_cause_of_the_contract_has_its_case():
    kinds, causes = set(), set()
    for case in (*healthy(), *FAULTS.values()):
        kinds |= {event.kind for event in events(case)}
        causes |= {event.cause for event in events(case) if event.cause}
    assert causes == {
        "encoder", "demand", "oscillation", "supply", "limit", "sudden", "welded", "request", "communication",
        "fault", "temperature",
        *("stopped", "never_ran", "sagging", "over_voltage", "empty_battery", "source_resistance", "loose_connection"),
    }  # fmt: skip
    assert kinds >= {
        *(f"precharge.{k}" for k in ("complete", "slow", "fast", "stalled", "no_rise", "interrupted")),
        "precharge.closed_early", "precharge.bypassed",
        "dc_link.discharged", "dc_link.slow_discharge", "dc_link.stays_live",
        "contactor.opened_under_load", "contactor.dropout",
        *(f"encoder.{k}" for k in ("spike", "dropout", "hold", "reversal", "burst", "scale", "ripple")),
        "trip.overcurrent", "trip.other",
        *(f"charge.{k}" for k in ("complete", "stopped", "over_limit", "off_target", "not_stopping", "while_enabled")),
        "charge.plug_out",
        *(f"aux.{k}" for k in ("supply", "dip", "backfeed")),
        *(f"cooling.{k}" for k in ("no_flow", "air", "pump_stopped", "pump_dry", "derating")),
    }  # fmt: skip


def test_an_eccentric_target_reads_true_over_a_whole_turn_and_wrong_within():
    # the angle read is φ + e·sin φ: a quarter turn from 0 shows e·N/2π counts too many, a whole one none
    encoder, turn = Encoder(counts_per_rev=10_000.0, eccentricity=0.05), 2 * 3.141592653589793
    quarter = count_speed(encoder, 1e-9, turn / 4) / (60 / (10_000.0 * 0.01))
    assert quarter == pytest.approx(2500 + 0.05 * 10_000 / turn, abs=1.5)
    assert count_speed(encoder, 1e-9, turn + 1e-9) == pytest.approx(6000.0, abs=1.5)


def test_lost_lines_leave_that_many_counts_out_of_each_turn():
    encoder, turn = Encoder(lost_counts=12.0), 2 * 3.141592653589793
    assert count_speed(encoder, 0.1, 10 * turn + 0.1) == pytest.approx(6000.0 * 10 * 228 / 240, abs=25.1)
