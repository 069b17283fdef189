"""Which windows of a cooled device had no flow, and what counts as a flow that is lost: made balances, by hand.

A device balances: change = gain · heat − λ · excess · time (lumped capacity, any textbook). Made with λ = 0.02 /s where
coolant flows and 0.002 /s where it does not. Least squares by numpy.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from cooling_steps import AT, ROWS, steps

from logscope.checks.cooling import flow
from logscope.checks.cooling.flow import (
    _best_heat,
    _candidates,
    _expected,
    _hints,
    _likely_spans,
    _lost,
    _one_rate,
    _solve,
    _States,
    _two_states,
    find_starved,
)
from logscope.checks.cooling.rates import Rates, misfit_of, rates_of
from logscope.checks.cooling.windows import Windows, windows_of

MOTOR, PLATE, INLET = "motor_temperature", "inverter_temperature", "coolant_temperature"
GAIN, FAST, SLOW = 2e-3, 0.02, 0.002


def windows(starved: np.ndarray, noise_K: float = 0.0, seed: int = 3) -> Windows:
    rng = np.random.default_rng(seed)
    size = starved.size
    heat, excess = rng.uniform(0.0, 1500.0, size), rng.uniform(100.0, 180.0, size)
    change = GAIN * heat - np.where(starved, SLOW, FAST) * excess + rng.normal(0.0, noise_K, size) * (noise_K > 0)
    start_s = 10.0 * np.arange(size)
    return Windows(change, heat, excess, start_s, start_s + 10.0, np.arange(size) > 0)


LATE = np.arange(40) >= 25


def test_gain_and_both_rates_are_those_of_least_squares() -> None:
    made = windows(LATE)
    found = _solve(made, LATE)
    assert (found.gain, found.high, found.low) == pytest.approx((GAIN, FAST, SLOW))
    assert found.misfit == pytest.approx(0.0, abs=1e-12)
    loud = windows(LATE, 0.1)
    got = _solve(loud, LATE)
    assert got.noise == pytest.approx(got.misfit / 37.0)
    assert got.misfit == pytest.approx(float(((loud.change - _expected(loud, got)) ** 2).sum()))
    one = _solve(made, np.zeros(40, bool))
    columns = np.column_stack((made.heat, -made.excess))
    (gain, high), *_ = np.linalg.lstsq(columns, made.change, rcond=None)
    assert (one.gain, one.high) == pytest.approx((gain, high))


@pytest.mark.parametrize(
    "starved",
    [LATE, np.arange(40) < 12, (np.arange(40) >= 10) & (np.arange(40) < 20),
     (np.arange(40) // 8) % 2 == 1],
    ids=["lost", "found", "once", "twice"],
)  # fmt: skip
def test_windows_without_flow_are_found_from_the_windows_alone(starved: np.ndarray) -> None:
    found = _two_states(windows(starved, 0.02))
    assert found.starved.tolist() == starved.tolist()
    assert found.low < found.high
    assert (found.high, found.low) == pytest.approx((FAST, SLOW), rel=0.1)
    none = _two_states(windows(np.zeros(40, bool), 0.02))
    assert none.high == pytest.approx(FAST, rel=0.05)


def test_a_search_begins_with_the_stretches_that_explain_most() -> None:
    made = windows((np.arange(40) >= 8) & (np.arange(40) < 20))
    found = _likely_spans(made)
    assert len(found) == 6  # three of one stretch, three of two
    assert found[0].tolist() == ((np.arange(40) >= 8) & (np.arange(40) < 20)).tolist()
    left = [_solve(made, each).misfit for each in found]
    assert left[0] <= left[1] <= left[2]
    assert left[3] <= left[4] <= left[5]


@pytest.mark.parametrize(("low", "hints"), [(0.016, True), (0.0161, False)])
def test_two_rates_hint_at_a_lost_flow_from_four_fifths_on(
    low: float, hints: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(1.0, 0.02, low, 0.0, 0.0, 0.0, 1.0, 0.1))
    monkeypatch.setattr(flow, "placed", lambda _, spans: spans)
    made = windows(LATE)
    assert _hints(made, ((250.0, 400.0),)) is hints
    found = list(_candidates(made, LATE))
    assert found == ([((250.0, 400.0),), ((250.0, 400.0),)] if hints else [])
    assert len(list(_candidates(made, np.zeros(40, bool)))) == (1 if hints else 0)


def test_sums_bound_what_one_rate_and_a_negative_one_leave() -> None:
    made = windows(LATE)
    assert misfit_of(made, ((250.0, 400.0),)) == 1e-12
    assert rates_of(made, LATE.astype(float)).low == pytest.approx(SLOW)
    wrong = replace(made, change=GAIN * made.heat - np.where(LATE, -0.005, FAST) * made.excess)
    assert rates_of(wrong, LATE.astype(float)).low == pytest.approx(-0.005)
    assert misfit_of(wrong, ((250.0, 400.0),)) > 1.0  # no heat comes from colder coolant


def plate(heat: np.ndarray, gain: float = 0.05, rate: np.ndarray | float = 0.02) -> np.ndarray:
    """A temperature by steps of a second over coolant of 20 °C."""
    value, rates = np.full(ROWS, 20.0), np.broadcast_to(np.asarray(rate, float), (ROWS,))
    for k in range(ROWS - 1):
        value[k + 1] = value[k] + gain * heat[k] - rates[k] * (value[k] - 20.0)
    return value


AMPS = np.repeat(np.random.default_rng(5).uniform(0.0, 100.0, ROWS // 25), 25)


def test_the_heat_that_explains_a_device_best_is_taken() -> None:
    linear, square = plate(AMPS), plate(AMPS**2 / 100.0)
    heats = {"current": AMPS, "current2": AMPS**2, "loss": 10.0 * AMPS, "power": 10.0 * AMPS}
    for value, name in ((linear, "current"), (square, "current2")):
        found = _best_heat(PLATE, INLET, steps(heats, inverter_temperature=value, coolant_temperature=20.0), 10.0)
        assert found is not None
        assert found[0] == name
        assert found[1].change.size == 39
        assert isinstance(found[2], _States)
    bare = steps({"loss": 10.0 * AMPS, "power": AMPS}, inverter_temperature=linear, coolant_temperature=20.0)
    found = _best_heat(PLATE, INLET, bare, 10.0)
    assert found is not None
    assert found[0] == "loss"
    assert _best_heat(PLATE, INLET, steps({}, inverter_temperature=linear, coolant_temperature=20.0), 10.0) is None
    mixed = plate(0.5 * AMPS + 0.5 * AMPS**2 / 100.0)
    both = steps(heats, inverter_temperature=mixed, coolant_temperature=20.0)
    alone = steps({"current": AMPS}, inverter_temperature=mixed, coolant_temperature=20.0)
    assert _one_rate(PLATE, INLET, both, 10.0) < 0.2 * _one_rate(PLATE, INLET, alone, 10.0)


def test_a_flow_that_is_lost_is_found_with_its_time_and_both_constants() -> None:
    """It stops at 250 s; 1/0.02 = 50 s with it and 500 s without."""
    rate = np.where(AT < 250.0, 0.02, 0.002)
    heats = {"current": AMPS, "current2": AMPS**2}
    made = steps(heats, 0.01, inverter_temperature=plate(AMPS, 0.02, rate), coolant_temperature=20.0)
    found = find_starved(made)
    assert found is not None
    assert (found.part, found.coolant, found.whole, found.returns) == (PLATE, INLET, False, 0)
    assert len(found.spans) == 1
    assert found.spans[0] == (pytest.approx(250.0, abs=6.0), pytest.approx(ROWS, abs=12.0))
    assert found.flowing_s is not None
    assert found.flowing_s.value == pytest.approx(50.0, rel=0.1)
    assert 100.0 < found.time_constant_s < 510.0
    sound = steps(heats, 0.01, inverter_temperature=plate(AMPS, 0.02), coolant_temperature=20.0)
    assert find_starved(sound) is None
    other = steps(heats, 0.01, motor_temperature=plate(AMPS, 0.02, rate), coolant_temperature=20.0)
    assert find_starved(other) is not None
    beside = steps(heats, 0.01, motor_temperature=plate(AMPS, 0.02, rate), inverter_temperature=plate(AMPS, 0.02),
                   coolant_temperature=20.0)  # fmt: skip
    assert find_starved(beside) is None  # the heat sink of the loop would show it


EVEN = Windows(
    np.zeros(60), np.ones(60), np.full(60, 200.0), 10.0 * np.arange(60), 10.0 * np.arange(1, 61), np.arange(60) > 0
)
LOG = steps(None, 0.5, inverter_temperature=50.0, coolant_temperature=30.0)
LOG = replace(LOG, step_s=1.5, time_s=1.5 * AT)


@pytest.mark.parametrize(
    ("rates", "spans", "excess", "lost"),
    [
        ({}, ((300.0, 600.0),), 200.0, 1),
        ({}, ((300.0, 319.0), (400.0, 600.0)), 200.0, 1),  # twenty seconds are an episode
        ({}, ((300.0, 320.0), (400.0, 600.0)), 200.0, 2),
        ({"noise_K": 1.2}, ((300.0, 320.0), (400.0, 600.0)), 200.0, 2),  # 0.016 · 400 K·s are 6.4 K: five noises
        ({"noise_K": 1.3}, ((300.0, 320.0), (400.0, 600.0)), 200.0, 1),
        ({}, ((570.0, 600.0),), 62.0, 0),  # 0.016 · 186 are less than three kelvin
        ({}, ((570.0, 600.0),), 63.0, 1),
        ({}, ((0.0, 600.0),), 200.0, 0),  # it never flowed
        ({"high_error": 0.011}, ((300.0, 600.0),), 200.0, 0),
    ],
)
def test_each_time_without_flow_departs_clearly(
    rates: dict[str, float], spans: Any, excess: float, lost: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.020 and 0.004 /s: 0.016 of the excess are missing."""
    given = {
        "gain": 1.0, "high": 0.02, "low": 0.004, "high_error": 0.0, "low_error": 0.0, "apart_error": 0.0,
        "misfit": 1.0, "noise_K": 0.1, **rates,
    }  # fmt: skip
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(**given))
    found = _lost(PLATE, INLET, replace(EVEN, excess=np.full(60, excess)), spans, 1e3, LOG)
    assert (0 if found is None else len(found.spans)) == lost


@pytest.mark.parametrize(
    ("spans", "returns"), [(((100.0, 200.0), (300.0, 400.0)), 2), (((100.0, 200.0), (300.0, 600.0)), 1)]
)
def test_a_flow_comes_back_where_it_carries_something_off_afterwards(
    spans: Any, returns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(1.0, 0.02, 0.004, 0.0, 0.0, 0.0, 1.0, 0.1))
    found = _lost(PLATE, INLET, EVEN, spans, 1e3, LOG)
    assert found is not None
    assert (found.spans, found.returns) == (spans, returns)


@pytest.mark.parametrize(("excess", "lost"), [(16.0, True), (14.0, False)])
def test_where_it_flowed_it_carried_something_off(excess: float, lost: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two sensors differ by 1.5 K, rounding included: 0.02 · (16 − 15) K·s in each of 150 windows are 3 K."""
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(1.0, 0.02, 0.004, 0.0, 0.0, 0.0, 1.0, 0.1))
    size = 310
    made = Windows(
        np.zeros(size), np.ones(size), np.where(np.arange(size) < 155, excess, 200.0), 10.0 * np.arange(size),
        10.0 * np.arange(1, size + 1), np.arange(size) > 0,
    )  # fmt: skip
    log = replace(LOG, step_s=8.0, time_s=8.0 * AT)
    assert (_lost(PLATE, INLET, made, ((1550.0, 3100.0),), 1e3, log) is not None) is lost


def test_only_a_heat_sink_shows_a_flow_that_never_was_in_windows_of_ten_seconds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A winding falls back slowly with flow as well. Coarse readings have longer windows where flow is looked for."""
    lasted: list[float] = []

    def never(part: str, windows: Windows, log: Any) -> Any:
        lasted.append(float(windows.end_s[0] - windows.start_s[0]))
        return part

    monkeypatch.setattr(flow, "_never", never)
    monkeypatch.setattr(flow, "_candidates", lambda *_: [])
    one = steps({"current": AMPS}, 1.0, motor_temperature=plate(AMPS), inverter_temperature=plate(AMPS),
                coolant_temperature=20.0)  # fmt: skip
    assert (flow._judged(PLATE, INLET, one), flow._judged(MOTOR, INLET, one)) == (PLATE, None)
    assert lasted == [10.0]
    assert flow._judged(PLATE, INLET, steps({}, inverter_temperature=plate(AMPS), coolant_temperature=20.0)) is None


def test_a_coarse_temperature_has_windows_twice_as_long(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []

    def made(part: str, coolant: str, heat: str, log: Any, lasts_s: float) -> Windows | None:
        asked.append(lasts_s)
        return windows_of(part, coolant, heat, log, lasts_s)

    monkeypatch.setattr(flow, "windows_of", made)
    for rounding, lasts_s in ((0.89, 10.0), (0.9, 20.0)):
        asked.clear()
        one = steps({"current": AMPS}, rounding, motor_temperature=plate(AMPS), coolant_temperature=20.0)
        flow._judged(MOTOR, INLET, one)
        assert asked[0] == lasts_s
