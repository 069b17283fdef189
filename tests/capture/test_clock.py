"""Stamps that are wrong, jump or wrap; made by hand, since no published log with known faults is at hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logscope.capture.clock import SECOND_NS, WRAPS_NS, Clock

MS = 1_000_000
HOUR = 3600 * SECOND_NS


def mend(stamps: np.ndarray, pieces: int = 1) -> tuple[np.ndarray, Clock]:
    """The stamps on one clock, read in so many blocks."""
    clock = Clock()
    cut = [block for block in np.array_split(stamps, pieces) if block.size]
    ahead = [*cut[1:], np.empty(0, np.int64)]
    return np.concatenate([clock.mend(block, after) for block, after in zip(cut, ahead, strict=True)]), clock


def steady(count: int = 200, start: int = 1_772_355_600 * SECOND_NS) -> np.ndarray:
    return start + np.arange(count, dtype=np.int64) * 10 * MS


@pytest.mark.parametrize("pieces", [1, 2, 7, 200])
def test_sound_stamps_stay_as_they_are(pieces: int) -> None:
    stamps = steady()
    stamps[50] -= 30 * MS  # another bus, a little out of order
    mended, clock = mend(stamps, pieces)
    assert np.array_equal(mended, stamps)
    assert (clock.repaired, clock.wraps, clock.steps, clock.gaps) == (0, 0, [], [])


@pytest.mark.parametrize("pieces", [1, 3, 200])
@pytest.mark.parametrize("off", [-HOUR, 5 * SECOND_NS, 400 * 24 * HOUR])
@pytest.mark.parametrize("where", [1, 99, 100, 198])
def test_a_single_stamp_far_off_is_set_to_the_one_before(pieces: int, off: int, where: int) -> None:
    stamps = steady()
    wrong = stamps.copy()
    wrong[where] += off
    mended, clock = mend(wrong, pieces)
    assert clock.repaired == 1
    assert not clock.steps
    assert not clock.gaps
    assert mended[where] == stamps[where - 1]
    assert np.array_equal(np.delete(mended, where), np.delete(stamps, where))


@pytest.mark.parametrize("pieces", [1, 3, 200])
@pytest.mark.parametrize("step", [-HOUR, 400 * 24 * HOUR])
def test_a_lasting_jump_of_the_clock_is_taken_out_and_noted(pieces: int, step: int) -> None:
    stamps = steady()
    stepped = stamps.copy()
    stepped[100:] += step
    mended, clock = mend(stepped, pieces)
    assert len(clock.steps) == 1
    assert clock.steps[0].at_ns == stamps[99]
    assert clock.steps[0].step_ns == pytest.approx(step, abs=20 * MS)
    assert np.all(np.diff(mended) >= 0)
    assert mended[-1] - mended[0] == pytest.approx(stamps[-1] - stamps[0], abs=20 * MS)


@pytest.mark.parametrize("pieces", [1, 3, 200])
@pytest.mark.parametrize("span", WRAPS_NS)
def test_a_counter_that_wraps_is_unrolled(pieces: int, span: int) -> None:
    true = np.arange(300, dtype=np.int64) * 10 * MS + span - SECOND_NS
    mended, clock = mend(true % span, pieces)
    assert np.array_equal(mended, true)
    assert clock.wraps == 1


@pytest.mark.parametrize("pieces", [1, 3, 7, 300])
@pytest.mark.parametrize("span", WRAPS_NS)
@pytest.mark.parametrize("late_ms", [15, 95, 900])
def test_a_counter_that_wraps_while_buses_come_out_of_order_is_unrolled(pieces: int, span: int, late_ms: int) -> None:
    """Every third frame comes late, so that before the wrap and after it stand mixed in the log."""
    true = np.arange(300, dtype=np.int64) * 10 * MS + span - SECOND_NS
    late = np.where(np.arange(300) % 3 == 1, late_ms * MS, 0)
    true = true[np.argsort(true + late, kind="stable")]
    mended, clock = mend(true % span, pieces)
    assert np.array_equal(mended, true)
    assert clock.wraps == 1
    assert not clock.steps
    assert clock.repaired == 0


@pytest.mark.parametrize("pieces", [1, 3, 300])
@pytest.mark.parametrize("span", WRAPS_NS[:1])
def test_a_counter_that_wraps_again_and_again_is_unrolled(pieces: int, span: int) -> None:
    true = np.arange(600, dtype=np.int64) * 500 * MS + span - SECOND_NS
    mended, clock = mend(true % span, pieces)
    assert np.array_equal(mended, true)
    assert clock.wraps == int(true[-1] // span)


@pytest.mark.parametrize("pieces", [1, 3, 200])
@pytest.mark.parametrize("span", WRAPS_NS)
def test_a_single_stamp_that_only_looks_like_a_wrap_is_none(pieces: int, span: int) -> None:
    """It fell by the range of a counter, and the next ones go on as before: there was no wrap."""
    true = steady(start=10 * span)
    wrong = true.copy()
    wrong[99] -= span
    mended, clock = mend(wrong, pieces)
    assert np.array_equal(mended, true)
    assert clock.wraps == 0
    assert not clock.steps


@pytest.mark.parametrize("pieces", [1, 3, 200])
def test_time_without_data_stays_and_is_noted(pieces: int) -> None:
    stamps = steady()
    stamps[100:] += 90 * SECOND_NS
    mended, clock = mend(stamps, pieces)
    assert np.array_equal(mended, stamps)
    assert [(g.start_ns, g.end_ns) for g in clock.gaps] == [(stamps[99], stamps[100])]


@pytest.mark.parametrize("pieces", [1, 3])
@pytest.mark.parametrize("off", [-400 * 24 * HOUR, HOUR])
def test_a_log_that_begins_with_a_wrong_stamp_begins_at_the_next(pieces: int, off: int) -> None:
    wrong = steady()
    wrong[0] += off
    mended, clock = mend(wrong, pieces)
    assert clock.repaired == 1
    assert mended[0] == steady()[1]
    assert np.array_equal(mended[1:], steady()[1:])


@pytest.mark.parametrize("pieces", [1, 3])
@pytest.mark.parametrize(("silent", "is_time"), [(90 * SECOND_NS, True), (20 * HOUR, True), (40 * HOUR, False)])
def test_a_log_may_begin_with_a_silence_of_less_than_a_day(pieces: int, silent: int, is_time: bool) -> None:
    """One frame as the bus wakes, then none: where the stamps of a logger count from does not change with that."""
    stamps = steady()
    stamps[1:] += silent
    mended, clock = mend(stamps, pieces)
    assert np.array_equal(mended[1:], stamps[1:])
    assert (mended[0] == stamps[0], clock.repaired) == (is_time, 0 if is_time else 1)
    assert [(g.start_ns, g.end_ns) for g in clock.gaps] == ([(stamps[0], stamps[1])] if is_time else [])


@given(st.lists(st.integers(0, 2**62), min_size=1, max_size=60), st.integers(1, 5))
def test_any_stamps_give_a_clock_that_does_not_fall_back_far(stamps: list[int], pieces: int) -> None:
    mended, _ = mend(np.array(stamps, dtype=np.int64), pieces)
    assert mended.size == len(stamps)
    assert np.all(mended - np.maximum.accumulate(mended) >= -SECOND_NS)
