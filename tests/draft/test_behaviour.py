"""What signals do: against scipy, pandas and the exponential charge curve."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logscope.draft.behaviour import goes_with, reads_the_same, slopes, spells, tracks, voltage_shape

T = np.arange(0, 20, 0.02)


def charge(tau: float = 0.15, start: float = 3.0, level: float = 320.0) -> np.ndarray:
    return np.where(start > T, 0.0, level * (1 - np.exp(-np.maximum(T - start, 0) / tau)))


def test_a_charge_curve_is_a_gradual_rise_between_the_times_of_its_equation() -> None:
    """v = V(1 − e^(−t/RC)) passes 20 % at 0.223 RC and 80 % at 1.609 RC."""
    shape = voltage_shape(T, charge())
    assert shape is not None
    assert shape.rise is not None
    assert shape.gradual
    assert shape.rise.start_s == pytest.approx(3 - 0.15 * np.log(0.8), abs=0.02)
    assert shape.rise.end_s == pytest.approx(3 - 0.15 * np.log(0.2), abs=0.02)


@pytest.mark.parametrize("between", [[], [200.0], [200.0, 200.0, 200.0]])
def test_a_monitor_that_wakes_up_is_no_gradual_rise(between: list[float]) -> None:
    volts = np.concatenate([np.zeros(100), between, np.full(800, 320.0)])
    shape = voltage_shape(np.arange(volts.size) * 0.02, volts)
    assert shape is not None
    assert shape.sinks
    assert not shape.gradual


def test_a_twelve_volt_supply_and_a_spike_are_no_rise() -> None:
    assert voltage_shape(T, np.full(T.size, 13.8)) is None
    spike = np.where(np.abs(T - 5) < 0.03, 320.0, 0.0)
    assert voltage_shape(T, spike) is None


def test_a_rise_that_falls_back_at_once_is_not_the_one_that_stays() -> None:
    volts = np.where((T > 1) & (T < 1.2), 320.0, charge(start=5.0))
    shape = voltage_shape(T, volts)
    assert shape is not None
    assert shape.rise is not None
    assert shape.rise.start_s == pytest.approx(5.0, abs=0.1)


def test_speeds_at_a_fixed_ratio_track_and_others_do_not() -> None:
    road = np.clip(60 * np.sin(T / 6), 0, None)
    coarse = np.arange(0, 20, 0.05)
    assert tracks(T, 70 * road, coarse, np.interp(coarse, T, road)) == pytest.approx(70, rel=0.01)
    assert tracks(T, -70 * road, T, road) == pytest.approx(-70, rel=0.01)
    assert tracks(T, 900 + 30 * road, T, road) is None  # an engine that idles
    assert tracks(T, np.full(T.size, 10.0), T, np.full(T.size, 5.0)) is None


def test_two_sources_of_one_quantity_read_the_same_and_a_pack_and_its_link_do_not() -> None:
    assert reads_the_same(T, charge(), T, charge() + 1)
    assert not reads_the_same(T, charge(), T, np.full(T.size, 320.0))


@pytest.mark.parametrize("count", [8, 30])
def test_a_direction_is_shown_where_the_interval_of_the_correlation_lies_clear(count: int) -> None:
    """scipy.stats.pearsonr, whose confidence interval is Fisher's too; 1.96 is not quite the normal quantile."""
    rng = np.random.default_rng(count)
    amps, noise, seconds = rng.normal(0, 1, count), rng.normal(0, 0.3, count), np.arange(float(count))
    shown = []
    for slope in np.linspace(-1.5, 1.5, 61):
        volts = slope * amps + noise
        interval = stats.pearsonr(np.diff(amps), np.diff(volts)).confidence_interval(0.95)
        if min(abs(interval.low - 0.3), abs(interval.high + 0.3)) > 1e-4:
            shown.append(1 if interval.low > 0.3 else -1 if interval.high < -0.3 else 0)
            assert goes_with(seconds, amps, seconds, volts) == shown[-1]
    assert set(shown) == {-1, 0, 1}


def test_slopes_are_those_of_a_resampled_series() -> None:
    """pandas resample."""
    rng = np.random.default_rng(3)
    times, value = np.sort(rng.uniform(0, 30, 400)), rng.normal(0, 1, 400)
    series = pd.Series(value, index=pd.to_datetime(times, unit="s"))
    expected = series.resample("1s", origin="epoch").mean().diff().to_numpy()[1:]
    assert slopes(times, value) == pytest.approx(expected)


@given(st.lists(st.booleans(), min_size=1, max_size=40))
def test_spells_are_the_runs_of_on(states: list[bool]) -> None:
    """itertools.groupby."""
    at, expected = 0, []
    for on, run in itertools.groupby(states):
        length = len(list(run))
        if on:
            expected.append((float(at), float(at + length) if at + length < len(states) else float("inf")))
        at += length
    assert spells(np.arange(len(states), dtype=float), np.array(states)) == expected
