"""Which definition serves which frames, what is asked of it and what short frames have lost; by hand.

Parameter groups after SAE J1939-21: format 239 is addressed, 240 is not; 0xFE stands for any sender (J1939-81).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logscope.capture.frames import Flag, Frames
from logscope.decoding.bits import Payloads
from logscope.decoding.block import DecodeCounts, decode_block
from logscope.decoding.branches import Branches
from logscope.decoding.columns import decode_columns, plan_of
from logscope.decoding.grouping import classify, j1939_key, key_table, plain_key
from logscope.decoding.matching import Matching
from logscope.decoding.table import Table
from logscope.decoding.tables import _Growing, _suffixes
from logscope.definitions.spec import MessageSpec, Selection, SignalSpec

ONE, TWO = Selection("Mode", ((1, 1),)), Selection("Mode", ((2, 3),))
MODE = SignalSpec("Mode", 0, 8)
PLAIN = SignalSpec("Plain", 8, 8, scale=0.5, unit="V", choices={2: "Two"})
REAL = SignalSpec("Real", 16, 16, floating=True)
BRANCHED = SignalSpec("A", 16, 8, multiplexer=(ONE,), elsewhere=(SignalSpec("A", 24, 8, scale=10, multiplexer=(TWO,)),))
WIDE = SignalSpec("Wide", 8, 64)
SPEC = MessageSpec("M", 0x100, False, 4, (MODE, PLAIN, REAL, BRANCHED))


def payloads(*rows: bytes, width: int = 9) -> Payloads:
    data = np.frombuffer(b"".join(row.ljust(width, b"\0") for row in rows), np.uint8).reshape(-1, width).copy()
    return Payloads(data, np.array([len(row) for row in rows], np.uint8))


def test_a_plan_sorts_signals_by_how_they_are_decoded() -> None:
    plan = plan_of(SPEC, ["A", "Plain", "Real"])
    assert (plan.names, plan.plain, plan.others, plan.selectors) == (
        ("A", "Plain", "Real"), (PLAIN,), (BRANCHED, REAL), (MODE,),
    )  # fmt: skip
    assert plan_of(SPEC, ["Mode", "A"]).selectors == ()
    assert plan_of(MessageSpec("W", 1, False, 9, (WIDE,)), ["Wide"]).others == (WIDE,)


def test_columns_and_losses_by_branch() -> None:
    """Frames of modes 1, 3 and 5; one of mode 2 too short for its branch, one of mode 1, and one without a mode."""
    rows = [bytes([1, 4, 7, 9]), bytes([3, 4, 7, 9]), bytes([5, 4, 7, 9]), bytes([2, 4, 7]), bytes([1, 4]), b""]
    columns, lost = decode_columns(plan_of(SPEC, ["A", "Plain"]), payloads(*rows))
    np.testing.assert_array_equal(columns["A"].values, [7, 90, np.nan, np.nan, np.nan, np.nan])
    np.testing.assert_array_equal(columns["Plain"].values, [2, 2, 2, 2, 2, np.nan])
    assert lost == 1 + 2 + 1  # the byte, two of the branches, the selector
    assert list(columns) == ["A", "Plain"]
    assert decode_columns(plan_of(SPEC, ["Plain", "Mode", "A"]), payloads(*rows))[1] == 4


def test_a_wide_integer_is_exact_and_absent_where_it_is_cut() -> None:
    wide = SignalSpec("Wide", 8, 64, multiplexer=(ONE,))
    spec = MessageSpec("W", 1, False, 9, (MODE, wide))
    value = (2**64 - 3).to_bytes(8, "little")
    columns, lost = decode_columns(plan_of(spec, ["Wide"]), payloads(b"\1" + value, b"\2" + value, b"\1" + value[:7]))
    column = columns["Wide"]
    assert column.values.tolist() == [2**64 - 3, 0, 0]
    assert column.absent is not None
    assert column.absent.tolist() == [False, True, True]
    assert lost == 1
    signed = MessageSpec("W", 1, False, 9, (SignalSpec("Wide", 8, 64, signed=True),))
    (negative,) = decode_columns(plan_of(signed, ["Wide"]), payloads(b"\0" + value))[0].values()
    assert (negative.values.tolist(), negative.absent) == ([-3], None)


def test_an_inner_branch_needs_its_outer_one() -> None:
    inner = Selection("Item", ((7, 7),))
    spec = MessageSpec("M", 1, False, 3, (MODE, SignalSpec("Item", 8, 8, multiplexer=(ONE,))))
    branches = Branches(spec, payloads(bytes([1, 7]), bytes([2, 7]), bytes([1, 8]), bytes([1]), b""))
    assert branches.active(()) is None
    outer = branches.active((ONE,))
    assert outer is not None
    assert outer.tolist() == [True, False, True, True, False]
    both = branches.active((ONE, inner))
    assert both is not None
    assert both.tolist() == [True, False, False, False, False]
    assert branches.active((ONE, inner)) is both  # each is found once


# ------------------------------------------------------------------------------------------ matching


def test_definitions_are_laid_out_bus_by_bus() -> None:
    other = MessageSpec("Other", 0x200, False, 2, (MODE,), source=Path("folder/b.dbc"))
    twice = MessageSpec("Twice", 0x100, False, 2, (MODE,), source=Path("folder/b.dbc"))
    matching = Matching([(None, (SPEC,)), ("can1", (other, twice)), ("can7", (other,))])
    assert matching.bus_numbers(["can0"]) == [0]
    assert [(each.bus, each.spec.name) for each in matching.services] == [("can0", "M")]
    assert matching.bus_numbers(["can1", "can0"]) == [1, 0]
    assert [(each.bus, each.spec.name) for each in matching.services] == [
        ("can0", "M"),
        ("can1", "M"),
        ("can1", "Other"),
    ]
    assert matching.needed.tolist() == [4, 4, 1]
    assert matching.notes == ["identifier 0x100 is defined twice: “M” is used, “Twice” of b.dbc is not"]
    assert matching.unused() == ["definitions are given for bus can7, which is not in the log (it has: can0, can1)"]
    assert matching.table.standard.shape == (2, 2048)
    assert Matching([("can7", (other,))]).unused() == []  # no bus was met yet
    same = Matching([(None, (SPEC,)), ("can0", (SPEC,))])
    same.bus_numbers(["can0"])
    assert same.notes == []


def test_what_is_left_out_is_said_once() -> None:
    wide = MessageSpec("W", 5, False, 16, (), left_out=("Serial", "Key"), source=Path("a.dbc"))
    assert Matching([(None, (wide,)), ("can0", (wide,))]).notes == [
        "“W” of a.dbc: not decoded, as wider than 64 bits: Serial, Key"
    ]


@pytest.mark.parametrize(
    ("wanted", "names"),
    [
        (None, [("Mode", "Plain", "Real", "A")] * 2),
        ([(None, "M", "Real"), (None, "M", "Mode")], [("Mode", "Real")] * 2),
        ([("can1", "M", "A"), ("can9", "M", "Plain")], [(), ("A",)]),
        ([(None, "M@0x17", "A"), (None, "N", "Mode"), (None, "M", "Gone")], [("A",)] * 2),
        ([], [()] * 2),
    ],
)
def test_what_is_asked_of_a_message(wanted: list[tuple[str | None, str, str]] | None, names: list[object]) -> None:
    matching = Matching([(None, (SPEC,))], wanted)
    matching.bus_numbers(["can0", "can1"])
    assert [each.names for each in matching.services] == names


@pytest.mark.parametrize(
    ("identifier", "j1939", "any_source"),
    [(0x18F004FE, True, True), (0x18F00417, True, False), (0x18F004FE, False, False)],
)
def test_a_null_address_stands_for_any_sender(identifier: int, j1939: bool, any_source: bool) -> None:
    matching = Matching([(None, (MessageSpec("M", identifier, True, 8, (MODE,), j1939=j1939),))])
    matching.bus_numbers(["can0"])
    assert matching.services[0].any_source is any_source


def frames(*rows: tuple[int, int, bytes], bus: int = 0) -> Frames:
    """(flags, identifier, payload) each, stamped by their places."""
    sizes = np.array([len(data) for *_, data in rows], np.int64)
    return Frames(
        np.arange(len(rows), dtype=np.int64), np.full(len(rows), bus, np.uint8),
        np.array([identifier for _, identifier, _ in rows], np.uint32), np.array([f for f, *_ in rows], np.uint8),
        sizes.astype(np.uint8), np.cumsum(sizes) - sizes, np.frombuffer(b"".join(d for *_, d in rows), np.uint8),
        ("can0", "can1"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("identifier", "number"),
    [
        (0x0CEF2255, 0),  # addressed: any destination, by its sender
        (0x18EF2256, -1),
        (0x0CF00417, 1),  # a sender of its own goes before any sender
        (0x0CF00418, 2),
        (0x0CF10418, -1),
        (0x18FF0000, 3),  # by its whole identifier
        (0x0CFF0000, -1),
    ],
)
def test_extended_frames_are_matched_whole_then_by_group(identifier: int, number: int) -> None:
    table = key_table(
        {
            j1939_key(0, 0x18EF0055): 0, j1939_key(0, 0x18F00417): 1, j1939_key(0, 0x18F004FE): 2,
            plain_key(0, 0x18FF0000, True): 3,
        },
        1,
    )  # fmt: skip
    classes = classify(frames((Flag.EXTENDED, identifier, b"")), [0], table, np.zeros(4, np.int64))
    assert classes.index.tolist() == [number]
    assert classes.undefined == (number < 0)
    assert classify(frames((0, identifier, b"")), [0], table, np.zeros(4, np.int64)).index.tolist() == [-1]


def test_a_block_accounts_for_each_of_its_frames() -> None:
    quiet = MessageSpec("Quiet", 0x300, False, 2, (SignalSpec("Q", 8, 8),))
    matching = Matching([(None, (SPEC, quiet))], [(None, "M", "Plain")])
    made = frames(
        (0, 0x100, bytes([9, 8, 0, 0])), (0, 0x100, bytes([9, 6])), (0, 0x100, b"\x09"), (0, 0x300, b"\1\2"),
        (0, 0x300, b"\1"), (0, 0x400, b""), (Flag.ERROR, 0x100, b"\1"), (Flag.REMOTE, 0x100, b""),
    )  # fmt: skip
    numbers = matching.bus_numbers(made.buses)
    block = decode_block(made, numbers, matching.table, matching.needed, matching.services)
    assert block.counts == DecodeCounts(decoded=2, undefined=1, undecodable=3, error=1, remote=1, samples_undecodable=1)
    (part,) = block.parts
    assert (part.service, part.source, part.time_ns.tolist()) == (0, 0, [0, 1, 2])
    np.testing.assert_array_equal(part.columns["Plain"].values, [4, 3, np.nan])


def test_frames_of_any_sender_are_parted_by_it() -> None:
    anyone = MessageSpec("Any", 0x18F004FE, True, 1, (MODE,), j1939=True)
    matching = Matching([(None, (anyone,))])
    made = frames(*((Flag.EXTENDED, 0x0CF00400 | sender, bytes([sender])) for sender in (9, 3, 9)))
    block = decode_block(made, matching.bus_numbers(["can0"]), matching.table, matching.needed, matching.services)
    found = [(part.source, part.time_ns.tolist(), part.columns["Mode"].values.tolist()) for part in block.parts]
    assert found == [(3, [1], [3.0]), (9, [0, 2], [9.0, 9.0])]
    service = matching.services[0]
    assert _suffixes([_Growing(service, 3)]) == [""]
    assert _suffixes([_Growing(service, 3), _Growing(service, 0x1A)]) == ["@0x03", "@0x1A"]


def test_a_table_as_a_dataframe_carries_what_is_known_of_it() -> None:
    spec = MessageSpec("M", 1, False, 8, (MODE, PLAIN), left_out=("Blob",))
    table = Table(
        "M@0x17", "can1", spec, 1_000_000_000, np.array([1_500_000_000, 3_000_000_000]),
        {"Plain": np.array([1.0, np.nan])}, {},
    )  # fmt: skip
    found = table.to_dataframe()
    assert (found.index.tolist(), found.index.name) == ([0.5, 2.0], "time_s")
    assert found.attrs == {
        "message": "M@0x17", "bus": "can1", "units": {"Plain": "V"}, "choices": {"Plain": {1.0: "Two"}},
        "not_decoded": ["Blob"],
    }  # fmt: skip
    assert table.to_dataframe(labels=True)["Plain"].tolist()[0] == "Two"
    assert table.to_dataframe(labels=True)["Plain"].isna().tolist() == [False, True]
