"""The battery's resistance and energy, step by step, of made loads: slopes, lags, clean steps and sums by hand.

Ohm's law; pulses by IEC 62660-1. A line's slope through made points is exact.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from motor_traces import part, signals
from scipy import stats

from logscope.checks.battery import energy as energy_sums
from logscope.checks.battery import resistance
from logscope.checks.battery.energy import _like, _power, _sums
from logscope.checks.battery.resistance import Resistance, find_pulses, find_resistance
from logscope.observations.under_load import UnderLoad
from logscope.statistics.integral import Integral
from logscope.statistics.robust_line import Slope
from logscope.vehicle import Driveline, Vehicle

T = np.arange(0.0, 100.0, 0.05)
SLOPE = Slope(0.2, 0.16, 0.24, 0.1, 9)


def load_of(volts: Any = 300.0, amps: Any = 100.0, lag_s: float = 0.0, **more: Any) -> UnderLoad:
    size = T.size
    made = UnderLoad(
        T, np.broadcast_to(volts, size).astype(float), np.broadcast_to(amps, size).astype(float), np.zeros(size), lag_s,
        0.05, 0.05, 0.1, 0.1,
    )  # fmt: skip
    return replace(made, **more)


def test_changes_over_a_second_lie_on_a_line() -> None:
    """0.1 Ω; changes of 20 periods of 50 ms."""
    amps = 100 * np.sin(0.7 * T) + 60 * np.sin(2.9 * T)
    slope = resistance._slope(load_of(350 - 0.1 * amps, amps), 1.0)
    assert slope is not None
    assert slope.value == pytest.approx(0.1, rel=2e-3)
    assert slope.low <= 0.1 <= slope.high
    falling = resistance._slope(load_of(350 + 0.1 * amps, amps), 1.0)
    assert falling is not None
    assert falling.value == pytest.approx(-0.1, rel=2e-3)
    assert resistance._slope(load_of(350 - 0.1 * amps, amps), 120.0) is None  # longer than the log
    before = resistance._slope(load_of(350 - 0.1 * amps, amps, time_s=T - 50.0), 1.0)  # counted from a later moment
    assert before is not None
    assert before.value == pytest.approx(slope.value, rel=1e-3)


@pytest.mark.parametrize(("pulses", "known"), [(3, False), (5, True)])
def test_a_line_is_borne_by_four_stretches_of_two_seconds(pulses: int, known: bool) -> None:
    """Pulses of 0.3 s, each with both of its changes in one stretch: as many stretches bear alike."""
    amps = np.zeros(T.size)
    for k in range(pulses):
        amps[(6.0 * k + 1.2 <= T) & (6.0 * k + 1.5 > T)] = 100.0
    slope = resistance._slope(load_of(350 - 0.1 * amps, amps), 1.0)
    assert (slope is not None) is known
    if slope is not None:
        assert slope.value == pytest.approx(0.1, rel=1e-3)


def test_changes_across_a_hole_do_not_count() -> None:
    """Beyond it the level is another: only what lies within one and a half spans is a change."""
    amps = 100 * np.sin(0.7 * T) + 60 * np.sin(2.9 * T)
    at = np.where(T < 50.0, T, T + 0.6)
    volts = 350 - 0.1 * amps + np.where(T < 50.0, 0.0, 80.0)
    one = load_of(volts, amps, time_s=at)
    apart = resistance._slope(replace(one, time_s=np.where(T < 50.0, T, T + 1.6)), 1.0)
    assert apart is not None
    assert apart.scatter < 1.0


@pytest.mark.parametrize(
    ("scatters", "best", "low", "high"),
    [((0.3, 0.1, 0.3), 0.21, 0.12, 0.30), ((0.1, 0.3, 0.3), 0.20, 0.15, 0.25), ((0.3, 0.3, 0.1), 0.26, 0.17, 0.35)],
)
def test_the_lag_of_the_smallest_scatter_is_taken_and_widened_by_its_neighbours(
    scatters: Any, best: float, low: float, high: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.20, 0.21 and 0.26 Ω at three lags, each ± 0.04 Ω: beside the middle one the farther neighbour is 0.05 Ω off."""
    ohms = dict(zip((-0.1, 0.0, 0.1), (0.20, 0.21, 0.26), strict=True))
    scatter_of = dict(zip((-0.1, 0.0, 0.1), scatters, strict=True))
    monkeypatch.setattr(resistance, "LAGS", np.array([-2.0, 0.0, 2.0]))
    monkeypatch.setattr(resistance, "load_at", lambda _, lag_s: load_of(300.0, np.linspace(0.0, 100.0, T.size), lag_s))

    def slope_of(load: UnderLoad, span_s: float) -> Slope:
        lag = round(load.lag_s, 6)
        assert span_s == 1.0
        return Slope(ohms[lag], ohms[lag] - 0.04, ohms[lag] + 0.04, scatter_of[lag], 9)

    monkeypatch.setattr(resistance, "_slope", slope_of)
    one = resistance._by_line(signals(), 0.05)
    assert one is not None
    assert (one.slope.value, one.slope.low, one.slope.high) == pytest.approx((best, low, high))
    assert one.span_s == 1.0


@pytest.mark.parametrize(
    ("slope", "noise_v", "known"), [(SLOPE, 0.99, True), (SLOPE, 1.01, False), (replace(SLOPE, low=0.0), 0.1, False)]
)
def test_a_line_makes_twenty_noises_of_the_voltage_and_rises(
    slope: Slope, noise_v: float, known: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.2 Ω times 100 A: 20 V."""
    load = load_of(300.0, np.linspace(0.0, 100.0, T.size), noise_v=noise_v)
    monkeypatch.setattr(resistance, "load_at", lambda *_: load)
    monkeypatch.setattr(resistance, "_slope", lambda *_: slope)
    assert (resistance._by_line(signals(), 0.05) is not None) is known


@pytest.mark.parametrize(("period_s", "span_s"), [(0.1, 1.0), (0.2, 1.0), (0.3, 1.5)])
def test_changes_are_taken_over_a_second_or_five_periods(
    period_s: float, span_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    spans: list[float] = []

    def none(_: UnderLoad, over_s: float) -> None:
        spans.append(over_s)

    lags: list[float] = []

    def load(_: Any, lag_s: float) -> UnderLoad:
        lags.append(lag_s)
        return load_of()

    monkeypatch.setattr(resistance, "load_at", load)
    monkeypatch.setattr(resistance, "_slope", none)
    assert resistance._by_line(signals(), period_s) is None
    quarters = [-1.5, -1.25, -1.0, -0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5]
    assert lags == pytest.approx([share * period_s for share in quarters])
    assert spans == [pytest.approx(span_s)] * 13


def test_clear_steps_serve_where_no_line_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resistance, "load_at", lambda *_: load_of())
    monkeypatch.setattr(resistance, "_by_line", lambda *_: None)
    monkeypatch.setattr(resistance, "resistance_by_steps", lambda _: SLOPE)
    one = find_resistance(signals())
    assert one is not None
    assert (one.slope, one.span_s, one.by_steps, one.pulses) == (SLOPE, 0.5, True, None)
    monkeypatch.setattr(resistance, "resistance_by_steps", lambda _: None)
    assert find_resistance(signals()) is None
    few = load_of()
    monkeypatch.setattr(resistance, "load_at", lambda *_: replace(few, time_s=few.time_s[:2]))
    monkeypatch.setattr(resistance, "_by_line", lambda *_: Resistance(SLOPE, 1.0, load_of(), None))
    assert find_resistance(signals()) is None
    monkeypatch.setattr(resistance, "load_at", lambda *_: replace(few, period_s=0.0))  # all of one stamp
    assert find_resistance(signals()) is None


def step_at(rows: int, size_a: float = 100.0, wobble_a: float = 0.0, noise_a: float = 0.1) -> UnderLoad:
    """One step up after so many rows of 400, with a wobble of the current about its second level."""
    k = np.arange(400)
    amps = np.where(k >= rows, size_a + wobble_a * np.where(k % 2, 1.0, -1.0), 0.0)
    return UnderLoad(0.05 * k, 350 - 0.1 * amps, amps, 0 * amps, 0.0, 0.05, 0.05, 0.1, noise_a)


@pytest.mark.parametrize(
    ("load", "clean"),
    [
        (step_at(200), True),
        (step_at(200, wobble_a=4.9), True),  # a twentieth of the step
        (step_at(200, wobble_a=5.3), False),
        (step_at(200, wobble_a=5.3, noise_a=4.0), True),  # one and a half noises
        (step_at(8), True),  # eight rows a level
        (step_at(7), False),
        (step_at(392), True),
        (step_at(393), False),
    ],
)
def test_a_clean_step_stands_between_two_levels(load: UnderLoad, clean: bool) -> None:
    one = find_pulses(load, 0.05)
    assert (one is not None) is clean
    if one is not None:
        assert one.value == pytest.approx(0.1, rel=1e-3)
        assert one.ohms.size == 1


def test_a_small_step_beside_a_large_one_adds_nothing() -> None:
    """15 % of the range of 100 A."""
    for size_a, count in ((14.0, 1), (16.0, 2)):
        k = np.arange(400)
        amps = np.where(k >= 300, 100.0 - size_a, np.where(k >= 100, 100.0, 0.0))
        one = find_pulses(UnderLoad(0.05 * k, 350 - 0.1 * amps, amps, 0 * amps, 0.0, 0.05, 0.05, 0.1, 0.1), 0.05)
        assert one is not None
        assert one.ohms.size == count


def test_steps_weigh_as_in_a_line_through_all_of_them() -> None:
    """Two of 50 A over 0.13 Ω, then two of 100 A over 0.1 Ω: least squares of voltage on current by numpy.

    Its robust error by hand (White): √(2 · (50² · 0.024)² + 2 · (100² · 0.006)²) / 25000 = 4.8 mΩ.
    """
    k = np.arange(400)
    amps = np.select([(k >= 50) & (k < 100), (k >= 200) & (k < 300)], [50.0, 100.0], 0.0)
    volts = 350 - np.where(k < 150, 0.13, 0.1) * amps
    one = find_pulses(UnderLoad(0.05 * k, volts, amps, 0 * amps, 0.0, 0.05, 0.05, 0.1, 0.1), 0.05)
    assert one is not None
    assert one.ohms == pytest.approx([0.13, 0.13, 0.1, 0.1])
    slope = np.linalg.lstsq(np.array([[50.0], [50.0], [100.0], [100.0]]), np.array([6.5, 6.5, 10.0, 10.0]))[0][0]
    assert one.value == pytest.approx(slope)
    assert one.high - one.value == pytest.approx(stats.t.ppf(0.975, 3) * 0.0048)


def test_of_a_single_step_the_noise_of_its_levels_is_counted_with_one_degree_of_freedom() -> None:
    one = find_pulses(step_at(200), 0.05)
    assert one is not None
    assert one.high - one.value == pytest.approx(stats.t.ppf(0.975, 1) * 0.1 * (2 / 8) ** 0.5 / 100.0, rel=1e-3)


@pytest.mark.parametrize(("rows", "known"), [(20, True), (19, False)])
def test_a_log_of_one_clean_step_is_enough(rows: int, known: bool) -> None:
    """Two levels of eight readings, and two readings to either side of the step between them."""
    k = np.arange(rows)
    amps = np.where(k >= 10, 100.0, 0.0)
    one = UnderLoad(0.05 * k, 350 - 0.1 * amps, amps, 0 * amps, 0.0, 0.05, 0.05, 0.1, 0.1)
    assert (find_pulses(one, 0.05) is not None) is known


@pytest.mark.parametrize(("changes", "taken"), [(60_000, 60_000), (60_001, 30_001), (120_001, 40_001)])
def test_of_a_long_log_every_so_manyth_change_is_taken(
    changes: int, taken: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No more than 60 000. The current is t²: over a second from t on it changes by 2t + 1."""
    handed: list[Any] = []
    monkeypatch.setattr(resistance, "robust_slope", lambda *given: handed.append(given))
    at = np.arange(changes + 16) / 16
    resistance._slope(UnderLoad(at, -(at**2), at**2, 0 * at, 0.0, 0.0625, 0.0625, 0.1, 0.1), 1.0)
    change_a = handed[0][0]
    assert change_a.size == taken
    assert (change_a[0], change_a[-1]) == (1.0, pytest.approx(2 * (changes - 1) / 16 + 1, abs=0.3))


def test_a_step_is_not_taken_across_a_hole() -> None:
    """20 rows of 50 ms may take up to 1.5 s."""
    one = step_at(200)
    for hole_s, clean in ((0.4, True), (0.6, False)):
        at = one.time_s + np.where(np.arange(400) >= 200, hole_s, 0.0)
        assert (find_pulses(replace(one, time_s=at), 0.05) is not None) is clean


def test_power_belongs_to_the_voltage_that_comes_later_by_the_lag() -> None:
    made = signals(part("battery_voltage", T, 300.0 + T), part("battery_current", T, np.full(T.size, 10.0)))
    for lag_s in (0.0, 0.5, -0.5):
        time_s, power = _power(lag_s, made)
        assert power == pytest.approx(10.0 * (300.0 + time_s + lag_s))
    time_s, power = _power(0.0, made, 2, 1)
    assert time_s[0] == pytest.approx(0.05)  # from the second voltage on
    assert power == pytest.approx(10.0 * (300.0 + time_s))
    assert _like(np.array([1.0, 2.0]), np.array([5.0, 6.0]), (np.array([0.0, 4.0]), np.array([0.0, 8.0]))).tolist() == [
        2.0,
        4.0,
    ]
    empty = (np.empty(0), np.empty(0))
    assert _like(np.array([1.0]), np.array([5.0]), empty).tolist() == [5.0]


def test_sums_are_of_what_is_drawn_returned_and_charged() -> None:
    time_s = np.arange(0.0, 10.0, 0.5)
    power = np.select([time_s < 4.0, time_s < 7.0], [100.0, -40.0], -10.0)
    speed = part("vehicle_speed", time_s, np.where(time_s < 7.0, 30.0, 0.0))
    drawn, returned, charged = _sums(time_s, power, signals(speed))
    assert drawn.value == pytest.approx(100.0 * 3.75, rel=0.01)
    assert returned.value == pytest.approx(40.0 * 3.0, rel=0.02)
    assert charged.value == pytest.approx(10.0 * 2.75, rel=0.02)


def test_a_change_is_as_unsure_as_both_of_its_readings_and_their_moments(monkeypatch: pytest.MonkeyPatch) -> None:
    """2 · 0.1² V², and 0.1 Ω squared of 2 · 0.3² A² and of what 2 A/s make of a message's moment, 50 ms/√12, twice."""
    handed: list[Any] = []
    monkeypatch.setattr(resistance, "robust_slope", lambda *given: handed.append(given))
    amps = 100 * np.sin(0.7 * T)
    one = load_of(350 - 0.1 * amps, amps, noise_a=0.3, slope_a_per_s=np.full(T.size, 2.0))
    resistance._slope(one, 1.0)
    ((change_a, change_v, variance, cluster, noise_a),) = handed
    first = T[: change_a.size]
    assert change_a == pytest.approx(100 * (np.sin(0.7 * (first + 1.0)) - np.sin(0.7 * first)), abs=4.0)
    assert change_v == pytest.approx(0.1 * change_a)
    moment_s = 0.05 / 12**0.5
    assert variance == pytest.approx(2 * 0.1**2 + 0.1**2 * (2 * 0.3**2 + 2 * (2.0 * moment_s) ** 2), rel=1e-6)
    assert cluster.tolist() == np.floor((first + 1e-9) / 2.0).astype(int).tolist()
    assert noise_a == pytest.approx(0.3 * 2**0.5)
    resistance._slope(one, 1.5)  # two spans to a cluster
    assert handed[1][3].tolist() == np.floor((T[: handed[1][3].size] + 1e-9) / 3.0).astype(int).tolist()


def test_a_sum_is_as_unsure_as_the_voltages_moment_and_sampling_leave_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """3600 W·s, 4 more if earlier, 3 less if later, 10 more and 2 less by every other one: √(1² + 4² + 4²) in all."""
    at = np.array([0.0, 1.0])
    asked: list[Any] = []
    sums = {(1.5, 1, 0): 3600.0, (1.25, 1, 0): 3604.0, (1.75, 1, 0): 3597.0, (1.5, 2, 0): 3610.0, (1.5, 2, 1): 3598.0}

    def power(lag_s: float, _: Any, every: int = 1, first: int = 0) -> Any:
        asked.append((lag_s, every, first))
        return at, np.full(2, sums[lag_s, every, first])

    def integrals(_: Any, watts: Any, __: Any) -> Any:
        return tuple(Integral(float(watts[0]), float(watts[0]) - 1.0, float(watts[0]) + 1.0, 9.0) for _ in range(3))

    monkeypatch.setattr(energy_sums, "_power", power)
    monkeypatch.setattr(energy_sums, "_sums", integrals)
    found = energy_sums.find_energy(1.5, 0.25, signals(), Vehicle())
    assert asked == list(sums)
    for one in (found.drawn, found.returned, found.charged):
        assert one.value == pytest.approx(1.0)
        assert (one.low, one.high) == pytest.approx((1 - 33**0.5 / 3600, 1 + 33**0.5 / 3600))
    assert (found.way, found.way_by) == (None, "")


@pytest.mark.parametrize(("count", "known"), [(2, False), (3, True)])
def test_three_readings_of_a_speed_show_a_standstill_and_a_distance(count: int, known: bool) -> None:
    at = 5.0 * np.arange(count)
    for name, value in (("vehicle_speed", 0.0), ("motor_speed", 0.0)):
        made = signals(part(name, at, np.full(count, value)))
        assert energy_sums._stands(np.array([2.0]), made).tolist() == [known]
        way, _ = energy_sums._way(made, Vehicle(driveline=Driveline(ratio=8.0, wheel_radius_m=0.3)))
        assert (way is not None) is known
