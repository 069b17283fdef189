"""Means over equal steps, balances over windows, and what they say of a flow: by hand. Oracle: P = T·2π·n/60."""

from __future__ import annotations

from dataclasses import replace
from math import pi
from typing import Any

import numpy as np
import pytest
from cooling_steps import AT, ROWS, steps
from motor_traces import part, signals

from logscope.checks.cooling import flow
from logscope.checks.cooling.flow import _cheapest, _never, _starved, _takes_up, _too_hot, _would_show
from logscope.checks.cooling.rates import Rates, lost_for_good, one_rate_misfit, placed
from logscope.checks.cooling.thermal_log import _bridged, _Grid, thermal_log
from logscope.checks.cooling.windows import Windows, share_of, spans_of, windows_of

MOTOR, PLATE = "motor_temperature", "inverter_temperature"
OUTLET, INLET = "coolant_temperature_out", "coolant_temperature"
NAN = float("nan")


@pytest.mark.parametrize(
    ("value", "rows", "bridged"),
    [
        ([1.0, NAN, 3.0, NAN], 1, [1.0, 2.0, 3.0, NAN]),
        ([NAN, 1.0, NAN, NAN, 4.0], 2, [NAN, 1.0, 2.0, 3.0, 4.0]),
        ([1.0, NAN, NAN, 4.0], 1, [1.0, NAN, NAN, 4.0]),
        ([NAN, NAN], 3, [NAN, NAN]),
    ],
)
def test_gaps_of_so_many_steps_are_bridged_along_a_line(value: list[float], rows: int, bridged: list[float]) -> None:
    assert _bridged(np.array(value), rows).tolist() == pytest.approx(bridged, nan_ok=True)


def test_a_step_has_the_mean_of_its_samples_or_of_the_line_between_them() -> None:
    grid = _Grid(10.0, 2.0, 4)
    assert grid.middle_s.tolist() == [11.0, 13.0, 15.0, 17.0]
    time_s = np.array([9.9, 10.0, 11.9, 12.0, 17.9, 18.0])
    means = grid.means(time_s, np.array([99.0, 1.0, 3.0, 5.0, 7.0, 99.0]))
    assert means.tolist() == pytest.approx([2.0, 5.0, NAN, 7.0], nan_ok=True)
    seldom = part(MOTOR, np.array([10.0, 12.0, 16.0, 30.0]), np.array([0.0, 2.0, 6.0, 20.0]))
    assert grid.slow(seldom, 2).tolist() == pytest.approx([1.0, 3.0, 5.0, NAN], nan_ok=True)  # 14 s are too long
    assert grid.slow(seldom, 7).tolist() == pytest.approx([1.0, 3.0, 5.0, 7.0])
    often = part(MOTOR, 10.0 + 0.5 * np.arange(16), np.repeat([1.0, 2.0, 3.0, 4.0], 4))
    assert grid.slow(often, 2).tolist() == [1.0, 2.0, 3.0, 4.0]
    amps = part("motor_current", np.array([10.5, 17.5]), np.array([-3.0, -9.0]))
    assert grid.held(amps, np.abs(amps.value)).tolist() == pytest.approx([3.0, 5.0, 7.0, 9.0])


SECONDS = np.arange(0.0, 100.0, 0.25)


def made(**values: Any) -> Any:
    return signals(
        *(
            part(name, SECONDS, np.broadcast_to(np.asarray(value, float), SECONDS.shape))
            for name, value in values.items()
        )
    )


def test_what_heats_is_current_its_square_loss_and_power() -> None:
    """300 V · −40 A are 12 kW; 50 Nm at 3000 rpm are 15.7 kW."""
    alternating = np.where(np.arange(SECONDS.size) % 2 == 0, 100.0, -300.0)
    given = made(
        motor_temperature=40.0, motor_current=alternating, battery_voltage=300.0, battery_current=-40.0, torque=50.0,
        motor_speed=3000.0,
    )  # fmt: skip
    found = thermal_log(given)
    assert found is not None
    assert found.step_s == 1.0
    assert found.heats["current"][5] == pytest.approx(200.0)
    assert found.heats["current2"][5] == pytest.approx((100.0**2 + 300.0**2) / 2)
    assert found.heats["power"][5] == pytest.approx(12_000.0)
    assert found.heats["loss"][5] == pytest.approx(-12_000.0 - 50.0 * 2 * pi * 50.0)
    assert found.heat == "current2"
    by_link = thermal_log(made(motor_temperature=40.0, dc_link_voltage=200.0, battery_current=40.0))
    assert by_link is not None
    assert set(by_link.heats) == {"power"}
    assert (by_link.heats["power"][5], by_link.heat) == (8000.0, "power")
    bare = thermal_log(made(motor_temperature=40.0, coolant_temperature=20.0))
    assert bare is not None
    assert (bare.heats, bare.heat, bare.coolant) == ({}, None, INLET)
    assert found.coolant is None


@pytest.mark.parametrize(
    ("lasts_s", "every_s", "step_s"), [(100.0, 0.25, 1.0), (100.0, 3.0, 3.0), (900.0, 0.25, 2.0), (450.0, 0.25, 1.0)]
)
def test_steps_are_a_second_a_message_or_a_450th_of_the_log(lasts_s: float, every_s: float, step_s: float) -> None:
    at = np.arange(0.0, lasts_s + 1e-6, every_s)
    found = thermal_log(signals(part(MOTOR, at, 20.0 + 0.0 * at)))
    assert found is not None
    assert found.step_s == pytest.approx(step_s, rel=0.02)
    begin = thermal_log(signals(part(MOTOR, at, 20.0 + 0.0 * at)), 60.0)
    assert begin is not None
    assert begin.time_s[-1] <= 60.0 + begin.step_s
    assert begin.step_s == pytest.approx(max(every_s, 1.0))


def test_ten_readings_are_a_temperature_and_leaps_are_none() -> None:
    at = np.arange(10.0)
    assert thermal_log(signals(part(MOTOR, at, at))) is not None
    assert thermal_log(signals(part(MOTOR, at[:9], at[:9]))) is None
    assert thermal_log(signals(part("motor_current", at, at))) is None
    wild = np.full(100, 30.0)
    wild[50] = 39.5  # a leap of 8 K and what a heat sink does in a second are 9 K
    kept = np.full(100, 30.0)
    kept[50] = 38.5
    for value, highest in ((wild, 30.0), (kept, 38.5)):
        found = thermal_log(signals(part(MOTOR, np.arange(100.0), value)))
        assert found is not None
        assert bool(np.nanmax(found.temperatures[MOTOR]) > 30.5) is (highest > 30.5)


@pytest.mark.parametrize(
    ("name", "value", "unit", "on", "pumping"),
    [
        ("coolant_pump", 0.0, "", True, True), ("coolant_pump", 1.0, "", False, False),
        ("coolant_pump_speed", 1.0, "rpm", None, True), ("coolant_pump_speed", 0.0, "rpm", None, False),
        ("coolant_pump_current", 0.16, "A", None, True), ("coolant_pump_current", 0.15, "A", None, False),
        ("main_contactor", 0.0, "", True, True), ("brake", 0.0, "", False, True),
    ],
)  # fmt: skip
def test_coolant_is_meant_to_flow_by_pump_or_contactor(
    name: str, value: float, unit: str, on: bool | None, pumping: bool
) -> None:
    state = replace(
        part(name, SECONDS, np.full(SECONDS.size, value)), unit=unit,
        on=None if on is None else np.full(SECONDS.size, on),
    )  # fmt: skip
    temperature = part(MOTOR, SECONDS, 30.0 + 0.0 * SECONDS)
    found = thermal_log(signals(temperature, state))
    assert found is not None
    assert found.pumping.all() == found.pumping.any() == pumping
    half = replace(state, on=SECONDS % 1.0 < 0.6)  # three of four samples of each second
    assert thermal_log(signals(temperature, half)).pumping.all()  # type: ignore[union-attr]


def test_stretches_are_numbered_and_windows_hold_sums() -> None:
    found = steps(motor_temperature=20.0).stretches(np.array([True, True, False, True, False, False, True]))
    assert found.tolist() == [1, 1, 0, 2, 0, 0, 3]
    value = 30.0 + 0.1 * np.arange(ROWS)
    value[205] = NAN
    made_ = windows_of(PLATE, INLET, "current", steps({"current": 2.0}, inverter_temperature=value,
                                                      coolant_temperature=20.0), 10.0)  # fmt: skip
    assert made_ is not None
    assert made_.change.size == 38  # of 39 that fit, that from 200 to 210 s is left out
    assert made_.change == pytest.approx(1.0)
    assert made_.heat == pytest.approx(20.0)
    assert made_.excess[0] == pytest.approx(sum(10.0 + 0.1 * k for k in range(10)))
    assert (made_.start_s[0], made_.end_s[0], made_.start_s[1]) == (0.5, 10.5, 10.5)
    assert np.flatnonzero(~made_.joined).tolist() == [0, 20]
    for rows, known in ((100, True), (99, False)):  # nine windows and the row after them
        one = steps(
            {"current": 2.0}, pumping=np.arange(ROWS) < rows - 9, inverter_temperature=30.0, coolant_temperature=20.0
        )
        assert (windows_of(PLATE, INLET, "current", one, 10.0) is not None) is known


def even(size: int = 40, **other: Any) -> Windows:
    start_s = 10.0 * np.arange(size)
    given: dict[str, Any] = {
        "change": np.zeros(size), "heat": np.ones(size), "excess": np.full(size, 200.0), "start_s": start_s,
        "end_s": start_s + 10.0, "joined": np.arange(size) > 0, **other,
    }  # fmt: skip
    return Windows(**given)


def test_spans_and_shares_of_windows() -> None:
    starved = np.zeros(40, bool)
    starved[[0, 5, 6, 39]] = True
    assert spans_of(even(), starved) == ((0.0, 10.0), (50.0, 70.0), (390.0, 400.0))
    assert share_of(even(5), ((5.0, 22.5), (40.0, 45.0))).tolist() == [0.5, 1.0, 0.25, 0.0, 0.5]
    assert spans_of(even(), np.zeros(40, bool)) == ()


def test_one_rate_leaves_what_it_does_not_explain_and_a_lost_flow_is_placed() -> None:
    """Made with 0.02 /s, then 0.002 /s from 250 s on; no noise."""
    rng = np.random.default_rng(3)
    heat, excess = rng.uniform(0.0, 1500.0, 40), rng.uniform(100.0, 180.0, 40)
    rate = np.where(np.arange(40) < 25, 0.02, 0.002)
    one = even(heat=heat, excess=excess, change=2e-3 * heat - 0.02 * excess)
    assert one_rate_misfit([one]) == 1e-12
    lost = even(heat=heat, excess=excess, change=2e-3 * heat - rate * excess)
    assert one_rate_misfit([lost]) > 1.0
    assert lost_for_good(lost) == ((250.0, 400.0),)
    other = even(heat=heat**2, excess=excess, change=lost.change)
    assert one_rate_misfit([lost, other]) <= one_rate_misfit([lost])
    many = tuple((20.0 * k, 20.0 * k + 10.0) for k in range(7))
    assert placed(lost, many) == many  # more spells than are sought


@pytest.mark.parametrize(("fee", "states"), [(4.0, [0, 0, 1, 1, 0, 0]), (5.0, [0, 0, 0, 0, 0, 0])])
def test_the_cheapest_states_pay_for_each_change(fee: float, states: list[int]) -> None:
    """Two rows cost 5 less in the other state; to go there and back costs twice the fee."""
    cost = np.array([[0.0, 5.0], [0.0, 5.0], [5.0, 0.0], [5.0, 0.0], [0.0, 5.0], [0.0, 5.0]])
    joined = np.array([False, True, True, True, True, True])
    assert _cheapest(cost, joined, fee).astype(int).tolist() == states
    assert _cheapest(cost, np.array([False, True, False, True, False, True]), 9.0).astype(int).tolist() == [
        0,
        0,
        1,
        1,
        0,
        0,
    ]


@pytest.mark.parametrize(
    ("rounding", "excess_K", "shows"), [(0.0, 6.0, True), (0.0, 5.9, False), (4.0, 8.0, True), (4.0, 7.9, False)]
)
def test_a_device_shows_a_lost_flow_from_six_kelvin_above_its_coolant(
    rounding: float, excess_K: float, shows: bool
) -> None:
    assert (
        _would_show(PLATE, INLET, steps(None, rounding, inverter_temperature=20.0 + excess_K, coolant_temperature=20.0))
        is shows
    )
    late = 20.0 + excess_K * (np.arange(ROWS) >= ROWS * 0.89)
    assert (
        _would_show(PLATE, INLET, steps(None, rounding, inverter_temperature=late, coolant_temperature=20.0)) is shows
    )


def test_a_device_too_hot_for_a_pump_switched_by_temperature() -> None:
    lost = np.arange(ROWS) >= 200
    flows = np.arange(ROWS) < 100
    for peak, coolest, hot in ((50.0, 49.0, True), (49.9, 40.0, False), (45.1, 30.0, True), (45.0, 30.0, False)):
        value = np.where(lost, peak, coolest)
        assert _too_hot(value, lost, flows) is hot
    assert not _too_hot(np.full(ROWS, 49.0), lost, np.zeros(ROWS, bool))


def test_a_starved_device_is_described_by_its_time_without_flow() -> None:
    """From 200 to 400 s; the coolant warms by 2 K meanwhile, the plate stands up to 30 K above it."""
    beside = 20.0 + 2.0 * np.interp(AT, [200.0, 400.0], [0.0, 1.0])
    plate = beside + np.interp(AT, [0.0, 200.0, 300.0], [10.0, 10.0, 30.0])
    one = steps(None, 0.5, inverter_temperature=plate, coolant_temperature=beside)
    found = _starved(PLATE, one, ((200.0, 400.0),), 0, False, 250.0, None)
    assert (found.excess_K, found.coolant_K) == (pytest.approx(30.0, abs=0.1), pytest.approx(2.0, abs=0.02))
    assert found.coolant == INLET
    assert (found.by_temperature, found.heavy) == (False, False)
    assert _starved(PLATE, one, ((0.0, 400.0),), 0, True, 299.0, None).heavy
    assert not _starved(PLATE, one, ((0.0, 400.0),), 0, True, 300.0, None).heavy
    mild = steps(inverter_temperature=np.where(AT < 200.0, 46.0, 30.0), coolant_temperature=20.0)
    for whole, by_temperature in ((True, True), (False, False)):  # where it never flows nothing is cooler for it
        assert _starved(PLATE, mild, ((0.0, 200.0),), 0, whole, 250.0, None).by_temperature is by_temperature


@pytest.mark.parametrize(
    ("rise_K", "fall_K", "takes"), [(3.3, 0.0, True), (2.9, 0.0, False), (0.0, 1.7, True), (0.0, 1.5, False)]
)
def test_coolant_that_warms_or_cools_may_take_up_the_heat(rise_K: float, fall_K: float, takes: bool) -> None:
    """4 · 10⁻⁴ /s of 20 K over 400 s are 3.2 K; a tenth of a kelvin is not read, and twice what it fell by hides it."""
    beside = 30.0 + np.interp(AT, [100.0, 300.0], [0.0, rise_K - fall_K])
    assert _takes_up(INLET, even(), steps(coolant_temperature=beside)) is takes


@pytest.mark.parametrize(
    ("high", "error", "excess", "never"),
    [
        (0.004, 0.0, 1.0, True), (1.0 / 151.0, 0.0, 1.0, True), (1.0 / 149.0, 0.0, 1.0, False),
        (0.004, 0.0014, 1.0, False),  # up to 0.0068
        (0.004, 0.0, 0.51, True), (0.004, 0.0, 0.49, False),  # nearer to a steady state than half of the excess
    ],
)  # fmt: skip
def test_a_plate_that_hardly_falls_back_never_had_flow(
    high: float, error: float, excess: float, never: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its excess rises from (1 − excess) · 20 K to 20 K over a coolant that keeps its 20 °C."""
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(1.0, high, high, error, error, error, 1.0, 0.1))
    over = 20.0 * (1.0 - excess + excess * np.linspace(0.0, 1.0, 40))
    plate = 20.0 + np.interp(AT, 10.0 * np.arange(40) + 5.0, over)
    one = steps(inverter_temperature=plate, coolant_temperature=20.0)
    made_ = even(excess=10.0 * over)
    found = _never(PLATE, made_, one)
    assert (found is not None) is never
    if found is not None:
        assert (found.whole, found.returns, found.spans) == (True, 0, ((0.0, 400.0),))
        assert found.time_constant_s == pytest.approx(1.0 / (high + 2 * error))


@pytest.mark.parametrize(("every_s", "by_mean"), [(0.59, True), (0.61, False)])
def test_samples_that_come_three_times_a_step_have_their_mean_in_its_middle(every_s: float, by_mean: bool) -> None:
    """Of a temperature that jumps after a third of each step: the mean shows it, the line between two samples not."""
    grid = _Grid(0.0, 2.0, 30)
    at = every_s * np.arange(int(60 / every_s))
    value = np.where(at % 2.0 < 0.8, 10.0, 0.0)
    got = grid.slow(part(MOTOR, at, value), 3)
    means = grid.means(at, value)
    assert bool(np.allclose(got[1:-1], means[1:-1])) is by_mean


def test_samples_before_and_after_the_steps_are_left_out() -> None:
    grid = _Grid(10.0, 2.0, 2)
    assert grid.means(np.array([9.0, 10.0, 13.9, 14.0]), np.array([5.0, 1.0, 3.0, 7.0])).tolist() == [1.0, 3.0]
    last = part(MOTOR, np.array([10.5, 13.5]), np.array([0.0, 3.0]))
    assert grid.slow(last, 1).tolist() == pytest.approx([NAN, NAN], nan_ok=True)  # three seconds, more than a step
    assert grid.slow(last, 2).tolist() == pytest.approx([0.5, 2.5])
