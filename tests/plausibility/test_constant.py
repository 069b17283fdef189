"""A part that never changes is doubted where something else in the log must have moved it, and only there.

The reasons are physical (Ohm's law at a battery's terminals, a shaft's inertia, heat); the shares and spans are common
practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_parts import encoded, signals
from score_runs import CASES, play
from score_signals import signals_of_drive, vehicle_for

from logscope.plausibility.constant import constant_readings
from logscope.signals import Encoding, Part
from logscope.simulate.layouts import AS_DEFINED
from logscope.vehicle import Vehicle

BIT = Encoding(1, False, 1.0, 0.0)
TENTHS = Encoding(16, True, 0.1, 0.0)
WHOLE = Encoding(16, True, 1.0, 0.0)
BYTE = Encoding(8, False, 1.0, -40.0)


def doubted(*parts: Part) -> list[str]:
    return [name for doubt in constant_readings(signals(*parts), Vehicle()) for name in doubt.doubtful]


def made(name: str, value: object, encoding: Encoding, end_s: float = 30.0, period_s: float = 0.02) -> Part:
    time_s = np.arange(0.0, end_s, period_s)
    true = value(time_s) if callable(value) else np.full(time_s.size, value)
    return encoded(name, time_s, true, encoding)


def pulses(level: float):  # type: ignore[no-untyped-def]
    return lambda time_s: np.where((time_s % 10.0) < 4.0, level, 0.0)


def test_a_shaft_that_turns_without_a_flicker_is_none():
    assert doubted(made("motor_speed", 3000.0, Encoding(16, False, 0.25, 0.0))) == ["motor_speed"]
    assert doubted(made("motor_speed", lambda t: np.where(t < 0.01, 0.0, 3000.0), WHOLE)) == ["motor_speed"]


def test_a_coarse_speed_that_is_held_needs_a_load_that_changes():
    speed = made("vehicle_speed", 60.0, Encoding(8, False, 1.0, 0.0))
    assert doubted(speed) == []
    assert doubted(speed, made("motor_current", pulses(200.0), TENTHS)) == ["vehicle_speed"]
    assert doubted(speed, made("motor_current", 90.0, TENTHS)) == []


def test_a_parked_vehicle_may_read_zero_for_ever():
    parked = [made("motor_speed", 0.0, WHOLE), made("vehicle_speed", 0.0, TENTHS), made("dc_link_voltage", 0.0, TENTHS)]
    assert doubted(*parked, made("battery_voltage", 331.0, TENTHS), made("battery_current", 0.4, TENTHS)) == []
    assert doubted(made("motor_speed", 0.0, WHOLE), made("vehicle_speed", 40.0, TENTHS)) == ["motor_speed"]


@pytest.mark.parametrize("name", ["battery_voltage", "dc_link_voltage"])
def test_a_voltage_that_does_not_move_under_current_is_dead(name):
    constant = made(name, 331.0, TENTHS)
    assert doubted(constant, made("battery_current", pulses(300.0), TENTHS)) == [name]
    assert doubted(constant, made("battery_current", pulses(20.0), TENTHS)) == []
    assert (
        doubted(made(name, 331.0, Encoding(8, False, 2.0, 0.0)), made("battery_current", pulses(300.0), TENTHS)) == []
    )


def test_a_motor_draws_no_current_from_an_empty_link():
    assert doubted(made("dc_link_voltage", 0.0, TENTHS), made("motor_current", pulses(120.0), TENTHS)) == [
        "dc_link_voltage"
    ]


def test_a_temperature_stands_still_on_a_short_drive_only():
    load = made("motor_current", pulses(200.0), TENTHS, 1200.0, 0.1)
    assert doubted(made("motor_temperature", 31.0, BYTE, 1200.0, 1.0), load) == ["motor_temperature"]
    assert doubted(made("motor_temperature", 31.0, BYTE, 300.0, 1.0), load) == []
    assert doubted(made("motor_temperature", 31.0, BYTE, 1200.0, 1.0)) == []


def test_a_temperature_that_is_zero_beside_a_warm_one_is_not_measured():
    zero = made("motor_temperature", 0.0, BYTE, period_s=0.1)
    assert doubted(zero, made("coolant_temperature", 24.0, BYTE, period_s=0.1)) == ["motor_temperature"]
    assert doubted(zero, made("coolant_temperature", 1.0, BYTE, period_s=0.1)) == []


def test_a_contactor_that_carries_current_is_not_open():
    link, pack = made("dc_link_voltage", 330.0, TENTHS), made("battery_voltage", 331.0, TENTHS)
    current = made("motor_current", pulses(120.0), TENTHS)
    state = made("main_contactor", 0.0, BIT, period_s=0.1)
    assert doubted(link, pack, current, state) == ["main_contactor"]
    assert doubted(link, pack, made("motor_current", pulses(3.0), TENTHS), state) == []
    falls = made("dc_link_voltage", lambda t: 330.0 * np.exp(-t / 5.0), TENTHS)
    assert doubted(falls, pack, made("motor_current", lambda t: np.where(t > 5, 120.0, 0.0), TENTHS), state) == []


@pytest.mark.parametrize(("period_s", "dead"), [(0.01, True), (0.1, True), (0.5, False)])
def test_a_relay_that_charges_the_link_is_not_open(period_s, dead):
    """At half a second a sample the relay may have been closed between two of them."""
    link = made("dc_link_voltage", lambda t: 331.0 * -np.expm1(-np.maximum(t - 5.0, 0.0) / 0.3), TENTHS)
    relay = made("precharge_relay", 0.0, BIT, period_s=period_s)
    assert doubted(link, made("battery_voltage", 331.0, TENTHS), relay) == (["precharge_relay"] if dead else [])


def test_the_finding_names_value_and_reason():
    speed, road = made("motor_speed", 0.0, WHOLE), made("vehicle_speed", 40.0, TENTHS)
    (doubt,) = constant_readings(signals(speed, road), Vehicle())
    assert doubt.finding.kind == "mapping.constant"
    assert "0 rpm throughout" in doubt.finding.title
    assert "40 km/h" in doubt.reason


@pytest.mark.parametrize("case", ["city", "hill", "stand", "neutral"])
def test_sound_drives_raise_no_doubt(case):
    vehicle = vehicle_for(AS_DEFINED)
    played, draw = play(CASES[case], 31)
    for period_s in (0.01, 0.1):
        parts, _ = signals_of_drive(played, draw, replace(AS_DEFINED, period_s=period_s), vehicle)
        assert constant_readings(parts, vehicle) == []


@pytest.mark.parametrize("dead", ["torque", "motor_current", "battery_current"])
def test_a_motor_at_work_moves_torque_and_both_currents(dead):
    level = {"torque": 120.0, "motor_current": 250.0, "battery_current": 90.0}
    turning = [made("motor_speed", lambda t: 2500.0 + 20.0 * np.sin(t), WHOLE), made("battery_voltage", 330.0, WHOLE)]
    at_work = [made(name, pulses(most), TENTHS) for name, most in level.items() if name != dead]
    for stuck in (0.0, level[dead]):
        assert doubted(*turning, *at_work, made(dead, stuck, TENTHS)) == [dead]
    # the other motor of a vehicle drives, or the heater draws: one witness is none
    for lone in at_work:
        idle = [made(name, 0.4, TENTHS) for name in level if name not in (dead, lone.name)]
        assert dead not in doubted(*turning, lone, *idle, made(dead, 0.0, TENTHS))
    # a vehicle that stands and charges
    standing = [made("motor_speed", 0.0, WHOLE), made("battery_voltage", 330.0, WHOLE)]
    assert doubted(*standing, *at_work, made(dead, 0.0, TENTHS)) == []


def test_a_live_link_that_never_moves_is_none_while_the_pack_sags():
    def sagging(t):  # type: ignore[no-untyped-def]
        return 331.0 - pulses(8.0)(t)

    stuck = made("dc_link_voltage", 330.0, TENTHS)
    assert doubted(stuck, made("battery_voltage", sagging, TENTHS)) == ["dc_link_voltage"]
    assert doubted(stuck, made("battery_voltage", 331.0, TENTHS)) == []
    dead = made("dc_link_voltage", 0.0, TENTHS)  # contactors open while the pack is charged
    assert doubted(dead, made("battery_voltage", sagging, TENTHS)) == []


def test_a_pack_at_zero_feeds_no_link():
    closed = made("main_contactor", 1.0, BIT)
    pack, link = made("battery_voltage", 0.0, TENTHS), made("dc_link_voltage", 330.0, TENTHS)
    assert doubted(pack, link, closed) == ["battery_voltage"]
    assert doubted(pack, link, made("main_contactor", 0.0, BIT)) == []


def test_controllers_that_talk_are_supplied():
    assert doubted(made("aux_voltage", 0.0, TENTHS)) == ["aux_voltage"]
    assert doubted(made("aux_voltage", 12.6, TENTHS)) == []
