"""Energy, resistance, sag and slip by made numbers: each guard on both sides of its edge.

Expected by hand: power is voltage times current, a watt-hour 3600 W·s, a wheel rolls 2π times its radius a turn; Ohm's
law and the maximum power transfer (Alexander & Sadiku, Fundamentals of Electric Circuits, chapter 4).
"""

from __future__ import annotations

from dataclasses import replace
from math import pi
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals
from scipy import stats

from logscope.checks.battery.check import _energy, battery
from logscope.checks.battery.energy import Energy, _stands, _way, find_energy
from logscope.checks.battery.load import awake, load_at
from logscope.checks.battery.resistance import Resistance, find_pulses
from logscope.checks.battery.sag import find_sag
from logscope.checks.driveline.slip import _kmh_per_rpm, find_slip
from logscope.checks.limits.measure import Closeness, judge_limit
from logscope.findings import NothingToCheck, Severity
from logscope.observations.stated_limits import Limit
from logscope.observations.under_load import UnderLoad
from logscope.statistics.integral import Integral
from logscope.statistics.robust_line import Slope
from logscope.vehicle import Driveline, Vehicle

T = np.arange(0.0, 100.0, 0.05)
HAZEL = Vehicle(driveline=Driveline(ratio=8.0, wheel_radius_m=0.3))


def level(name: str, value: Any, at: np.ndarray = T) -> Any:
    return part(name, at, np.broadcast_to(value, at.shape))


def test_energy_is_summed_by_direction_and_by_whether_the_vehicle_stands():
    """360 V: 50 A for 50 s, −20 A for 30 s, then −10 A for 20 s at rest: 250, 60 and 20 Wh."""
    amps = np.where(T < 50.0, 50.0, np.where(T < 80.0, -20.0, -10.0))
    speed = level("vehicle_speed", np.where(T < 80.0, 36.0, 0.9))
    made = signals(level("battery_voltage", 360.0), level("battery_current", amps), speed)
    found = find_energy(0.0, 0.0, made, HAZEL)
    for of, wh in ((found.drawn, 250.0), (found.returned, 60.0), (found.charged, 20.0)):
        assert of.value == pytest.approx(wh, rel=3e-3)
        assert of.low <= of.value <= of.high
    assert found.way is not None
    assert (found.way.value, found.way_by) == (pytest.approx(0.8, abs=0.006), "vehicle speed")  # 36 km/h for 80 s


def test_energy_is_as_unsure_as_the_moment_of_the_voltage():
    """It falls by 100 V while 100 A flow: half a second off, that is 100 V · 100 A · 0.5 s of energy."""
    loaded = (T >= 20.0) & (T < 40.0)
    made = signals(level("battery_voltage", np.where(loaded, 300.0, 400.0)), level("battery_current", 100.0 * loaded))
    sure, unsure = (find_energy(0.0, apart_s, made, HAZEL).drawn for apart_s in (0.0, 0.5))
    assert sure.value == pytest.approx(300.0 * 100.0 * 20.0 / 3600.0, rel=5e-3)
    made = signals(
        level("battery_voltage", np.where(T < 20.0, 400.0, 300.0)),
        level("battery_current", 100.0 * ((T >= 20.0) & (T < 20.5))),
    )
    early_alone = find_energy(0.0, 0.5, made, HAZEL).drawn  # half a second later nothing would change
    reach = 100.0 * 100.0 * 0.5 / 3600.0  # at the one end the higher voltage, at the other none of it
    assert (unsure.high - unsure.value) > 0.9 * reach > (sure.high - sure.value)
    assert early_alone.high - early_alone.value > 0.9 * reach


@pytest.mark.parametrize(
    ("kmh", "rpm", "stands"),
    [(0.99, None, True), (1.0, None, False), (-0.99, None, True), (None, 29.9, True), (None, 30.0, False),
     (0.5, 900.0, True), (None, None, False)],
)  # fmt: skip
def test_a_vehicle_stands_by_its_road_speed_or_else_by_its_motors(kmh, rpm, stands):
    given = [("vehicle_speed", kmh), ("motor_speed", rpm)]
    made = signals(*(level(name, value) for name, value in given if value is not None))
    assert _stands(np.array([5.0, 50.0]), made).tolist() == [stands, stands]


def test_the_way_is_that_of_the_road_speed_or_of_the_wheel():
    """1000 rpm through 8 to a wheel of 0.3 m: 125 turns a minute of 1.885 m, for 99.95 s."""
    road, motor = level("vehicle_speed", -72.0), level("motor_speed", -1000.0)
    way, by = _way(signals(road, motor), HAZEL)
    assert way is not None
    assert (way.value, by) == (pytest.approx(0.02 * 99.95), "vehicle speed")
    way, by = _way(signals(motor), HAZEL)
    assert way is not None
    assert way.value == pytest.approx(1000 / 8 * 2 * pi * 0.3 / 1000 * 99.95 / 60)
    assert by.startswith("motor speed")
    assert _way(signals(motor), Vehicle()) == (None, "")
    assert _way(signals(), HAZEL) == (None, "")


def test_a_monitor_that_has_not_woken_is_left_out():
    time_s, volts = awake(part("battery_voltage", np.arange(7.0), [0.0, 174.0, 176.0, *[350.0] * 4]))
    assert (time_s.tolist(), volts.tolist()) == ([2.0, 3.0, 4.0, 5.0, 6.0], [176.0, *[350.0] * 4])


def test_the_current_belongs_to_a_voltage_that_trails_it():
    made = signals(level("battery_voltage", 350.0), level("battery_current", T))
    load = load_at(made, 0.5)
    assert load.amps == pytest.approx(load.time_s - 0.5)


def load_of(volts: Any, amps: Any, at: np.ndarray = T, noise_v: float = 0.1, noise_a: float = 0.1) -> UnderLoad:
    size = at.size
    return UnderLoad(
        at, np.broadcast_to(volts, size), np.broadcast_to(amps, size), np.zeros(size), 0.0, 0.05, 0.05, noise_v, noise_a
    )


@pytest.mark.parametrize("least_v", [280.0, 150.0])
def test_the_power_left_is_what_the_resistance_allows_down_to_the_lowest_voltage(least_v):
    """300 V at 100 A over 0.2 Ω (0.16 to 0.25): 320 V at rest. The most power is found by search over all voltages."""
    volts, amps = np.full(T.size, 320.0), np.zeros(T.size)
    volts[400:420], amps[400:420] = 300.0, 100.0
    volts[900], amps[900] = 320.0, 500.0  # a lone pair that does not belong together
    found = find_sag(Resistance(Slope(0.2, 0.16, 0.25, 0.1, 9), 1.0, load_of(volts, amps), None), least_v)
    assert (found.time_s, found.volts, found.amps, found.power_w) == (pytest.approx(20.0), 300.0, 100.0, 30_000.0)
    assert (found.sag.value, found.sag.low, found.sag.high) == pytest.approx((20.0, 16.0, 25.0))
    rest = found.open_circuit
    assert (rest.value, rest.low, rest.high) == pytest.approx((320.0, 316.0, 325.0))
    assert found.power_left is not None

    def most_w(ohm: float) -> float:
        at_v = np.linspace(least_v, 325.0, 200_001)
        return float(np.max(at_v * (300.0 + ohm * 100.0 - at_v) / ohm)) - 30_000.0

    left = found.power_left
    edges = sorted((most_w(0.16), most_w(0.25)))
    assert (left.value, left.low, left.high) == pytest.approx((most_w(0.2), *edges), rel=1e-4)
    assert (
        find_sag(Resistance(Slope(0.2, 0.16, 0.25, 0.1, 9), 1.0, load_of(volts, amps), None), None).power_left is None
    )


def stepped(*ohms: float, step_a: float = 100.0) -> UnderLoad:
    """Steps of current up and down again every 5 s, each over its own resistance, from 350 V."""
    volts, amps = np.full(T.size, 350.0), np.zeros(T.size)
    for k, ohm in enumerate(ohms):
        rows = (10.0 * k + 5.0 - 1e-9 <= T) & (10.0 * k + 10.0 - 1e-9 > T)
        amps[rows], volts[rows] = step_a, 350.0 - ohm * step_a
    return load_of(volts, amps)


def test_pulses_are_pooled_with_students_limits():
    """Up and down over 0.1, 0.1 and 0.13 Ω: six steps of one size, so the plain mean and its standard error."""
    found = find_pulses(stepped(0.1, 0.1, 0.13), 0.05)
    assert found is not None
    ohms = np.repeat([0.1, 0.1, 0.13], 2)
    assert found.ohms == pytest.approx(ohms, rel=1e-6)
    assert found.value == pytest.approx(ohms.mean(), rel=1e-6)
    reach = stats.t.ppf(0.975, 5) * ohms.std() / 6**0.5
    assert (found.value - found.low, found.high - found.value) == pytest.approx((reach, reach), rel=0.02)
    assert found.time_s == pytest.approx(np.arange(5.0, 35.0, 5.0), abs=0.11)
    assert found.after_s == pytest.approx(0.3)  # two rows of guard and half of 0.4 s


def test_alike_pulses_are_as_unsure_as_the_noise_of_their_levels():
    """Eight readings a level with 0.1 V: √(2/8) · 0.1 V over 100 A a step, of six."""
    found = find_pulses(stepped(0.1, 0.1, 0.1), 0.05)
    assert found is not None
    reach = stats.t.ppf(0.975, 5) * 0.1 * 0.5 / 100.0 / 6**0.5
    assert found.high - found.value == pytest.approx(reach, rel=1e-3)


@pytest.mark.parametrize(("noise_a", "found"), [(4.9, True), (5.1, False)])
def test_a_pulse_is_twenty_noises_of_the_current(noise_a, found):
    load = stepped(0.1, 0.1)
    assert (find_pulses(replace(load, noise_a=noise_a), 0.05) is not None) is found


@pytest.mark.parametrize(
    ("drawn", "returned", "share"),
    [
        ((100.0, 90.0, 110.0), (20.0, 18.0, 22.0), (20.0, 100 * 18 / 110, 100 * 22 / 90)),
        ((100.0, 90.0, 110.0), (85.0, 80.0, 90.0), (None, None, None)),  # a descent or a charge
        ((100.0, 0.0, 200.0), (0.0, -1.0, -0.5), (None, None, None)),
        ((100.0, 90.0, 110.0), (1.0, -1.0, 3.0), (1.0, 0.0, 100 * 3 / 90)),
    ],
)
def test_the_share_returned_has_the_limits_of_both(drawn, returned, share):
    one, other = (Integral(*each, 99.0) for each in (drawn, returned))
    way = Integral(0.5, 0.4, 0.8, 99.0)
    energy = Energy(one, other, Integral(0.0, 0.0, 0.0, 0.0), way, "vehicle speed")
    found = _energy(energy, load_of(350.0, T), signals(level("battery_voltage", 350.0)))
    got = found.measured["returned_percent"]
    assert (got.value, got.low, got.high) == pytest.approx(share)
    used = found.measured["consumption_Wh_per_km"]
    wh = (drawn[0] - returned[0], drawn[1] - returned[2], drawn[2] - returned[1])
    assert (used.value, used.low, used.high) == pytest.approx((wh[0] / 0.5, wh[1] / 0.8, wh[2] / 0.4))
    assert found.measured["way_km"].value == 0.5
    short = _energy(replace(energy, way=Integral(0.3, 0.19, 0.4, 9.0)), load_of(350.0, T), signals())
    assert "consumption_Wh_per_km" not in short.measured


def test_voltage_and_current_that_never_meet_leave_nothing_to_check():
    late = T + 500.0
    made = signals(level("battery_voltage", 350.0), level("battery_current", 10.0, late))
    with pytest.raises(NothingToCheck):
        battery(made, Any, Vehicle())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("motor_kmh", "lasts_s", "slips"),
    [(47.1, 1.0, True), (46.9, 1.0, False), (60.0, 0.15, True), (60.0, 0.08, False), (32.0, 1.0, False)],
)
def test_a_wheel_slips_that_turns_a_tenth_and_3_kmh_faster_than_the_road(motor_kmh, lasts_s, slips):
    """The road at 40 km/h: 47 km/h are the edge. 8/(2π · 0.3 m) motor turns a metre."""
    at = np.arange(0.0, 20.0, 0.01)
    per_kmh = 8.0 / (2 * pi * 0.3) / 3.6 * 60.0
    kmh = np.where((at >= 5.0 - 1e-9) & (at < 5.0 + lasts_s - 1e-9), motor_kmh, 40.0)
    made = signals(level("motor_speed", kmh * per_kmh, at), level("vehicle_speed", 40.0, at))
    found = find_slip(made, None, HAZEL)
    assert found is not None
    assert found.spans == ((pytest.approx((5.0, 5.0 + lasts_s - 0.01)),) if slips else ())
    if slips:
        assert (found.worst_kmh, found.worst_s) == (pytest.approx(motor_kmh - 40.0), pytest.approx(5.0))
    assert find_slip(signals(made["motor_speed"]), None, HAZEL) is None


def test_the_ratio_is_learnt_above_20_kmh_where_the_file_gives_none():
    rpm, kmh = np.full(500, 1000.0), np.full(500, 20.0)
    rpm[:200], kmh[:200] = 2000.0, 50.0
    assert _kmh_per_rpm(Vehicle(), -rpm, kmh) == pytest.approx(0.025)
    assert _kmh_per_rpm(Vehicle(), rpm[1:], kmh[1:]) is None  # 199 of them
    assert _kmh_per_rpm(HAZEL, rpm, kmh) == pytest.approx(2 * pi * 0.3 / 8 * 60 / 1000)


def limit(part_name: str, value: float, near: float, upper: bool = True, unit: str = "A") -> Limit:
    return Limit("made", "made", part_name, value, unit, upper, near, Severity.DANGER, "", "")


def judged(name: str, value: np.ndarray, of: Limit, **more: Any) -> Closeness:
    found = judge_limit(part(name, np.arange(value.size) * 0.1, value, more.pop("step", None)), of, **more)
    assert found is not None
    return found


def test_a_limit_is_near_from_its_band_on_and_passed_beyond_noise_and_rounding():
    amps = np.zeros(1000)
    amps[100:110], amps[400:420], amps[700] = 315.0, -350.5, 314.9
    found = judged("motor_current", amps, limit("motor_current", 350.0, 315.0))
    assert (found.margin, found.time_s) == (pytest.approx(-0.5), pytest.approx(40.0))
    assert (found.near_s, found.seen_s) == (pytest.approx(3.0), pytest.approx(100.0))
    assert found.near_percent == pytest.approx(3.0)
    assert found.near == (pytest.approx((10.0, 10.9)), pytest.approx((40.0, 41.9)))
    assert found.passed == (pytest.approx((40.0, 41.9)),)
    assert judged("motor_current", amps, limit("motor_current", 350.0, 315.0), step=1.0).passed == ()  # by half a step
    amps[405] = -350.6
    assert len(judged("motor_current", amps, limit("motor_current", 350.0, 315.0), step=1.0).passed) == 1
    spared = judged("motor_current", amps, limit("motor_current", 350.0, 315.0), but=[(39.95, 41.95)])
    assert (spared.margin, spared.near_s) == (35.0, pytest.approx(1.0))


def test_a_lower_limit_is_judged_where_the_supply_is_awake():
    volts = np.full(1000, 300.0)
    volts[100:110], volts[400:420], volts[700:710] = 119.0, 121.0, 245.0
    found = judged("battery_voltage", volts, limit("battery_voltage", 240.0, 250.0, upper=False, unit="V"))
    assert (found.margin, found.time_s, found.unit) == (-119.0, pytest.approx(40.0), "V")
    assert found.near_s == pytest.approx(3.0)
    assert judged("motor_temperature", volts, limit("motor_temperature", 400.0, 390.0, unit="°C")).unit == "K"


def test_of_two_readings_either_may_pass_a_limit():
    found = judged("motor_current", np.array([300.0, -351.0]), limit("motor_current", 350.0, 315.0))
    assert (found.margin, found.passed) == (-1.0, ((0.1, 0.1),))


def test_noise_alone_passes_no_limit():
    """Four of its deviations: at 340 V with 1 V of noise from 344 V on."""
    noise = np.random.default_rng(8).normal(0.0, 1.0, 4000)
    for over_v, passed in ((3.0, 0), (6.0, 1)):
        volts = 300.0 + noise
        volts[2000:2003] = 340.0 + over_v
        found = judged("battery_voltage", volts, limit("battery_voltage", 340.0, 330.0, unit="V"))
        assert len(found.passed) == passed


@pytest.mark.parametrize(("lone", "margin"), [(2, 5000.0), (3, -1000.0)])
def test_a_speed_is_judged_by_the_middle_one_of_five(lone, margin):
    rpm = np.full(1000, -4000.0)
    rpm[500 : 500 + lone] = 10_000.0
    assert judged("motor_speed", rpm, limit("motor_speed", 9000.0, 8100.0, unit="rpm")).margin == margin
