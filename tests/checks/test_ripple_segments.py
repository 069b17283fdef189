"""Turns of a shaft cut out of a speed, the usual swing of a turn, and bands of rates: by hand.

A shaft at n rpm turns n/60 times a second; a sine of amplitude a swings by 2a. Orders lie 1/16 apart over 16 turns.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals

from logscope.checks.encoder import disturbance_switching, speed_ripple
from logscope.checks.encoder.disturbance_chart import current_bins, rate_chart
from logscope.checks.encoder.disturbance_rate import RateLaw, Stretches, stretches
from logscope.checks.encoder.disturbance_switching import Switching, _switched, followed_switching
from logscope.checks.encoder.speed_ripple import (
    AngleSegment,
    _blocks,
    _chart,
    _lines,
    _segments,
    _usual_swings,
    angle_segments,
    beyond_ripple,
    ripple,
)
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.statistics.order_spectrum import OrderLine
from logscope.statistics.rates import Estimate

P = 0.005


def model(**other: Any) -> Any:
    return SimpleNamespace(**{
        "update_s": P, "repeat": 1, "zero_rpm": 10.0, "low_speed_rpm": 0.0, "running_s": 10.0, **other,
    })  # fmt: skip


def study(rpm: Any, seconds: float = 20.0, **other: Any) -> Any:
    time = np.arange(0.0, seconds, P)
    value = np.broadcast_to(np.asarray(rpm, float), time.shape)
    return SimpleNamespace(speed=part("motor_speed", time, value), model=model(**other), disturbances=())


def test_a_long_log_is_looked_at_in_fifty_blocks_from_end_to_end() -> None:
    assert _blocks(200_000) == [slice(0, 200_000)]
    found = _blocks(200_001)
    assert len(found) == 50
    assert (found[0], found[-1]) == (slice(0, 4000), slice(196_001, 200_001))
    assert all(each.stop - each.start == 4000 for each in found)


def test_segments_are_whole_sixteen_turns_without_a_gap() -> None:
    """600 rpm are ten turns a second: 1.6 s each, 320 readings; 20 s hold twelve and a rest."""
    found = list(_segments(study(600.0).speed.time_s, study(600.0).speed.value, model()))
    assert len(found) == 12
    assert all(each.turns.size == pytest.approx(320, abs=1) for each in found)
    assert found[0].fastest == pytest.approx(10.0)
    assert found[0].most_hz == pytest.approx(0.9 * 100.0)  # of half of 200 readings a second
    time = study(600.0).speed.time_s.copy()
    time[2000:] += 0.002  # less than half a reading more
    assert len(list(_segments(time, np.full(time.size, 600.0), model()))) == 12
    time[2000:] += 0.002
    parted = list(_segments(time, np.full(time.size, 600.0), model()))
    assert len(parted) == 12  # six before the gap at 10 s, six after it
    assert max(each.turns[-1] - each.turns[0] for each in parted) < 16.0
    for gap_s, count in ((0.002, 12), (0.003, 11)):  # at 7.5 s, 75 of 200 turns: 4 and 7 of sixteen
        gap = study(600.0).speed.time_s + np.where(np.arange(time.size) < 1500, 0.0, gap_s)
        assert len(list(_segments(gap, np.full(time.size, 600.0), model()))) == count
    time[2000:] += 2.0  # the turns within a gap complete no segment
    assert len(list(_segments(time, np.full(time.size, 600.0), model()))) == 12
    still = np.where(np.arange(time.size) < 2000, 600.0, 0.0)
    assert len(list(_segments(study(600.0).speed.time_s, still, model()))) == 6
    assert list(_segments(np.array([0.0, 1.0]), np.array([600.0, 600.0]), model())) == []


def test_angle_segments_use_new_values_alone_and_nothing_at_rest() -> None:
    """Each value twice, every 5 ms: 50 of a hundred new ones a second."""
    one = study(600.0, repeat=2, update_s=2 * P)
    found = angle_segments(one)
    assert len(found) == 12
    assert found[0].turns.size == pytest.approx(160, abs=1)
    assert found[0].most_hz == pytest.approx(45.0)
    assert angle_segments(study(600.0, running_s=0.0)) == []
    assert angle_segments(study(600.0, update_s=0.0)) == []
    backwards = angle_segments(study(-600.0))
    assert len(backwards) == 12
    many = angle_segments(study(6000.0, 60.0))
    assert len(many) == 300  # of 374
    assert many[0].turns[0] == 0.0
    assert many[-1].turns[0] == pytest.approx(373 * 16.0, abs=1.0)
    assert len({each.turns[0] for each in many}) == 300


def test_the_usual_swing_of_a_turn_is_from_its_lowest_to_its_highest_reading() -> None:
    """±30 rpm twice a turn at 600 rpm, twenty readings a turn; one with a spike of 500 rpm is not usual."""
    time = np.arange(0.0, 20.0, P)
    value = 600.0 + 30.0 * np.sin(2 * np.pi * 20.0 * time)
    value[2000] += 500.0
    one = study(value)
    number, swing = _usual_swings(one)
    assert number.size == time.size
    assert np.diff(number).min() >= 0
    assert np.bincount(number)[5:100] == pytest.approx(20, abs=1)
    assert swing[50] == pytest.approx(60.0, rel=0.05)
    assert swing[number[2000]] == pytest.approx(60.0, rel=0.05)
    slow = study(np.where(np.arange(time.size) % 2 == 0, 15_000.0, 15_100.0))  # 250 turns a second
    number, swing = _usual_swings(slow)
    assert np.bincount(number)[5:100] == pytest.approx(4, abs=1)  # four new values at least
    assert swing[50] == pytest.approx(100.0)


@pytest.mark.parametrize(("deviation_rpm", "kept"), [(91.0, 1), (89.0, 0)])
def test_a_disturbance_stands_out_of_the_ripple_by_half_of_it(deviation_rpm: float, kept: int) -> None:
    time = np.arange(0.0, 20.0, P)
    value = 600.0 + 30.0 * np.where(np.arange(time.size) % 10 < 5, 1.0, -1.0)
    each = SimpleNamespace(first=2000, deviation_rpm=deviation_rpm)
    none = np.empty(0, np.intp)
    one: Any = SpeedAnalysis(part("motor_speed", time, value), model(), (each,), none, none)  # type: ignore[arg-type]
    assert len(beyond_ripple(one).disturbances) == kept
    bare: Any = SpeedAnalysis(part("motor_speed", time, value), model(), (), none, none)
    assert beyond_ripple(bare) is bare


def segment(order: float, size: float, fastest: float = 10.0, noise: float = 0.001, seed: int = 1) -> AngleSegment:
    turns = np.linspace(0.0, 15.9, 320)
    rng = np.random.default_rng(seed)
    return AngleSegment(turns, size * np.sin(2 * np.pi * order * turns) + rng.normal(0, noise, 320), fastest, 90.0)


def test_lines_are_the_shaft_orders_that_three_segments_show() -> None:
    """At 10 turns a second 90 Hz show eight orders, at 20 four; an angle read a sixteenth slow has its line, too."""
    lines = _lines([segment(3.0, 0.04, seed=k) for k in range(4)])
    assert [round(line.order) for line in lines] == list(range(1, 9))
    assert lines[2].amplitude == pytest.approx(0.04, rel=0.02)
    assert lines[0].amplitude < 0.001
    assert [round(line.order) for line in _lines([segment(3.0, 0.04, 20.0, seed=k) for k in range(3)])] == [1, 2, 3, 4]
    assert _lines([segment(3.0, 0.04, seed=k) for k in range(2)]) == []
    for off in (15.0 / 16.0, 17.0 / 16.0):
        slow = _lines([segment(3.0 * off, 0.04, seed=k) for k in range(4)])
        assert slow[2].amplitude == pytest.approx(0.04, rel=0.05)
        assert slow[2].order == pytest.approx(3.0 * off)


def test_the_strongest_of_several_lines_is_named_and_all_clear_ones_are_drawn() -> None:
    made = [segment(2.0, 0.02, seed=k) for k in range(4)]
    both = [AngleSegment(a.turns, a.share + segment(5.0, 0.05, seed=9).share, 10.0, 90.0) for a in made]
    chart = _chart(both, [OrderLine(2.0, 0.02, 0.019, 0.021, 1e-9), OrderLine(5.0, 0.05, 0.04, 0.06, 1e-9)])
    spectrum, points = chart.series
    assert points.x.tolist() == [2.0, 5.0]
    assert points.y.tolist() == [2.0, 5.0]  # in per cent
    assert points.low is not None
    assert points.low.tolist() == pytest.approx([1.9, 4.0])
    assert points.high is not None
    assert points.high.tolist() == pytest.approx([2.1, 6.0])
    assert (spectrum.x[0], spectrum.x[-1]) == (0.25, pytest.approx(8.4375))
    assert spectrum.y[np.argmin(np.abs(spectrum.x - 5.0))] == pytest.approx(5.0, rel=0.02)
    fast = _chart([segment(2.0, 0.02, 20.0, seed=k) for k in range(3)], [])
    assert fast.series[0].x[-1] == pytest.approx(4.4375)  # below 4.5 times a turn
    assert ripple(signals(), study(600.0)) == []


T = np.arange(0.0, 120.0, 0.01)


def driven(count: int = 20, spread_a: float = 100.0, known: Any = True, at_s: Any = None) -> Stretches | None:
    amps = np.where(T % 1.0 < 0.495, 40.0, 40.0 + spread_a)
    one: Any = SimpleNamespace(
        speed=part("motor_speed", T, np.full(T.size, 2000.0)), model=SimpleNamespace(exposure_s=np.full(T.size, 0.01))
    )
    at = np.arange(count) + 10.2 if at_s is None else at_s
    found = tuple(SimpleNamespace(before=int(np.searchsorted(T, each))) for each in at)
    return stretches(one, amps, np.broadcast_to(known, T.shape), found)  # type: ignore[arg-type]


def test_only_driving_that_is_known_is_cut_and_only_its_disturbances_count() -> None:
    whole = driven()
    assert whole is not None
    assert (whole.counts.sum(), whole.exposure_s.sum()) == (20.0, pytest.approx(120.0))
    half = driven(known=T < 20.1)
    assert half is not None
    assert (half.counts.sum(), half.exposure_s.sum()) == (10.0, pytest.approx(20.1))
    assert half.exposure_s.size == 41  # the last holds 0.1 s
    assert driven(known=T < 19.1) is None  # nine
    thin = driven(known=T < 20.04)
    assert thin is not None
    assert thin.exposure_s.size == 40  # 0.04 s are too little
    assert thin.used.sum() == 40


def test_a_switching_counts_three_edges_of_either_direction() -> None:
    on = (T // 10.0).astype(int) % 2 == 1
    pump = part("coolant_pump", T, on, on=on)
    ((name, edges, early_s),) = list(_switched(signals(pump)))
    assert (name, edges.size, early_s) == ("coolant_pump", 11, pytest.approx(0.01))
    bare = part("coolant_pump", T, on)
    assert list(_switched(signals(bare))) == []


def test_of_two_coils_the_surer_one_is_named() -> None:
    """Disturbances at each of 11 switchings of the pump, at three of the contactor's eleven."""
    on = (T // 10.0).astype(int) % 2 == 1
    other = ((T + 5.0) // 10.0).astype(int) % 2 == 1
    made = signals(part("coolant_pump", T, on, on=on), part("main_contactor", T, other, on=other))
    at = [*(10.0 * k + 0.02 for k in range(1, 12)), 5.02, 15.02, 25.02]
    one: Any = SimpleNamespace(
        speed=part("motor_speed", T, T), model=SimpleNamespace(exposure_s=np.full(T.size, 0.01)),
        disturbances=tuple(SimpleNamespace(first=int(np.searchsorted(T, each))) for each in at),
    )  # fmt: skip
    found = followed_switching(one, made)
    assert found is not None
    assert (found.name, found.switched, found.hit) == ("coolant_pump", 11, 11)


def test_bands_of_current_are_a_sixth_of_the_highest_and_hold_a_hundredth_of_the_time() -> None:
    amps = np.repeat([0.0, 49.0, 51.0, 300.0], [500, 478, 11, 11])
    found = current_bins(amps, np.full(1000, True), np.full(1000, 0.6), np.array([10, 600, 700, 985, 995]))
    assert [each.events for each in found] == [3, 1, 1]
    assert [each.mean_a for each in found] == pytest.approx([49.0 * 478 / 978, 51.0, 300.0])
    assert [each.minutes for each in found] == pytest.approx([9.78, 0.11, 0.11])
    for rows, bands in ((10, 2), (9, 1)):  # a hundredth is enough
        thin = np.repeat([49.0, 300.0], [1000 - rows, rows])
        assert len(current_bins(thin, np.full(1000, True), np.full(1000, 0.5), np.array([10]))) == bands
    line: Any = tuple(np.array([0.0, 1.0]) + k for k in range(4))
    law = RateLaw(Estimate(2.0, 1.0, 3.0), None, 0.0, line)
    fitted, counted = rate_chart(found, law).series
    assert fitted.label == "fitted law, at the mean speed"
    assert (fitted.x.tolist(), fitted.y.tolist()) == ([0.0, 1.0], [1.0, 2.0])
    assert fitted.low is not None
    assert fitted.high is not None
    assert (fitted.low[0], fitted.high[0]) == (2.0, 3.0)
    assert counted.y[1:] == pytest.approx([1 / 0.11, 1 / 0.11])


@pytest.mark.parametrize(
    ("p_value", "hit", "low", "coils", "follows"),
    [
        (0.0049, 3, 1.1, 2, True),  # one in a hundred over all coils that switch
        (0.0051, 3, 1.1, 2, False),
        (0.0049, 3, 1.1, 3, False),
        (0.0001, 2, 1.1, 1, False),
        (0.0001, 3, 1.0, 1, False),
    ],
)
def test_a_coil_is_followed_beyond_chance_over_all_that_switch(
    p_value: float, hit: int, low: float, coils: int, follows: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = Switching("pump", 9, hit, Estimate(4.0, low, 9.0, p_value))
    monkeypatch.setattr(disturbance_switching, "_switched", lambda _: [("pump", T, 0.01)] * coils)
    judged = iter([one, *[None] * (coils - 1)])
    monkeypatch.setattr(disturbance_switching, "_judge", lambda *_: next(judged))
    assert (followed_switching(study(600.0), signals()) is one) is follows


@pytest.mark.parametrize(
    ("p_value", "count", "found"), [(4.1e-8, 8, 1), (4.2e-8, 8, 0), (1.1e-7, 3, 1), (1.2e-7, 3, 0)]
)
def test_a_line_is_beyond_chance_over_all_orders_looked_at(
    p_value: float, count: int, found: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One in a million over so many orders, each at three places."""
    weak = [OrderLine(float(k), 0.001, 0.0, 0.002, 0.5) for k in range(2, count + 1)]
    monkeypatch.setattr(speed_ripple, "_lines", lambda _: [OrderLine(1.0, 0.05, 0.04, 0.06, p_value), *weak])
    one = study(600.0)
    one.model.running = np.full(one.speed.time_s.size, True)
    findings = ripple(signals(one.speed), one)
    assert len(findings) == found
    for each in findings:  # a twentieth of 600 rpm
        size = each.measured["amplitude_rpm"]
        assert (size.value, size.low, size.high) == pytest.approx((30.0, 24.0, 36.0))
