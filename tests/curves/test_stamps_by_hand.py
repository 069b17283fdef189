"""What stamps are worth, and which clocks fit them: made stamps, each number by hand.

A uniform error over a length has that length over √12 as its deviation (ISO 3534-1). Controllers' clocks are 100 ppm
off (quartz, common practice).
"""

from __future__ import annotations

from math import hypot

import numpy as np
import pytest

from logscope.curves import timestamps
from logscope.curves.timestamps import (
    Known,
    Timestamps,
    counted_times,
    counted_timestamps,
    grid_of,
    sensor_clock,
    timestamps_of,
)

UNIFORM = 12.0**-0.5


@pytest.mark.parametrize(
    ("time_s", "grid_s"),
    [
        ([0.0, 0.05, 0.1, 0.3], 0.05),
        ([3.0, 3.002, 3.006], 0.002),
        ([0.0, 0.0002, 0.0006], 0.0002),
        ([0.0, 0.0001, 0.0003], 0.0),  # a tenth of a millisecond is no grid
        ([0.0, 0.05, 0.100001], 0.05),  # a hundredth of the finest grid is rounding
        ([0.0, 0.05, 0.100003], 0.0),
        ([0.0], 0.0),
        ([], 0.0),
    ],
)
def test_a_grid_is_the_coarsest_that_all_stamps_lie_on(time_s: list[float], grid_s: float) -> None:
    assert grid_of(np.array(time_s)) == pytest.approx(grid_s)


FINE = np.cumsum(np.tile([0.0201, 0.0199], 100)) + 0.00003
COARSE = np.round(np.arange(200) * 0.05, 6)


@pytest.mark.parametrize(
    ("time_s", "message_s", "repeats", "error_s", "known"),
    [
        (FINE, 0.02, True, 0.02 * UNIFORM, Known.SURELY),
        (COARSE, 0.05, True, hypot(0.05, 0.05) * UNIFORM, Known.SURELY),
        (COARSE, 0.05, False, hypot(0.05, 0.05) * UNIFORM, Known.AT_MOST),
        (COARSE, 0.16, False, hypot(0.16, 0.05) * UNIFORM, Known.AT_MOST),
        (COARSE, 0.17, False, 0.05 * UNIFORM, Known.BY_SCATTER),  # less than 0.3 of a period
        (COARSE, 0.17, True, 0.17 * UNIFORM, Known.SURELY),
    ],
)
def test_the_error_of_a_stamp_is_that_of_age_and_grid(
    time_s: np.ndarray, message_s: float, repeats: bool, error_s: float, known: Known
) -> None:
    assert timestamps_of(time_s, message_s, repeats) == Timestamps(pytest.approx(error_s), known)


def test_stamps_that_scatter_are_known_by_those_that_are_used() -> None:
    """Noise of the kept ones alone; two of them show none."""
    rng = np.random.default_rng(3)
    time_s = 0.1 * np.arange(400) + rng.normal(0.0, 1e-3, 400)
    assert timestamps_of(time_s, 0.1, False).error_s == pytest.approx(1e-3, rel=0.15)
    even = 0.1 * np.arange(100) + 1e-9 * rng.normal(size=100)
    assert timestamps_of(time_s, 0.1, False, even).error_s < 1e-6
    assert timestamps_of(time_s, 0.1, False, time_s[:2]) == Timestamps(0.0, Known.BY_SCATTER)
    assert counted_timestamps(0.05) == Timestamps(pytest.approx(5e-4), Known.COUNTED)


def sent(period_s: float, grid_s: float, count: int = 100) -> np.ndarray:
    return np.round(np.ceil((0.0031 + period_s * np.arange(count)) / grid_s - 1e-9) * grid_s, 9)


@pytest.mark.parametrize(
    ("time_s", "counted"),
    [
        (sent(0.0123, 0.01), True),
        (sent(0.0123, 0.01)[:10], True),
        (sent(0.0123, 0.01)[:9], False),
        (sent(0.0321, 0.01), True),  # the grid is 0.31 of the period
        (sent(0.0343, 0.01), False),  # 0.29
        (np.delete(sent(0.0123, 0.01), 50), False),  # one is missing: more than a period and a step apart
    ],
)
def test_messages_on_a_coarse_grid_are_counted_where_none_may_be_missing(time_s: np.ndarray, counted: bool) -> None:
    found = counted_times(time_s)
    assert (found is not None) is counted
    if found is not None:
        apart_s = np.diff(found.time_s)
        assert apart_s == pytest.approx(apart_s[0])
        late_s = time_s - found.time_s  # the middle line: as far from its earliest stamp as from its latest
        assert late_s.max() == pytest.approx(-late_s.min(), abs=1e-9)
        assert late_s.max() <= 0.005 * (1 + 1e-6)


@pytest.mark.parametrize(
    ("shortest_s", "longest_s", "grid_s", "limits"),
    [
        # a period of the grid, or of a half or a double of it, fits within two clocks
        (0.049, 0.051, 0.05, (0.05 * 0.9998, 0.05 * 1.0002)),
        (0.0245, 0.0255, 0.05, (0.025 * 0.9998, 0.025 * 1.0002)),
        (0.098, 0.102, 0.05, (0.1 * 0.9998, 0.1 * 1.0002)),
        (0.049995, 0.050005, 0.05, (0.049995, 0.050005)),  # the stamps know it better
        (0.0499, 0.0520, 0.05, (0.0499, 0.0520)),  # a twentieth of the range: it slipped
        (0.04987, 0.0520, 0.05, (0.05 * 0.9998, 0.05 * 1.0002)),
        (0.0480, 0.0501, 0.05, (0.0480, 0.0501)),
        (0.0510, 0.0520, 0.05, (0.0510, 0.0520)),
    ],
)
def test_stamps_that_never_slip_have_the_period_that_fits_their_grid(
    shortest_s: float, longest_s: float, grid_s: float, limits: tuple[float, float]
) -> None:
    assert timestamps._within_clocks(shortest_s, longest_s, grid_s) == pytest.approx(limits, abs=1e-12)


def test_a_clock_needs_five_readings_and_lies_between_them_and_their_messages() -> None:
    """Every 0.13 s, brought by a message every 0.05 s: each reading is no older than 0.05 s, by the middle of it."""
    first_s = np.ceil((0.004 + 0.13 * np.arange(30)) / 0.05) * 0.05
    turn = np.arange(30.0)
    clock = sensor_clock(first_s, turn, 0.05)
    assert clock is not None
    assert clock.period_s == pytest.approx(0.13, abs=3e-4)
    late_s = first_s - (clock.begin_s + clock.period_s * turn)
    assert late_s.min() == pytest.approx(0.05 - late_s.max(), abs=1e-9)
    assert 0.0 < clock.scale_error <= clock.most_error < 0.01
    assert sensor_clock(first_s[:4], turn[:4], 0.05) is None
    assert sensor_clock(first_s[:5], turn[:5], 0.05) is not None
    skipped = sensor_clock(first_s[::3], turn[::3], 0.05)  # the turns, not the rows, are counted
    assert skipped is not None
    assert skipped.period_s == pytest.approx(0.13, abs=1e-3)


def test_uneven_tasks_have_a_clock_up_to_a_fifth_of_their_grid() -> None:
    """Off by up to 15 % of the message's 0.05 s to either side: wider limits, but a clock; by 30 % none."""
    turn = np.arange(40.0)
    swing = np.where(turn % 2, 1.0, -1.0)
    even = 0.004 + 0.13 * turn
    wobbling = [np.ceil((even) / 0.05) * 0.05 + off * 0.05 * swing for off in (0.15, 0.3)]
    assert sensor_clock(wobbling[0], turn, 0.05) is not None
    assert sensor_clock(wobbling[1], turn, 0.05) is None


@pytest.mark.parametrize(("off", "counted"), [(0.09, True), (0.19, True), (0.25, False)])
def test_messages_that_are_sent_unevenly_are_counted_up_to_a_fifth_of_the_grid(off: float, counted: bool) -> None:
    """In turn early and late by that share of a grid of 10 ms; the stamps show 10 ms and twice as much more of room."""
    even = 0.0123 * np.arange(400)
    swing = np.where(np.arange(400) % 2, off, -off) * 0.01
    assert (counted_times(np.round(np.ceil((even + swing) / 0.01) * 0.01, 9)) is not None) is counted
