"""Small parts of the search in payloads: signs, flips, stretches, missing messages, descriptions, by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from logscope.payload import selector, stretches
from logscope.payload.counters import Counter, _judged, find_counters, missing_before
from logscope.payload.description_length import costs, flip_rates_of
from logscope.payload.fields import Field, from_lowest, room_above
from logscope.payload.flips import flip_counts, flip_rates
from logscope.payload.partition import cheapest
from logscope.payload.signedness import is_signed


def column(values: list[int] | np.ndarray, bits: int = 8) -> np.ndarray:
    """Values as little-endian payloads of one byte, or of two."""
    return np.array(values, np.int64).astype("<u2" if bits > 8 else "u1").view(np.uint8).reshape(len(values), -1)


# ------------------------------------------------------------------------------------------- signs


@pytest.mark.parametrize(
    ("values", "bits", "signed"),
    [
        ([2, 1, 0, 255, 254, 255, 0], 8, True),  # through zero by small steps
        ([126, 127, 128, 129, 127], 8, False),  # through the middle
        ([10, 10, 10], 8, False),  # never there
        ([25, 256 - 0, 25], 8, False),
        ([12, 243, 12, 12], 8, True),  # by 25 of 256
        ([13, 242, 13, 13], 8, False),  # by 27, more than a tenth, and but twice
        ([0, 255, 0, 255, 127, 128], 8, True),  # more often through zero than through the middle
        ([0, 255, 127, 128, 127, 128], 8, False),
        ([0, 255, 127, 128], 8, False),  # as often
        ([40, 190, 40, 190, 40], 8, True),  # by jumps: 106 with a sign, 150 without
        ([40, 190, 40, 190], 8, False),  # three of them show too little
        ([60, 188, 60, 188, 60], 8, False),  # 128 either way
        ([3, 0, 3, 0, 3], 2, False),  # two bits have no room for a sign
    ],
)
def test_the_sign_shows_where_a_number_passes(values: list[int], bits: int, signed: bool) -> None:
    assert is_signed(Field(0, bits), column([each % 256 for each in values])) == signed


def test_three_bits_have_room_for_a_sign() -> None:
    """0 and 7 are neighbours of a signed number: an eighth apart with jumps alone, four times."""
    assert is_signed(Field(0, 3), column([0, 7, 0, 7, 0]))
    assert not is_signed(Field(0, 3), column([3, 4, 3, 4, 3]))


# ------------------------------------------------------------------------------------------- flips


def test_flips_are_counted_bit_by_bit() -> None:
    rows = np.array([[0b0001, 0x80], [0b0010, 0x80], [0b0010, 0x00], [0b0011, 0x80]], np.uint8)
    assert flip_counts(rows).tolist() == [2, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2]
    assert flip_rates(rows)[[0, 1, 15]] == pytest.approx([2 / 3, 1 / 3, 2 / 3])
    assert flip_rates(rows[:1]).tolist() == [0] * 16
    assert flip_rates_of(rows, np.array([0, 2]), np.array([1, 3]))[[0, 1, 7, 15]].tolist() == [1.0, 0.5, 0.0, 0.5]


# --------------------------------------------------------------------------------------- stretches


def test_a_long_log_is_shown_by_eight_stretches_from_its_first_row_to_its_last() -> None:
    assert stretches.stretches(80, 80) == [slice(0, 80)]
    parts = stretches.stretches(81, 80)
    assert [part.stop - part.start for part in parts] == [10] * 8
    assert (parts[0].start, parts[-1].stop) == (0, 81)
    before, after = stretches.neighbours(801, 80)
    assert (after - before).tolist() == [1] * 72
    assert (before.min(), after.max()) == (0, 800)
    assert not set(range(10, 113)) & set(after.tolist())  # 113 = 791 / 7, the second begins there


@pytest.mark.parametrize(("changes", "taken"), [(100, True), (101, False)])
def test_of_a_bit_that_rarely_changes_each_change_counts(changes: int, taken: bool) -> None:
    rows = np.zeros((4000, 2), np.uint8)
    toggles = 200 + 2 * np.arange(changes)
    rows[:, 1] = np.cumsum(np.isin(np.arange(4000), toggles)) % 2
    before, after = stretches.telling_neighbours(rows, 80)
    assert (set(toggles.tolist()) <= set(after.tolist())) == taken
    assert (after - before == 1).all()
    assert after.size <= 72 + (changes if taken else 0)


# ---------------------------------------------------------------------------------------- counters


@pytest.mark.parametrize(
    ("span", "step", "values", "missing"),
    [
        (16, 1, [3, 4, 6, 6, 5, 0], [0, 0, 1, 15, 14, 10]),
        (15, 1, [13, 14, 0, 2], [0, 0, 0, 1]),
        (16, -1, [3, 2, 0, 15], [0, 0, 1, 0]),
        (16, 3, [0, 3, 9, 12], [0, 0, 1, 0]),
        (16, 2, [0, 2, 6, 7], [0, 0, 1, 1]),  # a step that shares a factor: that something is missing is all
    ],
)
def test_missing_messages_by_a_counter(span: int, step: int, values: list[int], missing: list[int]) -> None:
    counter = Counter(Field(0, 4), step, 0, span - 1, 1.0)
    assert missing_before(counter, np.array(values, np.int64)).tolist() == missing


@pytest.mark.parametrize(
    ("values", "step"),
    [
        (np.arange(100) % 10, 1),
        (-np.arange(100) % 10, -1),
        (4 * np.arange(100) % 41, 4),
        (5 * np.arange(100) % 41, None),  # more than four at once
        (np.repeat(np.arange(50), 2) % 10, None),
        (np.where(np.arange(101) % 5 == 4, 0, np.arange(101)) % 97, None),
    ],
)
def test_a_counter_steps_by_one_to_four_either_way(values: np.ndarray, step: int | None) -> None:
    at = np.arange(values.size - 1)
    counter, fits = _judged(values.astype(np.int64), at, at + 1, Field(0, 8))
    assert (None if counter is None else counter.step) == step
    if counter is not None:
        assert counter.share == pytest.approx(np.mean(fits))
        assert (counter.low, counter.high, counter.span) == (values.min(), values.max(), np.ptp(values) + 1)


@pytest.mark.parametrize(("lost", "found"), [(19, True), (21, False)])
def test_a_fifth_of_the_steps_may_not_fit(lost: int, found: bool) -> None:
    """Of a hundred steps so many are the double of the others."""
    steps = np.ones(100, np.int64)
    steps[np.linspace(0, 99, lost).astype(int)] = 2
    values = np.concatenate(([0], np.cumsum(steps))) % 16
    at = np.arange(100)
    counter, fits = _judged(values, at, at + 1, Field(0, 4))
    assert (counter is not None) == found
    assert np.count_nonzero(fits) == 100 - lost


@pytest.mark.parametrize(("rows", "flips", "found"), [(51, 50, 1), (50, 49, 0), (101, 99, 1), (101, 97, 0)])
def test_a_bit_that_flips_each_time_is_a_counter_of_two(rows: int, flips: int, found: int) -> None:
    steps = np.ones(rows - 1, np.int64)
    steps[: rows - 1 - flips] = 0
    values = np.concatenate(([0], np.cumsum(steps))) % 2
    assert len(find_counters(column(values))) == found


@pytest.mark.parametrize(("rows", "found"), [(15, 0), (16, 1)])
def test_a_counter_needs_sixteen_frames(rows: int, found: int) -> None:
    assert len(find_counters(column(np.arange(rows)))) == found


# ----------------------------------------------------------------------------------------- fields


@pytest.mark.parametrize("big", [False, True])
def test_a_field_from_its_lowest_bit_has_that_bit_first(big: bool) -> None:
    """In a payload of three bytes; a big-endian field grows towards the first byte."""
    for lowest in range(24):
        room = room_above(lowest, 3, big)
        assert room == (lowest // 8 + 1) * 8 - lowest % 8 if big else room == 24 - lowest
        for bits in (1, min(5, room), room):
            field = from_lowest(lowest, bits, big)
            assert (field.positions()[0], field.bits, field.big_endian) == (lowest, bits, big)
            assert field.mask() == sum(1 << place for place in field.positions())
    assert Field(4, 4).within_a_byte
    assert not Field(5, 4).within_a_byte


# ------------------------------------------------------------------------------------ descriptions


@pytest.mark.parametrize(
    ("values", "bits"),
    [
        ([1, 1, 1, 1, 1], 0.0),  # one class of changes, without a digit
        ([0, 1, 2, 3, 4], 0.0),
        ([0, 1, 0, 1, 0], 5.0),  # up and down by turns: 4 × 1 bit, and ½·log2 4 for the second class
        ([0, 2, 4, 6, 8], 4.0),  # 2 or 3: a digit each
        ([0, 2, 4, 6, 7], 7.245),  # 3·log2 4/3 + 2 for the classes, three digits, and 1
        ([0, 4, 8, 12, 16, 20, 24, 28, 32], 7.849),  # the changes of the changes: 3 + 7·log2 8/7, two digits, ½·log2 8
        # as these, 3·log2 4/3 + 2, seven digits and 1; the highest bit is restless, 2 × 4 × 0.9; seven bits below
        # it, which never move, cost a bit for each of its four changes
        ([0, 128, 0, 128, 0], 11.245 + 7.2 + 28.0),
    ],
)
def test_the_length_of_a_description_by_hand(values: list[int], bits: float) -> None:
    rows, at = column(values), np.arange(len(values) - 1)
    usable = np.zeros(8, np.bool_)
    usable[[0, 7]] = True
    found = costs(rows, at, at + 1, usable)
    assert found[0, 0, 8] == pytest.approx(bits, abs=2e-3)
    assert np.isinf(found[1]).all()  # begins at a bit that is not usable
    assert np.isinf(found[0, 0, 2:8]).all()  # ends at one
    assert found[7, 1, 1] == found[7, 0, 1]  # one bit has no order


def test_a_short_field_that_crosses_bytes_costs_more() -> None:
    at = np.arange(4)
    found = costs(column(np.zeros(5, np.int64), 16), at, at + 1, np.ones(16, np.bool_))
    assert [found[4, 0, 4], found[6, 0, 4], found[6, 0, 5]] == [0.0, 8.0, 0.0]
    assert [found[14, 1, 2], found[14, 1, 4], found[14, 1, 5]] == [0.0, 8.0, 0.0]


# ------------------------------------------------------------------------------------- the division


def test_the_cheapest_division_is_that_of_all_ways_to_cut_a_byte() -> None:
    """Against every division of eight bits, of which three may be left out."""
    rng = np.random.default_rng(6)
    for _ in range(5):
        prices = np.full((8, 2, 33), np.inf)
        prices[:, 0, 1:9] = rng.integers(1, 100, (8, 8))
        for lowest in range(8):
            prices[lowest, :, 9 - lowest :] = np.inf
        free = np.isin(np.arange(8), rng.choice(8, 3, replace=False))
        lowest_price, best = np.inf, None
        for cuts in itertools.product((False, True), repeat=7):
            edges = [0, *(k + 1 for k, cut in enumerate(cuts) if cut), 8]
            pieces = list(itertools.pairwise(edges))
            optional = [p for p in pieces if p[1] - p[0] == 1 and free[p[0]]]
            price = sum(
                0.0 if piece in optional else float(prices[piece[0], 0, piece[1] - piece[0]]) for piece in pieces
            )
            if price < lowest_price:
                lowest_price, best = price, [Field(a, b - a) for a, b in pieces if (a, b) not in optional]
        assert list(cheapest(prices, free, np.zeros(8, np.bool_))) == best


def test_no_field_lies_over_a_barred_bit_and_either_order_crosses_bytes() -> None:
    prices = np.full((16, 2, 33), np.inf)
    prices[:, 0, 1] = 10.0
    prices[4, 0, 8] = 1.0  # bits 4 to 11, little endian
    free, barred = np.ones(16, np.bool_), np.zeros(16, np.bool_)
    free[4:12] = False
    assert cheapest(prices, free, barred) == (Field(4, 8),)
    barred[7] = True
    assert cheapest(prices, free, barred) == tuple(Field(k, 1) for k in (4, 5, 6, 8, 9, 10, 11))
    prices[12, 1, 8] = 1.0  # bits 12 to 15 and 0 to 3, big endian
    free, barred = np.ones(16, np.bool_), np.zeros(16, np.bool_)
    free[[0, 1, 2, 3, 12, 13, 14, 15]] = False
    assert cheapest(prices, free, barred) == (from_lowest(12, 8, True),)
    prices[:, 1, 1] = 10.0
    for bit in (12, 15, 0, 3):  # the lowest and the highest bit of the field, and those at the bytes' border
        only = barred.copy()
        only[bit] = True
        assert len(cheapest(prices, free, only)) == 7
    barred[[4, 11]] = True  # its neighbours are none of it
    assert cheapest(prices, free, barred) == (from_lowest(12, 8, True),)


# ------------------------------------------------------------------------------------- the selector


def test_bits_to_describe_are_the_entropy_of_a_change() -> None:
    """Shannon: one bit at one half, 0.8113 at a quarter, none where it is certain."""
    found = selector._bits_to_describe(np.array([0.0, 0.25, 0.5, 0.75, 1.0]))
    assert found == pytest.approx([0.0, 0.8112781, 1.0, 0.8112781, 0.0], abs=1e-6)


@pytest.mark.parametrize(
    ("values", "share"),
    [([0, 1, 2, 0, 1, 2, 0], 1.0), ([0, 0, 1, 1, 0, 0], 1.0), ([0, 1, 0, 2, 0, 1], 4 / 5), ([0, 0, 0], 0.0)],
)
def test_values_that_take_turns_follow_as_mostly(values: list[int], share: float) -> None:
    assert selector._in_turn(np.array(values), 3) == pytest.approx(share)


def test_candidates_begin_at_a_byte_or_a_half_byte() -> None:
    found = selector._candidates(2)
    assert {each.start for each in found} == {0, 4, 8, 12}
    assert max(each.bits for each in found if each.start % 8 == 0) == 8
    assert max(each.bits for each in found if each.start % 8 == 4) == 4
    assert [each.bits for each in found] == sorted(each.bits for each in found)
