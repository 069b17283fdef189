"""Where a part that begins, or begins again after a silence, has its first reading: part by part, by hand.

True by construction: a capacitor loses no charge by itself, a shaft has inertia. The edges are common practice, no
published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.waking import (
    LINKS,
    _battery,
    _held,
    _lasting_high,
    _link,
    _no_true_dip,
    _other_link,
    _path_open,
    _relay_closed,
    _speed,
    _Start,
    _temperature,
    waking_samples,
)
from logscope.signals import Part, Signals
from logscope.vehicle import Motor, Vehicle

LINK, SECOND = LINKS
PLAIN = Vehicle()


def part(
    name: str, value: list[float] | np.ndarray, period_s: float = 0.01, silent_s: float = 0.0, at: int = 0
) -> Part:
    """Readings at a pace, with a silence before one of them."""
    read = np.array(value, dtype=float)
    time_s = period_s * np.arange(read.size)
    time_s[at:] += silent_s
    return Part(name, time_s, read, "V", f"Made.{name}")


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 100.0)


def state(name: str, *closed: tuple[float, float], end_s: float = 10.0, first_s: float = 0.05) -> Part:
    at = np.arange(first_s, end_s, 0.1)
    on = np.any([np.zeros(at.size, bool), *((at >= since) & (at < until) for since, until in closed)], axis=0)
    return Part(name, at, on.astype(float), "", f"Made.{name}", on=on)


def pack(level: float) -> Part:
    return part("battery_voltage", [level] * 100, 0.1)


@pytest.mark.parametrize(
    ("level", "beside", "awake"),
    [
        (319.0, [pack(355.0)], 2),  # more than a tenth from the battery's voltage
        (320.0, [pack(355.0)], 0),
        (390.0, [pack(355.0)], 0),
        (391.0, [pack(355.0)], 2),
        (20.0, [pack(355.0)], 2),
        (19.9, [pack(355.0)], 0),
        (300.0, [], 0),
        (300.0, [part(SECOND, [270.0] * 9)], 2),  # another device read it meanwhile
        (300.0, [part(SECOND, [269.0] * 9)], 0),
        (300.0, [state("negative_contactor", (5, 6))], 2),  # no path was closed
        (300.0, [state("negative_contactor", (0, 6))], 0),
    ],
)
def test_a_link_does_not_begin_with_a_step_that_charges_it(level: float, beside: list[Part], awake: int) -> None:
    made = part(LINK, [0.0, 3.0] + [level] * 40)
    assert _link(_Start(made, 0, 42), log(made, *beside), PLAIN) == awake


def test_a_link_that_does_not_stay_at_its_first_level_may_be_charging() -> None:
    made = part(LINK, [0.0, 3.0, 200.0, 230.0, 250.0] + [260.0] * 40)
    assert _link(_Start(made, 0, 45), log(made, pack(355.0)), PLAIN) == 0
    assert _link(_Start(part(LINK, [300.0] * 42), 0, 42), log(made, pack(355.0)), PLAIN) == 0


@pytest.mark.parametrize(
    ("before", "silent_s", "beside", "zeros"),
    [
        (300.0, 0.26, [], 2),  # within 0.3 s no active discharge empties half a link
        (300.0, 0.31, [], 0),
        (290.0, 0.26, [], 2),  # within a twentieth
        (284.0, 0.26, [], 0),
        (300.0, 0.31, [pack(345.0)], 2),  # apart from its battery
        (300.0, 0.31, [pack(320.0)], 0),
    ],
)
def test_a_link_is_not_emptied_and_charged_again_within_a_short_silence(
    before: float, silent_s: float, beside: list[Part], zeros: int
) -> None:
    made = part(LINK, [before] * 40 + [0.0] * 2 + [300.0] * 3 + [200.0] * 9, 0.01, silent_s, 40)
    assert _link(_Start(made, 40, 54), log(made, *beside), PLAIN) == 40 + zeros


@pytest.mark.parametrize(
    ("value", "period_s", "awake"),
    [
        ([0, 0, 300, 300], 0.1, 2), ([0, 200, 200, 300, 300], 0.1, 3), ([250, 250, 300], 0.1, 2),
        ([250, 300, 300], 0.1, 0),  # one reading is no plateau
        ([14.9, 300, 300], 0.1, 1), ([15.1, 300, 300], 0.1, 0),  # a twentieth of 300 V
        ([200, 200, 222.3], 0.1, 2), ([200, 200, 222.0], 0.1, 0),  # a tenth
        ([0, 0, 20, 20], 0.1, 2), ([0, 0, 19.9, 19.9], 0.1, 0),
        ([0, 0, 50, 50, 100, 100, 200, 200, 400], 0.1, 6),  # three plateaus
        ([0, 0, 300, 300, 280, 280, 340, 340], 0.1, 2),  # it falls: from there on it is measured
        ([200] * 60 + [300] * 3, 1.0, 60), ([200] * 62 + [300] * 3, 1.0, 0),  # a minute
    ],
)  # fmt: skip
def test_a_battery_begins_after_its_last_step_up_from_a_level_that_never_moved(
    value: list[float], period_s: float, awake: int
) -> None:
    made = part("battery_voltage", [9.0, 9.0, *value], period_s)
    assert _battery(_Start(made, 2, made.value.size), log(made), PLAIN) == 2 + awake


@pytest.mark.parametrize(
    ("name", "value", "period_s", "vehicle", "awake"),
    [
        ("motor_speed", [0, 0, 1600, 1600], 0.01, PLAIN, 2),  # 150,000 rpm/s are 1,500 rpm
        ("motor_speed", [0, 0, 1400, 1400], 0.01, PLAIN, 0),
        ("motor_speed", [0, 0, -1600, -1600], 0.01, PLAIN, 2),
        ("motor_speed", [0, 0, 1600, 1279], 0.01, PLAIN, 0),  # a fifth off the next
        ("motor_speed", [0, 0, 1600, 1919], 0.01, PLAIN, 2),
        ("motor_speed", [0, 0, 1600], 0.01, PLAIN, 0),
        ("motor_speed", [0, 0, 301, 301], 0.001, PLAIN, 2),
        ("motor_speed_second", [0, 0, 299, 299], 0.001, PLAIN, 0),
        ("motor_speed", [0, 0, 700, 700], 0.01, Vehicle(motor=Motor(max_torque_Nm=100, rotor_inertia_kgm2=0.05)), 2),
        ("motor_speed", [0, 0, 500, 500], 0.01, Vehicle(motor=Motor(max_torque_Nm=100, rotor_inertia_kgm2=0.05)), 0),
        ("vehicle_speed", [0, 0, 10, 10], 0.01, PLAIN, 2), ("vehicle_speed", [0, 0, 9.9, 9.9], 0.01, PLAIN, 0),
    ],
)  # fmt: skip
def test_a_shaft_does_not_begin_at_speed(
    name: str, value: list[float], period_s: float, vehicle: Vehicle, awake: int
) -> None:
    made = part(name, value, period_s)
    assert _speed(_Start(made, 0, len(value)), log(made), vehicle) == awake


@pytest.mark.parametrize(
    ("before", "silent_s", "awake"), [(1000.0, 0.96, 2), (1000.0, 0.98, 0), (840.0, 0.5, 2), (830.0, 0.5, 0)]
)
def test_a_shaft_that_goes_on_as_before_a_silence_did_not_stand_in_between(
    before: float, silent_s: float, awake: int
) -> None:
    """Within a second in all, and a fifth."""
    made = part("motor_speed", [before] * 20 + [0.0] * 2 + [1000.0] * 9, 0.01, silent_s, 20)
    assert _speed(_Start(made, 20, 31), log(made), PLAIN) == 20 + awake


@pytest.mark.parametrize(
    ("value", "awake"),
    [
        ([50.0, 25.0, 25.0, 25.0], 1),
        ([0.0, 25.0, 25.0], 1),
        ([0.0] * 49 + [25.0] * 9, 49),
        ([0.0] * 50 + [25.0] * 9, 0),
    ],
)
def test_a_temperature_begins_with_its_first_change_among_fifty_readings(value: list[float], awake: int) -> None:
    made = part("motor_temperature", value, 1.0)
    assert _temperature(_Start(made, 0, len(value)), log(made), PLAIN) == awake
    late = part("motor_temperature", [30.0, 30.0, *value], 1.0)
    assert _temperature(_Start(late, 2, len(value) + 2), log(late), PLAIN) == 2 + awake


def test_each_start_is_judged_unless_a_message_is_sent_on_events() -> None:
    def often(times: int) -> list[int]:
        value, time_s = [], []
        for block in range(times + 1):
            value += [0.0, *[2000.0] * 49]
            time_s += (block * 2.0 + 0.01 * np.arange(50)).tolist()
        value += [2000.0] * (400 - len(value))
        time_s += (time_s[-1] + 0.01 * np.arange(1, 401 - len(time_s))).tolist()
        made = Part("motor_speed", np.array(time_s), np.array(value), "rpm", "A.B")
        return np.flatnonzero(waking_samples(log(made), PLAIN)["motor_speed"]).tolist()

    assert often(4) == [0, 50, 100, 150, 200]  # a hundredth of 400 readings
    assert often(5) == [0]


def test_only_known_parts_with_two_readings_are_judged_each_by_its_own_rule() -> None:
    assert waking_samples(log(part("torque", [0.0, 0.0, 300.0, 300.0])), PLAIN) == {}
    assert waking_samples(log(part("aux_voltage", [0.0])), PLAIN) == {}
    for name, level in (("aux_voltage", 13.0), ("battery_voltage", 300.0), ("motor_temperature", 25.0)):
        found = waking_samples(log(part(name, [0.0, 0.0, *[level] * 9])), PLAIN)
        assert np.flatnonzero(found[name]).tolist() == [0, 1]
    dip = part("battery_voltage", [300.0] * 20 + [0.0] + [300.0] * 20)
    idle = part("battery_current", [1.0] * 41)
    assert np.flatnonzero(waking_samples(log(dip, idle), PLAIN)["battery_voltage"]).tolist() == [20]


@pytest.mark.parametrize(("period_s", "short"), [(0.14, True), (0.16, False)])
def test_a_battery_that_was_gone_for_two_messages_was_not_gone(period_s: float, short: bool) -> None:
    """From the first to the last reading of nothing at most 0.15 s, with no current to speak of."""
    made, idle = (
        part("battery_voltage", [300.0, 0.0, 0.0, 300.0], period_s),
        part("battery_current", [5.0] * 4, period_s),
    )
    assert _no_true_dip(made, 1, 3, log(made, idle), PLAIN) is short
    busy = part("battery_current", [5.1] * 4, period_s)
    assert not _no_true_dip(made, 1, 3, log(made, busy), PLAIN)


@pytest.mark.parametrize(
    ("states", "open_"),
    [
        ([state("negative_contactor", (0, 4.6))], True),
        ([state("negative_contactor", (0, 4.8))], False),  # 0.3 s before
        ([state("negative_contactor", (0, 1), (5.4, 6))], False),
        ([state("negative_contactor", (0, 1), (5.6, 6))], True),
        ([state("negative_contactor")], False),  # never closed: dead
        ([state("main_contactor", (0, 1))], False),
        ([state("precharge_relay", (0, 1))], False),
        ([state("main_contactor", (0, 1)), state("precharge_relay", (0, 1))], True),
        ([state("main_contactor", (0, 1)), state("precharge_relay", (0, 5.1))], False),
        ([state("main_contactor", (0, 5.1)), state("precharge_relay", (0, 1))], False),
        (
            [
                state("main_contactor", (0, 5.1)),
                state("precharge_relay", (0, 5.1)),
                state("negative_contactor", (0, 1)),
            ],
            True,
        ),
        ([state("negative_contactor", (0, 1), end_s=4.9)], True),  # two messages
        ([state("negative_contactor", (0, 1), end_s=4.8)], False),
        ([], False),
    ],
)
def test_no_path_is_closed_where_states_that_live_say_so(states: list[Part], open_: bool) -> None:
    assert _path_open(log(*states), 5.0, 5.2) is open_


def test_a_relay_is_as_its_last_message_says() -> None:
    relay = state("precharge_relay", (2.0, 3.0))
    assert [_relay_closed(log(relay), at) for at in (0.0, 2.0, 2.06, 3.0, 3.06, 50.0)] == [
        False, False, True, True, False, False,
    ]  # fmt: skip
    assert not _relay_closed(log(), 2.5)


def test_another_reading_of_the_link_counts_by_its_lowest_meanwhile() -> None:
    made, second = part(LINK, [1.0] * 9), part(SECOND, [9.0, 5.0, 4.0, 6.0, 3.0], 0.1)
    assert _other_link(made, 0.1, 0.3, log(made, second)) == 4.0
    assert _other_link(second, 0.0, 0.1, log(made, second)) == 1.0
    assert _other_link(made, 0.5, 0.9, log(made, second)) is None
    assert _other_link(made, 0.1, 0.3, log(made)) is None


def test_a_held_reading_is_a_second_old_at_most() -> None:
    amps = part("battery_current", [1.0, 2.0, 3.0], 0.5)
    assert [_held(log(amps), "battery_current", at) for at in (0.4, 1.9, 2.1, -0.1)] == [1.0, 3.0, None, None]
    assert _held(log(), "battery_current", 0.0) is None


def test_the_highest_level_is_that_of_five_readings() -> None:
    assert _lasting_high(np.array([9.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0])) == 5.0
    assert _lasting_high(np.array([9.0, 8.0])) == 8.0
