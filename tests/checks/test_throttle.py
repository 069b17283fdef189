"""Made pedals. Common practice, no published source: rest, noise, dead band and faults are true by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from limits_study import LimitsStudy
from one_check import findings_of
from tuning_traces import TICK_S, FloatArray, logged, signals

from logscope.checks.throttle import check
from logscope.checks.throttle.check import throttle
from logscope.checks.throttle.pedal import find_rest
from logscope.findings import Finding, Measured, Severity
from logscope.signals import MissingPart, Part, Signals
from logscope.vehicle import Vehicle


def presses(rng: np.random.Generator, seconds: float = 120.0) -> FloatArray:
    """Travel of a pedal, 0 to 100 %, slow and quick presses with rests between."""
    times, travel, now = [0.0], [0.0], 2.0
    while now < seconds:
        up, hold = rng.uniform(0.2, 3.0), rng.uniform(0.2, 2.0)
        level = rng.uniform(20, 95)
        times += [now, now + up, now + up + hold, now + up + hold + rng.uniform(0.2, 1.5)]
        travel += [0.0, level, level, 0.0]
        now = times[-1] + rng.uniform(0.5, 2.0)
    return np.interp(np.arange(0, seconds, TICK_S), times, travel)


def made(seed: int, noise: float = 0.1, dead: float = 4.0, second: FloatArray | None = None) -> list[Part]:
    rng = np.random.default_rng(seed)
    travel = presses(rng)
    wish = 160 * np.clip((travel - dead) / (100 - dead), 0, 1)
    other = 0.5 * travel + 5 if second is None else 0.5 * travel + 5 + second[: travel.size]
    return [
        logged(rng, "throttle", travel + 1.5, 0.02, noise, 0.1),
        logged(rng, "throttle_second", other, 0.02, noise, 0.1),
        logged(rng, "torque_target", wish, 0.01, 0.0, 0.1),
    ]


def outcomes(made: Signals) -> dict[str, Finding]:
    return {each.kind.removeprefix("throttle."): each for each in findings_of(throttle, made, Vehicle())}


def test_a_sound_pedal_shows_rest_noise_and_dead_band() -> None:
    for seed in range(10):
        found = outcomes(signals(*made(seed)))
        assert list(found) == ["sound"]
        measured = found["sound"].measured
        assert measured["rest_percent"].value == pytest.approx(1.5, abs=0.15)
        assert measured["noise_percent"].value == pytest.approx(0.1, abs=0.03)
        band = measured["dead_band_percent"]
        assert band.low is not None
        assert band.high is not None
        assert band.low - 0.3 <= 4 + 0.02 * 96 <= band.high + 0.3  # torque counts from 2 % of the largest on


@pytest.mark.parametrize(("noise", "step"), [(0.1, 0.0), (0.3, 0.4), (1.0, 0.4), (2.0, 0.1)])
def test_limits_of_the_noise_hold_the_scatter_of_the_readings_and_are_no_wider(noise: float, step: float) -> None:
    """By construction. Rounding adds its own twelfth (Sheppard)."""
    true, study = float(np.hypot(noise, step / 12**0.5)), LimitsStudy()
    for seed in range(60):
        rng = np.random.default_rng([51, seed])
        rest = find_rest(logged(rng, "throttle", presses(rng, 60.0) + 1.5, 0.02, noise, step))
        assert rest is not None
        study.add(true, rest.noise, rest.noise_low, rest.noise_high)
    study.judge()


def test_noise_that_reaches_the_dead_band_warns() -> None:
    assert outcomes(signals(*made(20, noise=1.2, dead=0.0)))["noise"].severity is Severity.WARNING


@pytest.mark.parametrize(
    ("low", "high", "reaches"),
    [(0.0, 0.5, True), (0.5, 0.95, True), (0.5, 1.05, False), (0.0, 4.0, False), (2.0, 4.0, False)],
)
def test_noise_reaches_a_dead_band_where_all_of_its_interval_lies_within_six_deviations(
    low: float, high: float, reaches: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Limits in units of six standard deviations of the resting pedal."""
    parts = signals(*made(22))
    rest = find_rest(parts["throttle"])
    assert rest is not None
    low, high = (6.0 * rest.noise * each for each in (low, high))
    monkeypatch.setattr(check, "find_dead_band", lambda *_: Measured((low + high) / 2, "%", low, high))
    assert ("noise" in outcomes(parts)) is reaches
    assert ("sound" in outcomes(parts)) is not reaches


def test_two_tracks_that_part_are_a_danger() -> None:
    fault = np.zeros(200_000)
    fault[30_000:31_000] = 12.0
    found = outcomes(signals(*made(21, second=fault)))["tracks"]
    assert found.severity is Severity.DANGER
    assert found.start_s == pytest.approx(30, abs=0.1)
    assert found.measured["peak_percent"].value == pytest.approx(24, rel=0.1)  # the second track has half the slope


@pytest.mark.parametrize("scale", [1.0, 0.5, -0.5])
def test_a_foot_that_keeps_still_for_most_of_a_log_parts_no_tracks(scale: float) -> None:
    for seed in range(5):
        rng = np.random.default_rng(seed)
        travel = np.interp(np.arange(0, 120, TICK_S), [0, 4, 5, 114, 116, 120], [0, 0, 57, 57.4, 0, 0])
        parts = [
            logged(rng, "throttle", travel, 0.01, 0.1, 0.1),
            logged(rng, "throttle_second", scale * travel + 60, 0.01, 0.1, 0.1),
        ]
        assert "tracks" not in outcomes(signals(*parts))


def test_torque_with_the_stamp_of_a_pedal_that_was_read_before_is_no_dead_band_of_nothing() -> None:
    """Both messages go out every 50 ms with one stamp; the target answers the reading that is sent after it."""
    rng = np.random.default_rng(3)
    travel = presses(rng)
    time = np.arange(0, 119, 0.05)
    ticks = np.rint(time / TICK_S).astype(int)
    late = travel[np.maximum(ticks - 50, 0)]
    wish = 160 * np.clip((travel[ticks] - 2.0) / 98, 0, 1)
    made = signals(Part("throttle", time, np.round(late, 1), "%", "Made.throttle", 0.1),
                   Part("torque_target", time, np.round(wish, 1), "Nm", "Made.target", 0.1))  # fmt: skip
    assert list(outcomes(made)) == ["sound"]


@pytest.mark.parametrize("grid_s", [0.05, 0.1])
def test_tracks_that_part_are_seen_where_several_samples_bear_one_stamp(grid_s: float) -> None:
    fault = np.zeros(200_000)
    fault[30_000:31_000] = 12.0
    for begin_s in (0.0, 5e7):  # a log may begin long after its clock did
        parts = [
            replace(part, time_s=begin_s + np.ceil(part.time_s / grid_s) * grid_s) for part in made(21, second=fault)
        ]
        found = outcomes(Signals({part.name: part for part in parts}, begin_s, begin_s + 121.0))["tracks"]
        assert found.start_s - begin_s == pytest.approx(30, abs=0.1 + grid_s)
        assert found.measured["peak_percent"].value == pytest.approx(24, rel=0.1)


def test_a_worn_place_is_found_by_what_is_never_read_there() -> None:
    parts = made(22, noise=0.05)
    value = parts[0].value
    worn = np.where((value > 30) & (value < 37), np.where(value < 33.5, 30.0, 37.0), value)
    found = outcomes(signals(replace(parts[0], value=worn), *parts[2:]))["jump"]
    assert found.measured["from_percent"].value == pytest.approx(30, abs=0.3)
    assert found.measured["to_percent"].value == pytest.approx(37, abs=0.3)


def test_a_foot_that_is_quicker_than_the_readings_wears_no_place() -> None:
    """Readings every 200 ms of presses that take 300 ms: those on the way up all happen to lie low."""
    t = np.arange(0, 150, 0.2)
    value = np.random.default_rng(24).normal(1.5, 0.1, t.size)
    for number, begins in enumerate(range(20, t.size - 20, 30)):
        value[begins] = 6.0 + 0.2 * number
        value[begins + 1 : begins + 10] += 55.0
    pedal = Part("throttle", t, np.round(value, 1), "%", "Made.throttle", 0.1)
    assert "jump" not in outcomes(signals(pedal))


def test_throttle_with_brake_is_noted() -> None:
    parts = made(23)
    t = np.arange(0, 120, 0.02)
    pressed = np.interp(t, parts[0].time_s, parts[0].value) > 10
    brake = Part("brake", t, pressed.astype(float), "", "Made.brake", 1.0, on=pressed)
    assert outcomes(signals(*parts, brake))["with_brake"].severity is Severity.INFO


def test_a_pedal_that_never_moves_tells_nothing() -> None:
    still = logged(np.random.default_rng(1), "throttle", np.full(20_000, 1.5), 0.02, 0.1, 0.1)
    assert list(outcomes(signals(still))) == ["undetermined"]
    with pytest.raises(MissingPart):
        findings_of(throttle, Signals({}, 0, 1), Vehicle())


def held_pedal(rng: np.random.Generator, dip: float, warms: bool = False) -> Signals:
    """A pedal that stands at ten places in turn and at random; beyond 60 % of travel less is asked for by `dip`."""
    places = np.concatenate([rng.permutation(np.arange(12.5, 100, 5)) for _ in range(6)])
    travel = np.repeat(places, 1000) * np.tile(np.r_[np.zeros(300), np.ones(700)], places.size)
    wish = 1.6 * travel - dip * (travel > 60)
    if warms:
        wish = np.minimum(wish, np.linspace(160, 40, wish.size))
    return signals(
        logged(rng, "throttle", travel + 1.5, 0.02, 0.1, 0.1), logged(rng, "torque_target", wish, 0.01, 1.0, 0.1)
    )


def test_more_pedal_that_asks_for_less_warns() -> None:
    for seed in range(5):
        found = outcomes(held_pedal(np.random.default_rng(seed), dip=40.0))["falling"]
        assert found.severity is Severity.WARNING
        near, far = found.measured["from_percent"].value, found.measured["to_percent"].value
        assert near is not None
        assert far is not None
        assert near < 62 < far


def test_a_table_that_only_rises_and_a_pack_that_gets_warm_are_no_dip() -> None:
    for seed in range(5):
        assert "falling" not in outcomes(held_pedal(np.random.default_rng(seed), dip=0.0))
        assert "falling" not in outcomes(held_pedal(np.random.default_rng(seed), dip=0.0, warms=True))


@pytest.mark.parametrize(
    ("apart_percent", "lasts_s", "is_fault"),
    [(12.0, 0.15, True), (12.0, 1.0, True), (12.0, 0.05, False), (2.5, 5.0, False)],
)
def test_tracks_are_at_fault_wherever_published_rules_say_so(
    apart_percent: float, lasts_s: float, is_fault: bool
) -> None:
    """Formula SAE Rules 2024, T.4.2 (values from memory): more than 10 % of travel apart for more than 100 ms."""
    fault = np.zeros(200_000)
    fault[30_000 : 30_000 + round(lasts_s / TICK_S)] = apart_percent / 2  # the second track has half the slope
    assert ("tracks" in outcomes(signals(*made(21, second=fault)))) is is_fault
