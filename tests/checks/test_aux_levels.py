"""Levels of the 12 V side, by rows made by hand, a guard a row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from aux_pieces import blocks, logged, read, side_of
from scipy import stats

from logscope.checks.aux_supply.levels import blocks_of
from logscope.checks.aux_supply.supply import Levels, find_levels

t = np.arange(0.0, 60.0, 0.1)


def test_a_level_is_the_mean_with_limits_of_student_or_of_its_readings_and_their_rounding() -> None:
    """Limits by scipy.stats, and 1.96 standard deviations of the mean; two blocks do not show how far they differ."""
    volts = [13.6, 13.8, 13.7, 13.9]
    low, high = stats.t.interval(0.95, 3, loc=13.75, scale=stats.sem(volts))
    wide = blocks(volts, rounding_V=0.05).level
    assert (wide.value, wide.unit) == (pytest.approx(13.75), "V")
    assert (wide.low, wide.high) == pytest.approx((low - 0.05, high + 0.05))
    quiet = blocks([13.7] * 4, deviation_V=0.2).level
    assert (quiet.low, quiet.high) == pytest.approx((13.7 - 0.196, 13.7 + 0.196))
    two = blocks([13.0, 14.0], deviation_V=0.1).level
    assert (two.low, two.high) == pytest.approx((13.5 - 0.1386, 13.5 + 0.1386), abs=1e-4)
    three = blocks([13.0, 14.0, 15.0], deviation_V=0.1).level
    assert three.high == pytest.approx(14.0 + 2.4841, abs=1e-3)  # 4.3027 / √3, the t table at two degrees of freedom


@pytest.mark.parametrize(
    ("count", "every_s", "seen"), [(5, 10.0, False), (6, 4.0, True), (6, 3.9, False), (11, 2.0, True)]
)
def test_a_trend_needs_six_blocks_and_20_s(count: int, every_s: float, seen: bool) -> None:
    level = blocks([12.5 - 0.01 * k for k in range(count)], every_s=every_s)
    assert (level.trend is not None) is seen
    if level.trend is not None:
        assert level.trend.slope == pytest.approx(-0.01 / every_s)


def test_a_trend_is_as_unsure_as_deviation_and_rounding_together() -> None:
    """Weighted least squares of statsmodels; an error uniform within ±0.06 V has a deviation of 0.06 V/√3."""
    level = blocks([12.5 - 0.02 * k for k in range(12)], deviation_V=0.03, rounding_V=0.06)
    sigma = np.sqrt(0.03**2 + 0.0012)
    fit = sm.WLS(level.volts, sm.add_constant(level.time_s), np.full(12, sigma**-2)).fit()
    reach = stats.norm.ppf(0.975) * fit.bse[1] / np.sqrt(fit.scale)
    found = level.trend
    assert found is not None
    assert (found.high - found.low) / 2 >= 0.99 * reach
    assert (found.high - found.low) / 2 == pytest.approx(reach, rel=0.2)


def test_blocks_of_a_stretch_are_those_with_their_middle_in_it() -> None:
    level = blocks([1.0, 2.0, 3.0, 4.0])
    kept = level.since(3.0, 5.0)
    assert kept is not None
    assert (kept.time_s.tolist(), kept.volts.tolist(), kept.length_s) == ([3.0, 5.0], [2.0, 3.0], 2.0)
    assert level.since(3.1, 4.9) is None


def test_blocks_are_medians_over_two_seconds() -> None:
    """2 s hold 20 readings; a median of normal values has √(π/2) times the deviation of their mean (any textbook)."""
    volts = np.where((t % 2.0) < 0.55, 12.0, 13.5)
    found = blocks_of(t, volts, t < 6.85, 0.02, 0.1)
    assert found is not None
    assert found.time_s.tolist() == pytest.approx([0.95, 2.95, 4.95])  # the last has less than ten readings
    assert found.volts.tolist() == [13.5, 13.5, 13.5]
    assert found.deviation_V == pytest.approx(0.1 * 1.2533 / np.sqrt(20.0), rel=1e-3)
    assert (found.rounding_V, found.length_s) == (0.01, 2.0)
    with_half = blocks_of(t, volts, t < 6.95, 0.02, 0.1)
    assert with_half is not None
    assert with_half.time_s.tolist() == pytest.approx([0.95, 2.95, 4.95, 6.45])


def test_blocks_of_slow_readings_have_five_of_them() -> None:
    at = np.arange(0.0, 40.0, 1.0)
    found = blocks_of(at, 12.0 + 0.0 * at, at < 20.0, 0.0, 0.1)
    assert found is not None
    assert (found.time_s.tolist(), found.length_s) == ([2.0, 7.0, 12.0, 17.0], 5.0)
    assert found.deviation_V == pytest.approx(0.1 * 1.2533 / np.sqrt(5.0), rel=1e-3)


def test_blocks_end_where_rows_are_left_out_and_in_gaps() -> None:
    out = (t >= 2.95) & (t < 3.05)
    found = blocks_of(t, 12.0 + 0.0 * t, ~out & (t < 6.15), 0.0, 0.1)
    assert found is not None
    assert found.time_s.tolist() == pytest.approx([0.95, 2.45, 4.05, 5.6], abs=0.06)
    gap = t[(t < 2.95) | (t >= 3.35)]
    split = blocks_of(gap, 12.0 + 0.0 * gap, gap < 6.55, 0.0, 0.1)
    assert split is not None
    assert split.time_s.tolist() == pytest.approx([0.95, 2.45, 4.35, 5.95], abs=0.06)
    assert blocks_of(t, t, t < 0.85, 0.0, 0.1) is None  # nine readings of twenty
    assert blocks_of(t, t, t < 0.05, 0.0, 0.1) is None
    assert blocks_of(t, t, t < 0.0, 0.0, 0.1) is None


OFF = t < 30.0


def test_levels_are_those_of_the_settled_rows_with_the_converter_on_and_off() -> None:
    """The battery falls by 10 mV/s in the longer of two stretches, and stands at 12.15 to 12.2 V at its end."""
    volts = np.where(OFF, 12.5 - 0.01 * t, np.where(t < 45.0, 13.8, 12.0))
    side = side_of(t, volts, running=((t >= 30.0) & (t < 45.0)).astype(float))
    found = find_levels(side, logged())
    assert found.running is not None
    assert found.alone is not None
    assert found.fall_V_per_s is not None
    assert found.running.volts.tolist() == [13.8] * found.running.volts.size
    assert found.terminals is None
    assert (found.fall_V_per_s.value, found.fall_V_per_s.unit) == (pytest.approx(-0.01), "V/s")
    assert found.fall_V_per_s.low < -0.01 < found.fall_V_per_s.high < -0.009
    assert found.fall_from_V == pytest.approx(12.5 - 0.01 * 26.95, abs=0.002)  # the median of the last three blocks
    assert find_levels(replace(side, settled=~OFF), logged()).fall_V_per_s is None  # 15 s are too short for a trend


def test_a_side_without_a_known_state_has_no_levels() -> None:
    assert find_levels(side_of(t, 13.0), logged()) == Levels(None, None, None, None, None)


def test_a_converter_s_own_level_is_read_while_it_runs_and_is_awake() -> None:
    side = side_of(t, 13.5, running=(~OFF).astype(float))
    value = np.where(OFF, 12.0, np.where(t < 45.0, 13.9, 3.0))
    found = find_levels(side, logged(read("converter_voltage", t, value, 0.1))).terminals
    assert found is not None
    assert found.volts.tolist() == [13.9] * 8
    assert (found.rounding_V, found.deviation_V) == (
        0.05,
        pytest.approx(0.1 / 3.4641 * 1.25331 / np.sqrt(20.0), rel=1e-4),
    )
    assert find_levels(side, logged(read("converter_voltage", t[:1], 13.9))).terminals is None
    fine = find_levels(side, logged(read("converter_voltage", t, value))).terminals
    assert fine is not None
    assert (fine.rounding_V, fine.deviation_V) == (0.0, pytest.approx(0.001 * 1.25331 / np.sqrt(20.0), rel=1e-4))
