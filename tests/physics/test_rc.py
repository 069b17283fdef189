"""Charging formulas against tables, textbooks and numerical integration."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.signal import step

from logscope.physics.rc import (
    inrush_peak_a,
    parallel_ohm,
    settled_fraction,
    settled_fraction_averaged,
    settled_fraction_constant_power,
    settled_fraction_heating,
    settled_fraction_three_pole,
    settled_fraction_two_pole,
    time_to_fraction,
)


@pytest.mark.parametrize(("constants", "percent"), [(1, 63.2), (2, 86.5), (3, 95.0), (4, 98.2), (5, 99.3)])
def test_charge_after_whole_time_constants_is_the_handbook_table(constants: int, percent: float) -> None:
    """The table of every electronics handbook, to its printed digit."""
    assert 100 * float(settled_fraction(np.array(constants * 0.15), 0.15)) == pytest.approx(percent, abs=0.05)


def test_published_precharge_design_is_reproduced() -> None:
    """TI TIDUF73, High-Voltage Passive Precharge (TIDA-050080), 2024: 50 ohm, 2 mF, five constants in 0.5 s."""
    assert pytest.approx(0.5) == 5 * 50 * 2e-3
    assert float(settled_fraction(np.array(0.5), 50 * 2e-3)) == pytest.approx(0.993, abs=5e-4)


def test_rise_time_from_10_to_90_percent() -> None:
    """TI TPS22919-Q1 data sheet, 8.3.3, equation 2: t = 2.2·RC."""
    assert time_to_fraction(0.9, 1.0, start_fraction=0.1) == pytest.approx(2.2, abs=0.005)


def test_charge_from_a_residual_voltage() -> None:
    """Alexander & Sadiku, Fundamentals of Electric Circuits, example 7.10 (from memory): 15 V to 30 V, τ = 2 s."""
    volts = 15 + 15 * settled_fraction(np.array([1.0, 4.0]), 2.0)
    assert volts == pytest.approx([20.9, 27.97], abs=5e-3)


def test_bleeder_makes_a_thevenin_source() -> None:
    """Alexander & Sadiku, example 7.11 (from memory): 30 V, 10 ohm, 20 ohm across 1/4 F: v = 20 − 10·exp(−0.6·t)."""
    assert 1 / (parallel_ohm(10, 20) * 0.25) == pytest.approx(0.6)


AFTER = np.linspace(0.0, 2.0, 101)


@pytest.mark.parametrize(
    ("tau_s", "lag_s"), [(0.3, 0.02), (0.02, 0.3), (1.5, 1.0), (0.2, 0.2), (0.2, 0.2 * (1 + 5e-7)), (0.2, 0.2002)]
)
def test_two_poles_follow_the_cascade_of_their_transfer_functions(tau_s: float, lag_s: float) -> None:
    """scipy.signal.step of 1 / ((1 + τ·s)(1 + λ·s)); where the constants are equal, (1 + t/τ)·exp(−t/τ) is left."""
    expected = step(([1.0], np.polymul([tau_s, 1.0], [lag_s, 1.0])), T=AFTER)[1]
    if abs(tau_s - lag_s) < 1e-6:
        expected = 1.0 - (1.0 + AFTER / 0.2) * np.exp(-AFTER / 0.2)
    assert settled_fraction_two_pole(AFTER, tau_s, lag_s) == pytest.approx(expected, abs=2e-6)
    assert settled_fraction_two_pole(AFTER - 2.0, tau_s, lag_s) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    "poles", [(0.3, 0.05, 0.01), (0.5, 0.4, 0.3), (0.2, 0.2, 0.2), (0.1, 0.1, 0.3), (0.1, 0.3, 0.3)]
)
def test_three_poles_follow_the_cascade_of_their_transfer_functions(poles: tuple[float, float, float]) -> None:
    """scipy.signal.step of 1 / ((1 + τ·s)(1 + λ·s)(1 + μ·s)), in any order of the constants."""
    down = np.polymul(np.polymul([poles[0], 1], [poles[1], 1]), [poles[2], 1])
    expected = step(([1.0], down), T=AFTER)[1]
    for order in permutations(poles):
        assert settled_fraction_three_pole(AFTER, *order) == pytest.approx(expected, abs=2e-4)
    assert settled_fraction_three_pole(AFTER - 2.0, *poles) == pytest.approx(0.0, abs=1e-6)
    row = settled_fraction_three_pole(AFTER[:, np.newaxis], np.array([poles[0], 0.7]), poles[1], poles[2])
    assert row[:, 0] == pytest.approx(expected, abs=2e-4)


def test_a_moving_average_of_a_charging_link() -> None:
    """scipy.integrate.quad over the last 60 ms of 1 − exp(−t/0.1)."""
    for t in (0.0, 0.03, 0.06, 0.2, 0.5):
        mean = quad(lambda s: float(settled_fraction(np.array(s), 0.1)), t - 0.06, t, points=[0.0])[0] / 0.06
        assert float(settled_fraction_averaged(np.array(t), 0.1, 0.06)) == pytest.approx(mean, abs=1e-8)


@pytest.mark.parametrize(
    "loop_ohm", [0.001, 0.010, 2 * np.sqrt(1e-6 / 1e-3), 0.5], ids=["slightly damped", "ringing", "critical", "damped"]
)
def test_inrush_peak_follows_the_series_rlc_loop(loop_ohm: float) -> None:
    """scipy.signal.step of s·C / (1 + R·C·s + L·C·s²), the admittance of the loop, for all dampings."""
    inductance, capacitance, difference = 1e-6, 1e-3, 20.0
    admittance = ([capacitance, 0.0], [inductance * capacitance, loop_ohm * capacitance, 1.0])
    amps = difference * step(admittance, T=np.linspace(0.0, 2e-4, 2001))[1]
    for volts in (difference, -difference):
        assert inrush_peak_a(volts, loop_ohm, inductance, capacitance) == pytest.approx(amps.max(), rel=1e-4)


@pytest.mark.parametrize("growth", [0.0, 0.1, 0.5, 2.0])
def test_a_resistor_that_heats_follows_its_differential_equation(growth: float) -> None:
    """scipy.integrate.solve_ivp on charge and dissipated energy."""
    source, start, r0, c = 300.0, 40.0, 100.0, 1e-3
    full = 0.5 * c * (source - start) ** 2

    def change(_: float, s: np.ndarray) -> list[float]:
        amps = (source - s[0]) / (r0 * (1 + growth * s[1] / full))
        return [amps / c, amps * (source - s[0])]

    t = np.linspace(0, 0.8, 60)
    solved = solve_ivp(change, (0, 0.8), [start, 0.0], t_eval=t, rtol=1e-9, atol=1e-9)
    expected = (solved.y[0] - start) / (source - start)
    assert settled_fraction_heating(t, r0 * c, growth) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("start_v", "cut_in_v"),
    [(0.0, 45.0), (0.0, 120.0), (0.0, 250.0), (100.0, 120.0), (200.0, 120.0)],  # a hot restart, its load already on
)
def test_a_constant_power_load_follows_its_differential_equation(start_v: float, cut_in_v: float) -> None:
    """scipy.integrate.quad of C·dV over the current that is left for the link, which is the time to each voltage.

    400 V, 50 ohm, 300 W rest at 358.114 V (roots of V² − Vs·V + P·R = 0).
    """
    source, r, c, power = 400.0, 50.0, 2e-3, 300.0
    end_v = source / 2 + np.sqrt(source**2 / 4 - power * r)
    assert end_v == pytest.approx(358.113883, abs=1e-6)
    volts = np.array([each for each in (0.0, 40.0, 60.0, 119.0, 121.0, 251.0, 330.0, 357.0) if each >= start_v])

    def time_s(to_v: float) -> float:
        parts = ((start_v, min(to_v, max(cut_in_v, start_v)), 0.0), (max(cut_in_v, start_v), to_v, power))
        return sum(
            quad(lambda v, w=watts: c / ((source - v) / r - (w / v if w else 0.0)), low, high)[0]
            for low, high, watts in parts
            if high > low
        )

    t = np.array([time_s(each) for each in volts])
    got = settled_fraction_constant_power(t, r * c, end_v, start_v, cut_in_v, power * r / end_v**2)
    assert start_v + got * (end_v - start_v) == pytest.approx(volts, abs=1e-3)
    late = settled_fraction_constant_power(
        np.array([-1.0, 60.0]), r * c, end_v, start_v, cut_in_v, power * r / end_v**2
    )
    assert late == pytest.approx([0.0, 1.0], abs=1e-9)


def test_a_load_that_starts_below_the_lower_resting_point_is_taken_as_starting_there() -> None:
    """300 W on 50 ohm and 400 V: the lower root of V² − Vs·V + P·R is 41.886 V."""
    end_v = 200.0 + np.sqrt(40_000.0 - 15_000.0)
    t = np.array([0.0, 0.005, 0.5, 1.0])
    low, at_root = (
        settled_fraction_constant_power(t, 0.1, end_v, 0.0, cut_in_v, 15_000.0 / end_v**2)
        for cut_in_v in (10.0, 1.001 * 15_000.0 / end_v)
    )
    assert low == pytest.approx(at_root, abs=1e-12)
