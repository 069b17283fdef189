"""The parts of the readers of whole formats, by hand: what a message becomes, what is said of a log, what goes on.

Codes of lengths are those of ISO 11898-1; python-can's messages are the input.
"""

from __future__ import annotations

import io
import logging
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest
from made_frames import frames_at

from logscope.capture import library, mf4
from logscope.capture.asc_time import AscTime
from logscope.capture.frames import Account, BadLine, Block, Flag
from logscope.capture.reader_complaints import ReaderComplaints
from logscope.capture.resumed import resumed
from logscope.errors import LogError

S = 1_000_000_000


def message(**facts: Any) -> can.Message:
    return can.Message(**({"timestamp": 1.5, "arbitration_id": 0x1A, "is_extended_id": False, "data": b"\1\2"} | facts))


# ------------------------------------------------------------------------------- python-can's formats


@pytest.mark.parametrize(
    ("head", "name"),
    [
        (b"LOGG....", "BLF"), (b"MDF     4.10", "MF4"), (b"MDF    4.10", None), (b"SQLite format 3\x00", "SQLite"),
        (b";$FILEVERSION=1.1\n", "TRC"), (b";x\n;y\n  1)  12.5 01AB 2 00 11\n", "TRC"), (b"date Mon\n", "ASC"),
        (b"x\nbase hex timestamps\n", "ASC"), (b"updated\n", None),
        (b"\xef\xbb\xbfTimestamp,arbitration_id,extended,remote,error,dlc,data\n", "CSV"), (b"time,id\n", None),
    ],
)  # fmt: skip
def test_a_format_by_its_first_bytes(head: bytes, name: str | None) -> None:
    found = library.format_of(head)
    assert (None if found is None else found.name) == name


@pytest.mark.parametrize(
    ("facts", "flags", "length", "payload"),
    [
        ({}, 0, 2, b"\1\2"),
        ({"is_extended_id": True}, Flag.EXTENDED, 2, b"\1\2"),
        ({"is_rx": False}, Flag.TRANSMITTED, 2, b"\1\2"),
        ({"is_remote_frame": True, "data": b"", "dlc": 4}, Flag.REMOTE, 4, b""),
        ({"is_error_frame": True}, Flag.ERROR, 2, b"\1\2"),
        ({"is_error_frame": True, "is_rx": False, "is_extended_id": True}, Flag.ERROR | Flag.TRANSMITTED, 2, b"\1\2"),
        ({"is_fd": True}, Flag.FD, 2, b"\1\2"),
        ({"is_fd": True, "bitrate_switch": True}, Flag.FD | Flag.BITRATE_SWITCH, 2, b"\1\2"),
        ({"is_fd": True, "error_state_indicator": True}, Flag.FD | Flag.ERROR_STATE, 2, b"\1\2"),
    ],
)
def test_a_message_becomes_a_row(facts: dict[str, Any], flags: int, length: int, payload: bytes) -> None:
    frames = library.frames_of([message(data=b"\5"), message(channel=3, **facts)], "a.asc")
    assert (frames.buses, frames.bus.tolist()) == (("can0", "can3"), [0, 1])
    assert (int(frames.flags[1]), int(frames.length[1]), frames.data(1)) == (flags, length, payload)
    assert (frames.time_ns.tolist(), frames.identifier.tolist()) == ([1_500_000_000] * 2, [0x1A] * 2)


@pytest.mark.parametrize(
    ("stamp_s", "time_ns"),
    [
        (99_999_999.123456789, 99_999_999_123_456_791), (1e8 + 0.1234567, 100_000_000_123_457_000),
        (-1.5, -1_500_000_000), (1_772_442_000.2500004, 1_772_442_000_250_000_000),
    ],
)  # fmt: skip
def test_a_date_is_whole_microseconds(stamp_s: float, time_ns: int) -> None:
    assert abs(library._nanoseconds(stamp_s) - time_ns) <= (10 if stamp_s < 1e8 else 0)


@pytest.mark.parametrize(
    ("channel", "name"), [(0, "can0"), (2, "can2"), ("vcan1", "vcan1"), (None, "can0"), ("", "can0")]
)
def test_a_bus_is_numbered_or_named(channel: object, name: str) -> None:
    assert library._bus(channel) == name


@pytest.mark.parametrize(
    ("changed", "fault"),
    [
        ({"timestamp": -9e9}, ""), ({"timestamp": -9.1e9}, "the timestamp is out of range"),
        ({"timestamp": "x"}, "the timestamp is out of range"), ({"dlc": None}, "identifier or length is not a number"),
        ({"arbitration_id": "1"}, "identifier or length is not a number"),
        ({"arbitration_id": -1}, "the identifier is out of range"),
        ({"arbitration_id": 0x800}, "the identifier is out of range"),
        ({"arbitration_id": 0x800, "is_error_frame": True}, ""), ({"dlc": 65}, "the length is out of range"),
        ({"dlc": -1}, "the length is out of range"), ({"dlc": 64}, ""),
    ],
)  # fmt: skip
def test_what_makes_a_message_impossible(changed: dict[str, Any], fault: str) -> None:
    made = message()
    for name, value in changed.items():
        setattr(made, name, value)
    assert library._fault(made) == fault


def test_frames_of_256_buses_are_no_log() -> None:
    assert len(library.frames_of([message(channel=k) for k in range(255)], "a").buses) == 255
    with pytest.raises(LogError, match="frames of more than 255 buses"):
        library.frames_of([message(channel=k) for k in range(256)], "a")


def test_blocks_of_a_log_close_its_account(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two messages at a time; the third is stamped before the second; an impossible one comes between."""
    monkeypatch.setattr(library, "BLOCK_FRAMES", 2)
    complaints = ReaderComplaints("a.blf", False)
    made = [message(timestamp=t) for t in (1.0, 3.0, 2.0)]
    made.insert(1, message(timestamp=float("nan")))
    sound = library._sound(library._counted(made, complaints), complaints)
    first, second = library._blocks(sound, "a.blf", library.BLF, complaints)
    assert first.account == Account(
        files=("a.blf",), lines=3, lines_bad=1, frames=2, bad=(BadLine("a.blf", 2, "the timestamp is out of range"),)
    )
    assert second.account == Account(files=("a.blf",), lines=1, frames=1, out_of_order=1)


def test_where_a_reader_stops_what_came_before_stands() -> None:
    def broken(count: int) -> Iterator[can.Message]:
        for _ in range(count):
            yield message()
        raise ValueError("no more")

    complaints = ReaderComplaints("a.blf", False)
    complaints.number = 7
    first, last = library._blocks(broken(2), "a.blf", library.BLF, complaints)
    reason = "not readable as a BLF log (ValueError: no more)"
    assert (len(first.frames), len(last.frames)) == (2, 0)
    assert last.account == Account(
        files=("a.blf",), lines=1, lines_bad=1, bad=(BadLine("a.blf", 7, reason),),
        notes=(f"a.blf: reading stopped at line or record 7: {reason}",),
    )  # fmt: skip
    with pytest.raises(LogError, match="no more"):
        list(library._blocks(broken(0), "a.blf", library.BLF, complaints))


def test_what_was_assumed_of_a_date() -> None:
    trc, csv = library.FORMATS[3], library.FORMATS[5]
    asc = AscTime()
    path = Path("a.trc")
    utc = ("a.trc: the date in its header names no time zone and was taken as UTC",)
    assert library._assumed_of_date(path, trc, asc, dated=True) == utc
    assert library._assumed_of_date(path, trc, asc, dated=False) == ()
    assert library._assumed_of_date(path, csv, asc, dated=True) == ()
    asc.unreadable = "noon"
    (said,) = library._assumed_of_date(path, trc, asc, dated=True)
    assert said == "a.trc: the date “noon” in its header cannot be read; the log is treated as undated"
    moved = library._from(Block(frames_at([5, 7])), 100)
    assert moved.frames.time_ns.tolist() == [105, 107]
    assert library._from(Block(frames_at([5])), 0).frames.time_ns.tolist() == [5]
    assert [each.name for each in library.FORMATS if each.date_in_head] == ["BLF", "TRC", "ASC"]
    assert [each.name for each in library.FORMATS if each.warning_is_loss] == ["BLF", "TRC"]


# ---------------------------------------------------------------------------------------- complaints


def test_warnings_are_losses_or_notes() -> None:
    for loss in (True, False):
        with ReaderComplaints("a.trc", loss) as complaints:
            complaints.number = 4
            for k in range(3):
                logging.getLogger("can.io").warning("x" * 130 if k else "y")
            logging.getLogger("can.io").info("z")
        logging.getLogger("can.io").setLevel(logging.NOTSET)
        long = "x" * 120
        if loss:
            assert complaints.take() == [BadLine("a.trc", 4, text) for text in ("y", long, long)]
            assert complaints.take() == []
        else:
            assert complaints.take() == []
        assert complaints.notes() == (() if loss else (f"a.trc: {long} (2 times)", "a.trc: y (1 times)"))
    many = ReaderComplaints("a", False)
    for k in range(6):
        for _ in range(k + 1):
            many.emit(logging.LogRecord("can", logging.WARNING, "", 0, f"w{k}", None, None))
    assert many.notes() == tuple(f"a: w{k} ({k + 1} times)" for k in (5, 4, 3, 2, 1))


def reader(head: int, fails: set[str]) -> Any:
    """A reader that takes so many lines of head, and fails at some lines."""

    def read(lines: Any) -> Iterator[str]:
        for k, line in enumerate(lines):
            if k < head:
                assert line.startswith("h"), line
            elif line in fails:
                raise ValueError(line)
            else:
                yield line

    return read


@pytest.mark.parametrize(
    ("lines", "fails", "read", "bad"),
    [
        (["h1", "h2", "a", "b"], set(), ["a", "b"], []),
        (["h1", "h2", "a", "x", "b"], {"x"}, ["a", "b"], [4]),
        (["h1", "h2", "x", "a", "x", "b"], {"x"}, ["a", "b"], [3, 5]),  # the first bad line is no head
        (["h1", "h2", *["x"] * 99, "a"], {"x"}, ["a"], list(range(3, 102))),
        (["h1", "h2", "a", *["x"] * 150, "b"], {"x"}, ["a", "b"], list(range(4, 154))),
    ],
)
def test_reading_resumes_after_a_bad_line(lines: list[str], fails: set[str], read: list[str], bad: list[int]) -> None:
    complaints = ReaderComplaints("a", False)
    assert list(resumed(lines, reader(2, fails), complaints)) == read
    assert [each.line for each in complaints.take()] == bad


def test_a_hundred_failures_before_a_frame_are_another_format() -> None:
    with pytest.raises(ValueError, match="x"):
        list(resumed(["h1", "h2", *["x"] * 100, "a"], reader(2, {"x"}), ReaderComplaints("a", False)))


# ----------------------------------------------------------------------------------------------- MF4


def records(count: int = 2, sort: str = "CAN_DataFrame", **columns: Any) -> np.ndarray:
    made = {"ID": [0x1A, 0x80000123], "DataLength": [2, 8], "DataBytes": np.arange(16).reshape(2, 8)} | columns
    kept = {name: np.asarray(value) for name, value in made.items() if value is not None}
    kinds = [
        (f"{sort}.{name}", value.dtype if value.dtype.kind == "S" else ("u1" if name == "DataBytes" else "<i8"),
         value.shape[1:]) for name, value in kept.items()
    ]  # fmt: skip
    table = np.zeros(count, kinds)
    for name, value in kept.items():
        table[f"{sort}.{name}"] = value[:count]
    return table


@pytest.mark.parametrize(
    ("sort", "columns", "flags", "lengths", "payloads"),
    [
        ("CAN_DataFrame", {}, [0, 1], [2, 8], [b"\0\1", bytes(range(8, 16))]),
        ("CAN_DataFrame", {"IDE": [1, 0]}, [1, 0], [2, 8], None),
        ("CAN_DataFrame", {"EDL": [1, 0], "BRS": [1, 0], "ESI": [0, 1]}, [8 | 16, 1 | 32], [2, 8], None),
        ("CAN_DataFrame", {"Dir": [1, 0]}, [64, 1], [2, 8], None),
        ("CAN_DataFrame", {"Dir": np.array([b"Rx", b"Tx"])}, [0, 65], [2, 8], None),
        ("CAN_DataFrame", {"DataLength": [2, 9]}, [0, 1], [2, 8], None),  # no longer than its bytes
        ("CAN_DataFrame", {"DataLength": None, "DLC": [3, 8]}, [0, 1], [3, 8], None),
        ("CAN_DataFrame", {"DataBytes": None}, [0, 1], [0, 0], [b"", b""]),
        ("CAN_DataFrame", {"DataLength": None}, [0, 1], [0, 0], [b"", b""]),
        ("CAN_RemoteFrame", {"DLC": [4, 9], "DataLength": [0, 0]}, [2, 3], [4, 12], [b"", b""]),
        ("CAN_ErrorFrame", {}, [4, 4], [2, 8], None),
    ],
)
def test_records_of_an_mf4_become_rows(
    sort: str, columns: dict[str, Any], flags: list[int], lengths: list[int], payloads: list[bytes] | None
) -> None:
    frames = mf4._frames(records(sort=sort, **columns), np.array([5, 7]), sort)
    assert frames.flags.tolist() == flags
    assert frames.length.tolist() == lengths
    assert frames.identifier.tolist() == [0x1A, 0x123]
    assert (frames.time_ns.tolist(), frames.buses, frames.bus.tolist()) == ([5, 7], ("can0",), [0, 0])
    if payloads is not None:
        assert [frames.data(row) for row in range(2)] == payloads


def test_channels_of_an_mf4_are_buses() -> None:
    frames = mf4._frames(records(BusChannel=[7, 2]), np.array([5, 7]), "CAN_DataFrame")
    assert (frames.buses, frames.bus.tolist()) == (("can2", "can7"), [1, 0])
    bare = mf4._frames(records(ID=None), np.array([5, 7]), "CAN_DataFrame")
    assert bare.identifier.tolist() == [0, 0]


def test_groups_of_an_mf4_are_merged_by_their_stamps() -> None:
    """A stamp that falls back within its group keeps its place."""
    one = frames_at([1, 5, 4, 9], [1, 2, 3, 4])
    other = frames_at([3, 5, 6], [11, 12, 13], buses=("can1",))
    (merged,) = mf4._in_order([one, frames_at([]), other])
    assert merged.identifier.tolist() == [1, 11, 2, 3, 12, 13, 4]
    assert merged.time_ns.tolist() == [1, 3, 5, 4, 5, 6, 9]
    assert [merged.buses[k] for k in merged.bus.tolist()] == ["can0", "can1", "can0", "can0", "can1", "can1", "can0"]
    assert list(mf4._in_order([one])) == [one]
    assert list(mf4._in_order([frames_at([])])) == []


def chain(*blocks: tuple[int, bytes, list[int]]) -> io.BytesIO:
    content = bytearray(600)
    for at, kind, links in blocks:
        content[at : at + 24 + 8 * len(links)] = struct.pack(f"<4s4xQQ{len(links)}Q", kind, 0, len(links), *links)
    return io.BytesIO(bytes(content))


@pytest.mark.parametrize(
    ("blocks", "twice"),
    [
        ([(64, b"##HD", [200, 0, 0, 0, 0]), (200, b"##DG", [0, 300]), (300, b"##CG", [0, 400])], None),
        ([(64, b"##HD", [200]), (200, b"##DG", [200, 0])], 200),
        ([(64, b"##HD", [200, 0, 0, 0, 200])], 200),
        ([(64, b"##HD", [200]), (200, b"##CG", [0, 0, 64])], None),  # the third link is no block of its own
        ([(64, b"##HD", [200]), (200, b"##CN", [0, 64])], 64),
        ([(64, b"##XX", [64])], None),
        ([(64, b"##HD", [0, 0, 0, 0, 0, 64])], None),
        ([(64, b"##HD", [595])], None),  # cut
    ],
)
def test_a_chain_of_blocks_may_not_come_back(blocks: list[tuple[int, bytes, list[int]]], twice: int | None) -> None:
    stream = chain(*blocks)
    if twice is None:
        mf4.follow_chains(stream)
        assert stream.tell() == 0
    else:
        with pytest.raises(mf4.EndlessChain, match=f"the block at byte {twice} is reached twice"):
            mf4.follow_chains(stream)
