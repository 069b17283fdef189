"""When a field selects what a payload holds: each guard on both sides of its edge, on made payloads.

The rules are common practice, no published source.
"""

from __future__ import annotations

import numpy as np
import pytest

from logscope.payload.counters import Counter
from logscope.payload.fields import Field
from logscope.payload.segmentation import Sort, segment
from logscope.payload.selector import find_selector

ONE_BIT = Field(0, 1)


def selected(pages: np.ndarray, held: np.ndarray | None = None) -> np.ndarray:
    """Byte 0 is the page; the other three bytes are what that page holds, always the same."""
    contents = np.random.default_rng(6).integers(0, 256, (256, 3)) if held is None else held
    return np.column_stack([pages, contents[pages]]).astype(np.uint8)


def found_in(rows: np.ndarray) -> Field | None:
    return find_selector(rows, np.zeros(8 * rows.shape[1], np.bool_))


def only(*places: int) -> np.ndarray:
    """All bits of four bytes but these, which alone may select."""
    barred = np.ones(32, np.bool_)
    barred[list(places)] = False
    return barred


def in_blocks(changes: int, count: int = 61) -> np.ndarray:
    """Pages 0 and 1 in blocks, with so many changes from frame to frame."""
    return np.cumsum(np.isin(np.arange(count), np.linspace(2, count - 2, changes).round())) % 2


@pytest.mark.parametrize(("changes", "found"), [(18, True), (17, False)])
def test_a_selector_changes_in_three_frames_of_ten(changes: int, found: bool) -> None:
    """Sixty steps."""
    pages = in_blocks(changes)
    assert np.count_nonzero(np.diff(pages)) == changes
    assert (found_in(selected(pages)) == ONE_BIT) is found


@pytest.mark.parametrize(("often", "found"), [(6, True), (5, False)])
def test_each_value_of_a_selector_comes_six_times(often: int, found: bool) -> None:
    pages = np.zeros(30, np.int64)
    pages[2 : 2 + 4 * often : 4] = 1
    assert (found_in(selected(pages)) == ONE_BIT) is found


@pytest.mark.parametrize(("count", "found"), [(64, True), (65, False)])
def test_a_selector_has_sixty_four_values_at_most(count: int, found: bool) -> None:
    """Even pages, so that no fewer bits than seven tell them apart, and one odd one."""
    pages = np.repeat(np.tile([*range(0, 128, 2), 1][:count], 3), 2)
    assert (find_selector(selected(pages), only(*range(8))) == Field(0, 7)) is found


@pytest.mark.parametrize(("odd_steps", "found"), [(12, True), (14, False)])
def test_the_values_of_a_selector_take_turns(odd_steps: int, found: bool) -> None:
    """Three pages in turn, 0 1 2; of sixty steps some go the other way round."""
    steps = np.where(np.isin(np.arange(61), np.linspace(2, 58, odd_steps).round()), 2, 1)
    pages = np.cumsum(steps) % 3
    assert (find_selector(selected(pages), only(0, 1)) == Field(0, 2)) is found


@pytest.mark.parametrize(("bits", "others", "found"), [(4, 0, True), (4, 2, True), (2, 0, False), (2, 2, False)])
def test_a_division_by_the_selector_saves_three_bits(bits: int, others: int, found: bool) -> None:
    """So many bits follow the page, which changes in half of the frames: to describe each of them takes one bit.

    So do the others, which follow nothing.
    """
    held = np.zeros((256, 3), np.int64)
    held[1] = [(1 << bits) - 1, 0, 0]
    pages = np.cumsum(np.arange(401) % 2) % 2
    rows = selected(pages, held)
    rows[:, 3] = np.random.default_rng(2).integers(0, 1 << others, pages.size)
    assert (find_selector(rows, only(0)) is not None) is found


@pytest.mark.parametrize(("noise", "found"), [(9, True), (11, False)])
def test_a_selector_leaves_six_tenths_at_most(noise: int, found: bool) -> None:
    """Of what changes by a bit a frame, seven bits follow the page; so many others follow nothing."""
    rng = np.random.default_rng(3)
    pages = np.cumsum(np.arange(4001) % 2) % 2
    follows = pages * 0x7F
    others = rng.integers(0, 1 << noise, pages.size)
    rows = np.column_stack([pages, follows, others & 0xFF, others >> 8]).astype(np.uint8)
    assert (find_selector(rows, only(0)) is not None) is found


def test_only_the_first_frames_are_looked_at() -> None:
    """4096 of them, in which nothing selects anything."""
    pages = np.concatenate((np.zeros(4096, np.int64), np.arange(6000) // 2 % 2))
    assert found_in(selected(pages)) is None
    assert found_in(selected(pages[::-1])) == ONE_BIT


def test_a_whole_counter_may_select_and_a_part_of_it_may_not() -> None:
    pages = np.tile(np.arange(4), 30)
    rows, page = selected(pages), only(0, 1, 2)
    assert find_selector(rows, page, [Counter(Field(0, 2), 1, 0, 3, 1.0)]) == Field(0, 2)
    assert find_selector(rows, page, [Counter(Field(0, 3), 1, 0, 3, 1.0)]) == Field(0, 3)
    assert find_selector(rows, page, [Counter(Field(0, 4), 1, 0, 3, 1.0)]) is None
    assert find_selector(rows, page, [Counter(Field(8, 4), 1, 0, 3, 1.0)]) == ONE_BIT  # what is left alternates


def test_the_contents_of_each_page_have_fields_of_their_own() -> None:
    """Page 0 holds a number of ten bits, page 1 a flag; what counts on with the pages is the selector, no counter."""
    rng = np.random.default_rng(5)
    count = 3000
    pages = np.arange(count) % 2
    number = (np.cumsum(rng.normal(0, 1.2, count)) * 2 + 500).astype(np.int64) & 0x3FF
    flag = (np.cumsum(rng.random(count) < 0.02) % 2) << 5
    first, second = np.where(pages == 0, number & 0xFF, 0x40 | flag), np.where(pages == 0, number >> 8, 0xA0)
    cut = segment(np.column_stack([pages, first, second, 0 * pages]).astype(np.uint8))
    assert cut.selector == ONE_BIT
    assert cut.counters == ()
    assert cut.taken == 1
    assert [(each.field, each.selected_by) for each in cut.segments if each.sort is Sort.SELECTOR] == [(ONE_BIT, None)]
    assert [(each.field.start, each.selected_by) for each in cut.segments if each.sort is Sort.NUMBER] == [(8, 0)]
    assert [(each.field, each.selected_by) for each in cut.segments if each.sort is Sort.FLAG] == [(Field(13, 1), 1)]
    assert cut.segments[0].sort is Sort.SELECTOR
