"""The rules by which a checksum, a counter or a selector counts as one, each on both sides of its edge.

Checksums of crccheck are the oracle of what is calculated; ranks over GF(2) and shares are counted by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850, Crc16CcittFalse

from logscope.payload import checksums as c
from logscope.payload.checksums import Coverage, PayloadChecksum
from logscope.payload.counters import Counter, _apart, _end_of_a_clock, find_counters
from logscope.payload.fields import Field
from logscope.payload.segmentation import Segment, Segmentation, Sort, _bits, _by_place, _groups, masked, segment
from logscope.payload.selector import find_selector

ROWS = np.random.default_rng(2).integers(0, 256, (6, 4)).astype(np.uint8)


def rows_of(*values: int, length: int = 1) -> np.ndarray:
    return np.array(values, np.int64).astype(f"<u{max(length, 1)}").view(np.uint8).reshape(len(values), -1)


# ------------------------------------------------------------------------------------ what is calculated


@pytest.mark.parametrize(
    ("field", "algorithm", "coverage", "expected"),
    [
        (Field(24, 8), "xor8", (0, 1, 2), lambda r: r[0] ^ r[1] ^ r[2]),
        (Field(24, 8), "sum8", (0, 2), lambda r: (int(r[0]) + int(r[2])) & 0xFF),
        (Field(16, 16), "sum16", (0, 1), lambda r: int(r[0]) + int(r[1])),
        (Field(24, 8), "Crc8SaeJ1850", (0, 1, 2), lambda r: Crc8SaeJ1850.calc(r[:3].tobytes())),
        (Field(24, 8), "Crc8SaeJ1850", (2, 0), lambda r: Crc8SaeJ1850.calc(bytes([r[2], r[0]]))),
        (Field(16, 16), "Crc16CcittFalse", (0, 1), lambda r: Crc16CcittFalse.calc(r[:2].tobytes())),
        (Field(28, 4), "xor4", (0, 1, 2, 3),
         lambda r: (r[0] >> 4) ^ (r[0] & 15) ^ (r[1] >> 4) ^ (r[1] & 15) ^ (r[2] >> 4) ^ (r[2] & 15) ^ (r[3] & 15)),
        (Field(28, 4), "sum4", (0, 1, 2, 3),
         lambda r: sum(int(b >> 4) + int(b & 15) for b in (r[0], r[1], r[2], r[3] & 15)) & 15),
    ],
)  # fmt: skip
def test_a_checksum_is_calculated_as_the_library_does(field: Field, algorithm: str, coverage: tuple[int, ...],
                                                      expected) -> None:  # type: ignore[no-untyped-def]  # fmt: skip
    found = c._calculated(field, algorithm, Coverage(coverage), ROWS)
    assert found.tolist() == [int(expected(row)) for row in ROWS]


def test_zero_bytes_may_be_appended() -> None:
    found = c._calculated(Field(24, 8), "Crc8SaeJ1850", Coverage((0, 1), 2), ROWS)
    assert found.tolist() == [Crc8SaeJ1850.calc(row[:2].tobytes() + bytes(2)) for row in ROWS]


@pytest.mark.parametrize(("how", "difference"), [("xor", 0x30 ^ 0x55), ("subtract", 0xDB), ("add", 0x85)])
def test_the_stored_value_differs_by_a_constant(how: c.Difference, difference: int) -> None:
    """0x30 is stored and 0x55 is calculated, as the other byte is: 0x30 − 0x55 is −0x25, modulo 256."""
    made = np.array([[0x55, 0x30]], np.uint8)
    assert c._difference(Field(8, 8), "xor8", Coverage((0,)), how, made).tolist() == [difference]


def test_a_checksum_by_counter_holds_where_its_constant_is_unknown() -> None:
    """Byte 1 is byte 0 exclusive-or a constant for each count in byte 2."""
    made = np.array([[7, 7 ^ 5, 0], [9, 9 ^ 6, 1], [9, 9 ^ 7, 1], [9, 1, 2], [9, 1, 9]], np.uint8)
    counter = Counter(Field(16, 8), 1, 0, 2, 1.0)
    checksum = PayloadChecksum(Field(8, 8), "xor8", Coverage((0,)), "xor", (5, 6, None), counter, 1.0)
    assert checksum.holds(made).tolist() == [True, True, False, True, True]
    single = PayloadChecksum(Field(8, 8), "xor8", Coverage((0,)), "xor", (6,), None, 1.0)
    assert single.holds(made).tolist() == [False, True, False, False, False]


def test_where_a_checksum_may_be() -> None:
    places = list(c._places(3))
    assert places[:3] == [Field(0, 8), Field(8, 8), Field(16, 8)]
    assert places[3:7] == [Field(7, 16, True), Field(0, 16), Field(15, 16, True), Field(8, 16)]
    assert places[7:] == [Field(4 * half, 4) for half in range(6)]
    assert Field(7, 32, True) in list(c._places(4))


def test_what_a_checksum_may_cover() -> None:
    assert [each.bytes for each in c._coverages({2}, 5)] == [(0, 1, 3, 4), (0, 1), (3, 4)]
    assert [each.bytes for each in c._coverages({0}, 3)] == [(1, 2)]
    assert [each.bytes for each in c._coverages({3, 4}, 5)] == [(0, 1, 2)]


def test_which_calculations_are_tried() -> None:
    eight = list(c._calculations(Field(8, 8), 3))
    assert [(name, how) for name, _, how in eight[:3]] == [("xor8", "xor"), ("sum8", "subtract"), ("sum8", "add")]
    assert eight[0][1] == Coverage((0, 2))
    assert {cover.appended for _, cover, _ in eight} == {0, 1, 2}
    assert {name for name, _, _ in eight if name.startswith("Crc")} == set(c._crcs(8))
    sixteen = [name for name, _, _ in c._calculations(Field(0, 16), 4)]
    assert sixteen[:2] == ["sum16", "sum16"]
    assert "xor8" not in sixteen
    wide = {name for name, _, _ in c._calculations(Field(0, 32), 8)}
    assert wide == set(c._crcs(32))
    assert [name for name, _, _ in c._calculations(Field(4, 4), 2)] == ["xor4", "sum4", "sum4"]


def test_a_polynomial_has_the_name_that_is_known_in_vehicles() -> None:
    assert {"Crc8SaeJ1850", "Crc8Autosar"} <= set(c._crcs(8))
    assert {"Crc16CcittFalse", "Crc16Arc"} <= set(c._crcs(16))
    assert {"Crc32", "Crc32Autosar"} <= set(c._crcs(32))


# -------------------------------------------------------------------------------------- what is required


def following(changes: int, follows: int, repeats: int = 0, rests: int = 0) -> np.ndarray:
    """Byte 0 changes so often, byte 1 with it in `follows` of them; then byte 0 repeats, and byte 1 `rests`."""
    first = np.concatenate((np.arange(changes + 1) % 2, np.full(repeats, changes % 2)))
    steps = np.concatenate((np.arange(changes) < follows, np.arange(repeats) >= rests))
    second = np.concatenate(([0], np.cumsum(steps)))
    return np.stack([first, second], axis=1).astype(np.uint8)


@pytest.mark.parametrize(
    ("facts", "behaves"),
    [
        ((24, 24), True), ((23, 23), False), ((100, 90), True), ((100, 89), False), ((100, 100, 100, 97), True),
        ((100, 100, 100, 96), False),
    ],
)  # fmt: skip
def test_a_checksum_changes_with_the_payload_and_rests_with_it(facts: tuple[int, ...], behaves: bool) -> None:
    assert c._behaves(Field(8, 8), following(*facts)) is behaves


def test_the_rest_of_a_payload_is_without_the_field() -> None:
    made = np.array([[0xFF, 0xFF, 0xFF]], np.uint8)
    assert c._without(Field(4, 8), made).tolist() == [[0x0F, 0xF0, 0xFF]]
    assert c._without(Field(8, 8), made).tolist() == [[0xFF, 0, 0xFF]]


@pytest.mark.parametrize(
    ("vectors", "enough", "rank"),
    [
        ([0, 0], 9, 0), ([1, 2, 3], 9, 2), ([1, 2, 4, 7], 9, 3), ([1, 2, 4, 8], 3, 3), ([5, 5, 6, 3], 9, 2),
        ([0x101, 0x100, 1], 9, 2),
    ],
)  # fmt: skip
def test_the_rank_over_two_elements(vectors: list[int], enough: int, rank: int) -> None:
    assert c._rank(rows_of(*vectors, length=2), enough) == rank


@pytest.mark.parametrize(("bits", "dimensions"), [(8, 4), (16, 2), (4, 7), (32, 1)])
def test_a_fit_is_certain_from_28_bits_on(bits: int, dimensions: int) -> None:
    """So many dimensions of the payloads times the checksum's bits."""
    for count in (dimensions - 1, dimensions):
        made = rows_of(0, *(1 << k for k in range(count)), length=2)
        assert c._certain(Field(0, bits), made) is (count == dimensions)


def test_a_mere_copy_is_no_sum() -> None:
    grid = np.array([[a, b] for a in range(3) for b in range(2)], np.uint8)
    assert c._adds("sum8", Coverage((0, 1)), grid)
    assert not c._adds("sum8", Coverage((0,)), grid)
    assert not c._adds("xor8", Coverage((0, 1)), grid[:3:2])
    assert c._adds("Crc8", Coverage((0,)), grid)


def test_the_commonest_value_and_its_share() -> None:
    assert c._mode(np.array([4, 2, 4, 2, 4, 9])) == (4, 0.5)
    assert c._mode(np.array([4, 2])) == (2, 0.5)
    spread = c._spread(np.arange(1000)[:, None])
    assert (len(spread), spread[0, 0], spread[-1, 0]) == (48, 0, 999)
    assert len(c._spread(np.arange(20)[:, None])) == 20


def test_of_the_terms_of_a_sum_the_one_that_jumps_most_is_the_checksum() -> None:
    assert c._mean_jump(Field(0, 8), rows_of(250, 2, 1)) == pytest.approx(4.5)  # 8 round the end, and 1
    slow, fast = Field(0, 8), Field(8, 8)

    def checksum(field: Field, algorithm: str = "sum8") -> PayloadChecksum:
        return PayloadChecksum(field, algorithm, Coverage((0,)), "xor", (0,), None, 1.0)

    made = np.stack([np.arange(50), 37 * np.arange(50) % 256], axis=1).astype(np.uint8)
    crc = checksum(Field(16, 8), "Crc8")
    found = [checksum(slow), checksum(fast), crc]
    assert c._one_of_a_sum(found, made) == (found[1], crc)
    assert c._one_of_a_sum(found[::2], made) == (found[0], crc)
    alike = np.stack([made[:, 1], made[:, 1]], axis=1)
    assert c._one_of_a_sum(found[:2], alike) == (found[1],)  # the later one


@pytest.mark.parametrize(("wrong", "found"), [(5, True), (6, False)])
def test_a_checksum_holds_in_95_of_a_hundred_frames(wrong: int, found: bool) -> None:
    rng = np.random.default_rng(4)
    made = rng.integers(0, 256, (100, 4)).astype(np.uint8)
    made[:, 3] = np.bitwise_xor.reduce(made[:, :3], axis=1) ^ 0x5A
    made[np.linspace(1, 98, wrong).astype(int), 3] ^= 1
    checksums = c.find_checksums(made)
    assert bool(checksums) is found
    if found:
        (one,) = checksums
        assert (one.field, one.algorithm, one.constants, one.difference) == (Field(24, 8), "xor8", (0x5A,), "xor")
        assert one.share == pytest.approx(0.95)
        assert one.coverage == Coverage((0, 1, 2))


def test_a_checksum_needs_24_frames_and_two_bytes() -> None:
    rng = np.random.default_rng(4)
    made = rng.integers(0, 256, (40, 4)).astype(np.uint8)
    made[:, 3] = np.bitwise_xor.reduce(made[:, :3], axis=1)
    assert len(c.find_checksums(made)) == 1
    assert c.find_checksums(made[:23]) == ()
    assert c.find_checksums(made[:, :1]) == ()
    counter = Counter(Field(24, 4), 1, 0, 15, 1.0)
    known = c.find_checksums(made, [counter])
    assert not any(each.field.mask() & counter.field.mask() for each in known)
    narrow = Counter(Field(24, 3), 1, 0, 7, 1.0)
    assert len(c.find_checksums(made, [narrow])) == 1


def by_count(each: int, bits: int = 4, wrong: int = 0) -> tuple[np.ndarray, Counter]:
    """A CRC over two bytes and a count, of which each value has a constant of its own, so many times."""
    rng = np.random.default_rng(9)
    span = 1 << bits
    made = rng.integers(0, 256, (span * each, 4)).astype(np.uint8)
    made[:, 0] = np.arange(len(made)) % span
    for row in made:
        row[3] = Crc8SaeJ1850.calc(row[:3].tobytes()) ^ (37 * int(row[0]) + 5) % 256
    made[np.linspace(0, len(made) - 1, wrong).astype(int), 3] ^= 1
    return made, Counter(Field(0, bits), 1, 0, span - 1, 1.0)


@pytest.mark.parametrize(("each", "wrong", "found"), [(5, 0, True), (4, 0, False), (20, 16, True), (20, 17, False)])
def test_a_crc_may_have_a_constant_for_each_count(each: int, wrong: int, found: bool) -> None:
    """Four differences of one count make a fit certain; a twentieth of 320 frames may be wrong."""
    made, counter = by_count(each, wrong=wrong)
    checksum = c._by_counter(Field(24, 8), made, counter)
    assert (checksum is not None) is found
    if checksum is not None:
        assert (checksum.algorithm, checksum.coverage, checksum.counter) == (
            "Crc8SaeJ1850", Coverage((0, 1, 2)), counter,
        )  # fmt: skip
        assert checksum.constants == tuple((37 * count + 5) % 256 for count in range(16))
        assert checksum.share == pytest.approx(1 - wrong / len(made))


def test_a_count_has_values_up_to_63_and_the_checksum_sixteen_bits() -> None:
    made, counter = by_count(8)
    assert c._by_counter(Field(24, 8), made, Counter(Field(0, 8), 1, 0, 63, 1.0)) is None  # three rows each are needed
    assert c._by_counter(Field(24, 8), made, Counter(Field(0, 8), 1, 0, 64, 1.0)) is None
    assert c._by_counter(Field(0, 32), made, counter) is None
    (whole,) = c.find_checksums(made, [counter])
    assert whole.counter == counter
    assert whole.holds(made).all()


# ----------------------------------------------------------------------------------------- counters


def test_of_counters_that_share_bits_the_one_with_more_values_counts() -> None:
    def counter(start: int, bits: int, high: int, big: bool = False) -> Counter:
        return Counter(Field(start, bits, big), 1, 0, high, 1.0)

    wide, inside, beside = counter(0, 4, 15), counter(0, 2, 3), counter(8, 2, 3)
    assert _apart([inside, beside, wide]) == (wide, beside)
    big, little = counter(3, 4, 15, True), counter(0, 4, 15)
    assert _apart([big, little]) == (little,)
    assert _apart([beside, counter(2, 2, 3)]) == (counter(2, 2, 3), beside)


@pytest.mark.parametrize(("jitter", "clock"), [(0, True), (5, True), (40, False)])
def test_the_upper_end_of_a_number_that_grows_steadily_is_a_clock(jitter: int, clock: bool) -> None:
    """Sixteen bits that grow by some 250 a frame: their upper byte counts nearly by one, the lower falls by some 6."""
    rng = np.random.default_rng(5)
    values = np.cumsum(250 + rng.integers(-jitter, jitter + 1, 300)) % 65536
    made = rows_of(*values, length=2)
    at = np.arange(299)
    assert _end_of_a_clock(made, at, at + 1, Counter(Field(8, 8), 1, 0, 255, 1.0)) is clock


def test_a_counter_beside_another_value_is_no_clock() -> None:
    made = np.stack([np.random.default_rng(5).integers(0, 256, 300), np.arange(300) % 256], axis=1).astype(np.uint8)
    at = np.arange(299)
    assert not _end_of_a_clock(made, at, at + 1, Counter(Field(8, 8), 1, 0, 255, 1.0))
    assert not _end_of_a_clock(made, at, at + 1, Counter(Field(0, 8), 1, 0, 255, 1.0))  # nothing lies below
    (found,) = find_counters(made)
    assert found == Counter(Field(8, 8), 1, 0, 255, 1.0)


# ----------------------------------------------------------------------------- selectors and segments


def paged(pages: int, each: int, *, contents: bool = True) -> np.ndarray:
    """Byte 0 says which of so many contents the other three bytes hold, each `each` times."""
    rng = np.random.default_rng(6)
    count = pages * each
    page = np.arange(count) % pages
    held = rng.integers(0, 256, (pages, 3))
    rest = held[page] if contents else rng.integers(0, 256, (count, 3))
    return np.column_stack([page, rest]).astype(np.uint8)


@pytest.mark.parametrize(
    ("made", "found"),
    [
        (paged(3, 8), True),
        (paged(3, 7), False),  # 24 frames are needed
        (paged(4, 40), True),
        (paged(4, 40, contents=False), False),
    ],
)
def test_a_selector_leaves_little_to_describe(made: np.ndarray, found: bool) -> None:
    selector = find_selector(made, np.zeros(32, np.bool_))
    assert (selector is not None) is found
    assert selector is None or not selector.mask() & ~0b11  # of the two bits that count the pages


def test_neither_barred_bits_nor_a_part_of_a_counter_select() -> None:
    made = paged(4, 20)
    barred = np.zeros(32, np.bool_)
    barred[0] = True
    assert find_selector(made, barred) != Field(0, 2)
    counter = Counter(Field(0, 4), 1, 0, 15, 1.0)
    found = find_selector(made, np.zeros(32, np.bool_), [counter])
    assert found is None or not (found.mask() & 0xF and found.bits < 4)


def test_frames_are_grouped_and_segments_ordered() -> None:
    made = paged(2, 3)
    assert {value: len(group) for value, group in _groups(made, Field(0, 8)).items()} == {0: 3, 1: 3}
    assert _bits(0b101, 4).tolist() == [True, False, True, False]
    segments = [
        Segment(Field(8, 4), Sort.NUMBER, selected_by=1), Segment(Field(7, 8, True), Sort.NUMBER, selected_by=0),
        Segment(Field(24, 4), Sort.COUNTER), Segment(Field(16, 1), Sort.FLAG),
    ]  # fmt: skip
    assert sorted(segments, key=_by_place) == [segments[3], segments[2], segments[1], segments[0]]
    counter = Counter(Field(24, 4), 1, 0, 15, 1.0)
    checksum = PayloadChecksum(Field(0, 8), "xor8", Coverage((1,)), "xor", (0,), None, 1.0)
    assert masked([counter]) == 0xF000000
    assert Segmentation((), (counter,), (checksum,), Field(8, 2)).taken == 0xF0003FF
    assert Segmentation((), (counter,), (), None).taken == 0xF000000


def test_a_payload_is_divided_into_what_its_fields_are() -> None:
    """A counter of four bits, a flag that switches now and then, a number, and a CRC over all of it."""
    rng = np.random.default_rng(8)
    number = (np.cumsum(rng.normal(0, 1.2, 2000)) * 2 + 500).astype(np.int64) & 0x3FF
    flag = (np.cumsum(rng.random(2000) < 0.01) % 2) << 7
    made = np.stack([np.arange(2000) % 16 | flag, number & 0xFF, number >> 8, 0 * number], axis=1).astype(np.uint8)
    for row in made:
        row[3] = Crc8SaeJ1850.calc(row[:3].tobytes())
    found = {each.field: each.sort for each in segment(made).segments}
    assert found[Field(0, 4)] is Sort.COUNTER
    assert found[Field(7, 1)] is Sort.FLAG
    assert found[Field(24, 8)] is Sort.CHECKSUM
    assert [field.start for field, sort in found.items() if sort is Sort.NUMBER] == [8]
    assert all(each.selected_by is None for each in segment(made).segments)
    without = {each.field for each in segment(made, excluded=0xF).segments}
    assert Field(0, 4) not in without
    assert segment(made[:7]).segments == ()
