"""The encoder check on made drives: what is harsh but true stays quiet, what no shaft can do is found."""

from __future__ import annotations

import numpy as np
import pytest
from linear_system import answer, second_order
from motor_traces import HAZEL, UNTOLD, FloatArray, Logging, drive, log_speed, part, signals
from one_check import findings_of
from seeds import seeds

from logscope.checks.encoder.check import encoder
from logscope.findings import Finding, Measured, Severity
from logscope.observations.motor_speed.disturbances import analyse_speed
from logscope.signals import MissingPart
from logscope.vehicle import Vehicle

LOGGINGS = {
    "10 ms": Logging(),
    "5 ms": Logging(0.005, step_rpm=0.125, noise_rpm=1),
    "10 ms logged every 5 ms": Logging(0.005, repeat=2),
    "100 ms logged every 10 ms": Logging(0.010, repeat=10),
    "20 ms": Logging(0.020),
    "50 ms": Logging(0.050),
    "200 ms": Logging(0.200),
    "60 lines counted in 10 ms": Logging(count_pulses=60, noise_rpm=0),
    "60 lines counted in 20 ms": Logging(0.020, count_pulses=60, noise_rpm=0),
    "late stamps": Logging(jitter=0.9),
    "cut to zero below 120 rpm": Logging(cut_rpm=120),
    "cut to zero below 200 rpm": Logging(0.005, cut_rpm=200),
    "gaps": Logging(gaps=20),
    "240 counts in 10 ms": Logging(count_pulses=240, noise_rpm=0),
    "no step": Logging(step_rpm=None),
    "noisy": Logging(noise_rpm=40),
}
EACH_LOGGING = pytest.mark.parametrize("how", LOGGINGS.values(), ids=LOGGINGS.keys())
TOLD_OR_NOT = pytest.mark.parametrize("vehicle", [HAZEL, UNTOLD], ids=["vehicle told", "learnt from the log"])


def check(time: FloatArray, value: FloatArray, vehicle: Vehicle = HAZEL, **more: FloatArray) -> dict[str, Finding]:
    """Findings by kind; `more` are other parts on the same stamps."""
    others = [part(name, time, values, step=0.5) for name, values in more.items()]
    found = findings_of(encoder, signals(part("motor_speed", time, value, step=1.0), *others), vehicle)
    return {each.kind: each for each in found}


def ramp(seconds: float = 20.0, period_s: float = 0.010) -> tuple[FloatArray, FloatArray]:
    """A steady pull from rest to 4,000 rpm and a cruise there, with noise of 2 rpm."""
    time = np.arange(0, seconds, period_s)
    noise = np.random.default_rng(7).normal(0, 2, time.size)
    return time, np.round(np.interp(time, [0, 2, 6], [0, 0, 4000]) + noise)


@EACH_LOGGING
@TOLD_OR_NOT
def test_harsh_but_true_motion_raises_no_alarm(how: Logging, vehicle: Vehicle) -> None:
    """Two seeds of ten minutes for each logging: five hours in all with both vehicles."""
    for seed in (101, 102):
        rng = np.random.default_rng(seed)
        time, value = log_speed(rng, drive(rng, 600), how)
        study = analyse_speed(part("motor_speed", time, value, how.step_rpm), vehicle)
        assert study is not None
        assert study.disturbances == ()


def found_of(time: FloatArray, value: FloatArray, how: Logging, vehicle: Vehicle, at: FloatArray) -> float:
    """Share of the disturbances at some samples that are found."""
    study = analyse_speed(part("motor_speed", time, value, how.step_rpm), vehicle)
    assert study is not None
    before = np.array([each.before for each in study.disturbances])
    after = np.array([each.after for each in study.disturbances])
    return float(np.mean([np.any((before <= index) & (after >= index)) for index in at]))


@EACH_LOGGING
@TOLD_OR_NOT
def test_disturbances_of_three_times_the_free_threshold_are_found_in_any_motion(how: Logging, vehicle: Vehicle) -> None:
    rng = np.random.default_rng(5)
    time, value = log_speed(rng, drive(rng, 600), how)
    clean = analyse_speed(part("motor_speed", time, value, how.step_rpm), vehicle)
    assert clean is not None
    every = int(max(2.0, 20 * clean.model.update_s) / how.period_s)
    at = np.arange(every, value.size - every, every)
    at += rng.integers(0, every // 2, at.size)
    at -= at % how.repeat
    at = at[time[at + 4 * how.repeat] - time[at - how.repeat] < 7 * how.repeat * how.period_s]  # not in a gap
    for index in at:
        width = int(rng.integers(1, 4 if clean.model.update_s < 0.03 else 2)) * how.repeat
        slow = abs(value[index]) < clean.model.low_speed_rpm
        least = clean.model.smallest_seen_free_rpm + slow * 2 * clean.model.count_rpm
        value[index : index + width] += rng.choice([-3, 3]) * least
    assert found_of(time, value, how, vehicle, at) >= 0.97


IN_GEAR = {
    "5 ms": Logging(0.005, step_rpm=0.125, noise_rpm=1),
    "10 ms": Logging(),
    "10 ms logged every 5 ms": Logging(0.005, repeat=2),
    "20 ms": Logging(0.020),
    "240 counts in 10 ms": Logging(count_pulses=240, noise_rpm=0),
    "240 counts in 5 ms": Logging(0.005, count_pulses=240, noise_rpm=0),
}


@pytest.mark.parametrize("how", IN_GEAR.values(), ids=IN_GEAR.keys())
@TOLD_OR_NOT
def test_in_gear_spikes_of_three_times_what_tyres_allow_and_a_quantum_are_found(how: Logging, vehicle: Vehicle) -> None:
    """Ramps within 0.8 g and cruises; away for one new value, or two where half a swing holds them."""
    rng = np.random.default_rng(17)
    truth = np.interp(np.arange(0, 600, 0.001), np.arange(0, 601, 20), rng.uniform(800, 8000, 31))
    time, value = log_speed(rng, truth, how)
    update = how.period_s * how.repeat
    quantum = 60 / (how.count_pulses * update) if how.count_pulses else 2.0 + 6 * how.noise_rpm
    size = 3 * (2477.0 if vehicle is HAZEL else 5000.0 / 1.2) * update + quantum  # by hand: 60·g·8.2/(2π·0.31)
    size = np.ceil(max(size, 3 * quantum) / quantum) * quantum if how.count_pulses else size  # whole counts
    at = np.arange(100 * how.repeat, value.size - 100, int(1.0 / how.period_s) // how.repeat * how.repeat)
    for index in at:
        width = int(rng.integers(1, 3 if update < 0.012 else 2)) * how.repeat
        value[index : index + width] += rng.choice([-1, 1]) * size
    assert found_of(time, value, how, vehicle, at) >= 0.97


def test_one_sample_off_and_back_is_a_spike_with_its_moment_and_height() -> None:
    time, value = ramp()
    value[1000] += 1500
    spike = check(time, value)["encoder.spike"]
    assert spike.severity is Severity.WARNING
    assert spike.measured["count"].value == len(spike.events) == 1
    assert spike.measured["peak_deviation_rpm"].value == pytest.approx(1500, abs=10)
    assert (spike.start_s, spike.end_s) == pytest.approx((10.0, 10.01))
    duration = spike.measured["duration_s"]
    assert (duration.low, duration.value, duration.high) == pytest.approx((0, 0.01, 0.02))
    assert "power off" in spike.next_step
    assert spike.caution


def test_a_reading_lost_for_a_third_of_a_second_is_one_dropout() -> None:
    time, value = ramp()
    value[1000:1033] = 0
    assert set(check(time, value)) == {"encoder.dropout", "encoder.noise"}
    assert check(time, value)["encoder.dropout"].measured["count"].value == 1


def test_sign_turned_at_speed_is_a_reversal() -> None:
    time, value = ramp()
    value[1200:1205] *= -1
    assert set(check(time, value)) == {"encoder.reversal", "encoder.noise"}
    assert set(check(time, -value)) == {"encoder.reversal", "encoder.noise"}


def test_many_disturbances_close_together_are_one_burst() -> None:
    time, value = ramp()
    value[1000:1030:4] += 1500
    burst = check(time, value)["encoder.burst"]
    assert burst.measured["count"].value == 1
    assert burst.end_s - burst.start_s == pytest.approx(0.29)


def test_reading_frozen_while_the_speed_rises_is_a_hold() -> None:
    time, value = ramp()
    value[300:330] = value[300]  # 1,000 rpm/s: 300 rpm missed
    hold = check(time, value)["encoder.hold"]
    assert hold.measured["peak_deviation_rpm"].value == pytest.approx(300, abs=15)
    value = ramp()[1]
    value[1000:1030] = value[1000]  # at a steady speed it says nothing
    assert set(check(time, value)) == {"encoder.clean"}


def test_a_reading_frozen_while_the_car_brakes_is_a_hold_where_it_leaps_in_gear() -> None:
    """Under way at a steady speed it stands for 300 ms, then leaps by 400 rpm at once, and the rotor recovers."""
    time, value = ramp()
    value[1000:1030] = value[1000]
    value[1030:] -= 400
    found = check(time, value)
    assert found["encoder.hold"].measured["count"].value == 1
    assert found["encoder.hold"].measured["peak_deviation_rpm"].value == pytest.approx(400, abs=10)


def test_a_speed_that_pauses_and_goes_on_from_there_is_no_hold() -> None:
    """1,000 rpm/s before and after 300 ms at one value would lead to 300 rpm more; it goes on from 60 rpm more."""
    time, value = ramp()
    value[300:330] = value[300]
    value[330:] -= 240
    assert "encoder.hold" not in check(time, value)


def test_a_wheel_that_breaks_away_is_no_hold() -> None:
    time, value = ramp()
    value[1000:1030] = value[1000]
    value[1030:] += np.minimum(np.arange(value.size - 1030) * 120.0, 600.0)
    assert "encoder.hold" not in check(time, value)


def test_a_slow_signal_logged_fast_is_no_hold() -> None:
    time, value = ramp()
    assert set(check(time, np.repeat(value[::10], 10))) == {"encoder.clean"}


def test_clean_says_what_would_have_been_seen() -> None:
    time, value = ramp()
    clean = check(time, value)["encoder.clean"]
    assert clean.severity is Severity.GOOD
    assert clean.measured["floor_rpm"].value == pytest.approx(2.0, rel=0.1)
    noise = 2 + 6 * 2**0.5 * 2
    in_gear = 1.2 * 60 / (2 * np.pi) * 9.80665 * 8.2 / 0.31 * 0.010  # what the tyres allow in a sample, and 20 %
    assert clean.measured["smallest_seen_rpm"].value == pytest.approx(in_gear + noise, rel=0.03)
    free = 1.2 * 60 / (2 * np.pi) * 160 / 0.05 * 0.010  # what the free rotor can do, and 20 %
    assert clean.measured["smallest_seen_free_rpm"].value == pytest.approx(free + noise, rel=0.02)


@pytest.mark.parametrize(("every", "kind"), [(10, "encoder.clean"), (20, "encoder.undetermined")])
def test_readings_farther_apart_than_a_disturbance_lasts_show_no_clean_speed(every: int, kind: str) -> None:
    """Of a speed that is lost for 80 ms every two seconds, readings 200 ms apart hold nothing."""
    time, value = ramp()
    for first in range(1001, 1900, 200):
        value[first : first + 8] = 0.0
    shown = check(time[::20], value[::20])
    assert set(shown) == {"encoder.undetermined"}
    sound = ramp()[1]
    assert set(check(time[::every], sound[::every])) == {kind}


def test_a_rotor_not_told_is_named_in_the_explanation() -> None:
    time, value = ramp()
    assert "rotor_inertia_kgm2" in check(time, value, UNTOLD)["encoder.clean"].method


@pytest.mark.parametrize("value", [[0.0] * 500, [0.0, 3000.0] * 4, [0.0, 9000.0, 9000.0] * 100])
def test_what_cannot_be_told_is_not_called_clean(value: list[float]) -> None:
    """At rest; eight samples; one sample each quarter second, which the free rotor explains."""
    time = 0.25 * np.arange(len(value))
    found = check(time, np.array(value))
    assert set(found) == {"encoder.undetermined"}
    assert found["encoder.undetermined"].severity is Severity.INFO


def test_no_time_between_samples_cannot_be_told() -> None:
    assert set(check(np.ones(50), np.arange(50.0))) == {"encoder.undetermined"}


def test_spikes_at_rest_are_counted_over_the_whole_log() -> None:
    time = np.arange(0, 60, 0.010)
    value = np.zeros(time.size)
    value[500::1000] = 1500
    assert check(time, value)["encoder.spike"].measured["rate_per_min"].value == pytest.approx(6, rel=0.01)


def test_speed_not_mapped_is_a_missing_part() -> None:
    with pytest.raises(MissingPart):
        findings_of(encoder, signals(), HAZEL)


def test_doubled_stamps_are_no_disturbance() -> None:
    time, value = ramp()
    assert set(check(np.repeat(time[::2], 2), value)) == {"encoder.clean"}


def test_single_edges_at_walking_pace_are_no_disturbance() -> None:
    """60 lines in 5 ms: an edge is worth 200 rpm, more than the rotor's limit in that time."""
    time = np.arange(0, 30, 0.005)
    turned = 60 * np.cumsum(np.interp(time, [0, 10, 20, 30], [5, 60, 60, 4000])) * 0.005 / 60
    value = np.diff(np.floor(turned), prepend=0) * 200.0
    assert set(check(time, value)) == {"encoder.clean"}


def loaded_drive(rng: np.random.Generator, law: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Spikes by current, half an hour (0.3 a minute at rest, × 6 per 100 A), or by turns of the shaft, a quarter."""
    end_s = 1800.0 if law == "current" else 900.0
    time = np.arange(0, end_s, 0.010)
    knots = np.arange(0, end_s + 1.0, 6.0)
    current = np.interp(time, knots, rng.uniform(0, 250, knots.size))
    speed = np.interp(time, knots, rng.uniform(1500, 6000, knots.size))
    per_min = 0.3 * 6 ** (current / 100) if law == "current" else speed / 750
    hit = rng.uniform(size=time.size) < per_min * 0.010 / 60
    return time, speed + 2000.0 * hit, current


def test_disturbances_that_follow_current_are_called_electrical() -> None:
    time, speed, current = loaded_drive(np.random.default_rng(3), "current")
    noise = check(time, speed, motor_current=current)["encoder.noise"]
    factor = noise.measured["rate_ratio_per_100A"]
    assert noise.severity is Severity.WARNING
    assert factor.low is not None
    assert factor.low <= 6 <= (factor.high or np.inf)
    assert "electrical" in noise.explanation


def test_disturbances_that_follow_the_shaft_are_left_undecided() -> None:
    """Six drives at 2.5 % each side: at most one may cross the limit by chance (binomial, 1 %)."""
    severities = [
        check(time, speed, motor_current=current)["encoder.noise"].severity
        for time, speed, current in (loaded_drive(np.random.default_rng(seed), "turns") for seed in range(6))
    ]
    assert severities.count(Severity.WARNING) <= 1


@pytest.mark.parametrize(("slow_rpm", "severity"), [(5000.0, Severity.WARNING), (1000.0, Severity.INFO)])
def test_a_few_disturbances_are_electrical_only_where_they_are_more_at_the_same_turns_too(
    slow_rpm: float, severity: Severity
) -> None:
    """Eight, all under current, in halves of equal length: at most 0.63 of them belong to the other half at 97.5 %
    (exact binomial, 0.025 ** (1/8)), a ratio of 1.7 or more; the shaft turns five times as fast in the second case."""
    time = np.arange(0, 120, 0.01)
    value = np.interp(time, [0, 58, 62, 120], [slow_rpm, slow_rpm, 5000, 5000])
    value[np.arange(6500, 11700, 700)] += 1500
    noise = check(time, value, motor_current=np.where(time > 60, 200.0, 10.0))["encoder.noise"]
    least = 0.025 ** (1 / 8)
    each_100_A = (least / (1 - least)) ** (100 / 190)  # the halves are 190 A apart
    assert noise.measured["rate_ratio_per_100A"].low == pytest.approx(each_100_A, rel=0.02)
    assert noise.severity is severity


def test_relation_has_a_lower_limit_only_where_all_come_under_current() -> None:
    time, value = ramp(60)
    current = np.where(time > 30, 200.0, 10.0)
    value[np.arange(3100, 5900, 200)] += 1500
    factor = check(time, value, motor_current=current)["encoder.noise"].measured["rate_ratio_per_100A"]
    assert (factor.value, factor.high) == (None, None)
    assert factor.low is not None
    assert factor.low > 1


def test_current_that_never_changes_has_no_relation() -> None:
    time, value = ramp()
    value[1000] += 1500
    noise = check(time, value, motor_current=np.full(time.size, 80.0))["encoder.noise"]
    assert noise.measured["rate_ratio_per_100A"] == Measured(None, "")


@pytest.mark.parametrize("period_s", [0.005, 0.01])
@pytest.mark.parametrize("seed", seeds(4, of=40))
def test_a_rotor_that_a_torque_swung_away_and_the_driveline_swings_back_is_no_disturbance(
    period_s: float, seed: int
) -> None:
    """A rotor on the spring of its driveline, by scipy; the torque steps up and ends at once: a trip."""
    t, inertia = np.arange(0, 12, 0.001), 0.05
    rng = np.random.default_rng([seed, 11])
    _, spring = second_order(rng.uniform(4, 11), rng.uniform(0.02, 0.2))
    up_s, down_s, peak = 8.0, 8.0 + rng.uniform(0.015, 0.04), rng.uniform(60, 140)
    torque = np.interp(t, [0, up_s, down_s, down_s + 0.001], [-25.0, -25.0, peak, 0.0])
    swing = answer(([1 / inertia, 0.0], spring), torque - torque[0], 0.001)
    every = np.arange(0, t.size, round(1000 * period_s))
    speed = np.interp(t, [0, 2, 6], [0, 0, 1100]) + swing * 60 / (2 * np.pi)
    reading = np.round((speed[every] + rng.normal(0, 5, every.size)) / 25.0) * 25.0
    found = check(t[every], reading, torque=torque[every] + rng.normal(0, 0.5, every.size))
    assert not found.keys() & {"encoder.spike", "encoder.burst", "encoder.reversal"}, seed
