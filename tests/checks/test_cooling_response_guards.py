"""When a device's response counts: each guard on both sides of its edge, by made fits; expected by hand.

Limits of common practice, no published source.
"""

from __future__ import annotations

from math import hypot, inf
from typing import Any

import numpy as np
import pytest
from cooling_steps import ROWS, steps

from logscope.checks.cooling import response
from logscope.checks.cooling.response import Warming, _judged, find_warming
from logscope.statistics.first_order import Branch, Problem, Response

MOTOR, PLATE, INLET = "motor_temperature", "inverter_temperature", "coolant_temperature"
ALL = np.full(ROWS, True)
LOAD = {"current": 100.0, "current2": 100.0**2}  # of which every share makes 1


def fit(
    low_s: float = 80.0, high_s: float = 120.0, gain: float = 20.0, error: float = 1.0, scatter: float = 0.1
) -> Response:
    """A time constant of 100 s; a rise of `gain` at 100 A, with its error of two standard ones."""
    branch = Branch(0, 100.0, low_s, high_s, np.array([gain]), 0.0, np.diag([(error / 2.0) ** 2, 0.0]), 2.0)
    return Response((branch,), np.zeros(ROWS), scatter)


@pytest.mark.parametrize(
    ("made", "rounding", "span_K", "why"),
    [
        ({}, 0.0, 10.0, None),
        ({"scatter": 0.79}, 0.0, 10.0, None),
        ({"scatter": 0.81}, 0.0, 10.0, "it departs by 0.8 K"),
        ({"scatter": 1.19}, 0.0, 20.0, None),  # six per cent of what it moves by
        ({"scatter": 1.21}, 0.0, 20.0, "it departs by 1.2 K"),
        ({"scatter": 1.19}, 2.0, 10.0, None),  # six tenths of a step
        ({"scatter": 1.21}, 2.0, 10.0, "it departs by 1.2 K"),
        ({"low_s": 60.0, "high_s": 150.0}, 0.0, 10.0, None),  # two and a half times
        ({"low_s": 60.0, "high_s": 151.0}, 0.0, 10.0, "how fast it warms"),
        ({"low_s": 0.0, "high_s": 120.0}, 0.0, 10.0, "how fast it warms"),
        ({"low_s": 80.0, "high_s": inf}, 0.0, 10.0, "how fast it warms"),
        ({"error": 9.9}, 0.0, 10.0, None),  # half of the rise
        ({"error": 10.1}, 0.0, 10.0, "how far it warms"),
        ({"gain": -20.0}, 0.0, 10.0, "how far it warms"),
        ({"gain": 0.0, "error": 0.0}, 0.0, 10.0, "how far it warms"),
    ],
)
def test_a_fit_is_a_response_where_it_is_good_enough(
    made: dict[str, float], rounding: float, span_K: float, why: str | None
) -> None:
    value = 40.0 + np.linspace(0.0, span_K, ROWS)
    log = steps(LOAD, rounding, inverter_temperature=value, coolant_temperature=30.0)
    warming = Warming(PLATE, INLET, ALL, 0.0, "current", fit(**made))
    found = _judged(warming, value, log)
    assert found is warming if why is None else why in str(found)


def test_what_it_moved_by_counts_in_the_steps_that_were_fitted() -> None:
    value = np.where(np.arange(ROWS) < 200, np.linspace(40.0, 60.0, ROWS), 90.0)  # by 10 K in the first half
    log = steps(LOAD, inverter_temperature=value)
    warming = Warming(PLATE, None, np.arange(ROWS) < 200, 0.0, "current", fit(scatter=0.9))
    assert "it departs by 0.9 K" in str(_judged(warming, value, log))
    whole = Warming(PLATE, None, ALL, 0.0, "current", fit(scatter=0.9))
    assert _judged(whole, value, log) is whole


def test_half_a_step_is_in_the_limits_of_the_time_constant() -> None:
    made = Warming(PLATE, None, ALL, 30.0, "current", fit(80.0, 108.0))
    assert made.time_constant_s == pytest.approx((100.0, 100.0 - hypot(20.0, 15.0), 100.0 + hypot(8.0, 15.0)))


@pytest.mark.parametrize(("which", "amps", "rise_K"), [(0, 200.0, 40.0), (4, 200.0, 80.0), (2, 200.0, 60.0)])
def test_a_rise_goes_with_the_current_its_square_or_half_of_each(which: int, amps: float, rise_K: float) -> None:
    """20 K at 100 A, and an offset that is in the level alone."""
    branch = Branch(which, 100.0, 90.0, 110.0, np.array([20.0]), 1.5, np.diag([1.0, 0.0]), 2.0)
    made = Warming(PLATE, None, ALL, 1.0, "current", Response((branch,), np.zeros(ROWS), 0.1))
    steady = made.at(amps)
    assert steady is not None
    wide = 2.0 * rise_K / 20.0
    assert steady.rise == pytest.approx((rise_K, rise_K - wide, rise_K + wide))
    assert steady.level == pytest.approx((rise_K + 1.5, rise_K + 1.5 - wide, rise_K + 1.5 + wide))
    assert made.squared == which / 4.0
    by_loss = Warming(PLATE, None, ALL, 1.0, "loss", Response((branch,), np.zeros(ROWS), 0.1))
    assert (by_loss.squared, by_loss.at(amps)) == (None, None)


def test_the_mean_load_is_that_of_the_fitted_steps() -> None:
    """0 and 200 A in turn: the mean of the square is 2 · 100², where that of the current is 100 A."""
    load = np.where(np.arange(ROWS) < 200, np.where(np.arange(ROWS) % 2 == 0, 0.0, 200.0), 500.0)
    log = steps({"current": load, "current2": load**2, "loss": 3.0}, inverter_temperature=40.0)
    for which, rise_K in ((0, 20.0), (4, 40.0)):
        branch = Branch(which, 100.0, 90.0, 110.0, np.array([20.0]), 0.0, np.zeros((2, 2)), 2.0)
        made = Warming(PLATE, None, np.arange(ROWS) < 200, 1.0, "current", Response((branch,), np.zeros(ROWS), 0.1))
        assert made.under(log).rise[0] == pytest.approx(rise_K)
    branch = Branch(0, 100.0, 90.0, 110.0, np.array([20.0]), 0.0, np.zeros((2, 2)), 2.0)
    loss = Warming(PLATE, None, ALL, 1.0, "loss", Response((branch,), np.zeros(ROWS), 0.1))
    assert loss.under(log).rise[0] == pytest.approx(60.0)


class Fits:
    """Stands for the fit: keeps what it was asked, and gives made scatters with the coolant and without."""

    def __init__(self, beside: float | None = 0.1, alone: float | None = 0.1) -> None:
        self.asked: list[tuple[Problem, ...]] = []
        self.scatters = {True: beside, False: alone}

    def __call__(self, *problems: Problem, lags_s: Any) -> Response | None:
        self.asked.append(problems)
        scatter = self.scatters[problems[0].reference is not None]
        return None if scatter is None else fit(scatter=scatter)


RISES = np.linspace(40.0, 60.0, ROWS)


@pytest.mark.parametrize(
    ("heats", "pumping", "span_K", "rounding", "why"),
    [
        ({}, True, 10.0, 0.0, "neither motor current nor battery power is logged"),
        (LOAD, np.arange(ROWS) < 60, 10.0, 0.0, None),  # a minute of it
        (LOAD, np.arange(ROWS) < 59, 10.0, 0.0, "too little of the log"),
        (LOAD, True, 4.01, 0.0, None),
        (LOAD, True, 3.99, 0.0, "it moves by 4.0 K only, at a resolution of 0.1 K"),
        (LOAD, True, 8.01, 2.0, None),  # four of its steps
        (LOAD, True, 7.94, 2.0, "it moves by 7.9 K only, at a resolution of 2 K"),
    ],
)
def test_a_response_needs_a_load_a_minute_and_a_temperature_that_moves(
    heats: dict[str, float], pumping: Any, span_K: float, rounding: float, why: str | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(response, "fit_response", Fits())
    rises = 40.0 + np.interp(np.arange(ROWS), [0, 50], [0.0, span_K])
    log = steps(heats, rounding, pumping, inverter_temperature=rises)
    found = find_warming(PLATE, log)
    assert isinstance(found, Warming) if why is None else str(found).startswith(why)


def test_steps_without_a_reading_of_heat_or_coolant_or_without_pump_are_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fits = Fits()
    monkeypatch.setattr(response, "fit_response", fits)
    at = np.arange(ROWS)
    holes = {name: np.where(at == row, np.nan, 1.0) for name, row in (("heat", 10), ("value", 20), ("coolant", 30))}
    heats = {"current": 100.0 * holes["heat"], "current2": 1e4 * holes["heat"]}
    celsius = {PLATE: RISES * holes["value"], INLET: 30.0 * holes["coolant"]}
    found = find_warming(PLATE, steps(heats, 0.5, at != 40, **celsius))
    assert isinstance(found, Warming)
    assert np.flatnonzero(~found.rows).tolist() == [10, 20, 30, 40]
    ((first, *others),) = fits.asked
    assert len(others) == 4  # a share of the square by quarters
    assert first.reference is not None
    assert (first.value.size, first.reference.size, first.inputs.shape) == (ROWS - 4, ROWS - 4, (ROWS - 4, 1))
    assert (first.rounding, first.offset_sd, first.step_s) == (0.5, 1.0, 1.0)
    assert np.flatnonzero(np.diff(first.stretch)).tolist() == [9, 18, 27, 36]  # rows that do not join
    assert all(one.inputs == pytest.approx(1.0) for one in (first, *others))


def test_the_load_is_the_current_before_the_loss_before_the_power(monkeypatch: pytest.MonkeyPatch) -> None:
    fits = Fits()
    monkeypatch.setattr(response, "fit_response", fits)
    every = {"power": 7.0, "loss": 5.0, **LOAD}
    for gone, heat, problems in (((), "current", 5), (("current", "current2"), "loss", 1), (("loss",), "power", 1)):
        for name in gone:
            del every[name]
        found = find_warming(PLATE, steps(every, inverter_temperature=RISES))
        assert isinstance(found, Warming)
        assert (found.heat, found.reference, len(fits.asked[-1])) == (heat, None, problems)
        assert fits.asked[-1][0].inputs[0, 0] == {"current": 1.0, "loss": 5.0, "power": 7.0}[heat]
        assert fits.asked[-1][0].offset_sd == inf  # the surroundings are sought


@pytest.mark.parametrize(
    ("beside", "alone", "reference"),
    [
        (0.8, 0.1, INLET),  # good enough: no other is tried
        (0.81, 0.53, None),  # one and a half times
        (0.81, 0.55, "departs by 0.8 K"),
        (1.5, 1.0, "departs by 1.5 K"),
        (None, 0.5, None),
        (0.9, None, "departs by 0.9 K"),
        (None, None, "no model of one body"),
    ],
)
def test_a_device_that_its_coolant_does_not_explain_is_tried_without_it(
    beside: float | None, alone: float | None, reference: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits = Fits(beside, alone)
    monkeypatch.setattr(response, "fit_response", fits)
    found = find_warming(PLATE, steps(LOAD, inverter_temperature=np.linspace(40.0, 50.0, ROWS), coolant_temperature=30))
    assert found.reference == reference if isinstance(found, Warming) else str(reference) in found
    assert len(fits.asked) == (1 if beside == 0.8 else 2)


def test_the_coolant_itself_has_no_coolant_to_return_to(monkeypatch: pytest.MonkeyPatch) -> None:
    fits = Fits()
    monkeypatch.setattr(response, "fit_response", fits)
    found = find_warming(INLET, steps(LOAD, coolant_temperature=RISES, inverter_temperature=50.0))
    assert isinstance(found, Warming)
    assert (found.part, found.reference) == (INLET, None)
