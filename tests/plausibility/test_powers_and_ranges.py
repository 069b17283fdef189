"""Powers at shaft and battery, and what each part must keep to by itself: tables by hand.

2π·n/60·M: 100 Nm at 3,000 rpm are 31.416 kW. Edges are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logscope.plausibility.power import clear_of_noise, mean_powers, power_ties, window_means, window_of
from logscope.plausibility.ranges import range_ties
from logscope.plausibility.ties import Tie
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Motor, Vehicle

AT = np.arange(0.0, 40.0, 0.1)
DRIVES = (AT >= 10.0) & (AT < 20.0)
BRAKES = (AT >= 25.0) & (AT < 35.0)


def part(name: str, value: float | np.ndarray, step: float | None = None) -> Part:
    return Part(name, AT, np.broadcast_to(value, AT.shape).astype(float), "", f"Made.{name}", step)


def signals(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 40.0)


def drive(amps: float = 100.0, braking_amps: float = -60.0, spare: float = 2.0) -> Signals:
    """100 Nm and −60 Nm at 3,000 rpm; 350 V; the auxiliaries take 2 A."""
    return signals(
        part("torque", 100.0 * DRIVES - 60.0 * BRAKES),
        part("motor_speed", 3000.0 * (DRIVES | BRAKES)),
        part("battery_voltage", 350.0),
        part("battery_current", spare + amps * DRIVES + braking_amps * BRAKES),
    )


def test_mean_powers_are_those_of_shaft_and_battery_less_the_auxiliaries() -> None:
    powers = mean_powers(drive())
    assert powers is not None
    assert powers.window_s == 1.0
    assert powers.start_s[:3].tolist() == [0.0, 1.0, 2.0]
    assert powers.shaft[15] == pytest.approx(31_415.93, rel=1e-6)
    assert powers.battery[15] == pytest.approx(35_000.0)
    assert powers.shaft[30] == pytest.approx(-18_849.56, rel=1e-6)
    assert powers.battery[30] == pytest.approx(-21_000.0)
    assert powers.battery[5] == pytest.approx(0.0)
    assert powers.spare_range == pytest.approx(0.0)
    assert powers.fast[15]
    assert not powers.fast[5]
    assert powers.clear[15]
    assert not powers.clear[5]
    assert mean_powers(drive().without({"torque": ""})) is None
    assert mean_powers(drive().without({"battery_voltage": ""})) is None


def test_powers_last_as_long_as_either_of_torque_and_current() -> None:
    """Windows of a second from 0 s on; the last one in which the longer of both was logged is the last of all."""
    whole = drive()
    for name, last in (("torque", 39), ("battery_current", 39), ("both", 20)):
        cut = [each for each in ("torque", "battery_current") if name in (each, "both")]
        short = {each: replace(whole[each], time_s=AT[:205], value=whole[each].value[:205]) for each in cut}
        powers = mean_powers(Signals({**whole.parts, **short}, 0.0, 40.0))
        assert powers is not None
        assert powers.start_s[-1] == last
        assert np.isfinite(powers.shaft[30:]).any() == (name == "battery_current")
        assert np.isfinite(powers.battery[30:]).any() == (name == "torque")
    for cut_part in ("motor_current", "battery_current"):
        pair = signals(part("motor_current", 200.0 * DRIVES), part("battery_current", 2.0 + 100.0 * DRIVES))
        ends = replace(pair[cut_part], time_s=AT[:205], value=pair[cut_part].value[:205])
        (tie,) = power_ties(Signals({**pair.parts, cut_part: ends}, 0.0, 40.0), Vehicle())
        assert (tie.ratio, tie.start_s, tie.end_s) == (pytest.approx(0.5), 10.0, 20.0)


def ties_of(made: Signals) -> dict[str, Tie]:
    return {tie.fact.split()[-1]: tie for tie in power_ties(made, Vehicle())}


def test_shaft_over_battery_is_a_ratio_while_driving_and_another_while_braking() -> None:
    found = ties_of(drive())
    driving, braking = found["driving"], found["braking"]
    assert driving.ratio == pytest.approx(31_415.93 / 35_000.0, rel=1e-6)
    assert braking.ratio == pytest.approx(18_849.56 / 21_000.0, rel=1e-6)
    assert (driving.lowest, driving.highest) == (0.5, 1.3)
    assert (braking.lowest, braking.highest) == (0.75, 6.0)
    assert driving.of == {"torque": 1, "motor_speed": 1, "battery_voltage": -1, "battery_current": -1}
    assert (driving.start_s, driving.end_s) == (10.0, 20.0)
    assert (braking.start_s, braking.end_s) == (25.0, 35.0)


def test_a_current_the_wrong_way_round_is_no_ratio() -> None:
    assert set(ties_of(drive(amps=-100.0))) == {"braking"}
    assert set(ties_of(drive(braking_amps=60.0))) == {"driving"}


def test_three_windows_make_a_ratio_and_two_do_not() -> None:
    for seconds, count in ((3.0, 1), (2.0, 0)):
        on = (AT >= 10.0) & (10.0 + seconds > AT)
        made = signals(
            part("torque", 100.0 * on), part("motor_speed", 3000.0 * on), part("battery_voltage", 350.0),
            part("battery_current", 2.0 + 100.0 * on),
        )  # fmt: skip
        assert len(ties_of(made)) == count


def test_the_battery_s_current_is_no_more_than_the_motor_s_auxiliaries_apart() -> None:
    made = signals(
        part("motor_current", 200.0 * DRIVES), part("battery_current", 2.0 + 100.0 * DRIVES),
        part("motor_speed", 3000.0 * DRIVES),
    )  # fmt: skip
    (tie,) = power_ties(made, Vehicle())
    assert tie.ratio == pytest.approx(0.5)
    assert tie.of == {"battery_current": 1, "motor_current": -1}
    assert (tie.highest, tie.start_s, tie.end_s) == (1.3, 10.0, 20.0)


def test_windows_have_the_mean_of_their_own_samples() -> None:
    means = window_means(np.array([-0.5, 0.0, 0.9, 1.0, 3.2]), np.array([9.0, 1.0, 3.0, np.nan, 7.0]), 1.0, 4.0)
    assert np.allclose(means, [2.0, np.nan, np.nan, 7.0, np.nan], equal_nan=True)
    slow = Part("torque", np.arange(0.0, 10.0, 0.5), np.zeros(20), "", "M.T")
    assert window_of(slow) == pytest.approx(2.5)
    assert window_of(part("torque", 0.0)) == 1.0


def test_a_mean_is_clear_of_four_scatters_and_ten_steps() -> None:
    """Normal noise of 1 (numpy): four of them, by second differences."""
    rng = np.random.default_rng(1)
    noisy = Part("torque", np.arange(20_000.0), rng.normal(0.0, 1.0, 20_000), "", "M.T")
    assert clear_of_noise(noisy, np.array([3.8, 4.2, -3.8, -4.2])).tolist() == [False, True, False, True]
    ramp = Part("torque", np.arange(100.0), np.arange(100.0), "", "M.T", 0.5)
    assert clear_of_noise(ramp, np.array([4.9, 5.1])).tolist() == [False, True]
    assert not clear_of_noise(part("torque", 5.0).where(AT < 0.15), np.array([9.0])).any()


VEHICLE = Vehicle(
    motor=Motor(max_torque_Nm=160, rotor_inertia_kgm2=0.05, max_speed_rpm=9000),
    limits=Limits(motor_current_A=350, cell_max_V=4.2, aux_min_V=11.8),
)


@pytest.mark.parametrize(
    ("name", "stated", "allowed"),
    [
        ("torque", 160.0, 1.5), ("torque_target", 160.0, 1.5), ("motor_current", 350.0, 1.6),
        ("motor_current_target", 350.0, 1.6), ("motor_speed", 9000.0, 1.4), ("motor_speed_second", 9000.0, 1.4),
        ("vehicle_speed", 300.0, 1.0), ("throttle", 100.0, 1.25), ("throttle_second", 100.0, 1.25),
        ("cell_voltage_lowest", 4.2, 1.4), ("cell_voltage_highest", 4.2, 1.4), ("state_of_charge", 100.0, 1.25),
    ],
)  # fmt: skip
def test_a_part_keeps_below_what_the_file_or_its_nature_allows(name: str, stated: float, allowed: float) -> None:
    """By its 98th percentile: one in a hundred samples may be a surge."""
    value = np.full(AT.size, -0.5 * stated)
    value[:: AT.size // 4] = 9.0 * stated
    (tie,) = range_ties(signals(part(name, value)), VEHICLE)
    assert tie.of == {name: 1}
    assert tie.ratio == pytest.approx(0.5)
    assert tie.highest == pytest.approx(allowed)
    assert tie.lowest < 1e-3
    value[: AT.size // 25] = 0.8 * stated  # one in 25 is none
    (tie,) = range_ties(signals(part(name, value)), VEHICLE)
    assert tie.ratio == pytest.approx(0.8)


def test_what_is_not_stated_bounds_nothing_but_a_cell_has_its_chemistry() -> None:
    (tie,) = range_ties(signals(part("cell_voltage_highest", 4.5), part("torque", 999.0)), Vehicle())
    assert (tie.of, tie.ratio) == ({"cell_voltage_highest": 1}, 1.0)


@pytest.mark.parametrize(
    ("level", "vehicle", "sound"),
    [
        (7.9, Vehicle(), False), (8.1, Vehicle(), True), (32.9, Vehicle(), True), (33.1, Vehicle(), False),
        (8.8, VEHICLE, False), (8.9, VEHICLE, True), (17.6, VEHICLE, True), (17.8, VEHICLE, False),
    ],
)  # fmt: skip
def test_a_supply_is_of_12_or_24_v_or_about_its_stated_minimum(level: float, vehicle: Vehicle, sound: bool) -> None:
    value = np.where(AT < 25.0, 0.0, level)  # zeros of a controller that sleeps do not count
    (tie,) = range_ties(signals(part("aux_voltage", value)), vehicle)
    assert (tie.lowest <= tie.ratio <= tie.highest) is sound


@pytest.mark.parametrize(("percent", "sound"), [(0.5, False), (9.5, False), (9.7, True), (80.0, True)])
def test_a_pedal_that_hardly_moves_asks_for_little_torque(percent: float, sound: bool) -> None:
    """128 of 160 Nm are asked for: 12 % of these 80 % are 9.6 %."""
    made = signals(part("throttle", percent * DRIVES), part("torque_target", 128.0 * DRIVES))
    (tie,) = (each for each in range_ties(made, VEHICLE) if len(each.of) == 2)
    assert (tie.lowest <= tie.ratio) is sound
    assert tie.of == {"throttle": 1, "torque_target": -1}
