"""Resistor stress against numerical integration, published figures and a heat balance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from logscope.physics.resistor import (
    accumulated_after_retries_j,
    interval_for_mean_power_s,
    least_interval_s,
    let_through_a2s,
    pulse_energy_j,
    pulse_energy_loaded_j,
    resistor_power_w,
    stall_time_s,
)


def test_a_charge_from_zero_costs_what_the_capacitor_stores() -> None:
    """Precharge after D. Andrea, as on Wikipedia, "Pre-charge": 100 V, 10 000 µF, 50 J (number from memory)."""
    assert pulse_energy_j(0, 100, 100, 12.0, 10_000e-6) == pytest.approx(50.0)
    assert pulse_energy_j(0, 50, 100, 12.0, 10_000e-6) == pytest.approx(37.5)  # three quarters of it


def test_energy_of_a_published_passive_precharge() -> None:
    """TI TIDUF73 (TIDA-050080), 2024: 800 V, 2 mF, 50 ohm, done after five constants in 0.5 s.

    The document prints 50 ohm; its joule figures follow from its formulas and were recomputed: 640 J, peak
    12.8 kW, mean 1279.94 W over the 0.5 s (five constants leave 0.0045 % of the energy).
    """
    energy = pulse_energy_loaded_j(0.5, 0.0, 800.0, 800.0, 50.0, 0.1)
    assert energy == pytest.approx(640.0, rel=1e-4)
    assert energy / 0.5 == pytest.approx(1279.94, abs=5e-3)
    assert resistor_power_w(800.0, 50.0) == pytest.approx(12_800.0)


@pytest.mark.parametrize(("watts", "seconds"), [(24_500.0, 1e-3), (24_500_000.0, 1e-6)])
def test_pulse_power_and_length_make_one_energy(watts: float, seconds: float) -> None:
    """Vishay Dale, Pulse handling capabilities: both ratings of a 5 W wirewound resistor are 24.5 J."""
    ohm = 10.0
    volts = math.sqrt(watts * ohm)
    assert pulse_energy_j(0, 0, volts, ohm, 1e-3, stalled_s=seconds) == pytest.approx(24.5)


def test_defibrillator_loses_nine_tenths_of_its_energy() -> None:
    """Bauer & Westfall style problem: 10 µF, 10 kV, 1.208 kohm: 500 J; 90 % of it is gone after 13.913 ms.

    A discharge through R heats it as a charge does. The 13.913 ms were recomputed, the rest is printed.
    """
    spent = pulse_energy_loaded_j(13.913e-3, 0.0, 10e3, 10e3, 1208.4, 12.084e-3)
    assert pulse_energy_j(0, 10e3, 10e3, 1208.4, 10e-6) == pytest.approx(500.0)
    assert spent / 500.0 == pytest.approx(0.9, abs=1e-4)


@given(
    start=st.floats(0, 0.9), source=st.floats(20, 900), ohm=st.floats(1, 1000), farad=st.floats(1e-5, 5e-3),
    load=st.floats(0.2, 1000), constants=st.floats(0.05, 6),
)  # fmt: skip
def test_heat_follows_the_differential_equation(
    start: float, source: float, ohm: float, farad: float, load: float, constants: float
) -> None:
    """scipy.integrate.solve_ivp on link voltage and heat, with a resistor on the link."""
    load_ohm = load * ohm
    tau = farad / (1 / ohm + 1 / load_ohm)
    end_v = source * load_ohm / (ohm + load_ohm)

    def change(_: float, s: np.ndarray) -> list[float]:
        through = (source - s[0]) / ohm
        return [(through - s[0] / load_ohm) / farad, through * (source - s[0])]

    elapsed = constants * tau
    solved = solve_ivp(change, (0, elapsed), [start * source, 0.0], rtol=1e-9, atol=1e-9)
    got = pulse_energy_loaded_j(elapsed, start * source, end_v, source, ohm, tau)
    assert got == pytest.approx(solved.y[1, -1], rel=1e-6, abs=1e-9)


def test_a_stall_adds_its_own_heat() -> None:
    """The unloaded rise to 300 V of 400 V by scipy.integrate.solve_ivp, then 2 s held there."""
    ohm, farad = 100.0, 1e-3
    rise_s = ohm * farad * math.log(4)
    solved = solve_ivp(lambda t, s: [(400 * math.exp(-t / 0.1)) ** 2 / ohm], (0, rise_s), [0.0], rtol=1e-9)
    expected = solved.y[0, -1] + 2.0 * 100**2 / ohm
    assert pulse_energy_j(0, 300, 400, ohm, farad, stalled_s=2.0) == pytest.approx(expected, rel=1e-6)


def test_let_through_of_a_charge() -> None:
    """∫i²dt of V/R·exp(−t/RC), by numpy.trapezoid."""
    t = np.linspace(0, 2.0, 200_001)
    current = 400 / 100 * np.exp(-t / 0.1)
    energy = pulse_energy_j(0, 400, 400, 100, 1e-3)
    assert let_through_a2s(energy, 100.0) == pytest.approx(float(np.trapezoid(current**2, t)), rel=1e-6)
    assert let_through_a2s(energy, 100.0) == pytest.approx(400**2 * 1e-3 / (2 * 100))


def test_heat_of_retries_follows_newtons_cooling() -> None:
    """scipy.integrate.solve_ivp on H′ = P(t) − H/τc, each pulse a 10 ms rectangle that ends at its time."""
    energies, times, cooling, width = np.array([80.0, 80.0, 30.0, 80.0]), np.array([1.0, 6.0, 7.0, 40.0]), 20.0, 0.01

    def change(t: float, s: np.ndarray) -> list[float]:
        inside = (t > times - width) & (t <= times)
        return [float(energies[inside].sum()) / width - s[0] / cooling]

    solved = solve_ivp(change, (0, 40.0), [0.0], t_eval=times, max_step=width / 4, rtol=1e-5)
    assert accumulated_after_retries_j(energies, times, cooling) == pytest.approx(solved.y[0], rel=3e-3)


@given(pulse=st.floats(1, 500), limit=st.floats(1.05, 20), cooling=st.floats(1, 600))
def test_tries_at_the_least_interval_approach_the_limit(pulse: float, limit: float, cooling: float) -> None:
    """The recursion itself, run until it settles, is the oracle of the closed form."""
    interval = least_interval_s(pulse, limit * pulse, cooling)
    times = np.arange(600) * interval
    held = accumulated_after_retries_j(np.full(600, pulse), times, cooling)
    assert held.max() <= limit * pulse * (1 + 1e-9)
    assert held[-1] == pytest.approx(limit * pulse, rel=1e-6)


def test_one_pulse_beyond_the_limit_can_never_be_repeated() -> None:
    assert least_interval_s(100.0, 80.0, 60.0) == math.inf


def test_three_starts_in_ten_seconds() -> None:
    """Miba, guide to precharge resistors: mean power 3·E/10 s; at that power a start every 10/3 s."""
    energy = 80.0
    assert interval_for_mean_power_s(energy, 3 * energy / 10) == pytest.approx(10 / 3)


def test_time_to_burn_a_stalled_resistor() -> None:
    assert stall_time_s(400.0, 80.0, 1600.0) == pytest.approx(0.2)
    assert stall_time_s(400.0, 500.0, 1600.0) == 0.0
    assert stall_time_s(400.0, 80.0, 0.0) == math.inf
