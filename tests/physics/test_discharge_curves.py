"""How a link falls, against closed forms of the circuit and scipy's integration of i = C·dV/dt."""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logscope.curves.discharge import Readings, Shape, fit_discharge
from logscope.physics.discharge import (
    at_constant_current,
    at_constant_power,
    at_power_of_voltage,
    through_resistor,
    time_to_level_s,
    time_to_share_at_power,
)

V0, C = 350.0, 1e-3
T = np.linspace(0.0, 30.0, 601)


def integrated(amps_of: object, until_s: float = 30.0) -> np.ndarray:
    """scipy.integrate.solve_ivp of C·dV/dt = −I(V), from 350 V."""
    solved = solve_ivp(
        lambda _, v: [-amps_of(float(v[0])) / C],  # type: ignore[operator]
        (0.0, until_s), [V0], t_eval=T[until_s >= T], rtol=1e-9, atol=1e-9,
    )  # fmt: skip
    return np.asarray(solved.y[0])


def test_each_curve_is_what_its_load_does_to_a_capacitor() -> None:
    """A resistor of 20 kΩ, the same with 100 V held beyond another, 8 mA, 0.9 W, and a current with V²."""
    assert V0 * through_resistor(T, np.array(1 / 20)) == pytest.approx(integrated(lambda v: v / 20e3), rel=1e-6)
    resting = integrated(lambda v: (v - 100.0) / 20e3)
    rate = (V0 - 100.0) / 20e3 / C / V0
    assert V0 * through_resistor(T, np.array(rate), 100 / V0) == pytest.approx(resting, rel=1e-6)
    assert V0 * at_constant_current(T, np.array(8e-3 / C / V0)) == pytest.approx(integrated(lambda v: 8e-3), rel=1e-6)
    assert V0 * at_constant_power(T, np.array(0.9 / C / V0**2)) == pytest.approx(
        integrated(lambda v: 0.9 / v), rel=1e-6
    )
    bent = integrated(lambda v: 2e-7 * v**2)
    rate = 2e-7 * V0 / C
    assert V0 * at_power_of_voltage(T, np.array(rate), np.array(2.0)) == pytest.approx(bent, rel=1e-6)
    assert time_to_share_at_power(bent / V0, np.array(rate), np.array(2.0)) == pytest.approx(T, abs=1e-4)


def test_curves_that_are_over_stay_at_zero() -> None:
    late = np.array([1.1, 50.0])
    assert at_constant_current(late, np.array(1.0)).tolist() == [0.0, 0.0]
    assert at_constant_power(late, np.array(1.0)).tolist() == [0.0, 0.0]
    assert at_power_of_voltage(late, np.array(1.0), np.array(0.0)).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(("start_v", "level_v", "constant_s", "time_s"), [
    (400.0, 60.0, 2.63557, 5.0),  # R·C·ln(400/60), recomputed
    (100.0, 36.787944, 7.0, 7.0),  # one constant down to 1/e
    (60.0, 60.0, 7.0, 0.0), (50.0, 60.0, 7.0, 0.0),
])  # fmt: skip
def test_the_time_to_a_level_is_that_of_the_closed_form(
    start_v: float, level_v: float, constant_s: float, time_s: float
) -> None:
    assert time_to_level_s(start_v, constant_s, level_v) == pytest.approx(time_s, abs=1e-4)


# Shape, its curve from 350 V, and by hand when it passes 60 V; None where it never does.
FALLS = {
    "resistor": (Shape.RESISTOR, V0 * np.exp(-T / 12), 12 * log(V0 / 60)),
    "resistor, fast": (Shape.RESISTOR, V0 * np.exp(-T / 4), 4 * log(V0 / 60)),
    "resting at 40 V": (Shape.RESTING, 40 + 310 * np.exp(-T / 5), 5 * log(310 / 20)),
    "resting at 100 V": (Shape.RESTING, 100 + 250 * np.exp(-T / 5), None),
    "constant current": (Shape.CURRENT, V0 - 9.0 * T, (V0 - 60) / 9.0),
    "constant power": (Shape.POWER, np.sqrt(V0**2 - 2 * 2000.0 * T), (V0**2 - 60**2) / (2 * 2000.0)),
}


@pytest.mark.parametrize("name", FALLS)
def test_the_fit_passes_60_v_when_the_closed_form_does(name: str) -> None:
    shape, volts, passes_s = FALLS[name]
    read = volts + np.random.default_rng(71).normal(0.0, 0.05, T.size)
    fit = fit_discharge(T, read, Readings(0.0, 0.05))
    assert fit is not None
    assert fit.shape is shape
    found = fit.crossing()
    if passes_s is None:
        assert found.high == np.inf
        return
    assert found.value == pytest.approx(passes_s, rel=2e-3)
    assert found.low <= passes_s <= found.high
    assert found.high - found.low < 0.02 * passes_s
    assert fit.crossing(120.0).value < found.value
    # known to have begun within 2 s before: as likely anywhere there, a second on average
    earlier = fit.crossing_from(-2.0, 0.0, 0.0)
    assert earlier.value == pytest.approx(passes_s + 1.0, abs=0.05)
    assert (earlier.low, earlier.high) == pytest.approx((passes_s + 0.05, passes_s + 1.95), abs=0.05)
    # readings that may be late move the lower limit alone
    late = fit.crossing_from(-2.0, 0.0, 1.0)
    assert (late.value, late.high) == (earlier.value, earlier.high)
    assert late.low < earlier.low - 0.3


def test_a_level_is_left_when_the_curve_carried_back_was_there() -> None:
    read = V0 * np.exp(-T / 12) + np.random.default_rng(72).normal(0.0, 0.05, T.size)
    fit = fit_discharge(T + 100.0, read, Readings(0.0, 0.05))
    assert fit is not None
    opened = fit.opening(380.0, 0.0)
    assert opened.value == pytest.approx(100.0 - 12 * log(380.0 / V0), abs=0.01)
    unsure = fit.opening(380.0, 10.0)  # ± 10 V of 380 are ± 0.32 s of 12, as likely anywhere there
    assert unsure.high - unsure.low == pytest.approx(0.95 * 12 * 20 / 380, rel=0.05)


def test_a_fall_that_a_resistor_does_not_explain_is_not_called_one() -> None:
    """A sawtooth on top, of ten times the noise."""
    read = V0 * np.exp(-T / 12) + 5.0 * (T % 3.0 - 1.5) + np.random.default_rng(73).normal(0.0, 0.1, T.size)
    fit = fit_discharge(T, read, Readings(0.0, 0.1))
    assert fit is not None
    assert fit.misfit
    assert fit.residual_v == pytest.approx(5.0 * 3.0 / sqrt(12.0), rel=0.15)


@pytest.mark.parametrize("rate", [0.0, -0.01])
def test_a_link_that_does_not_fall_has_no_crossing(rate: float) -> None:
    read = V0 * np.exp(-rate * T) + np.random.default_rng(74).normal(0.0, 0.1, T.size)
    fit = fit_discharge(T, read, Readings(0.0, 0.1))
    assert fit is not None
    assert not fit.falls
    assert fit.time_constant is None
    assert fit.rate.low <= rate <= fit.rate.high
    assert fit.crossing().high == np.inf
