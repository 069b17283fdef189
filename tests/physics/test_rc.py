"""Charging formulas against tables, textbooks and numerical integration."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
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


@given(tau=st.floats(0.01, 2.0), lag=st.floats(0.001, 2.0), at=st.lists(st.floats(0.0, 3.0), min_size=1, max_size=5))
def test_two_poles_follow_their_differential_equation(tau: float, lag: float, at: list[float]) -> None:
    """scipy.integrate.solve_ivp on τ·x′ = 1 − x, λ·y′ = x − y."""
    times = np.unique(at)
    solved = solve_ivp(
        lambda _, s: [(1 - s[0]) / tau, (s[0] - s[1]) / lag],
        (0.0, 3.0),
        [0.0, 0.0],
        method="LSODA",
        t_eval=times,
        rtol=1e-9,
        atol=1e-11,
    )
    assert settled_fraction_two_pole(times, tau, lag) == pytest.approx(solved.y[1], abs=2e-6)


@given(poles=st.lists(st.floats(0.005, 0.5), min_size=3, max_size=3))
def test_three_poles_follow_the_cascade_of_their_transfer_functions(poles: list[float]) -> None:
    """scipy.signal.step of 1 / ((1 + τ·s)(1 + λ·s)(1 + μ·s)), in any order of the constants."""
    t = np.linspace(0, 2, 101)
    down = np.polymul(np.polymul([poles[0], 1], [poles[1], 1]), [poles[2], 1])
    assert settled_fraction_three_pole(t, *poles) == pytest.approx(step(([1.0], down), T=t)[1], abs=2e-4)


def test_a_moving_average_of_a_charging_link() -> None:
    """scipy.integrate.quad over the last 60 ms of 1 − exp(−t/0.1)."""
    for t in (0.0, 0.03, 0.06, 0.2, 0.5):
        mean = quad(lambda s: float(settled_fraction(np.array(s), 0.1)), t - 0.06, t, points=[0.0])[0] / 0.06
        assert float(settled_fraction_averaged(np.array(t), 0.1, 0.06)) == pytest.approx(mean, abs=1e-8)


@pytest.mark.parametrize("loop_ohm", [0.010, 2 * np.sqrt(1e-6 / 1e-3), 0.5], ids=["ringing", "critical", "damped"])
def test_inrush_peak_follows_the_series_rlc_loop(loop_ohm: float) -> None:
    """scipy.integrate.solve_ivp on L·i′ + R·i + q/C = ΔV, for all three dampings."""
    inductance, capacitance, difference = 1e-6, 1e-3, 20.0
    solved = solve_ivp(
        lambda _, s: [(difference - loop_ohm * s[0] - s[1] / capacitance) / inductance, s[0]],
        (0.0, 5e-4),
        [0.0, 0.0],
        max_step=2e-7,
        rtol=1e-8,
    )
    assert inrush_peak_a(difference, loop_ohm, inductance, capacitance) == pytest.approx(solved.y[0].max(), rel=1e-4)


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
    """scipy.integrate.solve_ivp; 400 V, 50 ohm, 300 W rest at 358.114 V (roots of V² − Vs·V + P·R = 0)."""
    source, r, c, power = 400.0, 50.0, 2e-3, 300.0
    end_v = source / 2 + np.sqrt(source**2 / 4 - power * r)
    assert end_v == pytest.approx(358.113883, abs=1e-6)
    t = np.linspace(0, 1.2, 80)

    def change(_: float, s: np.ndarray) -> list[float]:
        return [((source - s[0]) / r - (power / s[0] if s[0] >= cut_in_v else 0.0)) / c]

    solved = solve_ivp(change, (0, 1.2), [start_v], t_eval=t, rtol=1e-9, atol=1e-9, max_step=1e-3)
    got = settled_fraction_constant_power(t, r * c, end_v, start_v, cut_in_v, power * r / end_v**2)
    assert start_v + got * (end_v - start_v) == pytest.approx(solved.y[0], abs=0.05)
