"""Payloads cut into fields, against the fields that were written into them."""

from __future__ import annotations

import numpy as np
import pytest
from test_counters import written

from logscope.payload.fields import Field
from logscope.payload.segmentation import Sort, segment

ROWS = 3000


def drive(seed: int) -> np.ndarray:
    """A speed that rises and falls on both sides of zero, with a little noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(ROWS) / 100
    return 900 * np.sin(0.5 * t) * np.sin(0.07 * t) + rng.normal(0, 2, ROWS)


def level(seed: int) -> np.ndarray:
    rng = np.random.default_rng([seed, 1])
    return 600 + np.cumsum(rng.normal(0, 0.3, ROWS)) + rng.normal(0, 1.5, ROWS)


def found(rows: np.ndarray, sort: Sort = Sort.NUMBER) -> set[Field]:
    return {each.field for each in segment(rows).segments if each.sort is sort}


@pytest.mark.parametrize("big", [False, True])
def test_two_numbers_and_a_counter_side_by_side_are_cut_where_they_meet(big):
    speed, volts, count = (Field(7, 12, True), Field(11, 12, True), Field(32, 4)) if big else (
        Field(0, 12), Field(12, 12), Field(32, 4)
    )  # fmt: skip
    rows = written(speed, np.int64(drive(1)) & 0xFFF, np.zeros((ROWS, 6), np.uint8))
    rows = written(volts, np.int64(level(1)), rows)
    rows = written(count, np.arange(ROWS) % 16, rows)
    cut = segment(rows).segments
    first = next(each for each in cut if each.field.mask() & speed.mask())
    assert first.field == speed
    assert first.signed
    # Of the voltage the two highest bits never change.
    second = next(each for each in cut if each.field.mask() & volts.mask())
    assert second.field.positions()[0] == volts.positions()[0]
    assert not second.field.mask() & ~volts.mask()
    assert second.field.big_endian == big or second.field.within_a_byte
    assert not second.signed
    assert found(rows, Sort.COUNTER) == {count}


def test_a_field_over_three_bytes_keeps_its_order():
    value = np.int64(drive(2) * 40) + 100_000
    for field in (Field(5, 20, True), Field(2, 20)):
        assert any(
            each.big_endian == field.big_endian and each.positions()[0] == field.positions()[0]
            for each in found(written(field, value, np.zeros((ROWS, 8), np.uint8)))
        )


def test_a_selector_divides_the_frames_and_each_content_has_its_own_fields():
    page = np.arange(ROWS) % 3
    rows = written(Field(0, 8), page, np.zeros((ROWS, 4), np.uint8))
    for number, field in enumerate((Field(8, 12), Field(15, 12, True), Field(16, 10))):
        part = written(field, np.int64(level(number + 5)), rows)
        rows[page == number] = part[page == number]
    cut = segment(rows)
    assert cut.selector is not None
    assert cut.selector.positions()[0] == 0
    assert {each.selected_by for each in cut.segments if each.sort is Sort.NUMBER} == {0, 1, 2}


def test_marks_for_no_value_and_repeated_readings_leave_the_boundaries():
    value = np.repeat(np.int64(level(7)), 3)[:ROWS]
    value[[400, 401, 1900]] = 0xFFF
    rows = written(
        Field(12, 12), value, written(Field(0, 12), np.int64(drive(7)) & 0xFFF, np.zeros((ROWS, 3), np.uint8))
    )
    assert {each.positions()[0] for each in found(rows)} == {0, 12}


def test_bits_that_are_known_already_are_in_no_field():
    rows = written(Field(0, 16), np.int64(level(8)), np.zeros((ROWS, 4), np.uint8))
    assert segment(rows, excluded=0xFFFF).segments == ()


def test_a_payload_that_never_changes_has_no_field():
    assert segment(np.full((100, 8), 0x5A, np.uint8)).segments == ()
    assert segment(np.zeros((0, 8), np.uint8)).segments == ()
