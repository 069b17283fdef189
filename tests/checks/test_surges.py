"""Peaks, surges and collapses of the motor current before a trip, and which trips are one event: tables by hand.

Times and shares are common practice, no published source. The bound of the highest of several readings is checked with
scipy's normal distribution.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from logscope.arrays import FloatArray
from logscope.observations.trips.events import Trip, _let_go, _passed_limit, unwitnessed
from logscope.observations.trips.retries import gather
from logscope.observations.trips.surge import collapse_before, collapses, highest, peak_before, surge_before
from logscope.signals import Part, Signals
from logscope.vehicle import Limits, Vehicle

PERIOD_S = 0.015625  # sums of it are exact
END_S = 20.0


def current(at_s: list[float], amps: list[float], step: float | None = None, name: str = "motor_current") -> Part:
    time_s = np.arange(0.0, END_S, PERIOD_S)
    value: FloatArray = np.interp(time_s, at_s, amps)
    return Part(name, time_s, value, "A", f"Made.{name}", step)


def readings(amps: list[float], step: float | None = None, period_s: float = PERIOD_S) -> Part:
    value = np.array(amps, dtype=float)
    return Part("motor_current", period_s * np.arange(value.size), value, "A", "Made.I", step)


def test_the_highest_reading_has_a_lower_limit_by_the_noise_of_as_many_as_are_as_high() -> None:
    """1,000 readings about 300 A with 2 A of noise: none of the noises exceeds the bound at 95 %, two-sided."""
    value = 300.0 + np.random.default_rng(3).normal(0.0, 2.0, 1000)
    found = highest(value, readings(value.tolist()))
    bound = -stats.norm.isf(1.0 - 0.975 ** (1 / 1000))  # all lie within six noises of the highest
    assert found.value == value.max()
    assert found.unit == "A"
    assert found.high is None
    assert found.low == pytest.approx(value.max() + 2.0 * bound, abs=0.6)
    (one, two) = (highest(np.array(few), readings(value.tolist())) for few in ([300.0], [300.0, 200.0]))
    assert one.low == two.low == pytest.approx(300.0 - 1.96 * 2.0, abs=0.3)
    assert highest(np.array([3.0]), readings(value.tolist())).low == 0.0


def test_rounding_lowers_the_limit_of_the_highest_by_half_a_step() -> None:
    assert highest(np.array([300.0]), readings([300.0] * 50, step=4.0)).low == pytest.approx(298.0, abs=1e-6)


def test_the_peak_before_a_trip_is_the_largest_magnitude_of_half_a_second_and_a_reading_after() -> None:
    for at, seen in ((9.484375, False), (9.5, True), (10.015625, True), (10.03125, False)):
        value = np.full(1280, 50.0)
        value[round(at / PERIOD_S)] = -400.0
        peak = peak_before(readings(value.tolist()), 10.0)
        assert peak is not None
        assert (peak.amps == 400.0) is seen
        assert (peak.time_s == at) is seen or not seen
    assert peak_before(readings([50.0] * 100), 10.0) is None  # not sampled then


def test_a_stated_limit_is_passed_above_it_alone() -> None:
    part = current([0.0, END_S], [350.0, 350.0])
    for limit, passed in ((349.9, True), (350.0, False), (None, False)):
        assert _passed_limit(part, Vehicle(limits=Limits(motor_current_A=limit)), 10.0) is passed
    assert not _passed_limit(part, Vehicle(limits=Limits(motor_current_A=300.0)), 30.0)


@pytest.mark.parametrize(
    ("rise_s", "is_one"),
    [(0.0625, True), (0.1, True), (0.4, False), (1.0, False)],  # a demand takes longer
)
def test_a_surge_is_up_within_a_tenth_of_a_second(rise_s: float, is_one: bool) -> None:
    found = surge_before(current([0.0, 9.9 - rise_s, 9.9, END_S], [100.0, 100.0, 300.0, 300.0]), 10.0)
    assert (found is not None) is is_one
    if found:
        assert -PERIOD_S <= found.sound_s - (9.9 - rise_s) <= PERIOD_S
        assert found.onset_s == found.sound_s + PERIOD_S
        assert (found.before, found.peak) == pytest.approx((100.0, 300.0), abs=0.01 if rise_s < 0.1 else 45.0)
        assert found.peak_s == pytest.approx(9.9, abs=PERIOD_S)


def test_a_surge_may_set_in_with_the_first_step_that_is_looked_at() -> None:
    """0.1 s and one reading before the highest are eight readings: 75 A more in the second, then 80 A in each."""
    found = surge_before(readings([0.0, *(80.0 * k - 5.0 for k in range(1, 8)), 555.0]), 8 * PERIOD_S)
    assert found is not None
    assert (found.sound_s, found.onset_s, found.before) == (0.0, PERIOD_S, 0.0)


def test_a_surge_stands_out_of_its_noise_and_of_two_steps() -> None:
    """Noise 10 A: six standard deviations of a difference are 85 A. Two steps of 60 A are 120 A."""
    rng = np.random.default_rng(5)
    for rise, step, is_one in ((66.0, None, False), (160.0, None, True), (119.0, 60.0, False), (121.0, 60.0, True)):
        noise = rng.normal(0.0, 10.0, 1280) if step is None else np.zeros(1280)
        value = 100.0 + noise
        value[630:641] = 100.0 + rise
        assert (surge_before(readings(value.tolist(), step), 10.0) is not None) is is_one


@pytest.mark.parametrize(
    ("before", "rise", "highest_a", "is_one"),
    [
        (300.0, 89.0, 0.0, False), (300.0, 91.0, 0.0, True),  # three tenths of what was before
        (-300.0, -89.0, 0.0, False), (-300.0, -91.0, 0.0, True),
        (10.0, 79.0, 400.0, False), (10.0, 81.0, 400.0, True),  # a fifth of the highest of the log
    ],
)  # fmt: skip
def test_a_surge_is_large_beside_the_current_before_it_and_the_highest_of_the_log(
    before: float, rise: float, highest_a: float, is_one: bool
) -> None:
    value = np.full(1280, before)
    value[636:641] += rise
    value[0] = highest_a or before
    found = surge_before(readings(value.tolist()), 10.0)
    assert (found is not None) is is_one
    if found:
        assert (found.before, found.peak) == (abs(before), abs(before + rise))
        assert (found.sound_s, found.onset_s, found.peak_s) == (635 * PERIOD_S, 636 * PERIOD_S, 636 * PERIOD_S)


@pytest.mark.parametrize(("slower", "rows"), [(19.0, 1), (21.0, 3)])
def test_a_surge_sets_in_with_the_first_step_of_a_fifth_of_the_steepest(slower: float, rows: int) -> None:
    """Two slower steps lead to one of 100 A."""
    value = np.full(1280, 50.0)
    value[636:] = np.r_[50.0 + slower, 50.0 + 2 * slower, np.full(642, 150.0 + 2 * slower)]
    found = surge_before(readings(value.tolist()), 10.0)
    assert found is not None
    assert found.onset_s == (639 - rows) * PERIOD_S
    assert found.before == 50.0 + (3 - rows) * slower


def test_the_noise_before_a_surge_is_that_of_two_seconds() -> None:
    """80 A of noise until 7.9 s hide nothing; until the peak they hide a surge of 300 A."""
    rng = np.random.default_rng(8)
    for until, is_one in ((505, True), (640, False)):
        value = np.full(1280, 200.0)
        value[:until] += rng.normal(0.0, 80.0, until)
        value[628:641] += 300.0
        assert (surge_before(readings(value.tolist()), 10.0) is not None) is is_one


def collapse(after: list[float], before: float = 200.0, rest: float = 0.0) -> Part:
    """Stands at a current, then these readings from 10 s on, then the rest."""
    value = [before] * 640 + after + [rest] * (640 - len(after))
    return readings(value)


@pytest.mark.parametrize(
    ("part", "spans"),
    [
        (collapse([0.0]), [(9.984375, 10.0)]),
        (collapse([120.0, 0.0]), [(10.0, 10.015625)]),  # caught half way, from more than half
        (collapse([80.0, 0.0], rest=9.0), [(9.984375, 10.0)]),  # from less than half
        (collapse([41.0, 0.0]), [(10.0, 10.015625)]),  # a fifth of the highest is a current
        (collapse([39.0, 0.0]), [(9.984375, 10.0)]),
        (collapse([170.0, 140.0, 110.0, 80.0, 50.0, 35.0, 20.0, 10.0]), []),  # a ramp
        (collapse([0.0], rest=20.0), [(9.984375, 10.0)]),  # a tenth may be left
        (collapse([0.0], rest=21.0), []),
        (collapse([0.0] * 14, rest=200.0), [(9.984375, 10.0)]),  # stays off for 0.2 s from two readings on
        (collapse([0.0] * 13, rest=200.0), []),
        (collapse([-200.0] * 300, before=-200.0), [(14.671875, 14.6875)]),  # magnitudes
    ],
)
def test_a_collapse_falls_to_a_tenth_within_two_readings_and_stays(
    part: Part, spans: list[tuple[float, float]]
) -> None:
    assert collapses(part) == spans


@pytest.mark.parametrize(("caught_a", "on_s"), [(130.0, 10.0), (120.0, 9.984375)])
def test_a_collapse_caught_half_way_is_so_where_that_is_little_against_the_log(caught_a: float, on_s: float) -> None:
    """From 250 A in a log with 1,000 A."""
    part = collapse([caught_a, 0.0], before=250.0)
    part.value[100] = 1000.0
    assert collapses(part) == [(on_s, on_s + PERIOD_S)]


def test_what_is_little_against_the_log_is_no_collapse_and_what_is_near_another_is_one_with_it() -> None:
    for before, count in ((79.0, 0), (81.0, 1)):  # a fifth of 400 A
        assert len(collapses(readings([before] * 300 + [0.0] * 300 + [400.0]))) == count
    for off, count in ((13, 1), (14, 2)):  # half a second is 32 readings, of which 19 with current
        assert len(collapses(readings([200.0] * 100 + [0.0] * off + [200.0] * 20 + [0.0] * 300))) == count


def test_a_gap_in_the_log_is_no_collapse_and_a_seldom_reading_shows_one() -> None:
    seldom = readings([200.0] * 50 + [0.0] * 50, period_s=0.25)
    assert collapses(seldom) == [(12.25, 12.5)]
    for gap_s, count in ((0.45, 1), (0.55, 0)):  # two periods, and as long again
        gapped = readings(seldom.value.tolist(), period_s=0.25)
        gapped.time_s[50:] += gap_s
        assert len(collapses(gapped)) == count
    part = collapse([0.0])
    for gap_s, count in ((0.05, 1), (0.2, 0)):  # 0.1 s in all is the edge
        gapped = readings(part.value.tolist())
        gapped.time_s[640:] += gap_s
        assert len(collapses(gapped)) == count


@pytest.mark.parametrize(("trip_s", "seen"), [(9.98, False), (9.99, True), (10.49, True), (10.51, False)])
def test_the_collapse_of_a_trip_lies_within_the_half_second_before(trip_s: float, seen: bool) -> None:
    """Seen off at 10.0 s; one reading late a fault may come."""
    assert (collapse_before(collapse([0.0]), trip_s) is not None) is seen


def test_the_last_of_two_collapses_is_the_trips() -> None:
    value = [200.0] * 600 + [0.0] * 14 + [200.0] * 26 + [0.0] * 300
    assert collapse_before(readings(value), 10.1) == (9.984375, 10.0)


def trips(*at_s: float, name: str = "overcurrent", over: bool = True) -> list[Trip]:
    return [Trip(each - 0.1, each, over, name, 3.0) for each in at_s]


@pytest.mark.parametrize(
    ("found", "sizes"),
    [
        (trips(0.0, 10.0, 20.0), [3]),
        (trips(0.0, 10.0, 20.1), [1, 1, 1]),  # two are no series
        (trips(0.0, 5.0), [1, 1]),
        (trips(0.0, 5.0, 10.0, 30.0, 35.0, 40.0), [3, 3]),
        (trips(0.0, 5.0, 10.0) + trips(2.0, name="undervoltage", over=False), [3, 1]),
        (trips(0.0, 5.0) + trips(7.0, over=False), [1, 1, 1]),  # the same word, another fault
    ],
)
def test_three_trips_of_one_fault_each_within_ten_seconds_of_the_one_before_are_one_event(
    found: list[Trip], sizes: list[int]
) -> None:
    groups = gather(found)
    assert [len(group) for group in groups] == sizes
    assert [group[0].time_s for group in groups] == sorted(group[0].time_s for group in groups)


LET_GO: dict[str, tuple[list[float], list[float]]] = {
    "amps": ([0.0, 1.0, 10.0, 10.01, END_S], [0.0, 300.0, 300.0, 0.0, 0.0]),
    "pedal": ([0.0, END_S], [60.0, 60.0]),
    "volts": ([0.0, END_S], [300.0, 300.0]),
}


@pytest.mark.parametrize(
    ("other", "let_go"),
    [
        ({}, True),
        ({"amps": ([0, 1, 2, 3, 10, 10.01, END_S], [0, 300, 300, 254, 254, 0, 0])}, False),  # 85 % of the highest
        ({"amps": ([0, 1, 2, 3, 10, 10.01, END_S], [0, 300, 300, 256, 256, 0, 0])}, True),
        ({"amps": ([0, 1, 10, 10.01, END_S], [0, 300, 300, 59, 59])}, True),  # a fifth is left
        ({"amps": ([0, 1, 10, 10.01, END_S], [0, 300, 300, 61, 61])}, False),
        ({"pedal": ([0, END_S], [5.1, 5.1])}, True),
        ({"pedal": ([0, END_S], [5.0, 5.0])}, False),
        ({"pedal": ([0, 10.5, 10.6, END_S], [60, 60, 0, 0])}, False),  # lifted within 0.6 s
        ({"pedal": ([0, 10.7, 10.8, END_S], [60, 60, 0, 0])}, True),
        ({"volts": ([0, 10.2, 10.3, END_S], [300, 300, 211, 211])}, True),  # seven tenths
        ({"volts": ([0, 10.2, 10.3, END_S], [300, 300, 209, 209])}, False),
    ],
)
def test_an_inverter_lets_go_at_its_highest_current_with_the_pedal_down_and_the_link_up(
    other: dict[str, tuple[list[float], list[float]]], let_go: bool
) -> None:
    drawn = {**LET_GO, **other}
    amps = current(*drawn["amps"])
    pedal, volts = current(*drawn["pedal"], name="throttle"), current(*drawn["volts"], name="dc_link_voltage")
    both = Signals({"throttle": pedal, "dc_link_voltage": volts}, 0.0, END_S)
    assert _let_go(amps, both, 10.0, 10.015625) is let_go
    for missing in ("throttle", "dc_link_voltage"):
        one = {name: part for name, part in both.parts.items() if name != missing}
        assert not _let_go(amps, Signals(one, 0.0, END_S), 10.0, 10.015625)


def test_a_collapse_is_unwitnessed_where_neither_fault_nor_pedal_is_logged() -> None:
    amps = collapse([0.0])
    other = current([0.0, END_S], [60.0, 60.0], name="throttle")
    fault = current([0.0, END_S], [0.0, 0.0], name="fault")
    torque = current([0.0, END_S], [60.0, 60.0], name="torque")
    assert unwitnessed(Signals({"motor_current": amps}, 0.0, END_S)) == [(9.984375, 10.0)]
    for beside in (other, fault, torque):
        assert not unwitnessed(Signals({"motor_current": amps, beside.name: beside}, 0.0, END_S))
    assert not unwitnessed(Signals({}, 0.0, END_S))
