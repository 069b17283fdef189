"""The answer of a linear system against scipy.signal.lsim."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest
from linear_system import Loop, answer, second_order
from scipy.signal import lsim

TICK_S = 1e-3


@pytest.mark.parametrize("hold", ["foh", "zoh"])
@pytest.mark.parametrize(
    "system",
    [second_order(6.0, 0.1), second_order(60.0, 0.8), second_order(3.0, 1.0), ([1.0], [0.07, 1.0])],
    ids=["ringing", "fast", "critical", "lag"],
)
def test_an_answer_is_that_of_scipys_lsim(system: Loop, hold: Literal["foh", "zoh"]) -> None:
    given = np.append(0.0, np.cumsum(np.random.default_rng(3).normal(size=2000)))
    expected = lsim(system, given, np.arange(given.size) * TICK_S, interp=hold == "foh")[1]
    assert answer(system, given, TICK_S, hold) == pytest.approx(expected, abs=1e-9)
