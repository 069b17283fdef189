"""When rows are read, and what one counting window reads; the functions themselves, uncompiled, by hand."""

from __future__ import annotations

from math import exp, pi

import numpy as np
import pytest

from logscope.simulate.encoder import (
    Encoder,
    EncoderFault,
    Fault,
    Interference,
    _counted,
    count_speed,
    interfere,
    lay_out,
    read_speed,
)
from logscope.simulate.sampling import at_rows, largest_since, noisy, sending_times, within

ENCODER = Encoder(counts_per_rev=100.0, window_s=0.01)


def test_rows_hold_until_the_next_and_the_last_for_ever() -> None:
    column = np.array([10.0, 20.0, 30.0])
    assert at_rows(column, 0.5, np.array([0.0, 0.49, 0.5, 1.0, 9.0])).tolist() == [10.0, 10.0, 20.0, 30.0, 30.0]


@pytest.mark.parametrize(("span_s", "size"), [(0.1, 1), (0.2, 2), (0.3, 3), (0.01, 1)])
def test_the_largest_is_that_of_the_rows_up_to_now(span_s: float, size: int) -> None:
    column = np.random.default_rng(1).normal(0.0, 1.0, 30)
    expected = [column[max(k - size + 1, 0) : k + 1].max() for k in range(30)]
    assert largest_since(column, 0.1, span_s).tolist() == expected


def test_a_span_holds_its_beginning_and_not_its_end() -> None:
    inside = within([(1.0, 2.0), (3.0, 4.0)], np.array([0.9, 1.0, 1.9, 2.0, 3.5, 4.0]))
    assert inside.tolist() == [False, True, True, False, True, False]


def test_messages_come_at_their_period_with_a_hundredth_of_it_as_jitter() -> None:
    times = sending_times(np.random.default_rng(2), 0.1, 1000.0)
    assert times.size in (9999, 10_000, 10_001)
    assert times[0] >= 0.0
    assert times[-1] <= 1000.0
    steps = np.diff(times)
    assert steps.mean() == pytest.approx(0.1, rel=1e-4)
    assert steps.std() == pytest.approx(0.001 * np.sqrt(2.0), rel=0.03)
    fast = np.diff(sending_times(np.random.default_rng(3), 0.001, 20.0))
    assert fast.std() == pytest.approx(5e-5 * np.sqrt(2.0), rel=0.03)  # never less than 50 µs
    assert noisy(np.random.default_rng(4), np.full(20_000, 3.0), 2.0).std() == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(
    ("turns", "counts"), [(0.0, 0), (0.0099, 0), (0.0101, 1), (0.505, 50), (1.005, 100), (-0.005, -1), (-1.005, -101)]
)
def test_edges_are_counted_from_the_angle(turns: float, counts: int) -> None:
    assert _counted.py_func(ENCODER, turns * 2.0 * pi) == counts


def test_lost_edges_leave_a_gap_at_the_end_of_each_turn() -> None:
    worn = ENCODER._replace(lost_counts=10.0)
    turns = (0.895, 0.95, 0.999, 1.0001, 1.055)
    assert [_counted.py_func(worn, each * 2.0 * pi) for each in turns] == [89, 90, 90, 90, 95]


def test_a_target_off_its_centre_is_ahead_in_the_first_half_of_a_turn() -> None:
    off = ENCODER._replace(eccentricity=0.1)
    # a quarter turn and 0.1 rad: (0.25 + 0.1/2π) · 100 = 26.6; three quarters less it: 73.4
    assert [_counted.py_func(off, each * 2.0 * pi) for each in (0.25, 0.75)] == [26, 73]


def test_one_count_in_a_window_is_sixty_over_counts_and_window() -> None:
    assert ENCODER.step_rpm == pytest.approx(60.0)
    assert count_speed.py_func(ENCODER, 0.001 * 2 * pi, 0.052 * 2 * pi) == pytest.approx(300.0)
    assert count_speed.py_func(ENCODER, 0.052 * 2 * pi, 0.001 * 2 * pi) == pytest.approx(-300.0)


@pytest.mark.parametrize(
    ("code", "reading"),
    [(Fault.NONE, 1030.0), (Fault.SPIKE, 1530.0), (Fault.DROPOUT, 0.0), (Fault.HOLD, 900.0), (Fault.REVERSAL, -1030.0)],
)
def test_a_scripted_fault_changes_the_reading(code: Fault, reading: float) -> None:
    assert read_speed.py_func(1000.0, 30.0, 900.0, int(code), 500.0) == reading


def test_faults_and_interference_are_laid_out_by_window() -> None:
    found = lay_out(
        ENCODER, 100, [EncoderFault(Fault.SPIKE, 0.10, 0.13, 400.0), EncoderFault(Fault.HOLD, 0.50, 0.50)],
        [Interference(0.2, 0.4, 5.0, 90.0)], np.random.default_rng(1),
    )  # fmt: skip
    assert np.flatnonzero(found.fault).tolist() == [10, 11, 12, 50]
    assert found.fault[[10, 50]].tolist() == [1, 3]
    assert found.fault_rpm[[9, 10, 12, 13]].tolist() == [0.0, 400.0, 400.0, 0.0]
    assert np.flatnonzero(found.rate == 5.0).tolist() == list(range(20, 40))
    assert found.size_rpm[[19, 20, 39, 40]].tolist() == [0.0, 90.0, 90.0, 0.0]
    many = lay_out(ENCODER, 40_000, [], [], np.random.default_rng(2))
    assert many.length.mean() == pytest.approx(3.0, rel=0.03)  # windows, of each run


@pytest.mark.parametrize(("above", "begins"), [(-1e-9, True), (1e-9, False)])
def test_a_run_begins_with_the_chance_of_its_rate_and_current(above: float, begins: bool) -> None:
    """50 runs a second at 100 A; at 40 A, 0.2 in a window: 1 − e^−0.2."""
    laid = lay_out(ENCODER, 1, [], [Interference(0.0, 1.0, 50.0, 130.0)], np.random.default_rng(1))
    laid = laid._replace(chance=np.array([1 - exp(-0.2) + above]), length=np.array([3.0]), deviate=np.array([1.0]))
    added, left = interfere.py_func(ENCODER, laid, 0, 40.0, 0.0)
    assert (added, left) == ((120.0, 2.0) if begins else (0.0, 0.0))  # 130 rpm in whole counts of 60
    assert interfere.py_func(ENCODER, laid, 0, 0.0, 2.0) == (120.0, 1.0)  # a run that has begun lasts
