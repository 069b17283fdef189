"""Bounds of a constant by single readings, and the values that a precharge finding states of it; by hand.

A link that charges from v0 towards V is within a share s of its end after τ · ln(1/s) (Alexander & Sadiku, Fundamentals
of Electric Circuits, chapter 7).
"""

from __future__ import annotations

from dataclasses import replace
from math import log
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from contactor_pieces import link_of, part

from logscope.checks.precharge.compare import Constant, Verdict
from logscope.checks.precharge.judge import Judged, _jumped, _may_have_closed_early, _too_fast
from logscope.checks.precharge.soonest import bound_before_closing, bound_of_pairs, soonest_bound
from logscope.checks.precharge.values import expected_values, measured_values
from logscope.curves.estimate import Estimate
from logscope.findings import Measured
from logscope.observations.dc_link.link import PackLevel
from logscope.observations.dc_link.rises import Attempt
from logscope.vehicle import Precharge, Vehicle

AT = 0.01 * np.arange(100)
ATTEMPT = Attempt(50, 52, 99, onset_seen=True, ended_by="level")


def rising(*volts: float, step_v: float = 1.0, noise_v: float = 1.0) -> Any:
    """A link at 0 V until the sample 50, then these readings, the last of them to the end."""
    value = np.zeros(AT.size)
    value[51 : 51 + len(volts)] = volts
    value[51 + len(volts) :] = volts[-1]
    return replace(link_of(part("dc_link_voltage", AT, value), noise_v=noise_v), step_v=step_v)


def measured(**fields: Any) -> Any:
    usual = {
        "attempt": ATTEMPT, "top_v": 350.0, "unsure_between_s": 0.0, "unsure_s": 0.0, "pack": PackLevel(350.0, 2.0),
        "pack_v": 350.0, "pack_by_link": False, "highest_v": 352.0, "closing": None, "fit": None, "missing_s": 0.0,
        "start_v": 0.0, "reached_v": 349.0, "rise_s": 0.5, "inside": 10, "leads_beyond_pack": False, "settled": True,
        "fraction": lambda volts: volts / 350.0,
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **fields})


@pytest.mark.parametrize(
    ("unsure_s", "closes_at", "older_s", "bound_s"),
    [
        (0.0, 1.0, 0.0, 0.02 / log(350 / 4)),  # 350 V but for three noises and a step, 20 ms after the onset
        (0.004, 1.0, 0.0, 0.024 / log(350 / 4)),
        (0.0, 1.0, 0.01, 0.03 / log(350 / 4)),
        (0.0, 0.9, 0.0, 0.01 / log(350 / 50)),  # up to nine tenths through the resistor: 315 V; 300 V came in 10 ms
    ],
)
def test_the_soonest_bound_is_that_of_the_reading_which_says_most(unsure_s, closes_at, older_s, bound_s):
    """0, 300 and 350 V every 10 ms; at 300 V 50 V are missing: 10 ms/ln 7 against 20 ms/ln 87.5 = 4.5 ms."""
    m = measured(unsure_between_s=unsure_s)
    assert soonest_bound(rising(300.0, 350.0), m, closes_at, older_s) == pytest.approx(bound_s)


@pytest.mark.parametrize(("noise_v", "step_v", "room_v"), [(0.5, 0.25, 1.75), (0.25, 2.0, 2.75)])
def test_a_reading_is_no_nearer_to_its_end_than_three_noises_and_a_step(noise_v, step_v, room_v):
    """350 V at once: known to within that, it took 10 ms · 1/ln(350/room)."""
    found = soonest_bound(rising(350.0, noise_v=noise_v, step_v=step_v), measured())
    assert found == pytest.approx(0.01 / log(350 / room_v))


@pytest.mark.parametrize(
    ("spacing_s", "unsure_s", "takes_s"), [(0.01, 0.0, 0.02), (0.004, 0.0, 0.02), (0.004, 0.02, 0.034)]
)
def test_readings_whose_stamps_stand_together_are_a_period_apart_all_the_same(spacing_s, unsure_s, takes_s):
    """New values come every 10 ms; two stamps are 4 ms apart, and the nearest end is two of them away."""
    at = AT.copy()
    at[51:] -= 0.01 - spacing_s
    value = np.zeros(AT.size)
    value[51], value[52:] = 100.0, 350.0
    made = replace(link_of(part("dc_link_voltage", at, value), noise_v=1.0), step_v=1.0)
    found = soonest_bound(made, measured(unsure_between_s=unsure_s))
    assert found == pytest.approx(takes_s / log(350 / 4))


def test_what_may_all_have_come_through_the_contactor_bounds_nothing():
    assert soonest_bound(rising(300.0, 350.0), measured(), closes_at=0.0) is None
    assert soonest_bound(rising(300.0, 350.0, noise_v=120.0), measured()) is None  # all of it may be noise


@pytest.mark.parametrize(
    ("late_s", "fields", "known"),
    [
        (0.20, {}, True),
        (0.155, {}, False),  # up to 0.15 s of it the contactor may have been closed: no two readings are left
        (0.20, {"pack_by_link": True}, False),
        (0.20, {"pack": None}, False),
        (0.20, {"highest_v": np.inf}, False),
    ],
)
def test_readings_before_the_contactor_closed_bound_the_resistor(late_s, fields, known):
    """200 V after 20 ms of a pack of 352 V at most: (352 − 4)/(152 + 4), and a period of 10 ms more."""
    attempt = replace(ATTEMPT, contactor_after_s=0.5 + late_s)
    found = bound_before_closing(rising(100.0, 200.0), measured(attempt=attempt, **fields))
    assert (found is not None) is known
    if found is not None:
        from_onset, from_next = (0.02 + 0.01) / log(348 / 156), (0.01 + 0.01) / log(248 / 156)
        by_hand = min(from_onset, from_next)
        assert found == pytest.approx(by_hand, rel=1e-3)
    assert bound_before_closing(rising(100.0, 200.0), measured()) is None


def test_a_pair_of_readings_bounds_by_its_own_room():
    """From 300 to 100 V short of the pack in 0.1 s, each 10 V off: 290 and 110 V."""
    found = bound_of_pairs(np.array([0.0, 0.1]), np.array([300.0, 100.0]), room_v=10.0, unsure_s=0.02)
    assert found == pytest.approx(0.12 / log(290 / 110))
    assert bound_of_pairs(np.array([0.0, 0.1]), np.array([120.0, 100.0]), room_v=10.0, unsure_s=0.0) is None


@pytest.mark.parametrize(
    ("top_v", "bound_s", "rise_s", "jumped"),
    [
        (350.0, 0.029, 0.1, True),  # a fifth of 150 ms, and far sooner than three constants of 120 ms
        (350.0, 0.031, 0.1, False),
        (350.0, 0.029, 0.37, False),  # the slowest part of it fits a resistor: 0.36 s
        (350.0, 0.029, 0.35, True),
        (332.0, 0.029, 0.1, False),  # below the threshold
        (350.0, None, 0.1, False),
    ],
)
def test_a_reading_jumps_where_no_resistor_as_expected_is_so_soon(top_v, bound_s, rise_s, jumped):
    m = measured(top_v=top_v, rise_s=rise_s)
    assert _jumped(m, bound_s, 0.15, Precharge(tolerance=0.2)) is jumped
    assert not _jumped(m, bound_s, None, Precharge())


@pytest.mark.parametrize(("low_v", "early"), [(332.0, True), (333.0, False)])
def test_a_contactor_may_have_closed_early_by_the_lowest_voltage_then(low_v, early):
    m = measured(closing=SimpleNamespace(low_v=low_v, high_v=349.0))
    assert _may_have_closed_early(m, Precharge()) is early
    assert not _may_have_closed_early(measured(), Precharge())


def test_too_fast_is_below_the_band_with_an_open_contactor():
    attempt = replace(ATTEMPT, contactor_after_s=0.70)
    link, m = rising(100.0, 200.0), measured(attempt=attempt)
    bound_s = bound_before_closing(link, m)
    assert bound_s is not None
    for rc_s, fast in ((bound_s / 0.8 * 1.01, True), (bound_s / 0.8 * 0.99, False)):
        configured = Precharge(resistance_ohm=1000 * rc_s, capacitance_uF=1000, tolerance=0.2)
        assert _too_fast(link, m, configured) == (bound_s if fast else None)


def estimate(value: float) -> Estimate:
    return Estimate(value, 0.9 * value, 1.1 * value, 0.8 * value, 1.2 * value)


def judged(constant: Constant | None, bound_s: float | None = None, kind: str = "slow", **more: Any) -> Judged:
    m = measured(**{"closing": None, "fit": None, **more})
    return Judged(kind, m, constant, 0.15, 0.2, 0.95, bound_s, 0.01)


def test_the_constant_is_stated_with_its_limits_or_what_is_known_of_them():
    slow, lag = estimate(0.3), estimate(0.02)
    found = measured_values(judged(Constant(Verdict.SLOW, slow, lag)), Vehicle())
    assert found["time_constant_s"] == Measured(0.3, "s", slow.low, slow.high)
    assert found["sensing_lag_s"] == Measured(0.02, "s", lag.low, lag.high)
    found = measured_values(judged(Constant(Verdict.OPEN, slow, or_lag=True)), Vehicle())
    assert found["time_constant_s"] == Measured(None, "s", None, slow.high)  # behind a lag it may be faster
    found = measured_values(judged(Constant(Verdict.OPEN, None, both=(slow, lag))), Vehicle())
    assert found["time_constant_s"] == Measured(None, "s", lag.low, slow.high)
    assert found["slower_constant_s"].value == 0.3
    assert found["faster_constant_s"].value == 0.02
    found = measured_values(judged(None, bound_s=0.012, kind="bypassed", start_v=20.0), Vehicle())
    assert found["time_constant_s"] == Measured(None, "s", None, 0.012)
    assert found["step_V"] == Measured(329.0, "V")
    assert found["fraction_reached"].value == pytest.approx(349.0 / 350.0)
    assert (found["start_voltage_V"].value, found["end_voltage_V"].value) == (20.0, 349.0)


def test_what_is_expected_is_the_band_the_threshold_and_the_rating():
    found = expected_values(judged(None), Vehicle(precharge=Precharge(resistor_energy_J=400)))
    band = found["time_constant_s"]
    assert (band.value, band.low, band.high) == pytest.approx((0.15, 0.12, 0.18))
    assert found["fraction_at_close"] == Measured(None, "1", 0.95, None)
    assert found["end_voltage_V"] == Measured(350.0, "V")
    assert found["resistor_energy_J"] == Measured(None, "J", None, 400.0)
    assert set(expected_values(judged(None, pack_v=None), Vehicle())) == {"time_constant_s"}
