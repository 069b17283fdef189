"""Count-method encoder: its resolution, and interference that follows the current."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.simulate.encoder import (
    Encoder,
    EncoderFault,
    Fault,
    Interference,
    count_speed,
    interfere,
    lay_out,
    read_speed,
)


def test_step_is_that_of_a_published_example():
    # MCU+ SDK quadrature example: 4000 counts, 10 ms window: 1.5 rpm a count
    assert Encoder(4000.0, 0.01).step_rpm == pytest.approx(1.5)


def test_reading_of_a_published_example():
    # the same example: 5 kHz quadrature (20 000 counts/s) of 4000 counts a turn reads 300 rpm
    angle = 300 * 2 * pi / 60 * 0.01
    assert count_speed(Encoder(4000.0, 0.01), 1.0, 1.0 + angle) == pytest.approx(300.0, abs=1.5)


@given(speed=st.floats(-9000, 9000), begin=st.floats(0, 1e4))
def test_reading_is_within_one_count(speed, begin):
    encoder = Encoder(240.0, 0.01)
    reading = count_speed(encoder, begin, begin + speed * 2 * pi / 60 * 0.01)
    assert abs(reading - speed) <= encoder.step_rpm * 1.001
    assert reading / encoder.step_rpm == pytest.approx(round(reading / encoder.step_rpm), abs=1e-6)


def _runs(current, seed=1, windows=60000):
    encoder = Encoder()
    laid = lay_out(encoder, windows, (), (Interference(0.0, 600.0, 0.5, 500.0),), np.random.default_rng(seed))
    runs, left = 0, 0.0
    for window in range(windows):
        before = left
        added, left = interfere(encoder, laid, window, current, left)
        runs += before <= 0 and (left > 0 or added != 0)  # one of a single window that adds less than a count is missed
    return runs


def test_interference_comes_in_proportion_to_the_current():
    # 0.5 runs a second at 100 A over 600 s: 300; Poisson, so within five standard deviations
    at_100, at_300 = _runs(100.0), _runs(300.0)
    assert _runs(0.0) == 0
    assert at_100 == pytest.approx(300, abs=5 * 300**0.5)
    assert at_300 == pytest.approx(3 * at_100, rel=0.25)


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (Fault.NONE, 1100.0), (Fault.SPIKE, 1600.0), (Fault.DROPOUT, 0.0),
        (Fault.HOLD, 900.0), (Fault.REVERSAL, -1100.0),
    ],
)  # fmt: skip
def test_scripted_fault_changes_the_reading(fault, expected):
    assert read_speed(1000.0, 100.0, 900.0, int(fault), 500.0) == expected


def test_scripted_fault_holds_for_its_windows_only():
    fault = EncoderFault(Fault.DROPOUT, 1.0, 1.03)
    laid = lay_out(Encoder(), 500, (fault,), (), np.random.default_rng(0))
    assert np.flatnonzero(laid.fault).tolist() == [100, 101, 102]
