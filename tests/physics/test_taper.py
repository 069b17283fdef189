"""Charging formulas against closed forms and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logscope.physics.charging import taper_current_a, taper_time_constant_s


def test_the_taper_is_what_scipy_integrates() -> None:
    """scipy.integrate.solve_ivp on C·dU/dt = I, I = (V − U)/R."""
    ohm, farad, held_v = 0.1, 4000.0, 333.0
    solved = solve_ivp(lambda _, u: (held_v - u) / ohm / farad, (0.0, 600.0), [331.0], rtol=1e-10, dense_output=True)
    at_s = np.linspace(0.0, 600.0, 7)
    amps = (held_v - solved.sol(at_s)[0]) / ohm
    assert taper_current_a(20.0, ohm * farad, at_s) == pytest.approx(amps, rel=1e-6)
    assert taper_time_constant_s(float(amps[0]), float(amps[-1]), 600.0) == pytest.approx(ohm * farad, rel=1e-6)
