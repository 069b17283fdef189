"""The field that follows a series, against numpy's correlation of every field by itself."""

from __future__ import annotations

import numpy as np
import pytest
from test_counters import written

from logscope.payload.fields import Field
from logscope.seeking.bit_planes import best_field


@pytest.mark.parametrize(
    ("field", "signed"), [(Field(3, 11), False), (Field(12, 13, True), True), (Field(40, 8), True)]
)
def test_the_best_of_all_fields_is_the_one_that_was_written(field: Field, signed: bool) -> None:
    rng = np.random.default_rng(4)
    series = np.cumsum(rng.normal(0, 1, 3000))
    series -= series.mean() if signed else series.min()
    half = (1 << field.bits - 1) - 1 if signed else (1 << field.bits) - 1
    raw = np.int64(series / np.max(np.abs(series)) * half * 0.95)
    rows = written(field, raw & ((1 << field.bits) - 1), rng.integers(0, 256, (3000, 8), dtype=np.uint8))
    found = best_field(rows, series)
    assert found is not None
    assert found[0].positions()[-1] == field.positions()[-1]
    assert found[1] == signed
    direct = np.corrcoef(found[0].values(rows, signed=found[1]), series)[0, 1] ** 2
    assert found[2] == pytest.approx(direct, abs=1e-6)


def test_barred_bits_are_in_no_field() -> None:
    rows = np.random.default_rng(1).integers(0, 256, (200, 2), dtype=np.uint8)
    found = best_field(rows, rows[:, 0].astype(float), barred=0xFF)
    assert found is not None
    assert not found[0].mask() & 0xFF
    assert best_field(np.zeros((50, 2), np.uint8), np.arange(50.0)) is None


def test_the_shortest_field_with_a_sign_has_three_bits() -> None:
    rows = np.random.default_rng(3).integers(0, 8, (400, 1), dtype=np.uint8)
    found = best_field(rows, np.where(rows[:, 0] >= 4, rows[:, 0] - 8.0, rows[:, 0]))
    assert found == (Field(0, 3), True, pytest.approx(1.0))
