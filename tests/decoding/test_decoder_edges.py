"""Edges of the decoder and of what it is given: branches, forgetting, names of tables, texts, steps; by hand."""

from __future__ import annotations

import numpy as np
import pytest

from logscope.capture.frames import Flag, Frames
from logscope.decoding.bits import Payloads, formulas, physical_columns
from logscope.decoding.block import DecodeCounts
from logscope.decoding.branches import undecodable_frames
from logscope.decoding.columns import Column, joined
from logscope.decoding.grouping import classify, j1939_key, key_table, plain_key
from logscope.decoding.table import Table, coded
from logscope.decoding.tables import Decoder
from logscope.definitions.layout import exclusive, misfits, occupied, overlaps
from logscope.definitions.spec import MessageSpec, Selection, SignalSpec

BYTE = SignalSpec("S", 0, 8)


def frames(rows: list[tuple[int, int, bytes]], flags: int = 0, bus: str = "can0") -> Frames:
    """(stamp, identifier, payload) each."""
    sizes = np.array([len(data) for *_, data in rows], np.int64)
    return Frames(
        np.array([at for at, *_ in rows], np.int64), np.zeros(len(rows), np.uint8),
        np.array([identifier for _, identifier, _ in rows], np.uint32), np.full(len(rows), int(flags), np.uint8),
        sizes.astype(np.uint8), np.cumsum(sizes) - sizes, np.frombuffer(b"".join(d for *_, d in rows), np.uint8),
        (bus,),
    )  # fmt: skip


def test_forgetting_keeps_what_is_stamped_from_then_on() -> None:
    decoder = Decoder([(None, (MessageSpec("A", 1, False, 1, (BYTE,)), MessageSpec("B", 2, False, 1, (BYTE,))))])
    decoder.add(frames([(10, 1, b"\1"), (20, 1, b"\2"), (15, 2, b"\3")]))
    decoder.add(frames([(30, 1, b"\4"), (19, 1, b"\5")]))
    decoder.forget(20)
    tables = decoder.tables(0)
    assert {name: table.time_ns.tolist() for name, table in tables.items()} == {"A": [20, 30]}
    assert tables["A"].columns["S"].tolist() == [2.0, 4.0]
    assert decoder.counts.decoded == 5  # the account stays


def test_tables_of_one_name_are_named_by_what_distinguishes_them() -> None:
    """One for any sender and one for sender 0x17 of another group: by identifiers, the sender's own among them."""
    anyone = MessageSpec("M", 0x18F004FE, True, 1, (BYTE,), j1939=True)
    other = MessageSpec("M", 0x18F10517, True, 1, (BYTE,), j1939=True)
    decoder = Decoder([(None, (anyone, other))])
    decoder.add(frames([(1, 0x0CF00421, b"\1"), (2, 0x0CF10517, b"\2")], Flag.EXTENDED))
    tables = decoder.tables(0)
    assert {name: table.columns["S"].tolist() for name, table in tables.items()} == {
        "M@0x18F00421": [1.0], "M@0x18F10517": [2.0],
    }  # fmt: skip


def test_no_table_takes_the_name_of_another() -> None:
    """The same number as a standard and an extended identifier, and as those of a group in other priorities."""
    specs = [
        MessageSpec("M", 0x1A0, False, 1, (BYTE,)), MessageSpec("M", 0x1A0, True, 1, (BYTE,)),
        MessageSpec("M", 0x18FF1017, True, 1, (BYTE,)), MessageSpec("M", 0x18FF10FE, True, 1, (BYTE,), j1939=True),
        MessageSpec("M", 0x1A1, False, 1, (BYTE,)),
    ]  # fmt: skip
    decoder = Decoder([(None, tuple(specs))])
    decoder.add(frames([(1, 0x1A0, b"\1"), (2, 0x1A1, b"\2")]))
    decoder.add(frames([(3, 0x1A0, b"\3"), (4, 0x18FF1017, b"\4"), (5, 0x0CFF1017, b"\5")], Flag.EXTENDED))
    decoder.add(frames([(6, 0x18FF1018, b"\6")], Flag.EXTENDED))
    assert {name: table.columns["S"].tolist() for name, table in decoder.tables(0).items()} == {
        "M@0x1A0": [1.0], "M@0x1A1": [2.0], "M@0x000001A0": [3.0], "M@0x18FF1017": [4.0], "M@0x0FF1017": [5.0],
        "M@0x18FF1018": [6.0],
    }  # fmt: skip


def test_the_same_identifier_of_another_bus_has_its_own_definition() -> None:
    """Identifiers of 11 bits are found without a search: one row of the table a bus."""
    table = key_table({plain_key(0, 0x7FF, False): 3, plain_key(1, 0x7FF, False): 1, plain_key(1, 0x800, True): 2}, 2)
    needed = np.array([0, 1, 2, 3], np.int64)

    def found(identifier: int, bus: int, flags: int = 0, size: int = 8) -> tuple[int, list[int]]:
        made = frames([(0, identifier, bytes(size))], flags)
        classes = classify(made, [bus], table, needed)
        return int(classes.index[0]), classes.shorter.tolist()

    assert [found(0x7FF, 0)[0], found(0x7FF, 1)[0], found(0x7FE, 1)[0]] == [3, 1, -1]
    assert [found(0x800, 1, Flag.EXTENDED)[0], found(0x800, 1)[0], found(0x7FF, 1, Flag.EXTENDED)[0]] == [2, -1, -1]
    assert found(0x7FF, 0, size=3)[1] == [0, 0, 0, 0]
    assert found(0x7FF, 0, size=2)[1] == [0, 0, 0, 1]


@pytest.mark.parametrize(
    ("identifier", "like", "same"),
    [
        (0x18EF1234, 0x18EF5634, True),  # PDU format 239: the next byte is a destination
        (0x18F01234, 0x18F05634, False),  # 240: it belongs to the group (SAE J1939-21)
        (0x18F01234, 0x00F01234, True),  # priority
        (0x18F01234, 0x19F01234, False),  # data page
        (0x18F01234, 0x1AF01234, False),  # extended data page
        (0x18F01234, 0x18F01235, False),  # sender
    ],
)
def test_what_a_parameter_group_is_known_by(identifier: int, like: int, same: bool) -> None:
    assert (j1939_key(1, identifier) == j1939_key(1, like)) == same
    assert j1939_key(1, identifier) != j1939_key(2, identifier)


def test_counts_add_up_field_by_field() -> None:
    both = DecodeCounts(1, 2, 3, 4, 5, 6) + DecodeCounts(10, 20, 30, 40, 50, 60)
    assert both == DecodeCounts(11, 22, 33, 44, 55, 66)
    assert both.frames == 11 + 22 + 33 + 44 + 55


def test_columns_join_with_what_is_absent_in_any_of_them() -> None:
    first = Column(np.array([1, 2]))
    second = Column(np.array([3, 0]), np.array([False, True]))
    both = joined([first, second])
    assert both.values.tolist() == [1, 2, 3, 0]
    assert both.absent is not None
    assert both.absent.tolist() == [False, False, False, True]
    assert joined([first, first]).absent is None
    kept = both.where(np.array([True, False, False, True]))
    assert (kept.values.tolist(), kept.absent.tolist()) == ([1, 0], [False, True])  # type: ignore[union-attr]


def test_short_frames_lack_what_their_branch_carries() -> None:
    """Selector in byte 0; for 1 to 3 a signal in byte 1, for 5 an inner selector there and a signal in byte 2."""
    one, five, inner = Selection("Sel", ((1, 3),)), Selection("Sel", ((5, 5),)), Selection("Inner", ((7, 9),))
    spec = MessageSpec(
        "M", 1, False, 3,
        (
            SignalSpec("Sel", 0, 8), SignalSpec("A", 8, 8, multiplexer=(one,)),
            SignalSpec("Inner", 8, 8, multiplexer=(five,)), SignalSpec("Leaf", 16, 8, multiplexer=(five, inner)),
        ),
    )  # fmt: skip

    def lacking(data: bytes) -> int:
        return undecodable_frames(spec, Payloads(np.frombuffer(data.ljust(3, b"\1"), np.uint8)[None].copy(),
                                                 np.array([len(data)], np.uint8)))  # fmt: skip

    assert [lacking(bytes(each)) for each in ([], [0], [1], [3], [4], [5])] == [1, 0, 1, 1, 0, 1]
    assert [lacking(bytes([5, each])) for each in (6, 7, 9, 10)] == [0, 1, 1, 0]
    assert [lacking(bytes(each)) for each in ([1, 0], [5, 7, 0], [0, 7], [1, 7])] == [0, 0, 0, 0]


def test_values_are_raw_times_scale_plus_offset_with_their_sign() -> None:
    """A signal of 12 bits with a sign, and one byte with an offset; the second frame holds the byte alone."""
    signals = formulas(
        (SignalSpec("A", 8, 12, signed=True, scale=0.5, offset=1.0), SignalSpec("B", 0, 8, offset=-40.0))
    )
    data = np.array([[10, 0xFE, 0x0F], [250, 0xFE, 0x0F]], np.uint8)
    values, lost = physical_columns(Payloads(data, np.array([3, 2], np.uint8)), signals)
    np.testing.assert_array_equal(values, [[0.0, np.nan], [-30.0, 210.0]])
    assert lost.tolist() == [1, 0]


# ------------------------------------------------------------------------------------- texts, steps


def test_texts_keep_the_order_of_the_definition_and_numbers_follow() -> None:
    values = np.array([2.0, np.nan, 0.5, 0.0, 2.0, 1 / 3])
    codes, texts = coded(values, None, {2.0: "On", 0.0: "Off", 1.0: "On"})
    assert texts == ["On", "Off", "0.333333333333333", "0.5"]
    assert codes.tolist() == [0, -1, 3, 1, 0, 2]
    whole, exact = coded(np.array([7, 0], np.int64), np.array([False, True]), {0: "Off"})
    assert (whole.tolist(), exact) == ([1, -1], ["Off", "7"])


def test_a_table_counts_seconds_from_its_start() -> None:
    spec = MessageSpec("M", 1, False, 8, (BYTE,))
    table = Table("M", "can0", spec, 500_000_000, np.array([1_000_000_000, 2_500_000_000]),
                  {"S": np.array([5, 0], np.int64)}, {"S": np.array([False, True])})  # fmt: skip
    assert (len(table), table.time_s.tolist()) == (2, [0.5, 2.0])
    np.testing.assert_array_equal(table.floats("S"), [5.0, np.nan])


@pytest.mark.parametrize(
    ("signal", "step", "exact"),
    [
        (SignalSpec("S", 0, 8, scale=-0.5), 0.5, False),
        (SignalSpec("S", 0, 32, floating=True), None, False),
        (SignalSpec("S", 0, 8, scale=0.1, elsewhere=(SignalSpec("S", 8, 8, scale=-2.0),)), 2.0, False),
        (SignalSpec("S", 0, 8, elsewhere=(SignalSpec("S", 8, 32, floating=True),)), None, False),
        (SignalSpec("S", 0, 53), 1.0, False),
        (SignalSpec("S", 0, 54), 1.0, True),
        (SignalSpec("S", 0, 54, scale=2.0), 2.0, False),
        (SignalSpec("S", 0, 54, offset=1.0), 1.0, False),
        (SignalSpec("S", 0, 64, floating=True), None, False),
        (SignalSpec("S", 0, 54, elsewhere=(SignalSpec("S", 0, 8),)), 1.0, False),
    ],
)
def test_the_resolution_of_a_signal_and_whether_a_double_holds_it(
    signal: SignalSpec, step: float | None, exact: bool
) -> None:
    """IEEE 754 binary64 holds every integer of 53 bits."""
    assert (signal.step, signal.exact_integer) == (step, exact)


def test_labels_are_by_value_in_the_unit_in_every_branch() -> None:
    other = SignalSpec("S", 8, 8, scale=0.5, choices={6: "Six"})
    signal = SignalSpec("S", 0, 8, scale=2.0, offset=-1.0, choices={3: "Three"}, elsewhere=(other,))
    assert signal.labels == {5.0: "Three", 3.0: "Six"}
    assert [each.elsewhere for each in signal.variants] == [(), ()]
    assert SignalSpec("S", 0, 64, choices={2**63 + 1: "Far"}).labels == {2**63 + 1: "Far"}


@pytest.mark.parametrize(
    ("start", "bits", "big_endian", "needed"),
    [(0, 8, False, 1), (0, 9, False, 2), (7, 8, True, 1), (7, 9, True, 2), (0, 1, True, 1), (0, 2, True, 2),
     (63, 1, False, 8), (63, 2, False, 9)],
)  # fmt: skip
def test_the_bytes_that_a_signal_needs(start: int, bits: int, big_endian: bool, needed: int) -> None:
    signal = SignalSpec("S", start, bits, big_endian=big_endian)
    assert signal.bytes_needed == needed
    assert occupied(signal).bit_count() == bits
    assert occupied(signal).bit_length() <= 8 * needed
    assert misfits(MessageSpec("M", 1, False, needed, (signal,))) == []
    assert misfits(MessageSpec("M", 1, False, needed - 1, (signal,))) == [signal]


@pytest.mark.parametrize(
    ("ours", "theirs", "apart"),
    [(((1, 3),), ((4, 6),), True), (((1, 4),), ((4, 6),), False), (((7, 9),), ((4, 6),), True),
     (((6, 9),), ((4, 6),), False), (((1, 1), (9, 9)), ((2, 8),), True), (((1, 1), (8, 9)), ((2, 8),), False)],
)  # fmt: skip
def test_branches_are_apart_whose_ranges_do_not_meet(
    ours: tuple[tuple[int, int], ...], theirs: tuple[tuple[int, int], ...], apart: bool
) -> None:
    one = SignalSpec("A", 8, 8, multiplexer=(Selection("Sel", ours),))
    other = SignalSpec("B", 15, 8, multiplexer=(Selection("Sel", theirs),))
    assert exclusive(one, other) == apart
    assert bool(overlaps(MessageSpec("M", 1, False, 8, (one, other)))) != apart


def test_the_ends_of_a_range_belong_to_it() -> None:
    held = Selection("Sel", ((1, 3), (7, 7))).holds(np.arange(9))
    assert np.flatnonzero(held).tolist() == [1, 2, 3, 7]
