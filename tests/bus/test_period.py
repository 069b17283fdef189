"""The pace of an identifier: quantiles by hand, and who counts as periodic."""

from __future__ import annotations

import numpy as np
import pytest
from made_facts import MS, bus, message, silence

from logscope.bus.facts import BusFacts
from logscope.bus.period import Pace, pace_of, period_of


def test_a_pace_is_the_median_half_the_middle_half_and_what_nine_of_ten_keep() -> None:
    """0, 1 … 20 s: quartiles 5 and 15, the middle 10, five of a hundred below 1 and above 19."""
    pace = pace_of(np.random.default_rng(1).permutation(np.arange(21.0)))
    assert pace is not None
    assert (pace.typical_s, pace.spread_s, pace.low_s, pace.high_s) == pytest.approx((10.0, 5.0, 1.0, 19.0))


@pytest.mark.parametrize(("count", "known"), [(0, False), (1, False), (2, True), (3, True)])
def test_a_pace_needs_two_intervals(count: int, known: bool) -> None:
    assert (pace_of(np.full(count, 0.1)) is not None) == known


@pytest.mark.parametrize(
    ("typical", "spread", "periodic"),
    [(0.1, 0.0249, True), (0.1, 0.0251, False), (1.0, 0.25, True), (0.0, 0.0, False), (0.1, 0.0, True)],
)
def test_periodic_is_half_of_the_intervals_within_a_quarter_of_the_median(
    typical: float, spread: float, periodic: bool
) -> None:
    assert Pace(typical, spread, 0.0, 1.0).periodic == periodic


@pytest.mark.parametrize(
    ("intervals", "period"),
    [
        ([10, 10, 10, 10, 12], 10.4),  # the mean of all near the median, not the median
        ([10, 10, 10, 10, 7.6], 9.52),
        ([10, 10, 10, 10, 12.4], 10.48),  # a quarter off still counts
        ([10, 10, 10, 10, 12.6], 10.0),  # more does not: a lost frame, or one that waited
        ([10, 10, 10, 10, 7.4], 10.0),
        ([1, 5, 10, 20, 40], None),  # on events
        ([10], None),
    ],
)
def test_the_period_is_the_mean_of_the_intervals_near_the_median(intervals: list[float], period: float | None) -> None:
    assert period_of(np.array(intervals, np.float64)) == (None if period is None else pytest.approx(period))


def test_intervals_are_those_within_windows_in_seconds() -> None:
    """The step from one window to the next is no interval."""
    of = message(stamps_ns=np.array([0, 10, 30, 1000, 1015]) * MS, window=np.array([0, 0, 0, 1, 1]))
    assert of.intervals_s == pytest.approx([0.01, 0.02, 0.015])


@pytest.mark.parametrize(("extended", "text"), [(False, "01A"), (True, "0000001A")])
def test_identifiers_have_three_digits_or_eight(extended: bool, text: str) -> None:
    assert message(0x1A, extended=extended).identifier_text == text


@pytest.mark.parametrize(
    ("silent_ms", "per_s"),
    [
        (None, 5000.0),
        ((8_500, 9_500), 5000.0 / 1.5),  # held back over 9 s: the second counts from 8.5 s on
        ((8_000, 8_999), 5000.0),  # over before the second begins
        ((9_200, 9_900), 5000.0),  # begins in it
        ((8_500, 10_500), 5000.0),  # ends after it: its bits are not among those of the second
        ((8_500, 10_000), 5000.0 / 1.5),
    ],
)
def test_a_burst_after_a_stall_counts_over_the_stall(silent_ms: tuple[float, float] | None, per_s: float) -> None:
    """The busiest second ends at 10 s with 5000 bits."""
    silences = () if silent_ms is None else (silence(*silent_ms),)
    made: BusFacts = bus([], busiest_bits=5000, busiest_ns=10_000 * MS, silences=silences)
    assert made.busiest_bits_per_s == pytest.approx(per_s)
