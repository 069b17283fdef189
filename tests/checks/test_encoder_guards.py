"""What disturbances of the motor speed follow, and by what factor it is off: each guard on both sides of its edge.

Oracles: scipy.stats (chi-squared limits of a Poisson count, Clopper and Pearson's limits of a share); the rest by hand.
"""

from __future__ import annotations

from math import inf, pi, sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals
from scipy import stats

from logscope.checks.encoder import disturbance_load
from logscope.checks.encoder.disturbance_load import (
    Companion,
    LoadRelation,
    _raised,
    _upper_half,
    load_relation,
    running_rate,
)
from logscope.checks.encoder.disturbance_rate import RateLaw, stretches
from logscope.checks.encoder.disturbance_switching import Switching, _judge, _next_edge, followed_switching
from logscope.checks.encoder.speed_ripple import AngleSegment, _segment, angle_segments, beyond_ripple
from logscope.checks.encoder.speed_scale import _as_disturbance, _by_second, _compare, scale
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.statistics.rates import Estimate
from logscope.vehicle import Driveline, Vehicle

T = np.arange(0.0, 120.0, 0.01)
NO_LAW: Any = (np.empty(0),) * 4


def study(at_s: tuple[float, ...] = (), rpm: Any = 2000.0, running: Any = True, **more: Any) -> Any:
    """The analysis of a speed every 10 ms with disturbances at some times; each sample stands for 10 ms."""
    value = np.full(T.size, rpm) if np.isscalar(rpm) else rpm
    where = np.full(T.size, running) if np.isscalar(running) else running
    at = [int(np.searchsorted(T, each - 1e-9)) for each in at_s]
    model = SimpleNamespace(
        exposure_s=np.full(T.size, 0.01), running=where, running_s=float(np.count_nonzero(where)) * 0.01,
        update_s=0.01, repeat=1, zero_rpm=10.0, low_speed_rpm=300.0,
    )  # fmt: skip
    disturbances = tuple(SimpleNamespace(before=k - 1, first=k, after=k + 1, **more) for k in at)
    return SimpleNamespace(speed=part("motor_speed", T, value), model=model, disturbances=disturbances)


def poisson(count: int, minutes: float) -> tuple[float, float, float]:
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    return tuple(each / minutes for each in (count, low, stats.chi2.ppf(0.975, 2 * count + 2) / 2))


@pytest.mark.parametrize(
    ("at_s", "minutes", "counted"),
    [
        ((10.0, 20.0, 30.0), 1.0, 3),  # the motor runs for the first minute
        ((10.0, 20.0, 100.0), 1.0, 2),
        ((), 1.0, 0),
        ((100.0, 110.0), 2.0, 2),  # all at rest: per minute of the log
    ],
)
def test_disturbances_are_counted_per_minute_of_the_running_motor(at_s, minutes, counted):
    one = study(at_s, running=T < 59.995)
    found = running_rate(one, one.disturbances)
    assert (found.value, found.low, found.high) == pytest.approx(poisson(counted, minutes), rel=1e-6)
    assert found.unit == "1/min"


@pytest.mark.parametrize(
    ("amps", "known", "upper"),
    [
        ([1, 2, 3, 4], [1, 1, 1, 1], [0, 0, 1, 1]),
        ([1, 2, 2, 2], [1, 1, 1, 1], [0, 1, 1, 1]),  # none lies above the median of 2
        ([2, 2, 2, 3], [1, 1, 1, 1], [0, 0, 0, 1]),
        ([2, 2, 3, 3], [1, 1, 1, 0], [0, 0, 1, 1]),
        ([1, 2, 3], [1, 1, 1], [0, 0, 1]),  # alike either way: those above it alone
    ],
)
def test_the_halves_of_the_currents_are_as_alike_as_can_be(amps, known, upper):
    amps, known = np.array(amps, dtype=float), np.array(known, dtype=bool)
    split = float(np.median(amps[known]))
    assert _upper_half(amps, split, known).tolist() == [bool(each) for each in upper]


def test_a_ratio_raised_keeps_its_limits():
    found = _raised(Estimate(4.0, 1.0, inf, 0.02), 0.5)
    assert (found.value, found.low, found.high, found.p_value) == (2.0, 1.0, inf, 0.02)


def clopper_pearson(more: int, less: int, share: float) -> tuple[float, float, float]:
    """Ratio of rates with its limits, `share` of the time being that of the first."""
    found = stats.binomtest(more, more + less).proportion_ci(0.95, "exact")
    return tuple(p / (1 - p) * (1 - share) / share for p in (more / (more + less), found.low, found.high))


def test_few_disturbances_are_compared_above_and_below_the_median_current():
    """A third of the time at 250 A, else 50 A, at the same speed: 6 and 2 of them. The factor is for each 100 A."""
    amps = part("motor_current", T, np.where(T % 3.0 < 0.995, -250.0, 50.0))
    one = study((3.2, 9.2, 15.2, 21.2, 27.2, 33.2, 40.7, 100.7))
    found = load_relation(one, signals(amps))
    assert found is not None
    high_s = 0.01 * np.count_nonzero(T % 3.0 < 0.995)
    assert (found.high_count, found.low_count, found.split) == (6, 2, 50.0)
    assert (found.high_mean, found.low_mean) == pytest.approx((250.0, 50.0))
    assert (found.high_min, found.low_min) == pytest.approx((high_s / 60, (120.0 - high_s) / 60))
    ratio = clopper_pearson(6, 2, high_s / 120.0)
    got = found.per_100_amps
    assert (got.value, got.low, got.high) == pytest.approx(tuple(sqrt(each) for each in ratio), rel=1e-3)
    assert ratio[1] == pytest.approx(1.07, abs=0.01)
    assert found.electrical
    assert found.law is None


@pytest.mark.parametrize(("speeds", "electrical"), [((2000.0, 2000.0), True), ((9000.0, 500.0), False)])
def test_more_at_current_is_electrical_where_it_is_more_per_turn_as_well(speeds, electrical):
    loaded = T % 2.0 < 0.995
    one = study((2.2, 8.2, 16.2, 22.2, 28.2, 34.2, 42.2, 100.2), rpm=np.where(loaded, *speeds))
    found = load_relation(one, signals(part("motor_current", T, np.where(loaded, 250.0, 50.0))))
    assert found is not None
    assert found.electrical is electrical


@pytest.mark.parametrize(("high_a", "related"), [(79.9, False), (80.1, True)])
def test_currents_that_hardly_differ_say_nothing(high_a, related):
    """30 A apart, where 100 A are spoken of."""
    amps = part("motor_current", T, np.where(T % 2.0 < 0.995, high_a, 50.0))
    assert (load_relation(study((2.2, 8.2)), signals(amps)) is not None) is related
    assert load_relation(study(), signals(amps)) is None
    assert load_relation(study((2.2,)), signals()) is None
    assert load_relation(study((2.2,), running=False), signals(amps)) is None
    at_rest = study((2.2, 8.2), running=T > 20.0)  # none of them while the motor turns
    assert load_relation(at_rest, signals(amps)) is None
    assert load_relation(study((2.2, 8.2)), signals(part("motor_current", T, np.full(T.size, high_a)))) is None
    lone = load_relation(study((2.2,)), signals(amps))
    assert (lone is not None) is related
    if lone is not None:
        assert (lone.high_count, lone.low_count) == (1, 0)


def test_many_disturbances_are_judged_by_the_law_with_its_companions(monkeypatch: pytest.MonkeyPatch) -> None:
    """The law goes before the halves, in its factor and in what is electrical; without stretches there is none."""
    amps = part("motor_current", T, np.where(T % 2.0 < 0.995, 250.0, 50.0))
    one, beside = (
        study((2.2, 8.2, 16.2, 22.2, 28.2, 34.2, 42.2, 100.2)),
        (Companion("throttle", "10 %", Estimate(2, 1, 3)),),
    )
    monkeypatch.setattr(disturbance_load, "companions", lambda *_: beside)
    for low, electrical in ((1.01, True), (1.0, False)):
        law = RateLaw(Estimate(1.5, low, 2.0), None, 0.0, NO_LAW)
        monkeypatch.setattr(disturbance_load, "stretches", lambda *_: "driven")
        monkeypatch.setattr(disturbance_load, "rate_law", lambda _, found=law: found)
        found = load_relation(one, signals(amps))
        assert found is not None
        assert (found.per_100_amps, found.law, found.companions) == (law.current, law, beside)
        assert found.electrical is electrical
    monkeypatch.setattr(disturbance_load, "stretches", lambda *_: None)
    bare = load_relation(one, signals(amps))
    assert bare is not None
    assert (bare.law, bare.companions) == (None, ())


def test_a_current_is_known_for_a_second() -> None:
    """Every 1.25 s by turns 250 and 50 A: four fifths of the two minutes, half of that above the median."""
    at = 1.25 * np.arange(96)
    found = load_relation(
        study((2.6, 5.1)), signals(part("motor_current", at, np.where(np.arange(96) % 2, 50.0, 250.0)))
    )
    assert found is not None
    assert (found.high_min, found.low_min) == pytest.approx((0.8, 0.8), rel=0.02)


def related(law: RateLaw | None, electrical: bool = False, factor: Estimate | None = None) -> LoadRelation:
    given = factor or Estimate(2.0, 1.5, 3.0)
    return LoadRelation(50.0, 20.0, 90.0, 2, 6, 1.0, 1.0, given, electrical=electrical, law=law)


@pytest.mark.parametrize(
    ("power", "current", "electrical", "mechanical"),
    [
        (Estimate(1.0, 0.1, 2.0), Estimate(1.2, 1.0, 1.5), False, True),
        (Estimate(1.0, 0.0, 2.0), Estimate(1.2, 0.9, 1.5), False, False),
        (Estimate(1.0, 0.1, 2.0), Estimate(1.2, 1.1, 1.5), False, False),
        (Estimate(1.0, 0.1, 2.0), Estimate(1.2, 0.9, 1.5), True, False),
        (None, Estimate(1.2, 0.9, 1.5), False, False),
    ],
)
def test_what_rises_with_the_turning_alone_is_mechanical(power, current, electrical, mechanical):
    assert related(RateLaw(current, power, 0.0, NO_LAW), electrical).mechanical is mechanical
    assert not related(None).mechanical


def test_an_unbounded_factor_has_a_lower_limit_alone():
    found = related(None, factor=Estimate(inf, 1.5, inf)).measured()
    assert (found.value, found.low, found.high) == (None, 1.5, None)
    found = related(None).measured()
    assert (found.value, found.low, found.high) == (2.0, 1.5, 3.0)


@pytest.mark.parametrize(("low", "high", "matters"), [(1.1, 2.0, True), (0.9, 2.0, False), (0.5, 0.9, True)])
def test_a_companion_matters_where_its_limits_leave_out_one(low, high, matters):
    assert Companion("throttle", "10 %", Estimate(1.0, low, high)).matters is matters


def test_driving_is_cut_into_half_seconds_with_their_means():
    amps, rpm = np.where(T % 1.0 < 0.495, 40.0, 240.0), np.where(T % 1.0 < 0.495, 1000.0, 3000.0)
    one = study(tuple(np.arange(10.2, 20.0, 1.0)), rpm=rpm)
    found = stretches(one, amps, np.ones(T.size, bool), one.disturbances)
    assert found is not None
    assert found.counts.size == 240
    assert (found.counts.sum(), found.counts[20], found.counts[21]) == (10.0, 1.0, 0.0)
    assert found.current[:2].tolist() == pytest.approx([40.0, 240.0])
    assert found.turning[:2].tolist() == pytest.approx([0.0, np.log(3.0)])
    assert found.exposure_s[:2].tolist() == pytest.approx([0.5, 0.5])
    assert found.base[1].tolist() == pytest.approx([1.0, 2.4, np.log(3.0)])  # current in 100 A
    assert found.mean(amps)[:2].tolist() == pytest.approx([40.0, 240.0])
    nine = study(tuple(np.arange(10.2, 19.0, 1.0)), rpm=rpm)
    assert stretches(nine, amps, np.ones(T.size, bool), nine.disturbances) is None
    flat = stretches(study(tuple(np.arange(10.2, 20.0, 1.0))), amps, np.ones(T.size, bool), one.disturbances)
    assert flat is not None
    assert flat.base.shape[1] == 2  # the speed hardly changes
    for spread_a, enough in ((29.0, False), (31.0, True)):  # 15 A of deviation
        swings = np.where(T % 1.0 < 0.495, 40.0, 40.0 + spread_a)
        assert (stretches(one, swings, np.ones(T.size, bool), one.disturbances) is not None) is enough


@pytest.mark.parametrize(
    ("at_s", "edge_s"), [(1.0, 2.0), (2.14, 2.0), (2.16, 5.0), (5.14, 5.0), (5.16, inf)]
)  # 0.15 s after a switching it is over
def test_the_next_switching_is_the_first_that_is_not_long_over(at_s, edge_s):
    assert _next_edge(np.array([at_s]), np.array([2.0, 5.0]))[0] == edge_s


def test_disturbances_at_switchings_are_compared_with_those_at_other_times():
    """From 0.1 s before the stamp to 0.15 s after it; two of one switching count once; 4 others in the rest."""
    edges = np.array([10.0, 20.0, 30.0, 40.0])
    one = study((9.95, 20.05, 20.1, 30.14, 50.0, 60.0, 70.0, 80.0, 39.85))
    found = _judge(one, "precharge_relay", edges, 0.1)
    assert found is not None
    assert (found.name, found.switched, found.hit) == ("precharge_relay", 4, 3)
    share = 4 * 0.25 / 120.0
    ratio = clopper_pearson(3, 5, share)
    assert (found.ratio.value, found.ratio.low, found.ratio.high) == pytest.approx(ratio, rel=0.06)


@pytest.mark.parametrize(("hits", "follows"), [(3, True), (2, False)])
def test_three_switchings_with_a_disturbance_are_no_chance(hits, follows):
    on = (T // 10.0).astype(int) % 2 == 1
    coil = part("main_contactor", T, on, on=on)
    one = study(tuple(10.0 * k + 0.02 for k in range(1, hits + 1)))
    assert (followed_switching(one, signals(coil)) is not None) is follows
    assert followed_switching(one, signals(part("brake", T, on, on=on))) is None  # no coil


def test_a_ratio_without_an_upper_limit_has_no_value():
    found = Switching("coolant_pump", 4, 4, Estimate(inf, 5.0, inf)).measured()
    assert (found.value, found.low, found.high) == (None, 5.0, None)


@pytest.mark.parametrize(
    ("factor", "spread", "limits"),
    [(1.03, 0.0, (1.03, 1.03)), (1.02, 0.0, None), (0.97, 0.0, (0.97, 0.97)), (0.985, 0.0, None), (2.0, 0.12, None)],
)
def test_a_speed_is_off_by_a_factor_beyond_what_two_readings_differ_by(factor, spread, limits):
    """2 % apart are usual; a ratio whose quartiles differ by more than 5 % is no factor."""
    wander = 1.0 + spread * np.where(T // 1.0 % 2 == 0, -0.5, 0.5)
    second = part("motor_speed_second", T, np.full(T.size, 2000.0))
    found = _compare(study(rpm=2000.0 * factor * wander), second, second.value, 300.0, 0.02, "the second", None)
    if limits is None:
        assert found == []
    else:
        got = found[0].measured["scale"]
        assert (got.value, got.low, got.high) == pytest.approx((factor, *limits))


def test_the_limits_of_a_factor_are_those_of_a_median():
    """Normal ratios of 120 seconds: √(π/2) of the mean's deviation (Kenney & Keeping), by the quartiles' 1.349 σ."""
    ratio = np.repeat(np.random.default_rng(2).normal(1.5, 0.02, 120), 100)
    second = part("motor_speed_second", T, np.full(T.size, 2000.0))
    (found,) = _compare(study(rpm=2000.0 * ratio), second, second.value, 300.0, 0.02, "the second", None)
    got, each = found.measured["scale"], ratio[::100]
    sigma = stats.iqr(each) / (2 * stats.norm.ppf(0.75))
    reach = stats.norm.ppf(0.975) * sqrt(pi / 2) * sigma / sqrt(120)
    assert (got.value, got.low, got.high) == pytest.approx(
        (np.median(each), np.median(each) - reach, np.median(each) + reach), rel=1e-4
    )


def test_the_road_speed_is_turned_into_that_of_the_motor():
    """36 km/h are 10 m/s: of a wheel of 0.3 m 318.3 rpm, times a ratio of 8 2546 rpm. A tyre adds 2 % of slip."""
    made = Vehicle(driveline=Driveline(ratio=8.0, wheel_radius_m=0.3))
    rpm = 10.0 / (2 * pi * 0.3) * 60.0 * 8.0
    road = part("vehicle_speed", T, np.full(T.size, 36.0))
    (found,) = scale(signals(road), made, study(rpm=2.0 * rpm))
    got = found.measured["scale"]
    assert (got.value, got.low, got.high) == pytest.approx((2.0, 1.96, 2.04))
    assert "near twice it" in found.explanation
    assert scale(signals(road), made, study(rpm=1.07 * rpm)) == []
    assert scale(signals(road), Vehicle(), study(rpm=2.0 * rpm)) == []
    for kmh, count in ((9.9, 0), (10.1, 1)):  # slower, the steps of either reading weigh too much
        slow = part("vehicle_speed", T, np.full(T.size, kmh))
        assert len(scale(signals(slow), made, study(rpm=2.0 * rpm * kmh / 36.0))) == count


@pytest.mark.parametrize(("nm", "kept"), [(25.0, 120), (26.0, 1)])
def test_only_seconds_of_light_torque_count_against_the_road(nm, kept):
    """A quarter of the largest, 100 Nm; the first second is light in any case."""
    torque = part("torque", T, np.where(T < 0.985, 0.0, np.where(T < 0.995, 100.0, nm)))
    second = part("vehicle_speed", T, np.full(T.size, 36.0))
    assert _by_second(study(), second, np.full(T.size, 2000.0), 300.0, torque).size == kept


def test_eight_seconds_show_a_factor():
    for until_s, found in ((7.995, 1), (6.995, 0)):
        second = part("motor_speed_second", T, np.where(until_s > T, 300.0, 299.0))  # 300 rpm are fast enough
        one = study(rpm=np.where(until_s > T, 600.0, 598.0))
        assert len(_compare(one, second, second.value, 300.0, 0.02, "the second", None)) == found


def test_a_wrong_factor_is_off_most_at_the_highest_speed():
    """4000 rpm that are read twice too high are 2000 rpm off; 1.6 times 1500 rpm, 2.5 times 2400 rpm."""
    found = _as_disturbance(study(rpm=4000.0, running=T < 59.995), 2.0, 1.6, 2.5)
    off = found["peak_deviation_rpm"]
    assert (off.value, off.low, off.high) == pytest.approx((2000.0, 1500.0, 2400.0))
    assert (found["count"].value, found["duration_s"].value) == (1.0, pytest.approx(60.0))
    slow = _as_disturbance(study(rpm=4000.0), 0.5, 0.4, 0.8)["peak_deviation_rpm"]  # 8000, 10000 and 5000 rpm
    assert (slow.value, slow.low, slow.high) == pytest.approx((4000.0, 1000.0, 6000.0))
    open_ended = _as_disturbance(study(rpm=4000.0), 0.5, 0.0, 0.8)["peak_deviation_rpm"]
    assert (open_ended.low, open_ended.high) == pytest.approx((1000.0, 1000.0))


def test_a_segment_shows_orders_below_nine_tenths_of_half_its_sampling_rate():
    """3000 rpm are 50 turns a second; every 2 ms 250 Hz can be seen, 225 Hz are looked at: 4.5 times a turn."""
    found = _segment(np.arange(160) * 0.1, np.full(160, 3000.0), study(update=1).model)
    assert found is not None
    assert (found.fastest, found.most_hz) == (pytest.approx(50.0), pytest.approx(45.0))
    fine = AngleSegment(np.empty(0), np.empty(0), 50.0, 225.0)
    assert fine.shows(np.array([4.4, 4.5, 4.6])).tolist() == [True, False, False]


@pytest.mark.parametrize(
    ("low_rpm", "samples", "used"),
    [(1000.0, 160, True), (950.0, 160, False), (3000.0, 23, False), (3000.0, 24, True)],
)
def test_a_segment_has_24_samples_and_nowhere_less_than_a_third_of_its_speed(low_rpm, samples, used):
    turns = np.linspace(0.0, 16.0, samples)
    value = np.linspace(low_rpm, 2990.0, samples)
    assert (_segment(turns, value, study().model) is not None) is used
    assert _segment(turns, np.full(samples, 299.0), study().model) is None  # too slow


def test_a_ripple_is_a_share_of_the_speed_over_the_turns():
    """5 % three times a turn, at 600 rpm, every 2 ms: 0.02 turns a sample, 16 turns a segment."""
    time = np.arange(0.0, 10.0, 0.002)
    value = 600.0 * (1 + 0.05 * np.sin(2 * pi * 3 * 10.0 * time))
    one = study()
    one.speed = part("motor_speed", time, value)
    one.model = SimpleNamespace(**{**vars(one.model), "update_s": 0.002, "running_s": 10.0})
    found = angle_segments(one)
    assert len(found) == 6  # of 100 turns
    for each in found:
        assert each.turns[-1] - each.turns[0] == pytest.approx(16.0, abs=0.05)
        assert np.sqrt(2) * np.std(each.share) == pytest.approx(0.05, rel=0.02)
        assert each.fastest == pytest.approx(10.0, rel=0.01)


@pytest.mark.parametrize(("deviation_rpm", "kept"), [(310.0, True), (290.0, False)])
def test_a_disturbance_is_half_as_large_again_as_the_ripple(deviation_rpm, kept):
    """±100 rpm twice a turn of 2000 rpm: it swings by 200 rpm."""
    one = study((60.0,), rpm=2000.0 + 100.0 * np.where(np.arange(T.size) % 2 == 0, 1.0, -1.0))
    one.disturbances[0].deviation_rpm = deviation_rpm
    none = np.empty(0, dtype=np.intp)
    found = beyond_ripple(SpeedAnalysis(one.speed, one.model, one.disturbances, none, none))
    assert (len(found.disturbances) == 1) is kept
