"""Whole blocks of frames to tables. The oracle is cantools' `decode_message` on every single frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cantools.database import DecodeError, load_string
from cantools.j1939 import frame_id_pack, frame_id_unpack, pgn_from_frame_id
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.capture.frames import Flag, Frames
from logscope.decoding.tables import DecodeCounts, Decoder, Table
from logscope.definitions.can import MessageSpec, load_definitions
from logscope.definitions.spec import Selection, SignalSpec

DATA = Path(__file__).parents[1] / "definitions" / "data"
HAZEL = DATA / "hazel_drive.dbc"
BODY = DATA / "hazel_j1939.dbc"

Frame = tuple[int, bytes, Flag, str]  # identifier, payload, flags, bus


def frames_of(rows: Sequence[Frame], times: Sequence[int] | None = None, first_ns: int = 0) -> Frames:
    buses = tuple(dict.fromkeys(bus for *_, bus in rows))
    lengths = np.array([len(data) for _, data, _, _ in rows], dtype=np.uint8)
    ends = np.cumsum(lengths, dtype=np.int64)
    return Frames(
        time_ns=np.array(times if times is not None else np.arange(len(rows)) * 1000 + first_ns, dtype=np.int64),
        bus=np.array([buses.index(bus) for *_, bus in rows], dtype=np.uint8),
        identifier=np.array([identifier for identifier, *_ in rows], dtype=np.uint32),
        flags=np.array([int(flags) for _, _, flags, _ in rows], dtype=np.uint8),
        length=lengths,
        offset=ends - lengths,
        payload=np.frombuffer(b"".join(data for _, data, _, _ in rows), dtype=np.uint8),
        buses=buses,
    )


def std(identifier: int, data: bytes, bus: str = "can0") -> Frame:
    return identifier, data, Flag(0), bus


def ext(identifier: int, data: bytes, bus: str = "can0") -> Frame:
    return identifier, data, Flag.EXTENDED, bus


def decode(specs: tuple[MessageSpec, ...], rows: Sequence[Frame]) -> tuple[dict[str, Table], DecodeCounts]:
    decoder = Decoder([(None, specs)])
    decoder.add(frames_of(rows))
    return dict(decoder.tables(0)), decoder.counts


def hazel_database():  # type: ignore[no-untyped-def]
    return load_string(HAZEL.read_text(encoding="utf-8"), "dbc")


def assert_equals_oracle(table: Table, message, payloads: Sequence[bytes]) -> None:  # type: ignore[no-untyped-def]
    """Every sample of the table equals cantools' value, and is missing exactly where cantools has none."""
    columns = {name: table.floats(name) for name in table.columns}
    for row, payload in enumerate(payloads):
        expected = message.decode(payload, decode_choices=False, allow_truncated=True)
        for name, values in columns.items():
            value = float(values[row])
            where = (message.name, name, payload.hex())
            if name not in expected:
                assert math.isnan(value), where
            else:
                # one of many raw values that are no number (IEEE 754) is as good as another
                assert np.isclose(value, float(expected[name]), rtol=1e-15, atol=0.0, equal_nan=True), where


@settings(max_examples=60)
@given(st.data())
def test_every_message_of_a_file_reads_as_cantools_reads_it(data: st.DataObject) -> None:
    database, specs = hazel_database(), load_definitions(HAZEL).messages
    message = data.draw(st.sampled_from(database.messages))
    payloads = data.draw(st.lists(st.binary(max_size=min(message.length + 2, 64)), min_size=1, max_size=8))
    payloads = [payload for payload in payloads if has_known_branch(message, payload)]
    flags = Flag.EXTENDED if message.is_extended_frame else Flag(0)
    if message.is_fd:
        flags |= Flag.FD
    tables, counts = decode(specs, [(message.frame_id, payload, flags, "can0") for payload in payloads])
    if payloads:
        assert_equals_oracle(tables[message.name], message, payloads)
    assert counts.frames == counts.decoded + counts.undecodable == len(payloads)


def has_known_branch(message, payload: bytes) -> bool:  # type: ignore[no-untyped-def]
    try:
        message.decode(payload, allow_truncated=True)
    except DecodeError:  # cantools refuses the whole frame; see the test of unknown selectors
        return False
    return True


def test_every_strict_file_of_an_open_collection_reads_as_cantools_reads_it() -> None:
    """Source: the DBC files of the PyPI package opendbc (MIT licence), read by cantools."""
    opendbc = pytest.importorskip("opendbc")
    files = sorted((Path(opendbc.__file__).parent / "dbc").glob("*.dbc"))
    random = np.random.default_rng(20260301)
    compared = 0
    for path in files:
        if path.stat().st_size > 100_000:  # parsing these takes most of the time; their fields are like the others'
            continue
        try:
            database = load_string(path.read_bytes().decode("cp1252", errors="replace"), "dbc")
        except Exception:  # it breaks the strict rules: tests/definitions has these
            continue
        specs = load_definitions(path).messages
        samples = {
            (m.frame_id, m.is_extended_frame): (
                m,
                [p for p in (random.bytes(m.length), random.bytes(max(m.length - 1, 0))) if has_known_branch(m, p)],
            )
            for m in reversed(database.messages)  # of two with one identifier, the first counts
        }
        rows = [(i, p, Flag.EXTENDED if e else Flag(0), "can0") for (i, e), (_, ps) in samples.items() for p in ps]
        tables, counts = decode(specs, rows)
        assert counts.decoded + counts.undecodable == len(rows)
        assert counts.undefined == 0
        for message, payloads in samples.values():
            if payloads and message.signals and not unscaled_selectors_differ(message):
                assert_equals_oracle(tables[message.name], message, payloads)
                compared += len(payloads) * len(message.signals)
    assert compared > 10_000


def unscaled_selectors_differ(message) -> bool:  # type: ignore[no-untyped-def]
    return any(s.is_multiplexer and (s.scale, s.offset) != (1, 0) for s in message.signals)


# ------------------------------------------------------------------------------------ multiplexing


def test_only_the_active_branch_has_samples() -> None:
    tables, counts = decode(load_definitions(HAZEL).messages, [std(0x310, bytes([k, 7, 0, 9])) for k in (0, 1, 0)])
    table = tables["Cells"]
    np.testing.assert_array_equal(np.isnan(table.columns["CellVoltage0"]), [False, True, False])
    np.testing.assert_array_equal(np.isnan(table.columns["CellVoltage1"]), [True, False, True])
    assert counts == DecodeCounts(decoded=3)


def test_an_unknown_selector_value_stands_and_its_branches_are_empty() -> None:
    tables, counts = decode(load_definitions(HAZEL).messages, [std(0x310, bytes([200, 7, 0, 9]))])
    assert tables["Cells"].columns["Index"][0] == 200
    assert np.isnan(tables["Cells"].columns["CellVoltage0"][0])
    assert counts == DecodeCounts(decoded=1)


def test_a_short_frame_counts_by_its_active_branch() -> None:
    """Branch 0 of Cells needs 3 bytes, branch 1 needs 4: so 3 bytes hold one and not the other."""
    rows = [std(0x310, bytes([0, 1, 2])), std(0x310, bytes([1, 1, 2])), std(0x310, b"")]
    tables, counts = decode(load_definitions(HAZEL).messages, rows)
    assert counts == DecodeCounts(decoded=1, undecodable=2, samples_undecodable=2)
    assert tables["Cells"].columns["CellVoltage0"][0] == 0x0201 * 0.001


def test_ranges_of_selector_values_and_nested_selectors_must_all_hold() -> None:
    outer, inner = Selection("Outer", ((1, 3), (7, 7))), Selection("Inner", ((2, 2),))
    spec = MessageSpec(
        "M", 1, False, 3,
        (
            SignalSpec("Outer", 0, 8),
            SignalSpec("Inner", 8, 8, multiplexer=(outer,)),
            SignalSpec("Leaf", 16, 8, multiplexer=(outer, inner)),
        ),
    )  # fmt: skip
    rows = [std(1, bytes([a, b, 5])) for a in (0, 1, 3, 4, 7) for b in (1, 2)]
    tables, _ = decode((spec,), rows)
    expected = [a in (1, 3, 7) and b == 2 for a in (0, 1, 3, 4, 7) for b in (1, 2)]
    np.testing.assert_array_equal(~np.isnan(tables["M"].columns["Leaf"]), expected)


# ----------------------------------------------------------------------------------------- account

MIXED: list[Frame] = [
    std(0x200, bytes(8)),
    std(0x200, bytes(3)),
    std(0x7FF, bytes(8)),
    ext(0x200, bytes(8)),
    (0x200, b"", Flag.REMOTE, "can0"),
    (0x80, bytes(8), Flag.ERROR, "can0"),
]


@given(st.lists(st.sampled_from(MIXED), max_size=40), st.booleans())
@settings(max_examples=30)
def test_the_account_closes_whatever_is_wanted(rows: list[Frame], few: bool) -> None:
    wanted = {(None, "InverterHv", "DcLinkVoltage")} if few else None
    decoder = Decoder([(None, load_definitions(HAZEL).messages)], wanted)
    if rows:
        decoder.add(frames_of(rows))
    counts = decoder.counts
    kinds = [MIXED.index(row) for row in rows]
    assert counts.frames == len(rows)
    assert (counts.decoded, counts.undecodable) == (kinds.count(0), kinds.count(1))
    assert counts.undefined == kinds.count(2) + kinds.count(3)
    assert (counts.remote, counts.error) == (kinds.count(4), kinds.count(5))


def test_what_fits_in_a_short_frame_stands() -> None:
    tables, counts = decode(load_definitions(HAZEL).messages, [std(0x200, b"\x10\x0e\x01")])
    assert tables["InverterHv"].columns["DcLinkVoltage"][0] == 360.0
    assert np.isnan(tables["InverterHv"].columns["MotorCurrent"][0])
    assert counts.undecodable == 1
    assert counts.samples_undecodable == 3


def test_only_wanted_signals_are_decoded_and_selectors_are_not_kept() -> None:
    wanted = {(None, "Cells", "CellVoltage1"), ("can9", "InverterHv", "DcLinkVoltage")}
    decoder = Decoder([(None, load_definitions(HAZEL).messages)], wanted)
    decoder.add(frames_of([std(0x310, bytes([1, 0, 0, 1])), std(0x200, bytes(8))]))
    tables = decoder.tables(0)
    assert {name: list(table.columns) for name, table in tables.items()} == {"Cells": ["CellVoltage1"]}
    assert tables["Cells"].columns["CellVoltage1"].tolist() == [0.001]
    assert decoder.counts == DecodeCounts(decoded=2)


def test_of_two_definitions_of_one_identifier_the_first_counts_and_a_note_says_so() -> None:
    first, second = (MessageSpec(n, 5, False, 1, (SignalSpec("S", 0, 8),)) for n in ("First", "Second"))
    decoder = Decoder([("can0", (first,)), (None, (second,)), ("can7", (first,))])
    decoder.add(frames_of([std(5, b"\x01"), std(5, b"\x02", "can1")]))
    assert {name: table.bus for name, table in decoder.tables(0).items()} == {
        "First": "can0",
        "Second": "can1",
    }
    assert any("0x5 is defined twice: “First” is used, “Second” is not" in note for note in decoder.notes)
    assert any("can7, which is not in the log" in note for note in decoder.notes)


def test_a_frame_outside_its_block_is_a_fault_of_the_reader() -> None:
    frames = frames_of([std(0x200, bytes(8))])
    frames.length[0] = 9
    with pytest.raises(ValueError, match="frame 0"):
        Decoder([(None, load_definitions(HAZEL).messages)]).add(frames)


# ------------------------------------------------------------------------------------------- J1939


@given(st.integers(0, 2**29 - 1), st.sampled_from([None, "priority", "destination", "source", "page"]))
@settings(max_examples=150)
def test_a_j1939_definition_matches_by_parameter_group(identifier: int, changed: str | None) -> None:
    """Oracle: cantools.j1939, which takes identifiers apart by SAE J1939-21."""
    spec = MessageSpec("Group", identifier & ~0xFF | 0xFE, True, 1, (SignalSpec("S", 0, 8),), j1939=True)
    parts = frame_id_unpack(identifier)
    change = {
        None: {},
        "priority": {"priority": (parts.priority + 3) % 8},
        "destination": {"pdu_specific": parts.pdu_specific ^ 0x5A},
        "source": {"source_address": parts.source_address ^ 1},
        "page": {"data_page": 1 - parts.data_page},
    }[changed]
    seen = frame_id_pack(*parts._replace(**change))
    _, counts = decode((spec,), [ext(seen, b"\x01")])
    assert counts.decoded == (pgn_from_frame_id(seen) == pgn_from_frame_id(identifier))


def test_a_definition_with_a_source_address_serves_that_sender_only() -> None:
    spec = MessageSpec("Group", 0x18F00417, True, 1, (SignalSpec("S", 0, 8),), j1939=True)
    _, counts = decode((spec,), [ext(0x0CF00417, b"\x01"), ext(0x18F00418, b"\x01")])
    assert counts == DecodeCounts(decoded=1, undefined=1)


def test_each_sender_of_a_group_gets_its_table() -> None:
    specs = load_definitions(BODY).messages
    tables, counts = decode(specs, [ext(0x18FEF117, b"\x01" + bytes(7)), ext(0x0CFEF121, b"\x02" + bytes(7))])
    assert {name: len(table) for name, table in tables.items()} == {"Cruise@0x17": 1, "Cruise@0x21": 1}
    assert counts.decoded == 2
    alone, _ = decode(specs, [ext(0x18FEF117, bytes(8))])
    assert list(alone) == ["Cruise"]


# ------------------------------------------------------------------------------ tables, DataFrames


@given(st.lists(st.integers(0, 30), min_size=1, max_size=30), st.integers(1, 7))
@settings(max_examples=40)
def test_blocks_join_into_one_table_in_time_order(times: list[int], size: int) -> None:
    decoder = Decoder([(None, (MessageSpec("M", 1, False, 1, (SignalSpec("S", 0, 8),)),))])
    for start in range(0, len(times), size):
        rows = [std(1, bytes([k])) for k in range(start, min(start + size, len(times)))]
        decoder.add(frames_of(rows, times[start : start + size]))
    table = decoder.tables(0)["M"]
    expected = pd.DataFrame({"t": times, "s": range(len(times))}).sort_values("t", kind="stable")
    assert table.time_ns.tolist() == expected.t.tolist()
    assert table.columns["S"].tolist() == expected.s.tolist()
    np.testing.assert_array_equal(decoder.tables(0)["M"].time_ns, table.time_ns)


def test_the_bus_is_in_the_name_where_two_buses_carry_the_message() -> None:
    specs = load_definitions(HAZEL).messages
    tables, _ = decode(specs, [std(0x200, bytes(8)), std(0x200, bytes(8), "can1"), std(0x310, bytes(4), "can1")])
    assert set(tables) == {"can0:InverterHv", "can1:InverterHv", "Cells"}


def test_a_bus_met_late_joins_with_its_definitions() -> None:
    decoder = Decoder([(None, load_definitions(HAZEL).messages)])
    decoder.add(frames_of([std(0x200, bytes(8))]))
    decoder.add(frames_of([std(0x310, bytes(4), "can1"), std(0x200, bytes(8))]))
    assert {name: len(table) for name, table in decoder.tables(0).items()} == {"InverterHv": 2, "Cells": 1}


def test_two_messages_of_one_name_are_told_apart_by_identifier() -> None:
    specs = tuple(MessageSpec("M", i, False, 1, (SignalSpec("S", 0, 8),)) for i in (0x100, 0x200))
    tables, _ = decode(specs, [std(0x100, b"\x01"), std(0x200, b"\x02")])
    assert {name: table.columns["S"][0] for name, table in tables.items()} == {"M@0x100": 1, "M@0x200": 2}


def test_integers_beyond_53_bits_stay_exact() -> None:
    signal = SignalSpec("Odometer", 0, 64)
    spec = MessageSpec("M", 1, False, 8, (signal, SignalSpec("Balance", 7, 60, big_endian=True, signed=True)))
    tables, _ = decode((spec,), [std(1, b"\xff" * 8), std(1, b"\x01\x02")])
    assert tables["M"].columns["Odometer"].tolist() == [2**64 - 1, 0]
    frame = tables["M"].to_dataframe()
    assert frame["Odometer"].dtype == pd.UInt64Dtype()
    assert frame["Balance"].dtype == pd.Int64Dtype()
    assert frame["Odometer"].iloc[0] == 2**64 - 1
    assert frame["Balance"].iloc[0] == -1
    assert frame["Odometer"].isna().tolist() == [False, True]
    whole, _ = decode((spec,), [std(1, b"\xff" * 8)])
    assert whole["M"].to_dataframe()["Odometer"].dtype == np.uint64


def test_a_dataframe_counts_seconds_from_the_start_and_carries_units_and_texts() -> None:
    decoder = Decoder([(None, load_definitions(HAZEL).messages)])
    decoder.add(frames_of([std(0x200, bytes(8)), std(0x200, bytes(8))], [1_500_000_000, 2_000_000_000]))
    frame = decoder.tables(1_000_000_000)["InverterHv"].to_dataframe()
    assert frame.index.name == "time_s"
    assert frame.index.tolist() == [0.5, 1.0]
    assert frame.attrs["units"]["DcLinkVoltage"] == "V"
    assert frame.attrs["choices"]["State"] == {0: "Off", 1: "Precharge", 2: "Run", 15: "Fault"}


def test_labels_show_texts_and_the_number_where_there_is_none() -> None:
    rows = [std(0x200, bytes([0, 0, 0, 0, 0, state, 0, 0])) for state in (2, 7, 0)] + [std(0x200, b"")]
    tables, _ = decode(load_definitions(HAZEL).messages, rows)
    states = tables["InverterHv"].to_dataframe(labels=True)["State"]
    assert isinstance(states.dtype, pd.CategoricalDtype)
    assert states.iloc[:3].tolist() == ["Run", "7", "Off"]
    assert pd.isna(states.iloc[3])
