"""Products that must be positive, each guard on both sides of its edge: made readings by hand.

Ohm's law for the sag, M·ω for the shaft; the edges are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.signs import SignTie, _changes, _large, _means, sign_ties
from logscope.signals import Part, Signals

AT = np.arange(300) * 0.1


def part(name: str, value: object, step: float | None = None, time_s: np.ndarray = AT) -> Part:
    return Part(name, time_s, np.broadcast_to(np.array(value, dtype=float), time_s.shape), "", f"{name}.Made", step)


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 30.0)


def shares(*parts: Part) -> dict[frozenset[str], float]:
    """Of ties that are no range of a single positive quantity."""
    return {tie.of: tie.positive for tie in sign_ties(log(*parts)) if "impossible" not in tie.fact}


@pytest.mark.parametrize(
    "name",
    ["dc_link_voltage", "dc_link_voltage_second", "battery_voltage", "vehicle_speed", "throttle", "throttle_second",
     "aux_voltage", "charger_voltage", "charger_current", "charger_voltage_target", "charger_current_target",
     "converter_voltage", "coolant_pump_speed", "coolant_pump_current", "charger_input_power", "cell_voltage_lowest",
     "cell_voltage_highest", "state_of_charge"],
)  # fmt: skip
def test_what_is_positive_by_its_nature_is_judged_by_its_larger_readings(name: str) -> None:
    value = np.where(AT < 10, 100.0, np.where(AT < 20, -29.0, 0.0))
    (tie,) = sign_ties(log(part(name, value)))
    assert tie == SignTie(frozenset({name}), 1.0, "it is negative, which is impossible")
    value[AT >= 10] = -31.0
    (tie,) = sign_ties(log(part(name, value)))
    assert tie.positive == pytest.approx(1 / 3)


@pytest.mark.parametrize(("count", "said"), [(5, True), (4, False)])
def test_five_products_that_are_not_zero_make_a_tie(count: int, said: bool) -> None:
    assert bool(list(sign_ties(log(part("throttle", np.where(np.arange(300) < count, 50.0, 0.0)))))) is said


def levels(*of: float, each_s: float = 1.0) -> np.ndarray:
    return np.repeat(np.array(of), round(10 * each_s))


def changes(volts: np.ndarray, amps: np.ndarray, step: float = 0.1, swing: float = 100.0) -> list[float]:
    at = np.arange(volts.size) * 0.1
    return _changes(
        part("battery_voltage", volts, step, at), part("battery_current", amps, None, at), 1.0, swing
    ).tolist()


def test_changes_are_the_fall_of_the_voltage_times_the_rise_of_the_current() -> None:
    amps = levels(0, 100, 100, 0, -50)
    assert changes(350 - 0.1 * amps, amps) == pytest.approx([1000.0, 1000.0, 250.0])
    assert changes(350 + 0.1 * amps, amps) == pytest.approx([-1000.0, -1000.0, -250.0])
    assert changes(350 - 0.1 * amps, amps, swing=190.0) == pytest.approx([1000.0, 1000.0, 250.0])  # a quarter of it
    assert changes(350 - 0.1 * amps, amps, swing=210.0) == pytest.approx([1000.0, 1000.0])
    assert changes(350 - 0.1 * amps, amps, step=1.6) == pytest.approx([1000.0, 1000.0, 250.0])  # three steps
    assert changes(350 - 0.1 * amps, amps, step=1.7) == pytest.approx([1000.0, 1000.0])
    dead = np.where(np.arange(amps.size) >= 30, 0.49, 1.0) * (350 - 0.1 * amps)  # below half: asleep
    assert changes(dead, amps) == pytest.approx([1000.0])
    awake = np.where(np.arange(amps.size) >= 30, 0.55, 1.0) * (350 - 0.1 * amps)
    assert changes(awake, amps) == pytest.approx([1000.0, -14_750.0, 137.5])  # 340, 192.5 and 195.25 V
    exact = levels(350, 347, 347, 350, 354), levels(0, 100, 100, 0, -100)
    assert changes(*exact, step=1.0) == [400.0]  # 3 V are three steps
    assert changes(*exact, step=0.99) == pytest.approx([300.0, 300.0, 400.0])
    assert changes(*exact, step=0.99, swing=400.0) == []  # and 100 A a quarter
    assert changes(np.where(np.arange(amps.size) < 10, 160.0, 350 - 0.1 * amps), amps) == pytest.approx([1000.0, 250.0])


def test_a_mean_is_of_the_samples_from_a_moment_on_or_the_newest_reading() -> None:
    made = part("torque", [1.0, 3.0, 5.0, 7.0], None, np.array([0.0, 0.1, 0.2, 1.0]))
    assert _means(made, np.array([0.0, 0.1, 0.25, 0.9, 1.0]), 0.2).tolist() == [2.0, 4.0, 5.0, 7.0, 7.0]


def sag(amps: np.ndarray, ohm: float = 0.1, step: float = 0.1, amp_step: float | None = None) -> float | None:
    pack = part("battery_voltage", 350.0 - ohm * amps, step)
    return shares(pack, part("battery_current", amps, amp_step)).get(frozenset({"battery_current"}))


def test_a_pack_sags_over_a_second_or_four_where_its_current_moves_more_than_rounding() -> None:
    fast = levels(*[0, 100] * 15)
    assert (sag(fast), sag(fast, -0.1)) == (1.0, 0.0)
    assert sag(fast, amp_step=33.0) == 1.0
    assert sag(fast, amp_step=34.0) is None  # the whole swing is three steps
    assert sag(levels(0, 100, 0, 100, 0, 100)[:300].repeat(5)) == 1.0  # five changes
    assert sag(levels(*[-50, 50] * 15)) == 1.0  # the swing is 100 A, whichever way the current flows
    assert sag(levels(*[-150, -50] * 15), amp_step=33.0) == 1.0
    assert sag(levels(*[-150, -50] * 15), amp_step=34.0) is None
    slow = np.interp(AT, [0, 2, 6, 10, 14, 18, 22, 26, 30], [0, 0, 100, 100, 0, 0, 100, 100, 0])
    assert sag(slow) == 1.0  # none of its changes within a second is a quarter of the swing
    assert sag(np.concatenate([levels(0, 100, 0, 100), np.full(260, 100.0)])) is None  # three changes
    assert shares(part("battery_voltage", 300.0)) == shares(part("battery_current", 5.0)) == {}
    coarse = np.arange(150) * 2.0  # at 2 s a reading the shortest time is ten seconds
    amps = np.repeat([0.0, 100.0] * 15, 5)
    made = part("battery_voltage", 350 - 0.1 * amps, 0.1, coarse), part("battery_current", amps, None, coarse)
    assert shares(*made)[frozenset({"battery_current"})] == 1.0


DRIVES, BRAKES = (AT >= 5) & (AT < 15), (AT >= 18) & (AT < 28)
WHO = frozenset({"battery_current", "torque", "motor_speed"})


def power(**changed: object) -> float | None:
    made = {"torque": 100.0 * DRIVES - 60.0 * BRAKES, "motor_speed": 3000.0, "battery_voltage": 400.0,
            "battery_current": 2.0 + 90.0 * DRIVES - 40.0 * BRAKES} | changed  # fmt: skip
    return shares(*(part(name, value) for name, value in made.items())).get(WHO)


def test_shaft_and_battery_have_one_direction_of_power() -> None:
    assert power() == 1.0
    assert power(battery_current=2.0 - 90.0 * DRIVES - 40.0 * BRAKES) == 0.5
    assert power(torque=100.0 * DRIVES) is None  # never negative: it may be a magnitude
    assert power(torque=100.0 * DRIVES, motor_speed=-3000.0) == 0.0
    weak = -90.0 * DRIVES - 26.0 * BRAKES  # 26 A are less than 30 % of 90 A
    assert power(battery_current=2.0 + weak) == 0.0
    assert power(battery_current=2.0 - 90.0 * DRIVES - 28.0 * BRAKES) == 0.5
    assert power(battery_current=-90.0 * DRIVES, torque=100.0 * DRIVES - 29.0 * BRAKES) == 0.0
    heater = -90.0 * DRIVES - 40.0 * BRAKES
    heater[(AT < 2) | (AT >= 28)] += 39.0
    assert power(battery_current=heater) == 0.5
    heater[(AT < 2) | (AT >= 28)] += 2.0  # a heater as strong as braking
    assert power(battery_current=heater) == 0.0
    assert power(battery_current=-90.0 * DRIVES - 40.0 * BRAKES, motor_speed=np.where(BRAKES, 890.0, 3000.0)) == 0.0


PULLS = np.where(DRIVES, 100.0, np.where(BRAKES, -100.0, 0.0))
TURNS = np.interp(AT, [0, 5, 15, 18, 28, 30], [0, 0, 3000, 3000, 0, 0])


def test_torque_turns_the_shaft_its_own_way() -> None:
    both = frozenset({"torque", "motor_speed"})
    assert shares(part("torque", PULLS), part("motor_speed", TURNS))[both] == 1.0
    assert shares(part("torque", -PULLS), part("motor_speed", TURNS))[both] == 0.0
    coasts = np.where(BRAKES, 0.0, PULLS)
    assert both not in shares(part("torque", coasts), part("motor_speed", TURNS))  # magnitudes
    weak = np.where(BRAKES, 29.0, -PULLS)  # below 30 % of the highest
    assert shares(part("torque", weak), part("motor_speed", TURNS))[both] == 0.0
    assert shares(part("torque", np.where(BRAKES, -31.0, -PULLS)), part("motor_speed", TURNS))[both] == pytest.approx(
        0.5, abs=0.05
    )
    late = np.interp(AT, [0, 5, 15, 18, 28, 30], [0, 0, 3000, 3000, 2150, 2150])  # slows down by 28 % as fast
    assert shares(part("torque", -PULLS), part("motor_speed", late))[both] == 0.0
    noisy = part("torque", -PULLS + 40.0 * np.where(np.arange(300) % 2, 1.0, -1.0))  # four times its scatter: 387 Nm
    assert both not in shares(noisy, part("motor_speed", TURNS))


@pytest.mark.parametrize(("name", "other"), [("torque", "torque_target"), ("motor_speed", "motor_speed_second")])
def test_two_readings_of_one_quantity_have_one_sign_where_both_are_strong_and_clear(name: str, other: str) -> None:
    of = frozenset({name, other})
    assert shares(part(name, PULLS), part(other, PULLS))[of] == 1.0
    assert shares(part(name, PULLS), part(other, -PULLS))[of] == 0.0
    for share, product in ((0.29, 0.0), (0.31, 0.5)):
        mixed = np.where(BRAKES, share * PULLS, -PULLS)
        assert shares(part(name, PULLS), part(other, mixed))[of] == product
        assert shares(part(name, mixed), part(other, PULLS))[of] == product
    noise = 40.0 * np.where(np.arange(300) % 2, 1.0, -1.0)
    assert of not in shares(part(name, PULLS + noise), part(other, PULLS))
    assert of not in shares(part(name, PULLS), part(other, PULLS + noise))
    assert of not in shares(part(name, PULLS))


@pytest.mark.parametrize("name", ["torque", "torque_target"])
def test_a_pressed_pedal_at_speed_asks_for_torque_forward(name: str) -> None:
    of = frozenset({name})
    road, pedal = part("vehicle_speed", 31.0), part("throttle", 100.0 * DRIVES + 29.0 * BRAKES)
    assert shares(road, pedal, part(name, PULLS))[of] == 1.0
    assert shares(road, pedal, part(name, -PULLS))[of] == 0.0
    assert shares(road, part("throttle", 100.0 * DRIVES + 31.0 * BRAKES), part(name, PULLS))[of] == 0.5
    pressed = part("throttle", 100.0)
    assert shares(road, pressed, part(name, np.where(BRAKES, -29.0, PULLS)))[of] == 1.0
    assert shares(road, pressed, part(name, np.where(BRAKES, -31.0, PULLS)))[of] == 0.5
    assert of not in shares(part("vehicle_speed", 29.0), pedal, part(name, PULLS))
    assert of not in shares(road, part(name, PULLS))
    facts = {tie.of: tie.fact for tie in sign_ties(log(road, pedal, part(name, PULLS), part("motor_speed", 9.0)))}
    assert facts[of] == "it pulls backwards under a pressed pedal at more than 30 km/h"
    assert facts[frozenset({"motor_speed"})] == "it turns backwards at more than 30 km/h"


def test_what_stands_at_zero_counts_on_neither_side() -> None:
    road, half = part("vehicle_speed", 31.0), np.where(AT < 15, 0.0, 1000.0)
    assert shares(road, part("motor_speed", half))[frozenset({"motor_speed"})] == 1.0
    assert shares(road, part("motor_speed", -half))[frozenset({"motor_speed"})] == 0.0
    assert shares(part("vehicle_speed", 30.0), part("motor_speed", half)) == {}


def test_a_battery_takes_what_a_charger_delivers() -> None:
    of = frozenset({"battery_current"})
    half = np.where(AT < 15, -5.0, 3.1)
    assert shares(part("charger_current", 10.0), part("battery_current", half))[of] == 0.5
    assert shares(part("charger_current", 10.0), part("battery_current", np.where(AT < 15, -5.0, 2.9)))[of] == 1.0
    assert shares(part("charger_current", np.where(AT < 15, 10.0, 1.1)), part("battery_current", half))[of] == 0.5
    for least in (0.9, 1.0):
        few = part("charger_current", np.where(AT < 15, 10.0, least))
        assert shares(few, part("battery_current", half))[of] == 1.0
    tenths = part("battery_current", np.where(AT < 15, -5.0, 3.0))
    assert shares(part("charger_current", 10.0), tenths)[of] == 1.0  # no more than three tenths


@pytest.mark.parametrize(
    ("positive", "sound", "broken"),
    [(0.8, True, False), (0.79, False, False), (0.2, False, True), (0.21, False, False)],
)
def test_a_product_is_sound_at_four_fifths_of_the_moments(positive: float, sound: bool, broken: bool) -> None:
    tie = SignTie(frozenset({"torque"}), positive, "")
    assert (tie.sound, tie.broken) == (sound, broken)


def test_a_reading_is_large_above_three_tenths_of_the_highest() -> None:
    assert _large(np.array([-10.0, 3.1, 2.9, np.nan])).tolist() == [True, True, False, False]
    assert _large(np.array([np.nan])).tolist() == [False]
