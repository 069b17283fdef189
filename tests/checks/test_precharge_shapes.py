"""Curves that are no plain exponential: which one it is, told by evidence."""

from __future__ import annotations

import numpy as np
import pytest
from one_check import findings_of
from scipy.integrate import solve_ivp
from seeds import seeds

from logscope.checks.precharge.check import precharge
from logscope.findings import Finding
from logscope.signals import Part, Signals
from logscope.vehicle import Precharge, Vehicle

SOURCE, R, C = 320.0, 100.0, 1.5e-3


def _finding(seed: int, change, pack: bool = True) -> Finding:  # type: ignore[no-untyped-def]
    """The check's finding on a link that follows a differential equation, every 10 ms with 0.2 V of noise."""
    rng = np.random.default_rng(seed)
    onset = 0.7 + 0.01 * rng.random()
    t = np.arange(0.0, 3.5, 0.01)
    solved = solve_ivp(change, (0, 3.0), [0.0, 0.0], t_eval=np.maximum(t[t > onset] - onset, 0), max_step=2e-3)
    volts = np.concatenate([np.zeros(np.count_nonzero(t <= onset)), solved.y[0]])
    volts = np.round((volts + rng.normal(0, 0.2, t.size)) / 0.1) * 0.1
    parts = {"dc_link_voltage": Part("dc_link_voltage", t, volts, "V", "Link.Voltage", 0.1)}
    if pack:
        full = np.round((SOURCE + rng.normal(0, 0.2, t.size)) / 0.1) * 0.1
        parts["battery_voltage"] = Part("battery_voltage", t, full, "V", "Pack.Voltage", 0.1)
    told = Vehicle(precharge=Precharge(resistance_ohm=R, capacitance_uF=C * 1e6))
    (finding,) = findings_of(precharge, Signals(parts, 0.0, 3.5), told)
    return finding


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_heating_resistor_is_recognised_and_its_cold_constant_found(seed: int) -> None:
    growth = 0.6

    def change(_: float, s: np.ndarray) -> list[float]:
        amps = (SOURCE - s[0]) / (R * (1 + growth * s[1] / (0.5 * C * SOURCE**2)))
        return [amps / C, amps * (SOURCE - s[0])]

    finding = _finding(seed, change)
    assert finding.kind == "precharge.complete"
    assert finding.measured["time_constant_s"].value == pytest.approx(R * C, rel=0.03)
    assert finding.measured["resistor_growth_percent"].value == pytest.approx(60, abs=8)


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_constant_power_load_is_recognised_and_its_power_found(seed: int) -> None:
    """192 W from 170 V on: the link rests at 240.0 V (upper root of V² − Vs·V + P·R = 0), and never gets further."""
    power = 192.0

    def change(_: float, s: np.ndarray) -> list[float]:
        return [((SOURCE - s[0]) / R - (power / s[0] if s[0] > 170 else 0.0)) / C, 0.0]

    finding = _finding(seed, change)
    assert finding.kind == "precharge.stalled"
    assert finding.measured["end_voltage_V"].value == pytest.approx(240.0, abs=1.0)
    assert finding.measured["load_power_W"].value == pytest.approx(power, rel=0.08)
    assert finding.measured["time_constant_s"].value == pytest.approx(R * C, rel=0.05)


@pytest.mark.parametrize("seed", seeds(1, of=3))
def test_a_resistive_load_shortens_the_expected_constant_too(seed: int) -> None:
    """900 ohm across the link: end and constant are 0.9 of the pack's and of R·C (Thevenin)."""
    finding = _finding(seed, lambda _, s: [((SOURCE - s[0]) / R - s[0] / 900) / C, 0.0])
    assert finding.kind == "precharge.stalled"  # 90 % never reaches the 95 % to close at
    assert finding.measured["parallel_load_ohm"].low < 900 < finding.measured["parallel_load_ohm"].high * 1.02
    assert finding.expected["time_constant_s"].value == pytest.approx(0.9 * R * C, rel=0.01)


def test_a_curve_of_none_of_these_shapes_is_not_compared() -> None:
    """A capacitor bank that is switched in half-way: two constants one after the other."""

    def change(t: float, s: np.ndarray) -> list[float]:
        return [(SOURCE - s[0]) / (R * (C if t < 0.1 else 4 * C)), 0.0]

    finding = _finding(1, change)
    assert finding.kind != "precharge.complete"
