"""The field that says what a payload holds, where its frames take turns in carrying different things.

From one frame to the next everything changes then; among the frames of one value of the selector hardly anything does.
So the selector is the field that leaves the fewest bits to describe when the frames are divided by it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.payload.counters import Counter
from logscope.payload.fields import Bytes, Field
from logscope.payload.flips import flip_rates

_MOST_ROWS = 4096
_MOST_VALUES = 64
_ROWS_PER_VALUE = 6
_AS_GOOD = 1.1
_LEAST_CHANGES = 0.3  # of the frames: a selector that stays put selects nothing within a log
_MOST_LEFT = 0.6  # of the bits to describe
_LEAST_IN_TURN = 0.8  # of its values, followed by the same one as mostly: the contents take turns
_LEAST_BITS = 3.0  # of each frame that the division saves: more than a field that moves along with the selector


def find_selector(rows: Bytes, barred: BoolArray, counters: Sequence[Counter] = ()) -> Field | None:
    """The selector of the payloads of one identifier, or None; it holds none of the barred bits.

    counters : a part of one selects nothing, although the rest of it depends on that part
    """
    if len(rows) < 4 * _ROWS_PER_VALUE:
        return None
    rows = rows[:_MOST_ROWS]
    rates = flip_rates(rows)
    whole = _bits_to_describe(rates)
    found: list[tuple[float, float, Field]] = []  # bits left, share in turn, field
    for field in _candidates(rows.shape[1]):
        places = list(field.positions())
        within = any(field.mask() & each.field.mask() and field.bits < each.field.bits for each in counters)
        if within or barred[places].any() or rates[places].max() < _LEAST_CHANGES / 2:
            continue
        values = field.values(rows)
        each, counts = np.unique(values, return_counts=True)
        changes = float(np.mean(values[1:] != values[:-1]))
        if not 2 <= each.size <= _MOST_VALUES or counts.min() < _ROWS_PER_VALUE or changes < _LEAST_CHANGES:
            continue
        in_turn = _in_turn(np.searchsorted(each, values), each.size)
        if in_turn < _LEAST_IN_TURN:
            continue
        free = np.ones(rates.size, np.bool_)
        free[places] = False
        before = float(np.sum(whole[free]))
        divided = [(count / len(rows), rows[values == value]) for value, count in zip(each, counts, strict=True)]
        left = sum(share * float(np.sum(_bits_to_describe(flip_rates(part))[free])) for share, part in divided)
        if left <= _MOST_LEFT * before and before - left >= _LEAST_BITS:
            found.append((left, in_turn, field))
    if not found:
        return None
    # Part of a content may divide the frames nearly as well; it does not take turns as strictly, and comes later.
    enough = _AS_GOOD * min(left for left, _, _ in found) + 0.5
    return min(
        (-round(in_turn, 2), field.bits, field.start, field) for left, in_turn, field in found if left <= enough
    )[3]


def _candidates(length: int) -> list[Field]:
    """Narrow fields first; from the lower end of a byte or a half byte on, where selectors lie."""
    return [
        Field(8 * byte + low, bits)
        for bits in range(1, 9)
        for byte in range(length)
        for low in (0, 4)
        if low + bits <= 8
    ]


def _in_turn(values: IndexArray, count: int) -> float:
    """The share of values that follow as the commonest one after the value before; repeats do not count."""
    moved = values[1:] != values[:-1]
    pairs = np.bincount(values[:-1][moved] * count + values[1:][moved], minlength=count * count).reshape(count, count)
    return float(pairs.max(axis=1).sum() / max(pairs.sum(), 1))


def _bits_to_describe(rates: FloatArray) -> FloatArray:
    """The entropy of each bit's change from frame to frame [bits]."""
    p = np.clip(rates, 1e-12, 1 - 1e-12)
    return np.asarray(-p * np.log2(p) - (1 - p) * np.log2(1 - p))
