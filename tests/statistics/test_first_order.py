"""The fit of a first-order response against scipy, a circuit simulator and its own limits."""

from __future__ import annotations

import numpy as np
import pytest
from limits_study import LimitsStudy
from scipy import signal
from scipy.optimize import curve_fit
from spice import NEEDS_NGSPICE, solve

from logscope.statistics.first_order import Problem, fit_response, follow


def problem(value, inputs, reference=None, rounding=0.0, step_s=1.0):
    columns = np.asarray(inputs, dtype=np.float64).reshape(len(value), -1)
    return Problem(np.asarray(value), reference, columns, np.ones(len(value), np.int64), step_s, rounding)


@pytest.mark.parametrize("constant_s", [2.0, 45.0, 400.0])
def test_a_lag_follows_as_scipys_linear_system(constant_s):
    # scipy.signal.lsim on the states, with the mean over each step by fine steps
    rng = np.random.default_rng(11)
    held = rng.uniform(0.0, 1.0, 80)
    fine = 200
    time_s = np.arange(held.size * fine + 1) / fine
    system = signal.StateSpace([[-1.0 / constant_s]], [[1.0 / constant_s]], [[1.0]], [[0.0]])
    _, shown, _ = signal.lsim(system, np.append(np.repeat(held, fine), held[-1]), time_s, interp=False)
    means = (shown[:-1].reshape(-1, fine).mean(axis=1) + shown[1:].reshape(-1, fine).mean(axis=1)) / 2.0
    assert follow(held, 1.0, constant_s) == pytest.approx(means, abs=2e-5)


def test_a_step_is_fitted_as_scipys_curve_fit_does():
    rng = np.random.default_rng(5)
    time_s = np.arange(400.0) + 0.5
    pulse = np.where(time_s > 40.0, 1.0, 0.0)
    shifted = 20.0 + 30.0 * follow(pulse, 1.0, 80.0) + rng.normal(0.0, 0.2, time_s.size)
    found = fit_response(problem(shifted, pulse))
    assert found is not None
    value_s, low_s, high_s = found.time_constant_s
    assert low_s < 80.0 < high_s
    again, covariance = curve_fit(
        lambda t, a, b, tau: a + b * np.where(t > 40.0, 1.0 - np.exp(-np.maximum(t - 40.0, 0.0) / tau), 0.0),
        time_s, shifted, (20.0, 30.0, 60.0),
    )  # fmt: skip
    half = 1.96 * float(np.sqrt(covariance[2, 2]))
    assert value_s == pytest.approx(again[2], abs=0.3 * half)
    assert 0.9 * half < (high_s - low_s) / 2.0 < 2.0 * half  # ours allows for noise that is slow


@NEEDS_NGSPICE
def test_a_thermal_network_that_ngspice_solves(tmp_path):
    """Heat as current, temperature as voltage: device 14 kJ/K on 33 W/K to coolant of 43 kJ/K on 165 W/K to 20 °C."""
    rng = np.random.default_rng(6)
    watts = np.repeat(rng.uniform(0.0, 3000.0, 30), 30)
    corners = " ".join(
        f"{at + shift:.3f} {heat:.1f}" for at, heat in enumerate(watts.tolist()) for shift in (0.0, 0.999)
    )
    elements = f"""I1 0 device PWL({corners})
C1 device 0 14000 IC=20
R1 device coolant {1 / 33!r}
C2 coolant 0 43000 IC=20
R2 coolant ambient {1 / 165!r}
V1 ambient 0 20"""
    spice = solve(tmp_path, elements, 900.0, 0.25, ("v(device)", "v(coolant)"))
    middle_s = np.arange(watts.size) + 0.5
    device, coolant = (np.interp(middle_s, spice[:, 0], spice[:, column]) for column in (1, 2))
    found = fit_response(problem(np.round(device), watts, np.round(coolant * 2) / 2, rounding=1.0))
    assert found is not None
    value_s, low_s, high_s = found.time_constant_s
    assert value_s == pytest.approx(14e3 / 33.0, rel=0.03)
    assert low_s < 14e3 / 33.0 < high_s
    value, low, high = found.at(np.array([1000.0]))
    assert value == pytest.approx(1000.0 / 33.0, rel=0.03)
    assert low < 1000.0 / 33.0 < high


def test_the_limits_hold_the_truth_about_as_often_as_they_say():
    # steps of 1 K, of the reference too, and noise: own invention, seeds apart from those of development
    of_constant, of_gain = LimitsStudy(), LimitsStudy()
    for seed in range(500, 560):
        rng = np.random.default_rng(seed)
        constant_s, gain = np.exp(rng.uniform(np.log(25.0), np.log(300.0))), rng.uniform(5.0, 40.0)
        load = np.repeat(rng.uniform(0.0, 1.0, 25) ** 2, 24)
        beside = 20.0 + 0.01 * np.arange(load.size) + 2.0 * np.sin(np.arange(load.size) / 100.0)
        value = beside[0] + gain * follow(load, 1.0, constant_s) + follow(beside - beside[0], 1.0, constant_s)
        value = np.round(value + rng.normal(0.0, 0.2, load.size))
        found = fit_response(problem(value, load, np.round(beside + rng.normal(0.0, 0.2, load.size)), rounding=1.0))
        assert found is not None
        of_constant.add(constant_s, *found.time_constant_s)
        of_gain.add(gain, *found.at(np.ones(1)))
    of_constant.judge()
    of_gain.judge()


def test_a_load_that_never_changes_shows_nothing():
    rng = np.random.default_rng(7)
    value = 50.0 + rng.normal(0.0, 0.1, 300)
    found = fit_response(problem(value, np.full(300, 2.0)))
    assert found is None or found.time_constant_s[2] > 2.5 * found.time_constant_s[1]


def test_rows_that_are_missing_and_stretches_that_begin_anew_change_nothing_but_the_limits():
    # the same response in two stretches, each with rows that were not read; truth by construction
    rng = np.random.default_rng(8)
    load = np.repeat(rng.uniform(0.0, 1.0, 25) ** 2, 24)
    value = 20.0 + 30.0 * np.concatenate([follow(each, 1.0, 60.0) for each in np.split(load, 2)])
    value += 0.5 * signal.lfilter([1.0], [1.0, -0.7], rng.normal(0.0, 0.2, load.size))  # noise that is slow
    missing = rng.uniform(size=load.size) < 0.2
    missing[[0, 300]] = False
    value[missing] = np.nan
    stretch = np.repeat([1, 2], load.size // 2)
    found = fit_response(Problem(value, None, load[:, None], stretch, 1.0, 0.0))
    assert found is not None
    value_s, low_s, high_s = found.time_constant_s
    assert low_s < 60.0 < high_s
    assert value_s == pytest.approx(60.0, rel=0.05)
    whole = fit_response(Problem(value, None, load[:, None], np.ones(load.size, np.int64), 1.0, 0.0))
    assert whole is not None
    assert whole.scatter > 1.5 * found.scatter  # the second stretch starts at rest, which one stretch cannot


def test_a_steady_load_from_an_unknown_start_shows_no_rise():
    """By hand: a + b·(1 − e) and (a + b) − b·e are one curve: what the load adds is open, and where it ends is not."""
    time_s = np.arange(300.0) + 0.5
    value = 50.0 - 20.0 * np.exp(-time_s / 60.0) + np.random.default_rng(15).normal(0.0, 0.1, time_s.size)
    found = fit_response(problem(value, np.full(300, 100.0)))
    assert found is None or not np.isfinite(found.at(np.array([100.0]))[2])


def test_another_input_counts_as_far_as_the_values_do_not_exclude_it():
    """By construction: one input alone, then one that the other is nearly a copy of; a lag is found by its fit."""
    rng = np.random.default_rng(16)
    load = np.repeat(rng.uniform(0.0, 1.0, 25), 24)
    value = 20.0 + 30.0 * follow(load, 1.0, 60.0) + rng.normal(0.0, 0.2, load.size)
    alone, copy = problem(value, load), problem(value, load * (1.0 + 1e-4 * rng.normal(size=load.size)))
    far = problem(value, rng.uniform(0.0, 1.0, load.size))
    assert {each.which for each in fit_response(alone, far).branches} == {0}
    assert {each.which for each in fit_response(alone, copy).branches} == {0, 1}
    own, both = fit_response(alone).at(np.ones(1)), fit_response(alone, copy).at(np.ones(1), np.ones(1))
    assert both == pytest.approx(own, rel=0.01)
    late = 20.0 + 30.0 * follow(follow(load, 1.0, 60.0), 1.0, 8.0) + rng.normal(0.0, 0.05, load.size)
    found = fit_response(problem(late, load), lags_s=(0.0, 3.0, 8.0))
    assert found.time_constant_s[1] < 60.0 < found.time_constant_s[2]
    assert fit_response(problem(late, load)).time_constant_s[1] > 60.0
