"""A signal in a few characters: nothing short is lost, and old consoles show it too."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from logscope.survey.spark import LEVELS, spark_levels, spark_text

VALUES = arrays.arrays(np.float64, st.integers(1, 300), elements=st.floats(-1e9, 1e9))


@given(VALUES, st.integers(1, 20))
def test_lowest_and_highest_are_in_it_as_far_as_they_differ_from_the_median(value: np.ndarray, cells: int) -> None:
    levels = spark_levels(np.linspace(0, 1, value.size), value, (0.0, 1.0), cells)
    assert len(levels) == cells
    assert all(level is None or 0 <= level < LEVELS for level in levels)
    away = np.abs(value - np.median(value))
    furthest = value[np.flatnonzero(away == away.max())]
    if np.ptp(value) > 0 and np.unique(furthest).size == 1:  # the one that no other of its cell hides
        extreme = LEVELS - 1 if furthest[0] == value.max() else 0
        assert extreme in levels


def test_a_spike_of_one_sample_among_a_million_is_seen() -> None:
    value = np.zeros(1_000_000)
    value[654_321] = 5.0
    assert spark_levels(np.arange(1e6), value, (0.0, 1e6), 10) == [0, 0, 0, 0, 0, 0, 7, 0, 0, 0]


def test_a_stretch_without_samples_is_blank() -> None:
    time_s = np.array([0.1, 0.2, 0.8, 0.9])
    assert spark_text(spark_levels(time_s, np.array([1.0, 1.0, 2.0, 2.0]), (0.0, 1.0), 5)) == "▁▁  █"
    assert spark_levels(np.zeros(0), np.zeros(0), (0.0, 1.0), 2) == [None, None]


def test_a_value_that_never_changes_lies_at_the_bottom() -> None:
    assert set(spark_levels(np.arange(10.0), np.full(10, 3.0), (0.0, 9.0), 4)) == {0}


def test_every_console_can_show_it() -> None:
    for encoding in ("utf-8", "cp1252", "cp437", "ascii"):
        shown = spark_text(list(range(LEVELS)), encoding)
        assert len(set(shown)) == len(shown) == LEVELS
        shown.encode(encoding)
