"""What signs, shaft speeds and targets demand of each other, by a made drive of which each number is known.

v = 2π·r·n/(60·i) ties road and shaft, n = 60·f/p stator and shaft. Edges are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.plausibility.coherent import coherent
from logscope.plausibility.signs import SignTie, sign_ties
from logscope.plausibility.speeds import speed_ties
from logscope.plausibility.targets import target_ties
from logscope.signals import Part, Signals
from logscope.vehicle import Driveline, Motor, Vehicle

AT = np.arange(0.0, 60.0, 0.1)
RPM = np.interp(AT, [0.0, 5.0, 20.0, 30.0, 45.0, 60.0], [0.0, 0.0, 6000.0, 6000.0, 2000.0, 2000.0])
TORQUE = np.interp(AT, [5, 5.5, 19.5, 20, 30, 30.5, 44.5, 45], [0, 100, 100, 10, 10, -60, -60, 5])
AMPS = np.interp(AT, [5, 20, 20.1, 30, 30.1, 45, 45.1], [2, 200, 20, 20, -100, -30, 5])
HAZEL = Vehicle(motor=Motor(pole_pairs=2), driveline=Driveline(ratio=8.2, wheel_radius_m=0.31))
KMH_PER_RPM = 2 * np.pi * 0.31 * 60 / 1000 / 8.2


def part(name: str, value: float | np.ndarray, step: float | None = None) -> Part:
    return Part(name, AT, np.broadcast_to(value, AT.shape).astype(float), "", f"Made.{name}", step)


def signals(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 60.0)


def drive(**turned: float) -> Signals:
    """A drive with some of its parts times a factor."""
    sound = {
        "motor_speed": RPM, "motor_speed_second": RPM, "torque": TORQUE, "torque_target": TORQUE,
        "battery_current": AMPS, "battery_voltage": 350.0 - 0.1 * AMPS, "vehicle_speed": KMH_PER_RPM * RPM,
        "throttle": np.maximum(TORQUE, 0.0),
    }  # fmt: skip
    return signals(*(part(name, turned.get(name, 1.0) * value) for name, value in sound.items()))


def broken(made: Signals) -> list[frozenset[str]]:
    return sorted((tie.of for tie in sign_ties(made) if tie.broken), key=sorted)


def test_every_sign_of_a_sound_drive_is_sound() -> None:
    ties: list[SignTie] = list(sign_ties(drive()))
    assert all(tie.sound and tie.positive == 1.0 for tie in ties)
    named = {tie.of for tie in ties}
    assert frozenset({"battery_current", "torque", "motor_speed"}) in named
    assert frozenset({"torque", "motor_speed"}) in named
    assert frozenset({"torque", "torque_target"}) in named
    assert frozenset({"motor_speed", "motor_speed_second"}) in named


@pytest.mark.parametrize(
    ("name", "ties"),
    [
        ("battery_current", [{"battery_current", "motor_speed", "torque"}]),
        ("motor_speed_second", [{"motor_speed", "motor_speed_second"}]),
        ("torque_target", [{"torque", "torque_target"}, {"torque_target"}]),
        ("vehicle_speed", [{"vehicle_speed"}]),
        ("throttle", [{"throttle"}]),
    ],
)  # fmt: skip
def test_a_part_that_is_turned_breaks_each_tie_with_it_and_no_other(name: str, ties: list[set[str]]) -> None:
    assert broken(drive(**{name: -1.0})) == sorted((frozenset(each) for each in ties), key=sorted)


def test_a_pack_sags_under_its_current() -> None:
    """0.1 Ω, a load that comes and goes; a sag of less than three steps of the voltage says nothing."""
    amps = 200.0 * (np.floor(AT / 5.0) % 2)
    for ohm, step, share in ((0.1, 0.5, 1.0), (-0.1, 0.5, 0.0), (0.1, 7.0, None)):
        pack = part("battery_voltage", 350.0 - ohm * amps, step)
        ties = [tie for tie in sign_ties(signals(pack, part("battery_current", amps))) if "battery_current" in tie.of]
        assert [tie.positive for tie in ties] == ([] if share is None else [share])


def test_a_charger_that_delivers_charges_the_battery() -> None:
    for amps, at_fault in ((-15.0, False), (15.0, True)):
        made = signals(part("charger_current", 16.0), part("battery_current", amps))
        assert (frozenset({"battery_current"}) in broken(made)) is at_fault
    for given, said in ((1.1, True), (0.9, False)):  # a charger below an ampere may be off
        made = signals(part("charger_current", given), part("battery_current", 15.0))
        assert (frozenset({"battery_current"}) in broken(made)) is said


def test_nobody_reverses_faster_than_30_km_h() -> None:
    for kmh, said in ((31.0, True), (29.0, False)):
        made = signals(part("vehicle_speed", kmh), part("motor_speed", -3000.0))
        assert (frozenset({"motor_speed"}) in broken(made)) is said


def factor_of(made: Signals, vehicle: Vehicle = HAZEL) -> dict[str, tuple[float, float, float]]:
    """Of each tie to the motor speed: its ratio, and the lowest and highest that are sound."""
    return {
        next(name for name in tie.of if name not in ("motor_speed",) and "." not in name): (
            tie.ratio, tie.lowest, tie.highest,
        )
        for tie in speed_ties(made, vehicle)
    }  # fmt: skip


def test_shaft_road_and_stator_are_one_motion() -> None:
    made = signals(
        part("motor_speed", RPM), part("motor_speed_second", RPM), part("vehicle_speed", KMH_PER_RPM * RPM),
        part("stator_frequency", RPM * 2 / 60),
    )  # fmt: skip
    assert factor_of(made) == {
        "motor_speed_second": pytest.approx((1.0, 1 / 1.12, 1.12)),
        "vehicle_speed": pytest.approx((1.0, 1 / 1.6, 1.6)),
        "stator_frequency": pytest.approx((1.0, 0.8, 1.25)),
    }
    assert set(factor_of(made, Vehicle())) == {"motor_speed_second"}


@pytest.mark.parametrize(
    ("name", "scale", "factor"),
    [
        ("motor_speed_second", 0.5, 2.0), ("motor_speed_second", 10.0, 0.1), ("vehicle_speed", 1 / 1.609344, 1.609344),
        ("vehicle_speed", 1 / 3.6, 3.6), ("stator_frequency", 2.0, 0.5),
    ],
)  # fmt: skip
def test_a_reading_off_by_a_factor_shows_that_factor(name: str, scale: float, factor: float) -> None:
    sound = {"motor_speed_second": RPM, "vehicle_speed": KMH_PER_RPM * RPM, "stator_frequency": RPM * 2 / 60}
    found = factor_of(signals(part("motor_speed", RPM), part(name, scale * sound[name])))
    assert found[name][0] == pytest.approx(factor, rel=0.02)


@pytest.mark.parametrize(
    ("name", "other"),
    [("torque", "torque_target"), ("motor_current", "motor_current_target"), ("throttle", "throttle_second")],
)
def test_a_value_follows_its_target(name: str, other: str) -> None:
    for scale, ratio in ((1.0, 1.0), (0.5, 2.0), (4.0, 0.25)):
        (tie,) = target_ties(signals(part(name, RPM), part(other, scale * RPM)), Vehicle())
        assert tie.ratio == pytest.approx(ratio, rel=0.02)
        assert tie.of == {name: 1, other: -1}
        assert (tie.lowest, tie.highest) == pytest.approx((1 / 1.3, 1.3))


def test_a_charger_gives_what_is_asked_and_the_battery_takes_it() -> None:
    made = signals(
        part("charger_current", 16.0), part("charger_current_target", 20.0), part("battery_current", -12.8)
    )  # fmt: skip
    asked, taken = target_ties(made, Vehicle())
    assert (asked.ratio, asked.lowest, asked.highest) == pytest.approx((0.8, 0.2, 1.4))
    assert asked.of == {"charger_current": 1, "charger_current_target": -1}
    assert (taken.ratio, taken.lowest, taken.highest) == pytest.approx((1.25, 0.67, 1.5))
    assert taken.of == {"charger_current": 1, "battery_current": -1}


@pytest.mark.parametrize(("low", "kept"), [(52.0, True), (48.0, False)])
def test_high_readings_that_leap_by_half_of_the_highest_are_no_quantity(low: float, kept: bool) -> None:
    """100 and another reading in turn."""
    value = np.where(np.arange(AT.size) % 2, 100.0, low)
    assert ("torque" in coherent(signals(part("torque", value)))) is kept
    state = Part("main_contactor", AT, value, "", "M.C", on=value > 99)
    assert "main_contactor" in coherent(signals(state))
