"""A device's clock onto ours. The oracles: known truth of made delays and drifts, and scipy's linear programming."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from logscope.capture.arrival import MAX_DRIFT, RESTART_NS, Envelope, skew

MS = 1_000_000


def _batches(count: int, stamp: np.ndarray, arrival: np.ndarray, size: int) -> np.ndarray:
    envelope, placed = Envelope(), []
    for start in range(0, count, size):
        some, envelope = envelope.onto(stamp[start : start + size], arrival[start : start + size])
        placed.append(some)
    return np.concatenate(placed)


@pytest.mark.parametrize("drift", [-100e-6, 0.0, 100e-6])
def test_stamps_are_placed_within_a_millisecond_of_the_truth(drift: float) -> None:
    """Through a way that takes 0.1 ms at least and up to 20 ms more, at 100 frames a second, for 20 minutes."""
    random = np.random.default_rng(3)
    truth = np.cumsum(random.exponential(10 * MS, 120_000)).astype(np.int64)
    stamp = (truth * (1 + drift)).astype(np.int64) + 5_000_000_000
    arrival = np.maximum.accumulate(truth + (0.1 * MS + random.exponential(4 * MS, truth.size)).astype(np.int64))
    placed = _batches(truth.size, stamp, arrival, 50)
    error = (placed - truth) / MS
    assert np.abs(error[1000:]).max() < 1.0
    assert np.abs(arrival - truth).max() / MS > 20  # what the arrival alone would be off


def test_a_slow_clock_that_falls_behind_for_hours_has_not_started_again() -> None:
    """190 ppm are 2.7 s in four hours, more than any delay; a clock that is 3 s late at once has started again."""
    arrival = np.arange(0, 4 * 3600, 10) * 1000 * MS
    slow = (arrival * (1 - 190e-6)).astype(np.int64)
    assert Envelope().onto(slow, arrival)[1].restarts == 0
    slow[700:] -= 3000 * MS
    assert Envelope().onto(slow, arrival)[1].restarts == 1


def test_the_offset_is_the_highest_line_under_the_delays() -> None:
    """Without drift: linear programming finds the same bound (scipy's HiGHS)."""
    random = np.random.default_rng(4)
    stamp = np.arange(0, 2000 * MS, 10 * MS)
    arrival = np.maximum.accumulate(stamp + random.integers(1 * MS, 9 * MS, stamp.size))
    delay = arrival - stamp
    found = linprog([-1.0], A_ub=np.ones((delay.size, 1)), b_ub=delay, bounds=[(None, None)])
    placed, _ = Envelope(max_drift=0.0).onto(stamp, arrival)
    assert placed[-1] - stamp[-1] == pytest.approx(found.x[0], abs=1)


def test_the_rate_of_a_clock_is_the_slope_of_the_closest_line_under_the_delays() -> None:
    """scipy's linear programming (HiGHS) on all samples: the line below all delays with the least sum of distances."""
    random = np.random.default_rng(6)
    own = np.arange(0, 60_000 * MS, 20 * MS)
    arrival = np.maximum.accumulate((own * 1.004).astype(np.int64) + random.integers(0, 16 * MS, own.size))
    x, delay = own / 1e9, (arrival - own) / 1e9
    line = np.column_stack([x, np.ones(x.size)])
    found = linprog(-line.sum(axis=0), A_ub=line, b_ub=delay, bounds=[(None, None)] * 2)
    assert skew(own, arrival) == pytest.approx(found.x[0], abs=5e-6)
    assert skew(own, arrival) == pytest.approx(0.004, abs=2e-5)
    assert skew(own[:1], arrival[:1]) == 0.0


def test_a_clock_that_starts_again_is_placed_anew() -> None:
    stamp = np.concatenate([np.arange(100) * MS + 10**12, np.arange(100) * MS])
    arrival = np.arange(200, dtype=np.int64) * MS + 3 * MS
    placed, known = Envelope().onto(stamp, arrival)
    assert known.restarts == 1
    assert np.abs(placed - arrival).max() < MS


@given(
    st.lists(st.tuples(st.integers(-(10**15), 10**15), st.integers(0, 10**9)), min_size=1, max_size=60),
    st.integers(1, 9),
)
def test_no_stamp_is_later_than_its_arrival_and_none_falls(pairs: list[tuple[int, int]], size: int) -> None:
    stamp = np.array([each for each, _ in pairs], np.int64)
    arrival = np.cumsum([each for _, each in pairs]).astype(np.int64)
    placed = _batches(stamp.size, stamp, arrival, size)
    assert np.all(placed <= arrival)
    assert np.all(np.diff(placed) >= 0)


def test_a_delay_shorter_than_a_restart_stays_a_delay() -> None:
    stamp = np.arange(100, dtype=np.int64) * 10 * MS
    arrival = stamp.copy()
    arrival[60:] = np.maximum(arrival[60:], arrival[60] + RESTART_NS // 2)
    placed, known = Envelope().onto(stamp, np.maximum.accumulate(arrival))
    assert known.restarts == 0
    assert np.abs(placed - stamp).max() <= MAX_DRIFT * 4e9


def onto(stamp_ms: list[float], arrival_ms: list[float], **known: float) -> tuple[list[float], Envelope]:
    """Stamps and arrivals in ms onto the arrivals' clock, and what is known then."""
    stamps, arrivals = (np.array([round(each * MS) for each in some], np.int64) for some in (stamp_ms, arrival_ms))
    placed, envelope = Envelope(**known).onto(stamps, arrivals)  # type: ignore[arg-type]
    return (placed / MS).tolist(), envelope


def test_the_least_delay_so_far_is_the_offset() -> None:
    """Delays of 5, 3, 4 and 2 ms: the second comes 2 ms after the first is placed by 5, the third is placed by 3."""
    placed, known = onto([0, 10, 20, 30], [5, 13, 24, 32], max_drift=0.0)
    assert placed == [5, 13, 23, 32]
    assert (known.base_ns, known.zero_ns, known.latest_ns, known.restarts) == (2 * MS, 5 * MS, 32 * MS, 0)


def test_the_offset_may_rise_by_the_drift_that_is_allowed() -> None:
    """By 200 ppm of 10 s, which are 2 ms: a delay of 5 ms after one of 2 is taken for 4."""
    placed, _ = onto([0, 10_000], [2, 10_005])
    assert placed == pytest.approx([2, 10_004], abs=1e-3)
    placed, _ = onto([0, 10_000], [2, 10_003.5])
    assert placed == pytest.approx([2, 10_003.5], abs=1e-3)


@pytest.mark.parametrize(("late_ms", "restarts"), [(2000, 0), (2001, 1)])
def test_a_stamp_more_than_two_seconds_back_shows_a_restart(late_ms: float, restarts: int) -> None:
    placed, known = onto([0, 5000 - late_ms], [3, 5003], max_drift=0.0)
    assert known.restarts == restarts
    assert placed == ([3, 5003] if restarts else [3, 3003])


def test_no_stamp_is_given_out_before_the_latest_of_the_batch_before() -> None:
    known = Envelope(base_ns=10.0 * MS, zero_ns=0, latest_ns=110 * MS, max_drift=0.0)
    placed, _ = known.onto(np.array([95, 105]) * MS, np.array([112, 116]) * MS)
    assert (placed / MS).tolist() == [110, 115]


@pytest.mark.parametrize("drift", [0.004, -0.004])
def test_the_rate_has_the_sign_of_the_faster_clock(drift: float) -> None:
    """Delays that grow by 4 ms a second: the arrivals' clock runs faster by that."""
    own = np.arange(0, 30_000, 100, dtype=np.int64) * MS
    assert skew(own, own + (own * drift).astype(np.int64) + 500 * MS) == pytest.approx(drift, rel=1e-3)
