"""What is known of the pack's voltage: a median, its error, and which readings count; by hand and by scipy."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from limits_study import LimitsStudy
from scipy import stats

from logscope.checks.precharge.measure import _highest_end
from logscope.observations.dc_link.link import (
    PACK_MISMATCH,
    Link,
    observed_step,
    pack_highest_at,
    pack_level,
    pack_lowest,
    pack_voltage,
)
from logscope.observations.dc_link.rises import Attempt
from logscope.signals import Part, Signals

T = np.arange(0.0, 20.0, 0.1)


def pack(value: np.ndarray, step: float = 0.0, time_s: np.ndarray = T) -> Signals:
    part = Part("battery_voltage", time_s, value, "V", "Pack.Voltage", step or None)
    return Signals({"battery_voltage": part}, 0.0, 20.0)


def test_the_error_of_the_level_is_that_of_a_median() -> None:
    """scipy: the standard deviation of the median of n normal readings is √(π/2)·σ/√n."""
    study = LimitsStudy()
    for seed in range(60):
        level = pack_level(pack(350.0 + np.random.default_rng([seed, 85]).normal(0.0, 0.5, T.size)), 0.0, 20.0)
        assert level is not None
        study.add(350.0, level.volts, level.volts - level.within_v, level.volts + level.within_v)
    study.judge()
    assert level.within_v == pytest.approx(1.96 * np.sqrt(np.pi / 2) * 0.5 / np.sqrt(T.size), rel=0.2)
    draws = np.median(np.random.default_rng(1).normal(0.0, 0.5, (4000, T.size)), axis=1)
    assert level.within_v == pytest.approx(stats.norm.ppf(0.975) * draws.std(), rel=0.25)


def test_rounding_alike_for_all_readings_is_in_the_limits() -> None:
    level = pack_level(pack(np.full(T.size, 350.0), 0.5), 0.0, 20.0)
    assert level is not None
    assert level.within_v == pytest.approx(0.25)


def test_a_controller_that_is_not_awake_says_nothing_of_the_pack() -> None:
    """Below three tenths of its own highest reading; and nothing below 20 V is a pack."""
    value = np.where(T < 5.0, 0.0, 350.0)
    assert pack_voltage(pack(value), 0.0, 4.9) is None
    assert pack_voltage(pack(value), 0.0, 20.0) == 350.0
    assert pack_voltage(pack(np.full(T.size, 19.0)), 0.0, 20.0) is None
    assert pack_voltage(pack(np.full(T.size, 21.0)), 0.0, 20.0) == 21.0


def test_readings_that_may_be_late_count_about_a_moment() -> None:
    """One reading each 0.1 s may be 0.15 s late beyond one and a half periods: what lies within 0.3 s counts."""
    value = np.where((T > 9.95) & (T < 10.05), 400.0, 350.0)
    value = np.where((T > 14.95) & (T < 15.05), 300.0, value)
    for away_s, most in ((0.0, 400.0), (0.25, 400.0), (-0.25, 400.0), (0.36, 350.0), (-0.36, 350.0)):
        assert pack_highest_at(pack(value), 10.0 + away_s) == most
    lowest = pack_lowest(pack(value), np.array([14.64, 14.75, 15.25, 15.36]))
    assert lowest is not None
    assert lowest.tolist() == [350.0, 300.0, 300.0, 350.0]
    assert pack_highest_at(pack(value), 30.0) is None


def test_the_step_of_readings_is_the_coarser_one_that_all_keep_to() -> None:
    """Levels 2 V apart of a signal defined to 0.1 V; fewer than ten show nothing but a leap."""
    stairs = Part("dc_link_voltage", T, 2.0 * np.floor(T * 0.6), "V", "Link.V", 0.1)
    assert observed_step(stairs) == 2.0
    for levels, step in ((10, 2.0), (9, 0.1), (4, 0.1)):
        few = Part("dc_link_voltage", T, 2.0 * (np.arange(T.size) % levels), "V", "Link.V", 0.1)
        assert observed_step(few) == step


@pytest.mark.parametrize(
    ("pack_V", "own_V", "highest_V"),
    [
        (None, None, inf),
        (350.0, None, 350.0 * (1 + PACK_MISMATCH)),  # two sensors may differ
        (None, 340.0, 340.0 * 1.02),  # by its own sensor, once the contactor has joined it
        (350.0, 340.0, 340.0 * 1.02),
        (300.0, 340.0, 300.0 * (1 + PACK_MISMATCH)),  # the lower of the two, whichever that is
    ],
)
def test_a_link_is_charged_to_the_lowest_of_what_pack_and_closed_contactor_show(
    pack_V: float | None, own_V: float | None, highest_V: float
) -> None:
    at = np.arange(0.0, 4.0, 0.01)
    volts = np.interp(at, [1.0, 1.5], [0.0, own_V or 340.0])
    parts = [Part("dc_link_voltage", at, volts, "V", "Made.Link")]
    if pack_V is not None:
        parts.append(Part("battery_voltage", at, np.full(at.size, pack_V), "V", "Made.Pack"))
    attempt = Attempt(100, 150, 399, onset_seen=True, ended_by="log end", contactor_s=None if own_V is None else 1.6)
    link = Link(parts[0], 0.1, 0.01, 0.01, 0.0, None, 0.0)
    found = _highest_end(Signals({part.name: part for part in parts}, 0.0, 4.0), link, attempt)
    assert found == pytest.approx(highest_V, abs=0.1)
