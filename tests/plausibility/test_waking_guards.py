"""What tells a controller that wakes from a voltage that was gone, guard by guard, each side of its edge.

True by construction. I = C·ΔU/Δt empties a capacitor; the other edges are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.waking import (
    LINKS,
    _apart,
    _dips,
    _no_true_dip,
    _pack_near,
    _same,
    _Start,
    _supply,
    _temperature,
)
from logscope.signals import Part, Signals
from logscope.vehicle import Precharge, Vehicle

LINK, SECOND = LINKS
PLAIN = Vehicle()


def part(name: str, value: list[float] | np.ndarray, period_s: float = 0.01, step: float = 0.0) -> Part:
    read = np.array(value, dtype=float)
    return Part(name, period_s * np.arange(read.size), read, "V", f"Made.{name}", step or None)


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 100.0)


def state(name: str, since_s: float, until_s: float, end_s: float = 10.0) -> Part:
    at = np.arange(0.05, end_s, 0.1)
    on = (at >= since_s) & (at < until_s)
    return Part(name, at, on.astype(float), "", f"Made.{name}", 1.0, on=on)


@pytest.mark.parametrize(
    ("value", "beside", "zeros"),
    [
        ([0, 0, 300, 300], 0.0, 2),
        ([0, 14, 300, 300], 0.0, 2),  # a twentieth of 300 V is 15 V
        ([0, 16, 300, 300], 0.0, 1),
        ([0, 0, 4, 90, 90], 5.0, 3),
        ([300, 300, 300], 0.0, 0),
        ([0, 15, 290, 300], 0.0, 0),  # not clear of the first reading
    ],
)
def test_first_readings_are_nothing_where_they_are_a_small_share_of_what_follows(
    value: list[float], beside: float, zeros: int
) -> None:
    assert _Start(part(LINK, value), 0, len(value)).zeros(beside) == zeros


def test_zeros_last_no_longer_than_a_second_or_three_readings() -> None:
    for count, zeros in ((100, 100), (102, 0)):
        made = part(LINK, [0.0] * count + [300.0] * 50)
        assert _Start(made, 0, made.value.size).zeros() == zeros
    slow = part(LINK, [0.0] * 3 + [300.0] * 50, period_s=2.0)
    assert _Start(slow, 0, 53).zeros() == 3
    for low, zeros in ((0.6, 2), (0.7, 0), (0.9, 0)):  # a twentieth of 12
        assert _Start(part(LINK, [low, low, 12.0, 12.0]), 0, 4).zeros() == zeros
    slower = part(LINK, [0.0] * 4 + [300.0] * 50, period_s=2.0)
    assert _Start(slower, 0, 54).zeros() == 0


@pytest.mark.parametrize(
    ("value", "step", "steady"),
    [
        ([300.0] * 25 + [291.5] * 9, 0.0, True),  # 3 % are 9 V
        ([300.0] * 20 + [290.5] * 9, 0.0, False),
        ([300.0] * 20 + [290.5] * 9, 1.0, True),  # and three steps
        ([300.0] * 20 + [287.5] * 9, 1.0, False),
        ([300.0] * 27 + [200.0] * 9, 0.0, True),  # a quarter of a second
        ([300.0] * 5, 0.0, True),
        ([300.0] * 4, 0.0, False),  # too few
    ],
)
def test_a_level_is_steady_within_three_percent_and_three_steps_for_a_quarter_second(
    value: list[float], step: float, steady: bool
) -> None:
    assert _Start(part(LINK, value, step=step), 0, len(value)).steady(0) is steady


def test_the_reading_before_a_silence_is_known_but_at_the_log_s_start() -> None:
    made = part(LINK, [1.0, 2.0, 3.0])
    assert _Start(made, 2, 3).before == 2.0
    assert np.isnan(_Start(made, 0, 3).before)


@pytest.mark.parametrize(
    ("one", "other", "step", "same"),
    [(100.0, 105.0, 0.0, True), (100.0, 94.9, 0.0, False), (100.0, 108.0, 1.0, True), (100.0, 108.1, 1.0, False)],
)
def test_readings_are_the_same_within_a_twentieth_and_three_steps(
    one: float, other: float, step: float, same: bool
) -> None:
    assert _same(part(LINK, [0.0], step=step), one, other) is same


def test_the_battery_nearest_in_time_counts_and_only_while_awake() -> None:
    pack = Part("battery_voltage", np.array([0.0, 1.0, 2.0, 3.0]), np.array([350.0, 20.0, 340.0, 330.0]), "V", "P.V")
    assert [_pack_near(log(pack), at) for at in (0.9, 1.1, 2.6)] == [350.0, 340.0, 330.0]
    assert _pack_near(log(part("battery_voltage", [20.0, 19.0])), 0.0) is None
    assert _pack_near(log(), 0.0) is None


@pytest.mark.parametrize(
    ("level", "parts", "highest", "until_s", "apart"),
    [
        (314.0, [part("battery_voltage", [350.0] * 9)], 350.0, 5.2, True),  # more than a tenth from 350 V
        (316.0, [part("battery_voltage", [350.0] * 9)], 350.0, 5.2, False),
        (386.0, [part("battery_voltage", [350.0] * 9)], 400.0, 5.2, True),
        (100.0, [state("main_contactor", 8.0, 9.0)], 350.0, 5.2, True),
        (316.0, [state("main_contactor", 8.0, 9.0)], 350.0, 5.2, False),  # as high as it ever reads
        (100.0, [state("main_contactor", 4.0, 4.8)], 350.0, 5.2, False),  # 0.3 s before
        (100.0, [state("main_contactor", 4.0, 4.6)], 350.0, 5.2, True),
        (100.0, [state("precharge_relay", 5.4, 6.0)], 350.0, 5.2, False),
        (100.0, [state("precharge_relay", 5.6, 6.0)], 350.0, 5.2, True),
        (100.0, [state("main_contactor", 8.0, 9.0, end_s=4.7)], 350.0, 5.2, False),  # no longer sent
        (209.0, [], 350.0, 5.2, True),  # by itself: below three fifths of 350 V, for a moment
        (211.0, [], 350.0, 5.2, False),
        (209.0, [], 350.0, 5.31, False),
    ],
)
def test_a_link_is_apart_far_from_its_pack_or_by_states_or_far_below_itself(
    level: float, parts: list[Part], highest: float, until_s: float, apart: bool
) -> None:
    """From 5.0 s on. Five readings stand at the highest level, a sixth is stray."""
    made = part(LINK, [highest] * 5 + [level] * 500)
    assert _apart(made, level, 5.0, until_s, log(made, *parts)) is apart


def test_a_single_stray_reading_is_no_level_of_the_link() -> None:
    made = part(LINK, [900.0] + [350.0] * 4 + [211.0] * 500)
    assert not _apart(made, 211.0, 5.0, 5.2, log(made))
    assert _apart(made, 209.0, 5.0, 5.2, log(made))


def dip(count: int = 1, back: float = 300.0, level: float = 300.0, low: float = 0.0, name: str = LINK) -> Part:
    return part(name, [level] * 500 + [low] * count + [back] * 500)


@pytest.mark.parametrize(
    ("made", "found"),
    [
        (dip(3), [(500, 503)]), (dip(4), []),  # three messages at most
        (dip(1, back=285.0), [(500, 501)]), (dip(1, back=284.0), []),  # back to within a twentieth
        (dip(1, low=15.0), [(500, 501)]), (dip(1, low=16.0), []),  # nothing is a twentieth
        (dip(1, level=10.0, back=10.0), [(500, 501)]), (dip(1, level=9.9, back=9.9), []),
        (dip(1, level=20.0, back=20.0, name="battery_voltage"), [(500, 501)]),
        (dip(1, level=19.9, back=19.9, name="battery_voltage"), []),
    ],
)  # fmt: skip
def test_a_dip_is_short_deep_and_back_where_it_was(made: Part, found: list[tuple[int, int]]) -> None:
    assert _dips(made) == found


def test_a_dip_is_held_against_the_reading_before_it() -> None:
    """The log begins with a link at rest, at 0 or 400 V; both readings that fall to 6 V do so from 300 V."""
    for first in (0.0, 400.0):
        value = np.array([first, *[300.0] * 20, 6.0, *[300.0] * 20, 0.0, *[300.0] * 20])
        assert _dips(Part(LINK, 0.01 * np.arange(value.size), value, "V", "A.B")) == [(21, 22), (42, 43)]
    low = np.array([400.0, *[60.0] * 20, 6.0, *[60.0] * 20])
    assert _dips(Part(LINK, 0.01 * np.arange(low.size), low, "V", "A.B")) == []  # a tenth of 60 V, above 5 V


@pytest.mark.parametrize(
    ("name", "amps", "stated_uF", "gone"),
    [
        # 1 mF from 300 V within 10 ms takes 30 A, of which a fifth are 6 A; at 100 µF 0.6 A
        (LINK, 5.9, 1000.0, False), (LINK, 6.1, 1000.0, True), (LINK, -6.1, 1000.0, True),
        (LINK, 0.59, None, False), (LINK, 0.61, None, True), (LINK, None, 1000.0, True),
        ("battery_voltage", 5.0, None, False), ("battery_voltage", -5.1, None, True),
        ("battery_voltage", None, None, True),
    ],
)  # fmt: skip
def test_a_voltage_was_gone_where_a_current_may_have_taken_it(
    name: str, amps: float | None, stated_uF: float | None, gone: bool
) -> None:
    made = dip(name=name)
    current = [] if amps is None else [part("battery_current", [amps] * 1001)]
    vehicle = Vehicle(precharge=Precharge(capacitance_uF=stated_uF))
    assert _no_true_dip(made, 500, 501, log(made, *current), vehicle) is not gone


@pytest.mark.parametrize(("other_V", "gone"), [(271.0, False), (269.0, True)])
def test_a_second_reading_of_the_link_says_whether_it_was_gone(other_V: float, gone: bool) -> None:
    made, second = dip(), dip(low=other_V, name=SECOND)
    assert _no_true_dip(made, 500, 501, log(made, second), PLAIN) is not gone


@pytest.mark.parametrize(("volts", "awake"), [(6.0, 2), (5.9, 0)])
def test_a_controller_that_sends_is_fed_with_six_volts(volts: float, awake: int) -> None:
    made = part("aux_voltage", [0.0, 0.0, volts, volts])
    assert _supply(_Start(made, 0, 4), log(made), PLAIN) == awake


@pytest.mark.parametrize(
    ("name", "value", "period_s", "awake"),
    [
        ("motor_temperature", [0.0, 0.0, 10.0, 10.0], 1.0, 2),
        ("motor_temperature", [0.0, 0.0, 9.9, 9.9], 1.0, 0),  # less than 10 K
        ("motor_temperature", [0.0, 0.0, 25.0, 25.0], 10.1, 0),  # within ten seconds a winding may heat
        ("motor_temperature", [0.0, 0.0, 25.0, 25.0], 9.9, 2),
        ("motor_temperature", [50.0] * 4 + [25.0] * 4, 1.0, 4),  # an old reading for three seconds
        ("motor_temperature", [50.0] * 5 + [25.0] * 4, 1.0, 0),
        ("inverter_temperature", [50.0] * 4 + [25.0] * 4, 1.0, 0),  # a junction may leap
        ("inverter_temperature", [0.0] * 9 + [25.0] * 4, 1.0, 9),
        ("motor_temperature", [0.0] * 9, 1.0, 0),
    ],
)
def test_a_temperature_begins_after_a_default_or_an_old_reading_and_a_step(
    name: str, value: list[float], period_s: float, awake: int
) -> None:
    made = part(name, value, period_s)
    assert _temperature(_Start(made, 0, len(value)), log(made), PLAIN) == awake
