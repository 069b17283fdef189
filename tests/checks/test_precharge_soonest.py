"""The upper bound of a link's time constant by its readings alone, against circuits that scipy solves."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from linear_system import answer

from logscope.arrays import FloatArray
from logscope.checks.precharge.measure import Measurement
from logscope.checks.precharge.soonest import bound_of_pairs, soonest_bound
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Part

PACK_V = 350.0
STEP_S = 1e-3
TIME_S = np.arange(0.0, 1.5, STEP_S)


def read(tau_s: float, share: float, lags_s: tuple[float, ...], average_s: float, start_v: float = 0.0) -> FloatArray:
    """Readings [V] of a link that charges from 0.3 s on; by scipy's filter of a linear system.

    share : of the pack's voltage at which a resistive load holds the link, which shortens its constant alike
    """
    time_s = np.maximum(TIME_S - 0.3, 0.0)
    link_v = start_v + (share * PACK_V - start_v) * -np.expm1(-time_s / (share * tau_s))
    for lag_s in lags_s:
        link_v = start_v + answer(([1.0], [lag_s, 1.0]), link_v - start_v, STEP_S)
    count = max(round(average_s / STEP_S), 1)
    return np.convolve(np.concatenate((np.full(count - 1, start_v), link_v)), np.full(count, 1 / count), "valid")


@settings(max_examples=60)
@given(
    tau_s=st.floats(0.02, 0.5),
    share=st.floats(0.4, 1.0),
    lags_s=st.lists(st.floats(0.005, 0.15), max_size=3).map(tuple),
    average_s=st.floats(0.0, 0.15),
    every=st.integers(1, 60),
    start_v=st.floats(0.0, 100.0),
)
def test_no_sensing_and_no_load_makes_a_link_look_faster_than_its_resistor_allows(
    tau_s: float, share: float, lags_s: tuple[float, ...], average_s: float, every: int, start_v: float
) -> None:
    volts = read(tau_s, share, lags_s, average_s, start_v)[::every]
    bound_s = bound_of_pairs(TIME_S[::every], PACK_V - volts, room_v=0.05, unsure_s=STEP_S)
    assert bound_s is None or bound_s >= 0.99 * tau_s


@pytest.mark.parametrize(("lags_s", "average_s"), [((), 0.0), ((0.02,), 0.0), ((0.01, 0.02), 0.0), ((), 0.05)])
def test_a_link_at_half_its_constant_is_known_to_be_too_fast(lags_s: tuple[float, ...], average_s: float) -> None:
    """100 ms where 200 ms are expected, every 20 ms: below the 160 ms at which the band begins."""
    volts = read(0.1, 1.0, lags_s, average_s)[::20]
    bound_s = bound_of_pairs(TIME_S[::20], PACK_V - volts, room_v=1.0, unsure_s=0.0)
    assert bound_s is not None
    assert 0.1 <= bound_s < 0.13


def test_two_readings_in_one_place_of_their_beat_are_no_jump() -> None:
    """A link of 80 ms, read every 7.6 ms; as the readings are put back onto their beat the first two share a place."""
    period_s, onset = 7.6e-3, 20
    time_s = period_s * np.arange(90)
    volts = np.round(400.0 * -np.expm1(-np.maximum(time_s - onset * period_s, 0.0) / 0.08))
    time_s[onset] = time_s[onset + 1]
    part = Part("dc_link_voltage", time_s, volts, "V", "Test.link", 1.0)
    measured = SimpleNamespace(
        attempt=Attempt(onset, 80, 89, onset_seen=True, ended_by="level"), top_v=400.0, unsure_between_s=1e-4
    )
    bound_s = soonest_bound(
        cast(Link, SimpleNamespace(part=part, noise_v=0.3, step_v=1.0)), cast(Measurement, measured)
    )
    assert bound_s is not None
    assert bound_s > 0.075  # rounding to 1 V moves a bound by some percent


def test_noise_and_no_reading_at_all_bound_nothing() -> None:
    volts = np.random.default_rng(1).normal(5.0, 0.3, 200)
    assert bound_of_pairs(0.01 * np.arange(200), PACK_V - volts, room_v=1.0, unsure_s=0.0) is None
    assert bound_of_pairs(np.zeros(0), np.zeros(0), room_v=1.0, unsure_s=0.0) is None
