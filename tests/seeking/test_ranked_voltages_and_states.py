"""Currents, voltages, links and states of ranked fields: rows over a grid with the outcome by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib import import_module

import numpy as np
import pytest
from made_search import AT, FIRST, FORCE, LINK, SPEED, STEP_S, by_number, field_of, hiss, numbers, search_of

from logscope.payload.fields import Field
from logscope.seeking.likeness.link_cycles import LinkCycle
from logscope.seeking.ranking import magnetising, outcome
from logscope.seeking.ranking.force import by_force, by_sag_and_power
from logscope.seeking.ranking.link import by_precharge
from logscope.seeking.ranking.outcome import link_up
from logscope.seeking.ranking.switches import _moments_of, by_moments
from logscope.seeking.ranking.voltage import _moves_a_little, by_converter, by_sag


@pytest.fixture(autouse=True)
def _few_tries(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chance is tried a few times only: what it gives is asked elsewhere."""
    monkeypatch.setattr(import_module("logscope.seeking.search"), "_TRIES", 4)
    monkeypatch.setattr(import_module("logscope.seeking.likeness.switches"), "_TRIES", 10)


def test_a_current_makes_the_battery_sag() -> None:
    current = 2 * hiss(3) - 100
    known = {"battery_voltage": 400 - 0.1 * current}
    hits, notes = by_sag_and_power(search_of([hiss(), 5 * current + 900], STEP_S, known), "battery_current")
    assert numbers(hits)[0] == 1
    assert hits[0].score > 0.94
    assert hits[0].reasons[0].startswith("correlation +1.00 with the sag of the known battery voltage")
    assert notes == []
    assert by_sag_and_power(search_of([hiss(), hiss(2)], STEP_S), "battery_current") == (
        [], ["Neither a battery voltage nor a speed is known or found."],
    )  # fmt: skip


def test_a_battery_voltage_sags_where_the_current_flows() -> None:
    current = 2 * hiss(3) - 100
    volts = 800 - current / 2
    hits, notes = by_sag(
        search_of([hiss(), volts, 1600 - volts], STEP_S, {"battery_current": current}), "battery_voltage"
    )
    assert numbers(hits)[0] == 1
    assert hits[0].score > 0.95
    assert notes == []
    assert by_number(hits)[2].score < 0.3  # it rises with the current
    # 95 % of values from 750 to 850
    assert (hits[0].scale, hits[0].unit) == (1.0, "V")
    assert "the level is 845 V" in hits[0].scale_from
    drawn = FORCE * SPEED / 10
    power = search_of([hiss(), 800 - drawn, 800 + drawn], STEP_S, {"vehicle_speed": SPEED})
    hits, _ = by_sag(power, "battery_voltage")
    assert numbers(hits)[0] == 1
    assert 2 not in by_number(hits)  # it rises under load
    assert hits[0].reasons[0].split(" with ")[1].startswith("force times speed of the known ")
    assert by_sag(search_of([hiss(), hiss(2)], STEP_S), "battery_voltage") == (
        [], ["No current and no speed is known or found, so no sag of a battery can be followed."],
    )  # fmt: skip


def test_a_battery_voltage_is_fitted_to_the_known_link() -> None:
    current = 2 * hiss(3) - 100
    volts = 400 - current / 5
    search = search_of([20 * volts], STEP_S, {"battery_current": current, "dc_link_voltage": volts - 1.0})
    (hit,), _ = by_sag(search, "battery_voltage")
    assert (hit.scale, hit.offset, hit.unit) == (pytest.approx(0.05), pytest.approx(-1.0), "V")
    assert hit.scale_from.startswith("Fitted to DC-link voltage by a straight line")


@pytest.mark.parametrize(
    ("share", "moves"), [(0.004, False), (0.006, True), (0.59, True), (0.61, False)]
)  # fmt: skip
def test_a_supply_moves_by_a_part_of_its_level(share: float, moves: bool) -> None:
    row = np.where(np.arange(1000) < 500, 1000.0, 1000.0 * (1 - share))
    row[:3] = 0.0  # single wild samples are none of it
    assert _moves_a_little(row) is moves


def test_a_supply_rises_while_the_link_is_up() -> None:
    volts = 120.0 + 20.0 * (LINK > 380)
    hits, notes = by_converter(
        search_of([hiss(), volts, 260 - volts], STEP_S, {"dc_link_voltage": LINK}), "aux_voltage"
    )
    assert numbers(hits)[0] == 1
    assert hits[0].score > 0.9
    assert hits[0].reasons[0].endswith("with the time in which the link is up")
    assert 2 not in by_number(hits)  # it falls
    assert notes == []
    assert by_converter(search_of([hiss()], STEP_S), "aux_voltage") == (
        [], ["No DC-link voltage with a precharge is known or found, after which a converter would start."],
    )  # fmt: skip


@pytest.mark.parametrize(("pack", "scale"), [(None, 0.5), (330.0, 0.3), (0.0, 0.5)])
def test_a_link_has_the_scale_of_the_pack_after_the_precharge(pack: float | None, scale: float) -> None:
    raw = LINK * 1100 / 400
    # the pack before the precharge and 3 s after it does not count
    volts = np.where((AT > 5.9) & (AT < 8.8), pack or 0.0, 50.0)
    hits, notes = by_precharge(
        search_of([hiss(), raw], STEP_S, None if pack is None else {"battery_voltage": volts}), "dc_link_voltage"
    )
    best = hits[0]
    assert numbers(hits)[0] == 1
    assert (best.scale, best.offset, best.unit) == (pytest.approx(scale, rel=0.01), 0.0, "V")
    assert best.moments[0] == pytest.approx(5.0, abs=0.1)
    assert best.moments[1] == pytest.approx(5.0 + 0.3 * math.log(20), abs=0.11)
    assert best.reasons[0].startswith(
        f"rises like a precharge at {best.moments[0]:.3f} s, from raw value 0 to 1100, time constant 300 ms, "
    )
    assert best.reasons[0].endswith("% off the curve")
    assert best.false_positive_rate < 0.5
    assert notes == []


def test_without_a_rise_no_field_is_a_link() -> None:
    assert by_precharge(search_of([SPEED], STEP_S), "dc_link_voltage") == (
        [], ["No field rises and stays up as a DC link does while it is precharged."],
    )  # fmt: skip


def switched(on_s: float, off_s: float = 99.0) -> np.ndarray:
    return ((on_s <= AT) & (off_s > AT)).astype(float)


@pytest.mark.parametrize(
    ("part", "states", "first"),
    [
        # link from 5.0 s, 90 % at 5.69, 95 % at 5.9, falls at 55.0
        ("precharge_relay", [switched(5.0, 6.3), switched(5.0, 7.0), switched(4.5, 6.3)], 0),
        ("main_contactor", [switched(5.2, 55.0), switched(6.0, 55.0), switched(6.6, 55.0), switched(6.0, 54.6)], 1),
        ("negative_contactor", [switched(5.4, 55.0), switched(3.6, 55.0), switched(4.2, 55.0), switched(4.2, 55.4)], 2),
        ("main_contactor", [1 - switched(6.0, 55.0), switched(2.0, 55.0)], 0),
    ],
)
def test_states_flip_at_the_moments_of_a_precharge(part: str, states: list[np.ndarray], first: int) -> None:
    search = search_of([hiss()], STEP_S, {"dc_link_voltage": LINK}, states)
    hits, notes = by_moments(search, part)
    best = hits[0]
    assert best.candidate.key.identifier == FIRST + 0x50 + first
    assert best.score == pytest.approx(1.0, abs=0.01)
    assert all(hit.score < 0.9 for hit in hits[1:])
    assert best.on_is_high is not (states[0][0] == 1)
    assert notes == ["The moments are those of the known DC-link voltage."]
    assert len(best.moments) == 2
    assert best.reasons[0].startswith(f"flips: on {best.moments[0]:.3f} s, off {best.moments[1]:.3f} s")
    assert best.reasons[1].startswith("expected: on at ")


def test_without_a_precharge_the_moments_are_unknown() -> None:
    assert by_moments(search_of([hiss()], STEP_S), "main_contactor")[1] == [
        "No DC-link voltage is known or found, so that the moments of relay and contactors are unknown."
    ]
    still = search_of([hiss()], STEP_S, {"dc_link_voltage": np.full(AT.size, 400.0)}, [switched(5.0)])
    assert by_moments(still, "main_contactor") == (
        [], ["The DC-link voltage shows no precharge, so that the moments are unknown."],
    )  # fmt: skip


def test_a_bit_of_a_longer_field_is_a_state_only_where_nothing_else_is() -> None:
    of_two = field_of(0x60, AT, switched(6.0, 55.0), 2)
    search = search_of([hiss()], STEP_S, {"dc_link_voltage": LINK}, [switched(6.0, 55.0)])
    vars(search)["flags"] = (of_two, *search.flags)
    hits, _ = by_moments(search, "main_contactor")
    assert [hit.score for hit in hits] == pytest.approx([1.0, 0.97], abs=0.001)


@pytest.mark.parametrize(("idle", "factor"), [(0.0, 0.75), (0.02, 0.75), (0.04, 1.0), (-0.04, 1.0)])
def test_a_motor_is_magnetised_while_the_link_is_up_and_no_torque_is_asked(idle: float, factor: float) -> None:
    """The field's current without torque, as a share of its span."""
    force = np.where((AT > 20) & (AT < 40), FORCE, 0.0)
    row = 1000 * np.abs(force) / FORCE.max() + 1000 * idle * (LINK > 380) + 300
    search = search_of([row], STEP_S, {"dc_link_voltage": LINK, "torque": force, "vehicle_speed": SPEED})
    factors = magnetising.magnetised(search)
    assert factors is not None
    assert factors.tolist() == [factor]
    up = link_up(search)
    assert up is not None
    assert magnetising._magnetising(search, up)[0] == pytest.approx(1000 * idle, abs=1.0)
    found = outcome.Correlated(np.array([0.9]), np.array([0.3]), np.zeros(1))
    less = magnetising.without_magnetising(search, found)
    assert (less.best[0], less.delay_s[0]) == (pytest.approx(1.0, abs=0.01), pytest.approx(0.0, abs=0.051))
    kept = magnetising.without_magnetising(
        search, outcome.Correlated(np.array([1.1]), np.array([0.3]), np.full(1, 2.0))
    )
    assert (kept.best[0], kept.delay_s[0], kept.chance.max()) == (1.1, 0.3, 2.0)


def test_without_a_link_nothing_is_known_of_a_magnetising_current() -> None:
    search = search_of([hiss()], STEP_S, {"torque": FORCE, "vehicle_speed": SPEED})
    assert magnetising.magnetised(search) is None
    found = outcome.Correlated(np.array([0.9]), np.array([0.3]), np.zeros(1))
    assert magnetising.without_magnetising(search, found) is found


def test_a_motor_current_is_magnetising_current_and_force() -> None:
    """Of two fields that follow the force alike the one that flows while no torque is asked is the current."""
    force = np.where((AT > 16) & (AT < 50), FORCE, 0.0)
    rows = [10 * np.abs(force), 10 * np.abs(force) + 6.0 * (LINK > 380)]
    known = {"dc_link_voltage": LINK, "torque": force, "vehicle_speed": SPEED}
    hits, _ = by_force(search_of(rows, STEP_S, known), "motor_current")
    assert numbers(hits) == [1, 0]
    assert hits[0].score > 0.9  # it moves a little to the other side of where it rests
    assert hits[1].score == pytest.approx(0.75, abs=0.02)
    without, _ = by_force(search_of(rows, STEP_S, {"torque": force, "vehicle_speed": SPEED}), "motor_current")
    assert numbers(without)[0] == 0
    throttle, _ = by_force(search_of([10 * np.maximum(force, 0.0)], STEP_S, known), "throttle")
    assert throttle[0].score == pytest.approx(
        0.75, abs=0.02
    )  # the pedal is as late as the torque; no current is sought


CYCLE = LinkCycle(10.0, 10.5, 10.8, 50.0)


@pytest.mark.parametrize(
    ("part", "end_s", "moments"),
    [
        ("precharge_relay", 60.0, [(True, 9.9, 10.0), (False, 10.8, 11.4)]),
        ("main_contactor", 60.0, [(True, 10.5, 11.1), (False, 49.9, 50.1)]),
        ("main_contactor", 51.1, [(True, 10.5, 11.1), (False, 49.9, 50.1)]),
        ("main_contactor", 50.9, [(True, 10.5, 11.1)]),  # the log ends before the fall is seen
        ("negative_contactor", 60.0, [(True, 9.0, 10.0), (False, 49.9, 50.1)]),
    ],
)
def test_what_a_switch_must_do_around_a_precharge(
    part: str, end_s: float, moments: list[tuple[bool, float, float]]
) -> None:
    found = _moments_of(part, CYCLE, end_s)
    assert [(each.on, each.early_s, each.late_s) for each in found] == [
        (on, pytest.approx(early), pytest.approx(late)) for on, early, late in moments
    ]


def test_a_battery_voltage_is_read_with_what_stands_above_its_field() -> None:
    """The field changes in its low 8 bits alone: 0x100 stands above all of its values."""
    current = 2 * hiss(3) - 100
    low = np.round(100 - current / 5)
    search = search_of([low], STEP_S, {"battery_current": current, "dc_link_voltage": (low + 256.0) / 4 - 1.0})
    wide = field_of(0, AT, low + 256.0, 9)
    narrow = replace(wide, segment=replace(wide.segment, field=Field(0, 8)))
    vars(search)["numbers"] = (narrow,)
    (hit,), _ = by_sag(search, "battery_voltage")
    assert hit.candidate.field.bits == 9
    assert (hit.scale, hit.offset) == (pytest.approx(0.25), pytest.approx(-1.0, abs=1e-6))
    assert hit.scale_limits == pytest.approx((0.25, 0.25))
    assert hit.offset_limits == pytest.approx((-1.0, -1.0))
    assert hit.scale_from.startswith("Fitted to DC-link voltage")


def test_a_supply_is_a_level_with_what_stands_above_its_field() -> None:
    """From 266 to 276 counts; the low bits alone read less than 30, which is no level."""
    low = 10.0 + 10.0 * (LINK > 380)
    search = search_of([low], STEP_S, {"dc_link_voltage": LINK})
    wide = field_of(0, AT, low + 256.0, 9)
    vars(search)["numbers"] = (replace(wide, segment=replace(wide.segment, field=Field(0, 8))),)
    (hit,), _ = by_converter(search, "aux_voltage")
    assert hit.score > 0.9
    assert by_converter(search_of([low], STEP_S, {"dc_link_voltage": LINK}), "aux_voltage")[0] == []
