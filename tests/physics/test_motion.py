"""Motor speed: physical limits and encoder resolution, against published figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.physics.motion import STANDARD_GRAVITY, count_quantum, free_spin_slew, tyre_limited_slew

positive = st.floats(1e-3, 1e3)


def test_free_rotor_at_200_newton_metres() -> None:
    """Solid cylinder, 20 kg, 80 mm radius: J = m·r²/2. Own arithmetic, no published example."""
    assert free_spin_slew(200, 20 * 0.080**2 / 2) == pytest.approx(29_842, abs=1)


def test_free_spin_reaches_its_speed_when_integrated() -> None:
    """scipy's integrator as reference: dω/dt = T/J for one second."""
    from scipy.integrate import solve_ivp

    turned = solve_ivp(lambda t, w: [160 / 0.05], (0, 1), [0.0]).y[0, -1]
    assert free_spin_slew(160, 0.05) == pytest.approx(turned * 60 / (2 * 3.141592653589793))


def test_tyre_limit_of_a_passenger_car() -> None:
    """Friction 1.0, radius 0.30 m, ratio 9. Own arithmetic, no published example."""
    assert tyre_limited_slew(9, 0.30) == pytest.approx(2809, abs=1)
    assert tyre_limited_slew(9, 0.30, grip=0.5) == pytest.approx(2809 / 2, abs=1)  # a wet road


def test_standard_gravity_is_scipys() -> None:
    from scipy.constants import g

    assert g == STANDARD_GRAVITY


@pytest.mark.parametrize(
    ("pulses", "window_s", "rpm"),
    [
        (2000, 1 / 400, 12.0),  # TI eQEP reference guide SPRU790: 500 lines × 4, 400 Hz (value from memory)
        (4000, 0.010, 1.5),  # TI MCU+ SDK, EQEP position and speed example: 200 counts in 10 ms are 300 rpm
        (60, 0.010, 100.0),  # 60 lines read every 10 ms: common practice, no published source
    ],
)
def test_one_count_is_worth(pulses: float, window_s: float, rpm: float) -> None:
    assert count_quantum(pulses, window_s) == pytest.approx(rpm)


def test_published_count_readings() -> None:
    """TI MCU+ SDK example: 200 counts of 4000 a turn in 10 ms read 300 rpm; AM261x: 25 of 1000, 150."""
    assert 200 * count_quantum(4000, 0.010) == pytest.approx(300)
    assert 25 * count_quantum(1000, 0.010) == pytest.approx(150)


@given(positive, positive, positive)
def test_limits_scale_as_their_equations_say(a: float, b: float, factor: float) -> None:
    assert free_spin_slew(factor * a, factor * b) == pytest.approx(free_spin_slew(a, b))
    assert tyre_limited_slew(factor * a, factor * b) == pytest.approx(tyre_limited_slew(a, b))
    assert count_quantum(factor * a, b / factor) == pytest.approx(count_quantum(a, b))
