"""What a logged motor speed can show, and how other readings of the shaft and its gear are judged: direct tables.

Expected values by hand, but for the noise of one reading, which is a known draw of numpy's.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from logscope.arrays import FloatArray
from logscope.observations.motor_speed.analysis import WrongSpeed, _once, _outside
from logscope.observations.motor_speed.departures import Departure, departures
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.motor_speed.driveline_state import _as_on_the_road, _calm
from logscope.observations.motor_speed.envelope import _sustained_slew, _sustained_steps
from logscope.observations.motor_speed.lost import LostSpeed
from logscope.observations.motor_speed.model import (
    SpeedModel,
    _few_counts,
    _least_reading,
    _samples_per_update,
    _standstill_speed,
    _time_for_each_step,
    speed_model,
)
from logscope.observations.motor_speed.other_readings import OtherSpeed, _witness
from logscope.signals import Part
from logscope.statistics.excursions import RateLimit
from logscope.vehicle import Motor, Vehicle

PERIOD_S = 0.01


def speed(value: FloatArray, period_s: float = PERIOD_S, step: float | None = 1.0, name: str = "motor_speed") -> Part:
    return Part(name, period_s * np.arange(value.size), np.asarray(value, float), "rpm", f"Made.{name}", step)


def made(**other: object) -> SpeedModel:
    """A model by hand: a new value each 10 ms, 30,000 rpm/s free with 12 rpm of slack, 5,000 in gear with 6."""
    reach, near = (RateLimit(slew, slack, np.zeros(1), np.zeros(1)) for slew, slack in ((3e4, 12.0), (5e3, 6.0)))
    values: dict[str, object] = {
        "repeat": 1, "update_s": 0.01, "quantum_rpm": 1.0, "count_rpm": 100.0, "noise_rpm": 2.0, "zero_rpm": 5.0,
        "standstill_rpm": 0.0, "cut_rpm": 0.0, "slew_rpm_per_s": 3e4, "slew_origin": "", "in_gear_rpm_per_s": 5e3,
        "in_gear_origin": "", "running": np.array([True, False, True]), "exposure_s": np.array([0.6, 5.0, 0.5]),
        "reach": reach, "in_gear": near,
    }  # fmt: skip
    return SpeedModel(**{**values, **other})  # type: ignore[arg-type]


def test_the_least_disturbance_seen_is_what_the_shaft_can_do_within_an_update_and_the_slack() -> None:
    """30,000 rpm/s × 10 ms + 12; 5,000 × 10 ms + 6; with two counts of 100 rpm more; low is below four counts."""
    model = made()
    assert model.smallest_seen_free_rpm == pytest.approx(312.0)
    assert model.smallest_seen_rpm == pytest.approx(56.0)
    assert model.smallest_seen_slow_rpm == pytest.approx(256.0)
    assert model.low_speed_rpm == pytest.approx(400.0)


@pytest.mark.parametrize(("update_s", "brief", "seen_rpm"), [(0.022, True, 116.0), (0.023, False, 702.0)])
def test_two_updates_within_45_ms_show_what_is_too_brief_for_a_driveline(
    update_s: float, brief: bool, seen_rpm: float
) -> None:
    model = made(update_s=update_s)
    assert model.tells_brief is brief
    assert model.smallest_seen_rpm == pytest.approx(seen_rpm)


@pytest.mark.parametrize(("last_s", "running_s"), [(0.5, 1.1), (0.4, 1.0), (0.3, 0.0)])
def test_a_shaft_that_never_turned_for_a_second_did_not_turn(last_s: float, running_s: float) -> None:
    assert made(exposure_s=np.array([0.6, 5.0, last_s])).running_s == pytest.approx(running_s)


@pytest.mark.parametrize(("every", "moves", "repeat"), [(1, 40, 1), (2, 40, 2), (3, 40, 3), (2, 20, 2), (2, 19, 1)])
def test_how_often_a_signal_is_renewed_shows_where_it_moves(every: int, moves: int, repeat: int) -> None:
    """By 10 rpm a time; fewer than twenty moves show nothing, and two quanta are no move."""
    value = np.repeat(10.0 * np.arange(moves + 1), every)
    assert _samples_per_update(value, 1.0) == repeat
    assert _samples_per_update(value, 4.9) == repeat
    assert _samples_per_update(value, 5.0) == 1


def test_single_counts_may_add_two_to_a_step_between_slow_readings() -> None:
    """Below four counts of 10 rpm on both sides."""
    size = np.array([39.0, 39.0, 40.0, 39.0, 38.0])
    assert np.asarray(_few_counts(size, 10.0)).tolist() == [20.0, 0.0, 0.0, 20.0]
    assert _few_counts(size, 0.0) == 0.0


def test_a_step_has_its_own_time_or_a_neighbours_up_to_two_periods() -> None:
    elapsed = np.array([10.0, 2.0, 18.0, 10.0, 10.0, 90.0, 1.0, 10.0])
    assert _time_for_each_step(elapsed, 1, 10.0).tolist() == [10.0, 18.0, 18.0, 18.0, 20.0, 90.0, 20.0, 10.0]
    assert _time_for_each_step(elapsed, 2, 10.0).tolist() == [20.0, 36.0, 36.0, 36.0, 40.0, 90.0, 40.0, 20.0]
    assert _time_for_each_step(np.zeros(0), 1, 10.0).size == 0


def test_the_least_reading_is_the_twenty_first_from_below_up_to_300_rpm() -> None:
    """Twenty disturbances may lie below."""
    low, drive = np.arange(1.0, 31.0), np.full(500, 2000.0)
    assert _least_reading(np.r_[np.zeros(50), low, drive]) == 21.0
    assert _least_reading(np.r_[np.zeros(50), low[:20], drive]) == 2000.0
    assert _least_reading(np.r_[np.zeros(50), low[:21], drive]) == 21.0
    assert _least_reading(np.r_[np.full(21, 301.0), np.full(20, 300.0)]) == 301.0
    assert _least_reading(np.full(20, 100.0)) == 0.0


def stops(last_rpm: list[float], rest_s: float = 1.5, drive_s: float = 2.0) -> tuple[FloatArray, FloatArray]:
    """Drives at 1,000 rpm that end in a last reading, then zero for a while."""
    value: list[float] = []
    for rpm in last_rpm:
        value += [1000.0] * round(drive_s / PERIOD_S) + [rpm] + [0.0] * round(rest_s / PERIOD_S)
    return PERIOD_S * np.arange(len(value)), np.array(value)


@pytest.mark.parametrize(
    ("last_rpm", "rest_s", "drive_s", "cut_rpm"),
    [
        ([100.0], 1.5, 2.0, 200.0),  # twice the last reading before it stood
        ([100.0, 140.0, 180.0, 220.0, 260.0], 1.5, 2.0, 280.0),  # of several, twice the lower quartile
        ([301.0], 1.5, 2.0, 600.0),  # no sensor is blind above 300 rpm
        ([299.0], 1.5, 2.0, 598.0),
        ([100.0], 0.9, 2.0, 0.0),  # no standstill
        ([100.0], 1.5, 0.8, 0.0),  # a return from a spike at rest
    ],
)
def test_a_speed_that_is_cut_shows_by_its_last_readings_before_standstill(
    last_rpm: list[float], rest_s: float, drive_s: float, cut_rpm: float
) -> None:
    time_s, size = stops(last_rpm, rest_s, drive_s)
    assert _standstill_speed(time_s, size, 5.0) == pytest.approx(cut_rpm)


def test_a_reading_of_what_counts_as_zero_stands() -> None:
    time_s, size = stops([100.0])
    assert _standstill_speed(time_s, np.where(size == 0.0, 5.0, size), 5.0) == pytest.approx(200.0)
    assert _standstill_speed(time_s, np.where(size == 0.0, 5.1, size), 5.0) == 0.0
    rests = np.r_[np.zeros(300), size, np.full(300, 1000.0), 0.0]  # a rest before it and a drive after it
    assert _standstill_speed(PERIOD_S * np.arange(rests.size), rests, 5.0) == pytest.approx(200.0)


@pytest.mark.parametrize(
    ("last_rpm", "creep_rpm", "cut_rpm"), [([100.0], 1000.0, 200.0), ([], 1000.0, 300.0), ([100.0], 150.0, 150.0)]
)
def test_a_sensor_is_cut_below_its_standstill_or_300_rpm_and_below_what_it_reads(
    last_rpm: list[float], creep_rpm: float, cut_rpm: float
) -> None:
    """From drives at 1,000 rpm and at a creep."""
    value = np.r_[np.full(200, creep_rpm), np.full(200, 1000.0), stops(last_rpm)[1]]
    assert speed_model(speed(value), Vehicle()).cut_rpm == pytest.approx(cut_rpm)


def test_a_model_learns_period_quantum_noise_zero_and_exposure() -> None:
    """Noise 5 rpm in steps of 2; six standard deviations of a difference and two quanta are the slack."""
    rng = np.random.default_rng(7)
    true = np.linspace(1000.0, 1500.0, 4000)
    value = 2.0 * np.round((true + rng.normal(0.0, 5.0, true.size)) / 2.0)
    part = speed(value, step=2.0)
    part.time_s[2000:] += 2.0  # a gap
    model = speed_model(
        part, Vehicle(motor=Motor(encoder_pulses_per_rev=60, max_torque_Nm=160, rotor_inertia_kgm2=0.05))
    )
    assert (model.repeat, model.quantum_rpm) == (1, 2.0)
    assert model.update_s == pytest.approx(0.01)
    assert model.count_rpm == pytest.approx(100.0)  # 60 s/min ÷ (60 pulses × 10 ms)
    assert model.noise_rpm == pytest.approx(5.0, rel=0.06)
    assert model.zero_rpm == pytest.approx(20.0, rel=0.06)  # four of them
    assert model.slew_rpm_per_s == pytest.approx(1.2 * 30_558, rel=1e-3)  # 160 Nm on 0.05 kg·m², and a fifth
    assert model.in_gear_rpm_per_s == pytest.approx(5000.0)
    # of the noise 4.82 rpm are not the rounding's: 25 − 1.25² × 20/72 × 4 = 23.26 rpm²
    assert model.reach.slack == pytest.approx(4.0 + 40.9, rel=0.06)
    assert model.in_gear.slack == pytest.approx(model.reach.slack - 1.0)  # half a quantum less
    assert model.exposure_s[1999] == pytest.approx(0.5)  # the gap counts as half a second at most
    assert model.exposure_s.sum() == pytest.approx(3999 * 0.01 + 0.5)
    assert model.running.all()
    assert model.reach.limit[10] == pytest.approx(model.slew_rpm_per_s * 0.01 + model.reach.slack)
    assert model.in_gear.limit[10] == pytest.approx(5000.0 * 0.01 + model.in_gear.slack)


def test_rounding_takes_its_own_part_out_of_the_noise() -> None:
    """Noise 5 rpm in steps of 5: 25 − 1.25² × 20/72 × 25 = 14.1 rpm², six deviations of a difference and two steps.

    1.25 is the margin by which the rounding's part is known (own simulation, no published source).
    """
    noise = np.random.default_rng(3).normal(0.0, 5.0, 4000)
    model = speed_model(speed(5.0 * np.round((np.linspace(1000.0, 1500.0, 4000) + noise) / 5.0), step=5.0), Vehicle())
    assert model.reach.slack == pytest.approx(10.0 + 31.9, rel=0.1)
    assert model.reach.slack - model.in_gear.slack == pytest.approx(2.5)


def test_single_counts_may_add_to_what_a_slow_shaft_can_do() -> None:
    """60 pulses a turn, each 10 ms: one is 100 rpm. Below 400 rpm two of them, in gear and freely."""
    vehicle = Vehicle(motor=Motor(encoder_pulses_per_rev=60, max_torque_Nm=160, rotor_inertia_kgm2=0.05))
    model = speed_model(speed(np.r_[np.full(200, 300.0), np.full(200, 3000.0)]), vehicle)
    for limit, slew, slack in (
        (model.reach.limit, model.slew_rpm_per_s, model.reach.slack), (model.in_gear.limit, 5000.0, model.in_gear.slack)
    ):  # fmt: skip
        assert limit[[100, 300]] == pytest.approx(slew * PERIOD_S + slack + np.array([200.0, 0.0]))


def test_where_no_noise_and_no_quantum_is_known_a_thousandth_of_the_top_speed_is_zero() -> None:
    model = speed_model(speed(np.full(100, 4000.0), step=None), Vehicle())
    assert model.zero_rpm == pytest.approx(4.0)
    assert model.count_rpm == 0.0
    assert speed_model(speed(np.full(100, 4000.0), step=3.0), Vehicle()).zero_rpm == pytest.approx(6.0)  # two quanta


def test_a_change_that_lasts_is_measured_without_its_largest_step_and_two_quanta() -> None:
    """100 rpm a step over four steps of 10 ms, less two quanta: (400 − 100 − 2) rpm in 30 ms."""
    value = np.r_[np.zeros(20), 100.0 * np.arange(1, 11), np.full(20, 1000.0)]
    step_s = np.full(value.size - 1, 0.01)
    assert _sustained_steps(0.01) == 4
    assert _sustained_slew(value, step_s, 0.01, 1.0) == pytest.approx(298.0 / 0.03)
    spike = np.r_[np.zeros(20), 5000.0, np.zeros(20)]
    assert _sustained_slew(spike, np.full(40, 0.01), 0.01, 1.0) == 0.0
    edge = np.r_[np.zeros(20), np.full(20, 5000.0)]
    assert _sustained_slew(edge, np.full(39, 0.01), 0.01, 1.0) == 0.0  # one large step alone


@pytest.mark.parametrize(("update_s", "steps"), [(0.04, 3), (0.0125, 4), (0.0101, 4), (1e-4, 50), (0.0, 3)])
def test_a_true_change_lasts_40_ms_and_three_steps(update_s: float, steps: int) -> None:
    assert _sustained_steps(update_s) == steps


@pytest.mark.parametrize(("rpm_per_step", "calm"), [(51.0, True), (53.0, False)])
def test_a_side_is_calm_where_tyres_could_turn_it_beyond_what_noise_moves(rpm_per_step: float, calm: bool) -> None:
    """Over four steps of 10 ms tyres allow 200 rpm, noise 2 rpm more; then 50.5 rpm a step is the edge."""
    model = made(noise_rpm=8.0)  # 208 rpm in four steps: 52 a step
    side = rpm_per_step * np.arange(9.0)[np.newaxis, :]
    assert _calm(side, model).tolist() == [calm]
    assert _calm(-side, model).tolist() == [calm]


@pytest.mark.parametrize(
    ("level", "kmh_now", "alike"),
    [(5600.0, 50.0, True), (5900.0, 50.0, False), (4300.0, 50.0, True), (4200.0, 50.0, False), (9000.0, 4.0, True)],
)
def test_motor_and_road_stand_in_their_usual_ratio_within_15_percent(level: float, kmh_now: float, alike: bool) -> None:
    """100 rpm for each km/h of the log; below 5 km/h the road speed says nothing."""
    kmh = np.r_[np.full(199, 50.0), kmh_now]
    road = speed(kmh, name="vehicle_speed")
    motor = speed(np.full(200, 5000.0))
    assert _as_on_the_road(motor, np.array([level]), road, np.array([199])).tolist() == [alike]


def test_a_road_speed_with_few_readings_or_an_old_one_says_nothing() -> None:
    motor = speed(np.full(200, 5000.0))
    few = speed(np.r_[np.zeros(151), np.full(49, 50.0)], name="vehicle_speed")
    assert _as_on_the_road(motor, np.array([9000.0]), few, np.array([199])).tolist() == [True]
    enough = speed(np.r_[np.zeros(150), np.full(50, 50.0)], name="vehicle_speed")
    assert _as_on_the_road(motor, np.array([9000.0]), enough, np.array([199])).tolist() == [False]
    ended = speed(np.full(140, 50.0), name="vehicle_speed")  # 0.6 s before
    assert _as_on_the_road(motor, np.array([9000.0]), ended, np.array([199])).tolist() == [True]
    later = speed(np.full(160, 50.0), name="vehicle_speed")  # 0.4 s
    assert _as_on_the_road(motor, np.array([9000.0]), later, np.array([199])).tolist() == [False]


@pytest.mark.parametrize(("agreeing", "is_witness"), [(76, True), (74, False)])
def test_a_ratio_that_repeats_in_three_quarters_of_the_samples_makes_a_witness(agreeing: int, is_witness: bool) -> None:
    motor = speed(np.full(400, 3000.0))
    other = np.where(np.arange(400) % 100 < agreeing, 100.0, 120.0)
    found = _witness(speed(other, name="stator_frequency"), motor, made())
    assert (found is not None) is is_witness
    if found:
        assert found.on_shaft
        assert found.rpm[0] == pytest.approx(3000.0)  # brought to the motor's own scale
        assert found.rpm[-1] == pytest.approx(3600.0)
        assert found.update_s == pytest.approx(0.01)
        assert found.words == "the electrical frequency"


def test_a_witness_is_known_while_it_is_fresh_and_has_fifty_clear_readings() -> None:
    motor = speed(np.full(400, 3000.0))
    early = speed(np.full(200, 100.0), name="vehicle_speed")  # ends at 1.99 s; 0.3 s old is the edge
    found = _witness(early, motor, made())
    assert found is not None
    assert not found.on_shaft
    assert found.known[:229].all()
    assert not found.known[230:].any()
    assert _witness(speed(np.full(49, 100.0), name="vehicle_speed"), motor, made()) is None
    slow = speed(np.r_[np.full(49, 3000.0), np.full(351, 299.0)])  # a tenth of the highest is not clear
    assert _witness(speed(np.full(400, 100.0), name="vehicle_speed"), slow, made()) is None
    clear = speed(np.r_[np.full(50, 3000.0), np.full(350, 299.0)])
    assert _witness(speed(np.full(400, 100.0), name="vehicle_speed"), clear, made()) is not None


def other(rpm: FloatArray, *, on_shaft: bool = True) -> OtherSpeed:
    name = "stator_frequency" if on_shaft else "vehicle_speed"
    return OtherSpeed(name, on_shaft, rpm, np.ones(rpm.size, dtype=bool), 0.01)


def apart(read: float, lasts_s: float, *, on_shaft: bool = True) -> tuple[Departure, ...]:
    """4,000 rpm for 10 s, and for a while in the middle another reading."""
    value = np.full(1000, 4000.0)
    value[500 : 500 + round(lasts_s / PERIOD_S)] = read
    return departures(speed(value), made(), (other(np.full(1000, 4000.0), on_shaft=on_shaft),))


@pytest.mark.parametrize(
    ("read", "lasts_s", "on_shaft", "worst_rpm"),
    [
        # 15 % and 3 % of the highest reading: from 3,280 to 4,720 rpm; more where the highest is higher
        (3281.0, 1.0, True, None),
        (3270.0, 1.0, True, 10.0),
        (4740.0, 1.0, True, None),  # 3 % of 4,740 rpm are 142
        (4800.0, 1.0, True, 56.0),
        (3000.0, 0.29, True, None),
        (3000.0, 0.32, True, 280.0),
        (3000.0, 1.0, False, 280.0),
        (6000.0, 1.0, False, None),  # a wheel that spins
    ],
)
def test_a_departure_lies_outside_what_the_other_reading_allows_for_long_enough(
    read: float, lasts_s: float, on_shaft: bool, worst_rpm: float | None
) -> None:
    found = apart(read, lasts_s, on_shaft=on_shaft)
    assert len(found) == (worst_rpm is not None)
    if worst_rpm is not None:
        assert found[0].worst_rpm == pytest.approx(worst_rpm)
        assert (found[0].first, found[0].last) == (500, 499 + round(lasts_s / PERIOD_S))


def test_another_reading_that_is_lost_and_a_road_speed_against_an_agreeing_shaft_say_nothing() -> None:
    value = speed(np.full(1000, 4000.0))
    gone = np.full(1000, 4000.0)
    gone[500:700] = 199.0  # a twentieth
    assert not departures(value, made(), (other(gone),))
    gone[500:700] = 201.0
    assert departures(value, made(), (other(gone),))
    fast = other(np.full(1000, 8000.0), on_shaft=False)
    assert departures(value, made(), (fast,))
    assert not departures(value, made(), (other(np.full(1000, 4000.0)), fast))


def test_each_stretch_is_told_once_by_its_surest_witness() -> None:
    first, second = other(np.zeros(1)), other(np.zeros(1), on_shaft=False)
    found = [Departure(first, 10, 20, 1.0), Departure(second, 20, 30, 1.0), Departure(second, 21, 30, 1.0)]
    assert _once(found) == [found[0], found[2]]


def lost(before: int, last: int, after: int | None) -> LostSpeed:
    return cast(LostSpeed, SimpleNamespace(before=before, last=last, after=after, device=True))


def test_steps_of_a_restart_belong_to_it_up_to_the_first_sound_sample() -> None:
    steps = np.array([9, 10, 11, 15, 16, 20])
    assert _outside(steps, [lost(10, 14, 16)]).tolist() == [9, 10, 20]
    assert _outside(steps, [lost(10, 14, None)]).tolist() == [9, 10, 16, 20]
    assert _outside(steps, []).tolist() == steps.tolist()


def test_wrong_stretches_reach_from_the_last_sound_sample_to_the_next_or_to_the_end() -> None:
    part = speed(np.zeros(100))
    study = cast(SpeedAnalysis, SimpleNamespace(speed=part, disturbances=(SimpleNamespace(before=5, after=7),)))
    on_shaft, road = other(np.zeros(1)), other(np.zeros(1), on_shaft=False)
    apart_from = (Departure(on_shaft, 40, 50, 1.0), Departure(road, 60, 70, 1.0))
    wrong = WrongSpeed(study, (lost(80, 90, None), lost(20, 28, 30)), apart_from)
    lasting = ((0.2, 0.3), (0.4, 0.5), (0.8, 0.99))
    assert np.allclose(wrong.lasting, lasting)
    assert np.allclose(wrong.spans, ((0.05, 0.07), *lasting))
