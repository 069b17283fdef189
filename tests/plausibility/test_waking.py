"""Readings of a controller that wakes are taken out; events that could have happened stay.

Reasons are physical: the charge of a capacitor, the inertia of a shaft, a battery's source voltage. The shapes are
those of production vehicles (the captures' tests); the numbers are made.
"""

from __future__ import annotations

import numpy as np
import pytest
from key_cycle_traces import Logging, hazel, play_log
from made_parts import encoded, signals

from logscope.plausibility.clean import clean
from logscope.plausibility.waking import waking_samples
from logscope.signals import Encoding, Part, Signals
from logscope.simulate.scenarios import KeyCycle
from logscope.vehicle import Precharge, Vehicle

VOLTS = Encoding(16, False, 1.0, 0.0)
TENTHS = Encoding(16, False, 0.1, 0.0)
UNTOLD = Vehicle()


def falling(time_s, level: float = 134.0, constant_s: float = 24.0):  # type: ignore[no-untyped-def]
    """A link that discharges by itself."""
    return level * np.exp(-time_s / constant_s)


def grid(*spans: tuple[float, float], period_s: float = 0.01) -> np.ndarray:
    return np.concatenate([np.arange(*span, period_s) for span in spans])


def taken(part: Part, *more: Part, vehicle: Vehicle = UNTOLD) -> list[int]:
    found = waking_samples(signals(part, *more), vehicle)
    return np.flatnonzero(found.get(part.name, np.zeros(0))).tolist()


def pack(level: float = 355.0, end_s: float = 10.0) -> Part:
    time_s = np.arange(0.0, end_s, 0.1)
    return encoded("battery_voltage", time_s, np.full(time_s.size, level), TENTHS)


def with_first(time_s, true, at_s: float, *readings: float):  # type: ignore[no-untyped-def]
    """The first readings after a moment replaced."""
    value = true.copy()
    first = int(np.searchsorted(time_s, at_s))
    value[first : first + len(readings)] = readings
    return value, list(range(first, first + len(readings)))


@pytest.mark.parametrize("silent_s", [0.05, 0.2, 1.0])
@pytest.mark.parametrize("readings", [(0.0, 4.0), (0.0,), (0.0, 0.0, 0.0)])
@pytest.mark.parametrize("others", [(), (pack(),)])
def test_zeros_after_a_silence_are_no_fall_of_the_link(silent_s, readings, others):
    time_s = grid((0.0, 2.0), (2.0 + silent_s, 6.0))
    value, expected = with_first(time_s, falling(time_s), 1.999, *readings)
    known = others or silent_s < 0.3  # without the battery's voltage a long silence may hide a discharge and a charge
    part = encoded("dc_link_voltage", time_s, value, VOLTS)
    assert taken(part, *others) == (expected if known else [])


def test_zeros_at_the_start_of_a_log_are_no_charge_to_a_level_that_is_not_the_batterys():
    time_s = grid((0.0, 5.0))
    value, expected = with_first(time_s, falling(time_s), 0.0, 0.0, 4.0)
    part = encoded("dc_link_voltage", time_s, value, VOLTS)
    assert taken(part, pack()) == expected
    assert taken(part) == []  # with no battery's voltage it may be one


def test_a_link_charged_past_its_resistor_stays():
    for time_s in (grid((0.0, 5.0)), grid((0.0, 1.0), (3.0, 8.0))):
        value, _ = with_first(time_s, np.full(time_s.size, 355.0), 0.0, 0.0, 0.0)
        assert taken(encoded("dc_link_voltage", time_s, value, VOLTS), pack()) == []


def test_a_restart_in_which_the_link_was_discharged_and_charged_again_stays():
    time_s = grid((0.0, 2.0), (7.0, 12.0), period_s=0.1)
    value, _ = with_first(time_s, np.full(time_s.size, 355.0), 6.9, 0.0, 0.0)
    assert taken(encoded("dc_link_voltage", time_s, value, VOLTS), pack(end_s=12.0)) == []


@pytest.mark.parametrize("period_s", [0.01, 0.02, 0.05, 0.1])
@pytest.mark.parametrize("constant_s", [0.02, 0.1, 0.4])
def test_a_precharge_from_zero_stays(period_s, constant_s):
    time_s = grid((0.0, 5.0), period_s=period_s)
    for begin_s in (-0.005, 0.13):
        true = np.where(time_s < begin_s, 0.0, 354.0 * -np.expm1(-np.maximum(time_s - begin_s, 0.0) / constant_s))
        part = encoded("dc_link_voltage", time_s, true, VOLTS)
        assert taken(part, pack()) == []
        assert taken(part) == []


def test_a_precharge_that_pauses_stays():
    time_s = grid((0.0, 5.0), period_s=0.05)
    charged_s = np.clip(time_s - 0.2, 0.0, 0.05) + np.maximum(time_s - 0.4, 0.0)
    part = encoded("dc_link_voltage", time_s, 354.0 * -np.expm1(-charged_s / 0.1), VOLTS)
    assert taken(part, pack()) == []


def amps(level: float, end_s: float = 10.0) -> Part:
    time_s = np.arange(0.0, end_s, 0.1)
    return encoded("battery_current", time_s, np.full(time_s.size, level), Encoding(16, True, 0.1, 0.0))


@pytest.mark.parametrize("count", [1, 2])
def test_a_dip_without_a_silence_is_judged_by_what_could_have_emptied_the_link(count):
    """C·ΔV/Δt = 1 mF · 355 V / 10 ms = 35 A must flow to empty it: nothing does at 2 A, a motor does at 120 A."""
    time_s = grid((0.0, 5.0))
    vehicle = Vehicle(precharge=Precharge(capacitance_uF=1000))
    joined, dip = with_first(time_s, np.full(time_s.size, 355.0), 2.0, *[0.0] * count)
    alone, _ = with_first(time_s, falling(time_s), 2.0, *[0.0] * count)
    link = encoded("dc_link_voltage", time_s, joined, VOLTS)
    assert taken(link, pack(), amps(2.0), vehicle=vehicle) == dip
    assert taken(link, pack(), amps(120.0), vehicle=vehicle) == []
    assert taken(link, pack()) == []
    assert taken(encoded("dc_link_voltage", time_s, alone, VOLTS), pack()) == dip


@pytest.mark.parametrize("level", [25.0, 60.0, 200.0])
def test_a_dip_of_a_link_that_the_states_call_open_is_none(level):
    time_s = grid((0.0, 8.0))
    true = np.where(time_s < 4.0, falling(time_s, level), 355.0)
    value, dip = with_first(time_s, true, 2.0, 0.0, 4.0)
    link = encoded("dc_link_voltage", time_s, value, VOLTS)
    state_s = np.arange(0.0, 8.0, 0.1)
    closed = encoded("main_contactor", state_s, (state_s > 4.05) * 1.0, Encoding(1, False, 1.0, 0.0))
    assert taken(link, closed) == dip
    assert taken(link) == dip  # no battery sags from 355 V to that level: the link stood alone
    dead = encoded("main_contactor", state_s, state_s * 0.0, Encoding(1, False, 1.0, 0.0))
    value, _ = with_first(time_s, np.full(time_s.size, 355.0), 2.0, 0.0, 4.0)
    assert taken(encoded("dc_link_voltage", time_s, value, VOLTS), dead) == []
    assert taken(encoded("dc_link_voltage", time_s, value, VOLTS)) == []


@pytest.mark.parametrize(("level", "period_s"), [(12.0, 0.05), (46.0, 0.1), (130.0, 0.2)])
def test_a_link_by_itself_cannot_be_empty_for_a_few_messages_however_slow_they_are(level, period_s):
    """From 46 V to zero within 0.1 s would take more than any discharge; what the relay held there may fall so fast."""
    time_s = grid((0.0, 8.0), period_s=period_s)
    value, dip = with_first(time_s, np.where(time_s < 4.0, level, 355.0), 2.0, 0.0, 4.0)
    link = encoded("dc_link_voltage", time_s, value, VOLTS)
    state_s = np.arange(0.0, 8.0, 0.1)
    held = encoded("precharge_relay", state_s, (state_s < 2.1) * 1.0, Encoding(1, False, 1.0, 0.0))
    assert taken(link, pack()) == dip
    assert taken(link, pack(), held) == []
    joined, _ = with_first(time_s, np.full(time_s.size, 355.0), 2.0, 0.0, 4.0, 0.0)
    assert taken(encoded("dc_link_voltage", time_s, joined, VOLTS), pack()) == []


def test_a_dip_that_a_second_device_does_not_see_is_none():
    time_s = grid((0.0, 5.0))
    value, dip = with_first(time_s, np.full(time_s.size, 355.0), 2.0, 0.0, 0.0)
    second = encoded("dc_link_voltage_second", time_s, np.full(time_s.size, 355.0), VOLTS)
    same = encoded("dc_link_voltage_second", time_s, value, VOLTS)
    link = encoded("dc_link_voltage", time_s, value, VOLTS)
    assert taken(link, second, amps(120.0)) == dip
    assert taken(link, same, amps(120.0)) == []


@pytest.mark.parametrize("zero_s", [0.04, 0.5, 3.0])
def test_a_battery_voltage_begins_with_its_first_measurement(zero_s):
    """Zeros, then a default that never moves, then the battery: as a plug-in hybrid sends it."""
    time_s = grid((0.0, 10.0))
    true = np.select([time_s < zero_s, time_s < zero_s + 0.16], [0.0, 200.8], 316.0)
    part = encoded("battery_voltage", time_s, true, TENTHS)
    assert taken(part) == np.flatnonzero(time_s < zero_s + 0.16).tolist()


def test_a_battery_that_sags_and_recovers_keeps_every_sample():
    time_s = grid((0.0, 10.0))
    rng = np.random.default_rng(5)
    current = np.where((time_s > 1.0) & (time_s < 3.0), 400.0, 0.0)
    part = encoded("battery_voltage", time_s, 331.0 - 0.12 * current + rng.normal(0, 0.2, time_s.size), TENTHS)
    assert taken(part) == []
    coarse = encoded("battery_voltage", time_s, 331.0 - 0.12 * current, Encoding(8, False, 2.0, 0.0))
    assert taken(coarse) == []


@pytest.mark.parametrize("first_s", [0.0, 2.5])
def test_a_shaft_does_not_start_at_speed(first_s):
    time_s = grid((0.0, 2.0), (2.5, 6.0)) if first_s else grid((0.0, 6.0))
    value, expected = with_first(time_s, 2950.0 + 20.0 * np.sin(time_s), first_s, 0.0, 0.0, 3.0)
    assert taken(encoded("motor_speed", time_s, value, Encoding(16, True, 1.0, 0.0))) == expected


def test_a_dropout_of_the_encoder_stays():
    time_s = grid((0.0, 6.0))
    value, _ = with_first(time_s, np.full(time_s.size, 2950.0), 3.0, 0.0, 0.0)
    assert taken(encoded("motor_speed", time_s, value, Encoding(16, True, 1.0, 0.0))) == []


@pytest.mark.parametrize("default", [-40.0, 0.0])
def test_a_temperature_does_not_start_at_its_default(default):
    time_s = np.arange(0.0, 60.0, 0.5)
    value, expected = with_first(time_s, 24.0 + time_s / 30.0, 0.0, default, default)
    assert taken(encoded("motor_temperature", time_s, value, Encoding(8, False, 1.0, -40.0))) == expected
    frost = encoded("motor_temperature", time_s, -40.0 + time_s / 5.0, Encoding(8, False, 1.0, -40.0))
    assert taken(frost) == []


def test_a_slow_controller_repeats_what_it_knew_before_it_slept():
    time_s = np.arange(0.0, 60.0, 1.0)
    value, expected = with_first(time_s, np.round(24.0 + time_s / 30.0), 0.0, 41.0, 41.0)
    degrees = Encoding(8, False, 1.0, -40.0)
    assert taken(encoded("coolant_temperature_out", time_s, value, degrees)) == expected
    late, _ = with_first(time_s, np.round(24.0 + time_s / 30.0), 0.0, *[41.0] * 8)
    assert taken(encoded("coolant_temperature_out", time_s, late, degrees)) == []  # so long it was a reading
    assert taken(encoded("inverter_temperature", time_s, value, degrees)) == []  # a junction may leap


def test_the_supply_of_a_controller_that_sends_is_not_zero():
    time_s = np.arange(0.0, 20.0, 0.1)
    value, expected = with_first(time_s, np.full(time_s.size, 13.2), 0.0, 0.0, 0.3)
    assert taken(encoded("aux_voltage", time_s, value, Encoding(8, False, 0.1, 0.0))) == expected


def test_what_is_taken_out_is_counted_and_named():
    time_s = grid((0.0, 2.0), (2.05, 6.0))
    value, expected = with_first(time_s, falling(time_s), 1.999, 0.0, 4.0)
    cleaned = clean(signals(encoded("dc_link_voltage", time_s, value, VOLTS), pack()), UNTOLD)
    (finding,) = cleaned.findings
    assert finding.kind == "mapping.waking"
    assert finding.measured["count"].value == len(expected)
    assert "0 V and 4 V" in finding.title
    assert cleaned.signals["dc_link_voltage"].value.min() > 100.0
    assert finding.evidence.as_logged  # so that its chart shows what was left out
    assert cleaned.originals["dc_link_voltage"].value.min() == 0.0


@pytest.mark.parametrize("seed", range(900, 906))
@pytest.mark.parametrize("period_s", [0.01, 0.05])
def test_key_cycles_lose_no_sample(seed, period_s):
    """Simulated key cycles with driving, precharge and discharge; restarts while the link is still charged."""
    cycles = (KeyCycle(0.5, 9.0), KeyCycle(10.0, 16.0))
    played = play_log(seed, cycles, 25.0, hazel(), Logging(period_s=period_s))
    assert waking_samples(played.signals, UNTOLD) == {}
    without = Signals({"dc_link_voltage": played.signals["dc_link_voltage"]}, 0.0, 25.0)
    assert waking_samples(without, UNTOLD) == {}


@pytest.mark.parametrize("open_path", [("main_contactor", "precharge_relay"), ("negative_contactor",)])
@pytest.mark.parametrize("silent_s", [0.35, 1.0])
def test_zeros_while_no_path_is_closed_are_no_reading_of_a_link_that_stands_after_them(open_path, silent_s):
    """Nothing charges a link whose contactors are open: at key-off a controller restarts beside a full link."""
    time_s = grid((0.0, 2.0), (2.0 + silent_s, 6.0))
    value, expected = with_first(time_s, np.full(time_s.size, 355.0), 2.0, 0.0, 0.0)
    part = encoded("dc_link_voltage", time_s, value, VOLTS)
    at_s = np.arange(0.0, 6.0, 0.05)

    def state(name: str, opens_s: float) -> Part:
        return encoded(name, at_s, (at_s < opens_s).astype(float), Encoding(1, False, 1.0, 0.0))

    assert taken(part, pack(), *(state(name, 1.9) for name in open_path)) == expected
    assert taken(part, pack(), *(state(name, 2.2 + silent_s) for name in open_path)) == []  # it may have been charged
    assert taken(part, pack(), *(state(name, -1.0) for name in open_path)) == []  # dead states
    if len(open_path) > 1:
        assert taken(part, pack(), state(open_path[0], 1.9)) == []  # the relay may have charged it


def test_a_log_that_begins_long_before_its_controllers_wake_keeps_what_they_read() -> None:
    """A logger fed by the battery runs from the evening on: zeros and marks for hours, then the key is turned."""
    time_s = np.arange(0.0, 20.0, 0.1)
    awake = time_s >= 15.0
    battery = encoded("battery_voltage", time_s, np.where(awake, 355.0 + 0.1 * np.sin(time_s), 0.0), TENTHS)
    speed = encoded("motor_speed", time_s, np.where(awake, 900.0 + 40.0 * np.sin(time_s), 65535.0), VOLTS)
    cleaned = clean(signals(battery, speed), UNTOLD)
    for name in ("battery_voltage", "motor_speed"):
        assert cleaned.signals.parts[name].time_s[0] == pytest.approx(15.0)
        assert name not in cleaned.signals.doubtful


def test_marks_among_most_readings_leave_a_part_unknown() -> None:
    time_s = np.arange(0.0, 20.0, 0.1)
    true = np.arange(time_s.size) % 5 == 0
    speed = encoded("motor_speed", time_s, np.where(true, 900.0 + 40.0 * np.sin(time_s), 65535.0), VOLTS)
    assert "motor_speed" in clean(signals(speed), UNTOLD).signals.doubtful
