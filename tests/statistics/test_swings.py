"""Turning points against the worked example of ASTM E1049 and against scipy's peaks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from logscope.statistics.swings import reversals


def test_reversals_of_the_example_in_astm_e1049() -> None:
    """Figure 6 of ASTM E1049-85: −2, 1, −3, 5, −1, 3, −4, 4, −2; each but the ends is a reversal."""
    peaks = np.array([-2.0, 1, -3, 5, -1, 3, -4, 4, -2])
    between = np.interp(np.arange(0, 8.01, 0.25), np.arange(9), peaks)
    assert reversals(between, 0.5) == [4 * k for k in range(1, 8)]


def test_swings_smaller_than_asked_are_left_out() -> None:
    assert reversals(np.array([0.0, 10, 9, 10.5, 0, 1, 0, 8]), 3.0) == [3, 4]  # of equal lows the first


@pytest.mark.parametrize("seed", range(5))
def test_high_turns_are_peaks_of_that_prominence(seed: int) -> None:
    """scipy.signal.find_peaks with the same prominence finds every high turn between two low ones."""
    rng = np.random.default_rng(seed)
    value = np.cumsum(rng.normal(0, 1, 400))
    turns = reversals(value, 4.0)
    highs = [t for t in turns[1:-1] if value[t] > value[turns[turns.index(t) - 1]]]
    peaks = find_peaks(value, prominence=4.0)[0]
    inner = peaks[(peaks > turns[0]) & (peaks < turns[-1])]
    assert len(highs) >= 4
    assert set(highs) == set(inner.tolist())


def test_a_straight_line_has_none() -> None:
    assert reversals(np.arange(50.0), 1.0) == []
    assert reversals(np.zeros(0), 1.0) == []
