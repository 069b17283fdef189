"""Whether coolant flows, guard by guard: rates with made errors in place of what a log gives.

A device that falls back to its coolant with a time constant τ has λ = 1/τ (lumped capacity, any textbook of heat
transfer). By the check's own measure flow is gone where λ is less than 0.4 of what it is with flow (judgement), by 2.5
standard errors of that difference: here both err by themselves, and their errors add as squares.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.checks.cooling import flow
from logscope.checks.cooling.rates import Rates
from logscope.checks.cooling.thermal_log import ThermalLog
from logscope.checks.cooling.windows import Windows

PLATE, COOLANT = "inverter_temperature", "coolant_temperature"
STEP_S, ROWS = 10.0, 60
MIDDLE = np.arange(ROWS) * STEP_S
LATE = ((300.0, 600.0),)
FITS_BADLY = 1e3  # one rate
EXCESS_K = 20.0
WINDOWS = Windows(
    change=np.zeros(ROWS), heat=np.ones(ROWS), excess=np.full(ROWS, EXCESS_K * STEP_S), start_s=MIDDLE,
    end_s=MIDDLE + STEP_S, joined=np.arange(ROWS) > 0,
)  # fmt: skip
LOG = ThermalLog(
    STEP_S, MIDDLE + STEP_S / 2, {PLATE: np.full(ROWS, 50.0), COOLANT: np.full(ROWS, 30.0)}, {PLATE: 0.5, COOLANT: 0.5},
    {}, np.ones(ROWS, bool),
)  # fmt: skip


@pytest.mark.parametrize(
    ("low", "low_error", "high", "high_error", "lost"),
    [
        (0.004, 0.0, 0.020, 0.0, True),
        (0.0079, 0.0, 0.020, 0.0, True),
        (0.008, 0.0, 0.020, 0.0, True),  # 0.4 of it
        (0.0081, 0.0, 0.020, 0.0, False),
        (0.004, 0.0015, 0.020, 0.0, True),  # 0.004 are 2.7 errors
        (0.004, 0.0017, 0.020, 0.0, False),  # 2.4 errors
        (0.004, 0.0, 0.020, 0.0039, True),  # 2.6 errors of 0.4 · 0.0039
        (0.004, 0.0, 0.020, 0.0041, False),
        (-0.003, 0.0, 0.020, 0.0099, True),  # 2.8 errors
        (-0.003, 0.0, 0.020, 0.0101, False),  # with flow it may be nothing at all
        (0.004, 0.0010, 0.020, 0.0025, True),  # both together 0.0014
        (0.004, 0.0012, 0.020, 0.0030, False),  # 0.0017
        (-0.001, 0.0, 0.020, 0.002, True),
    ],
)
def test_flow_is_lost_where_all_that_both_rates_may_be_says_so(
    low: float, low_error: float, high: float, high_error: float, lost: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rates = Rates(1.0, high, low, high_error, low_error, float(np.hypot(0.4 * high_error, low_error)), 1.0, 0.1)
    monkeypatch.setattr(flow, "rates_of", lambda *_: rates)
    found = flow._lost(PLATE, COOLANT, WINDOWS, LATE, FITS_BADLY, LOG)
    assert (found is not None) is lost
    if found is not None and found.flowing_s is not None:
        assert found.spans == LATE
        flowing = found.flowing_s
        assert flowing.value == pytest.approx(1 / high)
        assert (flowing.low, flowing.high) == pytest.approx((1 / (high + 2 * high_error), 1 / (high - 2 * high_error)))
        assert found.time_constant_s == pytest.approx(1 / max(low + 2 * low_error, 1e-5))


@pytest.mark.parametrize(("gain", "lost"), [(1.0, True), (0.0, False), (-1.0, False)])
def test_heat_that_does_not_warm_a_device_shows_no_flow(
    gain: float, lost: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(gain, 0.02, 0.004, 0.0, 0.0, 0.0, 1.0, 0.1))
    assert (flow._lost(PLATE, COOLANT, WINDOWS, LATE, FITS_BADLY, LOG) is not None) is lost


@pytest.mark.parametrize(("one_rate", "lost"), [(2.9, False), (3.1, True)])
def test_a_flow_that_stays_must_explain_the_device_far_worse(
    one_rate: float, lost: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three times the squares of a lost flow (judgement): else it may be heat taken for another kind of heat."""
    monkeypatch.setattr(flow, "rates_of", lambda *_: Rates(1.0, 0.02, 0.002, 0.0, 0.0, 0.0, 1.0, 0.1))
    assert (flow._lost(PLATE, COOLANT, WINDOWS, LATE, one_rate, LOG) is not None) is lost
