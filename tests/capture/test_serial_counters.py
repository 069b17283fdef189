"""Clocks that overflow, restart and stray. The truth is the time from which the counter was made."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture.serial_assemble import stray, unroll

MS = 1_000_000


def ns(*milliseconds):
    return np.array(milliseconds, np.int64) * MS


@given(
    start=st.integers(0, 2**16 - 1),
    period=st.integers(1, 100),
    jitter=st.lists(st.integers(0, 50), min_size=2, max_size=300),
)
def test_an_overflowing_counter_is_unrolled_to_the_time_it_counted(start, period, jitter):
    true = start + np.cumsum(np.array(jitter, np.int64) + period)
    clock = unroll((true % 2**16) * MS, 2**16 * MS, restarts=True)
    np.testing.assert_array_equal(clock.time_ns - clock.time_ns[0], (true - true[0]) * MS)
    assert clock.resets == 0
    assert clock.overflows == true[-1] // 2**16 - true[0] // 2**16


def test_a_restart_goes_on_after_the_least_time_that_can_have_passed():
    clock = unroll(ns(40_000, 40_010, 40_020, 500, 510, 520), 2**16 * MS, restarts=True)
    np.testing.assert_array_equal(clock.time_ns, ns(40_000, 40_010, 40_020, 40_520, 40_530, 40_540))
    assert (clock.resets, clock.overflows, clock.unplaced_resets) == (1, 0, 0)


def test_a_counter_set_back_to_a_high_value_goes_on_with_a_typical_step():
    clock = unroll(ns(900_000, 900_010, 900_020, 500_000, 500_010), None, restarts=True)
    np.testing.assert_array_equal(clock.time_ns, ns(900_000, 900_010, 900_020, 900_030, 900_040))
    assert (clock.resets, clock.unplaced_resets) == (1, 1)


def test_two_lines_in_the_wrong_order_are_no_restart():
    clock = unroll(ns(10, 20, 40, 30, 50, 60), None, restarts=True)
    np.testing.assert_array_equal(clock.time_ns, ns(10, 20, 40, 30, 50, 60))
    assert clock.resets == 0


def test_a_clock_of_the_computer_does_not_restart():
    clock = unroll(ns(900, 910, 100, 110), None, restarts=False)
    np.testing.assert_array_equal(clock.time_ns, ns(900, 910, 100, 110))


def test_a_single_value_apart_from_agreeing_neighbours_strays():
    ticks = ns(8_010, 8_020, 90_030, 8_040, 8_050, 60, 8_070, 8_080)
    assert stray(ticks, None).nonzero()[0].tolist() == [2, 5]


def test_gaps_restarts_and_overflows_do_not_stray():
    assert not stray(ns(10, 20, 9_000, 9_010, 9_020), None).any()
    assert not stray(ns(9_000, 9_010, 9_020, 10, 20), None).any()
    assert not stray(ns(65_520, 65_530, 4, 14), 2**16 * MS).any()


@given(st.lists(st.integers(0, 4 * 10**18), max_size=30), st.sampled_from([None, 2**16 * MS]))
def test_any_values_give_as_many_times(values, modulus):
    ticks = np.array(values, np.int64) if modulus is None else np.array(values, np.int64) % modulus
    assert unroll(ticks, modulus, restarts=True).time_ns.size == stray(ticks, modulus).size == len(values)
