"""Formulas of one line, each side of their guards: handbook figures, closed forms, or scipy's integration."""

from __future__ import annotations

from math import inf, log

import numpy as np
import pytest
from scipy.integrate import quad

from logscope.physics.battery import power_at_voltage_w, pulse_resistance_ohm
from logscope.physics.cell import is_one_cell
from logscope.physics.charging import taper_current_a, taper_time_constant_s
from logscope.physics.heating import rise_after, seconds_to, stream_litres_per_min
from logscope.physics.lead_acid import (
    END_OF_DISCHARGE_V,
    FULL_AT_REST_V,
    HIGHEST_CHARGING_V,
    charging_voltage_v,
    open_circuit_voltage_v,
)
from logscope.physics.resistor import least_interval_s, pulse_energy_loaded_j, stall_time_s
from logscope.physics.second_order import overshoot_share, settling_time_s, step_response


@pytest.mark.parametrize(
    ("before_v", "after_v", "before_a", "after_a", "ohm"),
    [
        (320.0, 304.0, 0.0, 200.0, 0.08), (304.0, 320.0, 200.0, 0.0, 0.08),
        (310.0, 322.0, 50.0, -100.0, 0.08),  # from driving to braking, from which the voltage rises
        (320.0, 321.0, 0.0, 10.0, -0.1),  # a sign that no battery has is not hidden
    ],
)  # fmt: skip
def test_a_step_of_current_gives_the_resistance(
    before_v: float, after_v: float, before_a: float, after_a: float, ohm: float
) -> None:
    assert pulse_resistance_ohm(before_v, after_v, before_a, after_a) == pytest.approx(ohm)


@pytest.mark.parametrize("lowest_v", [0.0, 100.0, 159.0, 161.0, 240.0, 320.0])
def test_the_power_down_to_a_voltage_is_the_greatest_of_all_loads_above_it(lowest_v: float) -> None:
    """By trial of every load that keeps the terminals at or above the voltage."""
    amps = np.linspace(0.0, 4000.0, 40_001)
    volts = 320.0 - 0.08 * amps
    allowed = volts >= lowest_v - 1e-9
    assert power_at_voltage_w(320.0, 0.08, lowest_v) == pytest.approx((volts * amps)[allowed].max(), rel=1e-3, abs=1e-6)


@pytest.mark.parametrize(
    ("volts", "one"), [(1.3, False), (1.31, True), (2.8, True), (4.2, True), (4.99, True), (5.0, False), (12.6, False)]
)
def test_one_cell_stands_between_a_spent_titanate_cell_and_a_charger(volts: float, one: bool) -> None:
    assert is_one_cell(volts) is one


def test_figures_of_a_twelve_volt_battery() -> None:
    """Makers' data sheets, values from memory: 14.4 V at 20 °C, 30 mV less for each kelvin; 10.5 V is empty."""
    assert charging_voltage_v(20.0) == pytest.approx(14.4)
    assert charging_voltage_v(30.0) == pytest.approx(14.1)
    assert charging_voltage_v(0.0) == pytest.approx(15.0)
    assert pytest.approx(15.6) == HIGHEST_CHARGING_V
    assert pytest.approx(10.5) == END_OF_DISCHARGE_V
    assert pytest.approx(12.72) == FULL_AT_REST_V == open_circuit_voltage_v(1.28)
    assert open_circuit_voltage_v(1.12) == pytest.approx(11.76)


@pytest.mark.parametrize(
    ("now_C", "end_C", "seconds"),
    [
        (85.0, 120.0, 0.0), (84.9999, 85.0, inf), (60.0, 85.0, inf), (60.0, 84.0, inf), (60.0, 50.0, inf),
        (60.0, 110.0, 100.0 * log(2.0)),  # half of the rise is over after ln 2 constants
        (90.0, 60.0, 0.0),
    ],
)  # fmt: skip
def test_the_time_to_a_limit_at_its_edges(now_C: float, end_C: float, seconds: float) -> None:
    assert seconds_to(85.0, now_C, end_C, 100.0) == pytest.approx(seconds)


def test_a_body_cools_from_its_start_to_its_end() -> None:
    assert rise_after(0.0, 10.0, 60.0, 50.0) == 50.0
    assert rise_after(60.0 * log(4.0), 10.0, 60.0, 50.0) == pytest.approx(20.0)  # a quarter of 40 K is left
    assert rise_after(1e6, 10.0, 60.0, 50.0) == pytest.approx(10.0)


def test_a_stream_of_glycol_and_water() -> None:
    """360 W/K in 3600 J/(L·K) are 0.1 L/s."""
    assert stream_litres_per_min(360.0) == pytest.approx(6.0)


def test_a_taper_halves_in_ln_two_constants() -> None:
    assert taper_current_a(20.0, 300.0, np.array([0.0, 300.0 * log(2.0)])) == pytest.approx([20.0, 10.0])
    assert taper_time_constant_s(20.0, 5.0, 300.0 * log(4.0)) == pytest.approx(300.0)


@pytest.mark.parametrize(("start_v", "end_v"), [(0.0, 300.0), (350.0, 300.0), (100.0, 400.0), (0.0, 400.0)])
def test_heat_in_a_loaded_resistor_is_the_integral_of_its_power(start_v: float, end_v: float) -> None:
    """scipy.integrate.quad of (Vs − V)²/R along the exponential."""

    def power(t: float) -> float:
        return float((400.0 - (end_v + (start_v - end_v) * np.exp(-t / 0.2))) ** 2 / 80.0)

    for elapsed_s in (0.05, 0.2, 3.0):
        expected = quad(power, 0.0, elapsed_s)[0]
        assert pulse_energy_loaded_j(elapsed_s, start_v, end_v, 400.0, 80.0, 0.2) == pytest.approx(expected)


def test_a_pulse_as_large_as_the_limit_can_never_be_repeated() -> None:
    assert least_interval_s(80.0, 80.0, 60.0) == inf
    assert least_interval_s(40.0, 80.0, 60.0) == pytest.approx(60.0 * log(2.0))  # half is gone after ln 2 constants
    assert stall_time_s(80.0, 80.0, 100.0) == 0.0
    assert stall_time_s(90.0, 80.0, 100.0) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("damping", "settles"),
    [
        # N. S. Nise, Control Systems Engineering: overdamped and critical steps to ±5 %, in 1/ωₙ; 4.744 recomputed from
        # (1 + x)·e^−x = 0.05
        (1.0, 4.744), (0.0, inf), (-0.1, inf),
    ],
)  # fmt: skip
def test_settling_at_critical_damping_and_without_any(damping: float, settles: float) -> None:
    assert settling_time_s(2.0, damping) == pytest.approx(settles / 2.0, rel=2e-3)


def test_a_wider_band_is_reached_sooner() -> None:
    """(1 + x)·e^−x = 0.02 at x = 5.834, the tables' 2 %."""
    assert settling_time_s(1.0, 1.0, 0.02) == pytest.approx(5.834, rel=2e-3)


@pytest.mark.parametrize(("damping", "share"), [(1.0, 0.0), (1.5, 0.0), (0.99, 2.66e-10), (0.0, 1.0)])
def test_overshoot_ends_at_critical_damping(damping: float, share: float) -> None:
    assert overshoot_share(damping) == pytest.approx(share, rel=0.02, abs=1e-12)


def test_no_step_has_an_answer_before_it() -> None:
    assert step_response(np.array([-5.0, -0.01, 0.0]), 3.0, 0.2) == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)
