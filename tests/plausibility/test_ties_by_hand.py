"""Ties of one motion, one voltage, one pedal and one supply, each guard on both sides of its edge: tables by hand.

v = 2π·r·n/(60·i); the edges are common practice, no published source.
"""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from logscope.parts import PARTS
from logscope.plausibility.possible import Possible, possible, shaft_rpm_per_s
from logscope.plausibility.power import Powers, clear_of_noise, mean_powers, power_ties
from logscope.plausibility.ranges import range_ties
from logscope.plausibility.speeds import speed_ties
from logscope.plausibility.targets import target_ties
from logscope.plausibility.ties import Tie, Unexplained
from logscope.signals import Part, Signals
from logscope.vehicle import Driveline, Limits, Motor, Vehicle

AT = np.arange(300) * 0.1
PLAIN = Vehicle()
HAZEL = Vehicle(motor=Motor(pole_pairs=2), driveline=Driveline(ratio=8.0, wheel_radius_m=0.3))
ROAD = 2 * pi * 0.3 * 60 / 1000 / 8.0  # km/h per rpm


def part(name: str, value: object, step: float | None = None, time_s: np.ndarray = AT) -> Part:
    return Part(name, time_s, np.broadcast_to(np.array(value, dtype=float), time_s.shape), "", f"{name}.Made", step)


def log(*parts: Part) -> Signals:
    return Signals({each.name: each for each in parts}, 0.0, 30.0)


def levels(*of: tuple[float, float]) -> np.ndarray:
    """Readings by how many seconds they last."""
    return np.concatenate([np.full(round(10 * seconds), level) for level, seconds in of])


def test_what_each_part_can_be_and_how_fast_it_can_change() -> None:
    """60 and 1,500 V bound the voltage classes of ISO 6469-3 (from memory); the others are common practice."""
    expected = {
        **dict.fromkeys(
            ("dc_link_voltage", "dc_link_voltage_second", "battery_voltage", "charger_voltage",
             "charger_voltage_target"),
            Possible(-50.0, 1500.0),
        ),
        **dict.fromkeys(
            ("battery_current", "motor_current", "motor_current_target", "charger_current", "charger_current_target",
             "aux_current", "converter_current", "coolant_pump_current"),
            Possible(-2500.0, 2500.0),
        ),
        **dict.fromkeys(("motor_speed", "motor_speed_second"), Possible(-30_000.0, 30_000.0, 150_000.0)),
        **dict.fromkeys(("torque", "torque_target"), Possible(-3000.0, 3000.0)),
        **dict.fromkeys(
            ("motor_temperature", "inverter_temperature", "coolant_temperature", "coolant_temperature_out",
             "battery_temperature_lowest", "battery_temperature_highest"),
            Possible(-60.0, 400.0, 50.0),
        ),
        "vehicle_speed": Possible(-400.0, 400.0, 100.0),
        **dict.fromkeys(("stator_frequency", "slip"), Possible(-3000.0, 3000.0)),
        **dict.fromkeys(("aux_voltage", "converter_voltage"), Possible(-1.0, 60.0)),
        **dict.fromkeys(("cell_voltage_lowest", "cell_voltage_highest"), Possible(-6.0, 6.0)),
        "charger_input_power": Possible(-100_000.0, 100_000.0),
        "coolant_pump_speed": Possible(-20_000.0, 20_000.0),
        "state_of_charge": Possible(-5.0, 125.0, full_scale=True),
        **dict.fromkeys(("throttle", "throttle_second"), Possible(-101.0, 101.0, full_scale=True)),
        "voltage_utilisation": Possible(-202.0, 202.0, full_scale=True),
    }  # fmt: skip
    for name in PARTS:
        assert possible(name, PLAIN) == expected.get(name, Possible(-np.inf, np.inf, full_scale=True))
    stated = Vehicle(motor=Motor(max_speed_rpm=9000, max_torque_Nm=160))
    assert possible("motor_speed_second", stated) == Possible(-18_000.0, 18_000.0, 150_000.0)
    assert possible("torque_target", stated) == Possible(-640.0, 640.0)
    for one in ({"max_torque_Nm": 160}, {"rotor_inertia_kgm2": 0.05}):
        assert shaft_rpm_per_s(Vehicle(motor=Motor.model_validate(one))) == 150_000.0
    # M = J·dω/dt: 100 Nm turn 0.1 kg·m² by 1,000 rad/s more each second, three times that is the bound
    heavy = Vehicle(motor=Motor(max_torque_Nm=100, rotor_inertia_kgm2=0.1))
    assert shaft_rpm_per_s(heavy) == pytest.approx(3 * 9549.3, rel=1e-5)


RAMP, LOW = np.linspace(1000.0, 3000.0, 300), np.linspace(14.4, 19.4, 300)


def shafts(first: np.ndarray, second: np.ndarray) -> list[Tie]:
    return list(speed_ties(log(part("motor_speed", first), part("motor_speed_second", second)), PLAIN))


@pytest.mark.parametrize(
    ("first", "second", "ratio"),
    [
        (RAMP, RAMP, 1.0),
        (RAMP, 2.0 * RAMP, 0.5),
        (levels((2000, 20), (2580, 10)), levels((1000, 20), (1290, 10)), None),  # changed by less than 1.3
        (levels((2000, 20), (2700, 10)), levels((1000, 20), (1350, 10)), 2.0),
        (np.full(300, 2000.0), np.full(300, 1000.0), None),  # the speed never changed while the ratio held
        (levels((0, 10), (1000, 10), (3000, 10)), levels((0, 10), (500, 10), (1500, 10)), 2.0),
        (levels((1000, 13.9), (3000, 16.1)), levels((500, 13.9), (3000, 16.1)), 1.0),  # agrees now and then
        (np.where(np.arange(300) < 280, 2.0, 1.0) * RAMP, RAMP, None),  # 7 % agree: may be one scale
        (np.where(np.arange(300) < 290, 2.0, 1.0) * RAMP, RAMP, 2.0),
        (np.where(np.arange(300) < 130, 2.0, np.where(np.arange(300) < 230, 2.4, 1.7)) * RAMP, RAMP, None),  # no half
        (np.where(np.arange(300) < 170, 2.0, 2.4) * RAMP, RAMP, 2.0),
    ],
)
def test_two_readings_of_one_shaft_keep_one_ratio(first: np.ndarray, second: np.ndarray, ratio: float | None) -> None:
    found = shafts(first, second)
    assert [tie.ratio for tie in found] == ([] if ratio is None else [pytest.approx(ratio, rel=0.03)])
    if ratio:
        assert found[0].of == {"motor_speed": 1, "motor_speed_second": -1}
        assert found[0].unexplained is Unexplained.NOTHING
        assert "× the second speed of the same shaft" in found[0].fact


@pytest.mark.parametrize(("seconds", "found"), [(3.6, True), (3.4, False)])
def test_a_ratio_must_be_seen_for_three_seconds(seconds: float, found: bool) -> None:
    """A reading is steady where a quarter second before and after it are: six tenths at both ends are not."""
    count = round(10 * seconds)
    value = np.zeros(300)
    value[100 : 100 + count] = np.linspace(1000.0, 1500.0, count)
    assert bool(shafts(value, 2.0 * value)) is found


def test_slow_readings_and_those_that_change_say_nothing() -> None:
    top = levels((3000, 1))
    for level, found in ((460.0, True), (440.0, False)):  # 15 % of the highest
        slow = np.concatenate([np.linspace(level, level + 1, 290), top])
        assert (len(shafts(slow, slow)) == 1) is found
    share = np.linspace(400.0, 401.0, 290)
    for own, other, found in ((3000.0, 2000.0, False), (2000.0, 3000.0, False), (2000.0, 2000.0, True)):  # 20, 13 %
        made = shafts(*(np.concatenate([share, np.full(10, top_rpm)]) for top_rpm in (own, other)))
        assert (len(made) == 1) is found
    for rise, found in ((0.09, True), (0.115, False)):  # by a tenth within a quarter second
        saw = 1000.0 * (1.0 + rise * (np.arange(300) % 4 // 2))
        assert (len(shafts(saw, saw)) == 1) is found


def test_road_and_stator_are_tied_by_the_vehicle_file() -> None:
    rpm = part("motor_speed", RAMP)
    (road,) = speed_ties(log(rpm, part("vehicle_speed", ROAD * RAMP / np.where(np.arange(300) % 2, 2, 2.01))), HAZEL)
    assert road.of == {"motor_speed": 1, "vehicle_speed": -1, "driveline.ratio": -1}
    assert (road.ratio, road.lowest, road.highest) == (pytest.approx(2.0, rel=0.03), 1 / 1.6, 1.6)
    assert road.low < road.ratio < road.high
    assert road.fact.startswith(f"{road.ratio:.3g} × the speed from road speed, ratio and wheel radius")
    assert road.unexplained is Unexplained.NOTHING
    (stator,) = speed_ties(log(rpm, part("stator_frequency", RAMP / 60)), HAZEL)
    assert stator.of == {"motor_speed": 1, "stator_frequency": -1, "motor.pole_pairs": 1}
    assert (stator.ratio, stator.lowest, stator.highest) == (pytest.approx(2.0, rel=0.03), 0.8, 1.25)
    assert stator.unexplained is Unexplained.ODD
    assert "electrical frequency and pole pairs" in stator.fact
    agreed = list(speed_ties(log(rpm, part("vehicle_speed", ROAD * RAMP * 1.1)), HAZEL))
    assert [(tie.ratio, tie.low, tie.high) for tie in agreed] == [(1.0, 1.0, 1.0)]
    assert (agreed[0].start_s, agreed[0].end_s) == pytest.approx((0.3, 29.9))
    for vehicle in (
        HAZEL.model_copy(update={"driveline": Driveline(ratio=8.0)}),
        HAZEL.model_copy(update={"driveline": Driveline(wheel_radius_m=0.3)}),
    ):
        assert list(speed_ties(log(rpm, part("vehicle_speed", ROAD * RAMP)), vehicle)) == []


def follows(first: np.ndarray, second: np.ndarray) -> list[Tie]:
    return list(target_ties(log(part("torque", first), part("torque_target", second)), PLAIN))


@pytest.mark.parametrize(
    ("first", "second", "ratio"),
    [
        (RAMP, 2.0 * RAMP, 0.5),
        (levels((100, 20), (126, 10)), levels((50, 20), (63, 10)), None),
        (levels((100, 20), (134, 10)), levels((50, 20), (67, 10)), 2.0),
        (np.where(np.arange(300) < 275, 2.0, 1.0) * RAMP, RAMP, 1.0),  # ever agreed
        (np.where(np.arange(300) < 292, 2.0, 1.0) * RAMP, RAMP, 2.0),
        (np.where(np.arange(300) < 130, 2.0, np.where(np.arange(300) < 230, 2.4, 1.7)) * RAMP, RAMP, None),
        (levels((19, 29), (100, 1)), levels((19, 29), (100, 1)), None),  # a fifth of its highest
        (levels((21, 29), (100, 1)), levels((21, 29), (100, 1)), 1.0),
        (np.where(AT < 29, 2.5 * LOW, 100.0), np.where(AT < 29, LOW, 100.0), None),  # its target below a fifth
        (np.where(AT < 29, LOW, 100.0), np.where(AT < 29, 2.5 * LOW, 100.0), None),
        (np.where(AT < 29, 2.5 * LOW, 70.0), np.where(AT < 29, LOW, 70.0), 2.5),
    ],
)
def test_a_value_keeps_one_ratio_to_its_target(first: np.ndarray, second: np.ndarray, ratio: float | None) -> None:
    found = follows(first, second)
    assert [tie.ratio for tie in found] == ([] if ratio is None else [pytest.approx(ratio, rel=0.03)])
    for tie in found:
        assert tie.fact.endswith("× the torque target")
        assert tie.low <= tie.ratio <= tie.high
        assert (tie.start_s < 1.0, tie.end_s > 20.0) == (True, True)
    for name, other, words in (
        ("motor_current", "motor_current_target", "the motor current target"),
        ("throttle", "throttle_second", "the second track of the pedal"),
    ):
        assert [tie.fact.endswith(words) for tie in target_ties(log(part(name, RAMP), part(other, RAMP)), PLAIN)] == [
            True
        ]


def test_a_ratio_is_dated_by_the_first_and_last_moments_that_show_it() -> None:
    """From 10 to 20 s, where both are steady for 0.3 s about them."""
    ramp = np.where((AT >= 10.0) & (AT < 20.0), RAMP, 0.0)
    (tie,) = follows(2.0 * ramp, ramp)
    assert (tie.start_s, tie.end_s) == pytest.approx((10.3, 19.7))


def charging(amps: np.ndarray, step: float | None = 0.1, **others: object) -> list[Tie]:
    made = [part("charger_current", amps, step), *(part(name, value) for name, value in others.items())]
    return list(target_ties(log(*made), PLAIN))


def test_a_charger_delivers_while_its_current_is_a_fifth_of_its_highest_and_ten_steps() -> None:
    for low, count in ((1.9, 100), (2.0, 100), (2.1, 300)):
        amps = np.where(AT < 20, low, 10.0)
        (tie,) = charging(amps, charger_current_target=20.0)
        assert tie.ratio == pytest.approx(0.5 if count == 100 else 0.105)
        assert tie.start_s == pytest.approx(20.0 if count == 100 else 0.0)
        assert (tie.end_s, tie.fact) == (pytest.approx(29.9), f"{tie.ratio:.3g} × the requested current")
    assert charging(np.full(300, 0.9), charger_current_target=1.0) == []
    assert len(charging(np.full(300, 1.1), charger_current_target=1.0)) == 1
    assert len(charging(np.full(300, 0.9), None, charger_current_target=1.0)) == 1  # no steps are known
    for seconds, found in ((0.8, 1), (0.7, 0)):  # eight moments
        assert len(charging(levels((0, 30 - seconds), (10, seconds)), charger_current_target=20.0)) == found
    (tie,) = charging(np.full(300, 10.0), battery_current=np.where(AT < 5, -20.0, np.where(AT < 25, -12.5, -8.0)))
    assert (tie.low, tie.ratio, tie.high) == pytest.approx((0.8, 0.8, 0.8))
    assert tie.fact == "0.8 × the current into the battery"
    (tie,) = charging(np.full(300, 10.0), battery_current=np.where(AT < 8, -20.0, np.where(AT < 22, -12.5, -8.0)))
    assert (tie.low, tie.ratio, tie.high) == pytest.approx((0.5, 0.8, 1.25))
    assert charging(np.full(300, 10.0), charger_current_target=0.0) == []
    assert list(target_ties(log(part("charger_current_target", 10.0), part("battery_current", 10.0)), PLAIN)) == []


def test_what_each_range_says_and_when() -> None:
    stated = Vehicle(motor=Motor(max_torque_Nm=160, max_speed_rpm=9000), limits=Limits(motor_current_A=350))
    for name, level, highest, allowed, unit in (
        ("torque", 1600.0, 160, 1.5, "Nm"), ("torque_target", 1600.0, 160, 1.5, "Nm"),
        ("motor_current", 3500.0, 350, 1.6, "A"), ("motor_current_target", 3500.0, 350, 1.6, "A"),
        ("motor_speed", 90_000.0, 9000, 1.4, "rpm"), ("motor_speed_second", 90_000.0, 9000, 1.4, "rpm"),
        ("vehicle_speed", 3000.0, 300, 1.0, "km/h"), ("throttle", 1000.0, 100, 1.25, "%"),
        ("throttle_second", 1000.0, 100, 1.25, "%"), ("cell_voltage_lowest", 45.0, 4.5, 1.4, "V"),
        ("cell_voltage_highest", 45.0, 4.5, 1.4, "V"), ("state_of_charge", 1000.0, 100, 1.25, "%"),
    ):  # fmt: skip
        (tie,) = range_ties(log(part(name, -level)), stated)
        fact = f"reaches {level:,.4g} {unit}, above the maximum of {highest:,.4g} {unit}"
        assert tie == Tie({name: 1}, 10.0, 10.0, 10.0, 1e-6, allowed, fact, 0.0, pytest.approx(29.9))
    assert list(range_ties(log(part("throttle", 0.0)), stated)) == []
    (cell,) = range_ties(log(part("cell_voltage_lowest", 4.0)), Vehicle(limits=Limits(cell_max_V=4.0)))
    assert cell.ratio == pytest.approx(1.0)
    (two,) = range_ties(log(part("throttle", levels((10, 29.5), (1000, 0.5)))), stated)  # one in sixty
    assert two.ratio == pytest.approx(0.1)
    (four,) = range_ties(log(part("throttle", levels((10, 29), (1000, 1)))), stated)
    assert four.ratio == pytest.approx(10.0)


def test_what_a_supply_and_a_pedal_say() -> None:
    (tie,) = range_ties(log(part("aux_voltage", -48.0)), PLAIN)
    assert tie.fact == "at 48 V, but supplies are 12 V or 24 V"
    assert (tie.lowest * 48.0 / tie.ratio, tie.highest * 48.0 / tie.ratio) == pytest.approx((8.0, 33.0))
    assert (tie.low, tie.high, tie.of) == (tie.ratio, tie.ratio, {"aux_voltage": 1})
    assert tie.ratio == pytest.approx(48.0 / 264.0**0.5)  # beside the geometric mean of 8 and 33 V
    (tie,) = range_ties(log(part("aux_voltage", 4.8)), Vehicle(limits=Limits(aux_min_V=10.0)))
    assert (tie.fact, tie.ratio) == ("at 4.8 V, but the vehicle file states a minimum of 10 V", pytest.approx(0.48))
    assert (tie.lowest, tie.highest) == (0.75, 1.5)
    stated = Vehicle(motor=Motor(max_torque_Nm=200))
    pedal, asked = levels((0, 10), (0.3, 10), (0.8, 10)), levels((0, 10), (20, 10), (100, 10))
    for name in ("torque_target", "torque"):
        (tie,) = (
            each for each in range_ties(log(part("throttle", pedal), part(name, -asked)), stated) if len(each.of) == 2
        )
        assert tie == Tie(
            {"throttle": 1, name: -1}, pytest.approx(0.016), pytest.approx(0.016), pytest.approx(0.016), 0.12, 1e3,
            "0.8 % pedal requests 50 % of the maximum torque", 0.0, pytest.approx(29.9),
        )  # fmt: skip
    both = log(part("throttle", pedal), part("torque_target", asked), part("torque", 0.0))
    assert any(tie.of == {"throttle": 1, "torque_target": -1} for tie in range_ties(both, stated))
    for low, said in ((0.41, "0.41 % pedal requests 10 %"), (0.39, "0.8 % pedal requests 50 %")):
        pressed = part("throttle", levels((0, 5), (low, 15), (0.8, 10)))
        made = log(pressed, part("torque", levels((0, 5), (20, 15), (100, 10))))
        assert any(tie.fact.startswith(said) for tie in range_ties(made, stated))
    for missing in (log(part("throttle", pedal)), log(part("torque", asked))):
        assert all(len(tie.of) == 1 for tie in range_ties(missing, stated))
    assert all(len(tie.of) == 1 for tie in range_ties(both, PLAIN))
    assert all(len(tie.of) == 1 for tie in range_ties(log(part("throttle", pedal), part("torque", 0.0)), stated))


DRIVES, BRAKES = (AT >= 5) & (AT < 15), (AT >= 18) & (AT < 28)


def powers(torque: object, amps: object, speed: object = 3000.0, volts: object = 400.0) -> Powers:
    found = mean_powers(
        log(
            part("torque", torque),
            part("motor_speed", speed),
            part("battery_voltage", volts),
            part("battery_current", amps),
        )
    )
    assert found is not None
    return found


def test_the_auxiliaries_are_the_battery_s_median_power_while_the_shaft_rests() -> None:
    """Resting: below a twentieth of the highest. 2, 3 and 9 A at 400 V; four fifths of ten windows."""
    amps = np.where(DRIVES, 100.0, 3.0)
    amps[AT < 2] = 2.0
    amps[AT >= 28] = 9.0
    made = powers(np.where(DRIVES, 100.0, np.where(BRAKES, -6.0, 4.0)), amps)
    assert made.battery[10] == pytest.approx(400 * 97.0)
    assert made.battery[29] == pytest.approx(400 * 6.0)
    # ten windows rest: two of 2 A, six of 3 A, two of 9 A; the ten of braking are above a twentieth
    assert made.spare_range == pytest.approx(400 * 7.0)
    calm = powers(np.where(DRIVES, 100.0, 0.0), np.where(DRIVES, 100.0, 3.0))
    assert calm.spare_range == pytest.approx(0.0)
    busy = powers(100.0, 100.0)
    assert busy.battery[10] == pytest.approx(40_000.0)  # nothing rests: no auxiliaries are known
    fast = powers(100.0, 100.0, speed=np.where(DRIVES, -3000.0, np.where(AT < 5, 890.0, 910.0)))
    assert fast.fast[[2, 10, 20]].tolist() == [False, True, True]
    assert fast.shaft[10] == pytest.approx(-10_000 * pi)
    fallback = mean_powers(log(part("torque", 1.0), part("motor_speed", 1.0), part("dc_link_voltage", 300.0),
                               part("battery_current", 2.0)))  # fmt: skip
    assert fallback is not None
    assert fallback.battery[3] == pytest.approx(600.0)


def test_a_mean_is_clear_of_four_times_the_scatter_and_ten_steps() -> None:
    """Alternating readings of ±1 have second differences of 4: σ = 1.4826·4/√6 = 2.421, four times 9.684."""
    noisy = part("torque", np.where(np.arange(300) % 2, 1.0, -1.0), 0.1)
    assert clear_of_noise(noisy, np.array([9.6, 9.8, -9.8, np.nan])).tolist() == [False, True, True, False]
    coarse = part("torque", 50.0, 1.0)
    assert clear_of_noise(coarse, np.array([9.9, 10.1])).tolist() == [False, True]
    ramp = part("torque", AT * 7.0)
    assert clear_of_noise(ramp, np.array([0.1])).tolist() == [True]
    two = part("torque", [1.0, 2.0], None, np.array([0.0, 1.0]))
    assert clear_of_noise(two, np.array([50.0])).tolist() == [False]
    assert clear_of_noise(part("torque", [1.0, 2.0, 3.0], None, np.arange(3.0)), np.array([50.0])).tolist() == [True]


def ratios(**made: object) -> dict[str, Tie]:
    base = {"torque": 100.0 * DRIVES - 60.0 * BRAKES, "motor_speed": 3000.0, "battery_voltage": 400.0,
            "battery_current": 2.0 + 90.0 * DRIVES - 30.0 * BRAKES}  # fmt: skip
    parts = [part(name, value) for name, value in {**base, **made}.items()]
    return {tie.fact.split()[-1]: tie for tie in power_ties(log(*parts), PLAIN)}


def test_only_strong_and_fast_windows_clear_of_the_auxiliaries_tell_a_ratio() -> None:
    found = ratios()
    assert found["driving"].ratio == pytest.approx(100 * pi * 100 / 36_000)
    assert found["braking"].fact == f"shaft power is {60 * pi * 100 / 12_000:.3g} × battery power while braking"
    assert found["driving"].unexplained is Unexplained.ODD
    weak = 100.0 * DRIVES - 29.0 * BRAKES  # 30 % of the highest power
    assert set(ratios(torque=weak)) == {"driving"}
    assert set(ratios(torque=100.0 * DRIVES - 31.0 * BRAKES)) == {"driving", "braking"}
    slow = np.where(BRAKES, 890.0, 3000.0)  # 30 % of the highest speed
    assert set(ratios(motor_speed=slow, torque=100.0 * DRIVES - 150.0 * BRAKES)) == {"driving"}
    assert set(ratios(motor_speed=np.where(BRAKES, 910.0, 3000.0), torque=100.0 * DRIVES - 150.0 * BRAKES)) == {
        "driving", "braking"
    }  # fmt: skip
    heater = 2.0 + 90.0 * DRIVES - 30.0 * BRAKES
    heater[(AT < 2) | (AT >= 28)] += 19.0  # one and a half times 19 A are less than 30 A
    assert set(ratios(battery_current=heater)) == {"driving", "braking"}
    heater[(AT < 2) | (AT >= 28)] += 2.0
    assert set(ratios(battery_current=heater)) == {"driving"}
    thirds = 2.0 + np.select([AT < 5, AT < 8, AT < 12, AT < 15], [0, 180, 90, 45], 0.0)
    tie = ratios(battery_current=thirds)["driving"]
    assert (tie.low, tie.ratio, tie.high) == pytest.approx((pi / 7.2, pi / 3.6, pi / 1.8))


def currents(motor: object, battery: object, speed: object | None = None) -> list[Tie]:
    made = [part("motor_current", motor), part("battery_current", battery)]
    return list(power_ties(log(*made, *([] if speed is None else [part("motor_speed", speed)])), PLAIN))


def test_the_battery_s_current_is_compared_while_the_motor_carries_and_turns() -> None:
    (tie,) = currents(-200.0 * DRIVES, 5.0 - 100.0 * DRIVES)
    assert tie == Tie(
        {"battery_current": 1, "motor_current": -1}, pytest.approx(0.5), pytest.approx(0.5), pytest.approx(0.5), 1e-6,
        1.3, "0.5 × the motor current", 5.0, 15.0,
    )  # fmt: skip
    assert currents(200.0, 100.0) == []  # it never rests
    assert currents(0.0, 100.0) == []
    assert len(currents(200.0 * DRIVES, 100.0 * DRIVES, 3000.0 * DRIVES)) == 1
    assert currents(200.0 * DRIVES, 100.0 * DRIVES, 0.0) == []
    weak = np.where(DRIVES, 200.0, np.where(BRAKES, 59.0, 0.0))
    (tie,) = currents(weak, 100.0 * DRIVES)
    assert tie.end_s == 15.0
    (tie,) = currents(np.where(BRAKES, 61.0, weak), 100.0 * DRIVES)
    assert tie.end_s == 28.0
    creeps = np.where(DRIVES, 200.0, 9.0)  # a twentieth of the highest
    assert len(currents(creeps, 100.0 * DRIVES)) == 1
    assert currents(np.where(DRIVES, 200.0, 11.0), 100.0 * DRIVES) == []
    for seconds, found in ((3, 1), (2, 0)):
        on = (AT >= 5) & (5 + seconds > AT)
        assert len(currents(200.0 * on, 100.0 * on)) == found
    thirds = np.select([AT < 5, AT < 8, AT < 12, AT < 15], [0, 40, 100, 160], 0.0)
    (tie,) = currents(200.0 * DRIVES, thirds)
    assert (tie.low, tie.ratio, tie.high) == pytest.approx((0.2, 0.5, 0.8))
