"""The second-order loop against Ogata's figures and scipy.signal."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from scipy import signal
from scipy.integrate import solve_ivp

from logscope.physics.second_order import (
    damping_from_decrement,
    damping_from_overshoot,
    damping_of,
    free_responses,
    overshoot_share,
    ramp_response,
    rise_time_s,
    settling_time_s,
    step_response,
)

T = np.linspace(0, 3, 3001)


@pytest.mark.parametrize(
    ("damping", "percent"), [(0.1, 72.9), (0.2, 52.7), (0.3, 37.2), (0.4, 25.4), (0.5, 16.3), (0.6, 9.5), (0.8, 1.5)]
)
def test_overshoot_is_that_of_the_textbook(damping: float, percent: float) -> None:
    """Ogata, Modern Control Engineering, chapter 5: exp(−πζ/√(1−ζ²)), recomputed."""
    assert 100 * overshoot_share(damping) == pytest.approx(percent, abs=0.06)
    assert damping_from_overshoot(overshoot_share(damping)) == pytest.approx(damping)


def test_example_of_ogata() -> None:
    """Ogata, example 5-1 (from memory): ζ 0.6, ωₙ 5 rad/s gives peak at 0.785 s, 9.5 % overshoot, 1 s to ±5 %."""
    y = step_response(T, 5.0, 0.6)
    assert T[int(np.argmax(y))] == pytest.approx(0.785, abs=0.002)
    assert y.max() == pytest.approx(1.095, abs=0.001)
    outside = np.abs(signal.step(([25.0], [1.0, 6.0, 25.0]), T=T)[1] - 1) > 0.05  # scipy; his 1 s is the envelope's
    assert settling_time_s(5.0, 0.6) == pytest.approx(T[np.flatnonzero(outside)[-1] + 1], abs=0.002)


@pytest.mark.parametrize("damping", [0.1, 0.6, 1.0, 2.0])
def test_step_and_ramp_are_those_of_scipy(damping: float) -> None:
    """scipy.signal.step and lsim."""
    system = ([25.0], [1.0, 10.0 * damping, 25.0])
    # near critical damping ours takes poles that lie 1e-4 apart
    within = 1e-4 if damping == 1.0 else 1e-9
    at = T[::10]
    assert step_response(at, 5.0, damping) == pytest.approx(signal.step(system, T=at)[1], abs=within)
    assert ramp_response(at, 5.0, damping, 0.0) == pytest.approx(step_response(at, 5.0, damping))
    for ramp_s in (0.05, 0.4, 2.0):
        expected = signal.lsim(system, np.clip(at / ramp_s, 0, 1), at)[1]
        assert ramp_response(at, 5.0, damping, ramp_s) == pytest.approx(expected, abs=within)
        assert ramp_response(at - 3.0, 5.0, damping, ramp_s) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("damping", [0.1, 0.6, 1.0, 2.0])
@pytest.mark.parametrize("begin", [(1.0, 0.0), (0.0, 5.0)], ids=["deviation", "speed"])
def test_what_is_left_rings_as_scipy_integrates_it(damping: float, begin: tuple[float, float]) -> None:
    """scipy.integrate.solve_ivp of y″ + 2ζωₙy′ + ωₙ²y = 0 with ωₙ 5 rad/s."""
    way = solve_ivp(
        lambda _, y: (y[1], -10.0 * damping * y[1] - 25.0 * y[0]), (0, 3), begin, t_eval=T[::10], rtol=1e-8, atol=1e-10
    )
    column = 0 if begin[0] else 1
    assert free_responses(T[::10], 5.0, damping)[:, column] == pytest.approx(way.y[0], abs=2e-4)


@pytest.mark.parametrize("damping", [0.1, 0.6, 2.0])
def test_rise_time_is_that_of_scipys_step(damping: float) -> None:
    """scipy.signal.step, from 10 % to 90 %."""
    y = signal.step(([25.0], [1.0, 10.0 * damping, 25.0]), T=T)[1]
    expected = T[int(np.argmax(y >= 0.9))] - T[int(np.argmax(y >= 0.1))]
    assert rise_time_s(5.0, damping) == pytest.approx(expected, abs=0.005)


def test_damping_from_two_peaks_of_a_free_ring() -> None:
    """Logarithmic decrement, as in any textbook of vibrations: δ = 2πζ/√(1−ζ²)."""
    assert damping_from_decrement(2 * pi * 0.1 / sqrt(1 - 0.01)) == pytest.approx(0.1)
    natural, damping = 30.0, 0.1
    decay, frequency = natural * damping, natural * sqrt(1 - damping**2) / (2 * pi)
    assert damping_of(decay, frequency) == pytest.approx(0.1)
    assert damping_of(-decay, frequency) < 0
