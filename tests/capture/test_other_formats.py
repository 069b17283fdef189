"""Logs through other readers: messages to columns, and which reader opens what; by hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import pytest
from made_frames import frames_at
from serial_definitions import DELIMITED, PAIRS, defined

from logscope.capture import blf, library, mf4
from logscope.capture import open as opening
from logscope.capture.asc_time import AscTime
from logscope.capture.candump_screen import _added_up
from logscope.capture.frames import Account, BadLine, Block, Flag
from logscope.capture.library import FORMATS, format_of, frames_of
from logscope.capture.open import Capture, refuse_unknown, stream
from logscope.capture.reader_complaints import ReaderComplaints
from logscope.capture.samples import SerialLog
from logscope.capture.shift import Shift
from logscope.errors import LogError

S = 1_000_000_000


# -- which format -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "name"),
    [
        (b"LOGG\x90\0", "BLF"), (b" LOGG", None), (b"MDF     4.10", "MF4"), (b"SQLite format 3\0", "SQLite"),
        (b";$FILEVERSION=1.1\n", "TRC"), (b";a\n;b\n  1)     0.5  0001  8  00\n", "TRC"),
        (b"a\n  1)     0.5  0001  8  00\n", None), (b"date Mon Mar 2\n", "ASC"), (b"// x\nBASE hex\n", "ASC"),
        (b"x" * 4090 + b"\nbase hex\n", None), (b"basement hex\n", None),
        (b"timestamp,arbitration_id,extended,remote,error,dlc,data\n", "CSV"),
        (b"\xef\xbb\xbftimestamp,arbitration_id,extended,remote,error,dlc,data\n", "CSV"),
        (b"\ntimestamp,arbitration_id,extended,remote,error,dlc,data\n", None),
        (b"(1.0) can0 123#", None), (b"", None),
    ],
)  # fmt: skip
def test_the_format_is_seen_at_the_beginning(head: bytes, name: str | None) -> None:
    found = format_of(head)
    assert (found and found.name) == name


def test_what_is_known_of_each_format() -> None:
    assert [(f.name, f.source, f.warning_is_loss, f.date_in_head) for f in FORMATS] == [
        ("BLF", "bytes", True, True), ("MF4", "path", False, False), ("SQLite", "path", False, False),
        ("TRC", "text", True, True), ("ASC", "text", False, True), ("CSV", "text", False, False),
    ]  # fmt: skip
    assert library.BLF.name == "BLF"
    assert library._reader_class(FORMATS[0]) is blf.SteadyBLFReader
    assert library._reader_class(FORMATS[4]) is can.ASCReader


# -- messages of python-can to columns --------------------------------------------------------------


def message(**keys: Any) -> can.Message:
    given = {"arbitration_id": 0x100, "is_extended_id": False, "data": b"\5", "timestamp": 1.0, "check": False} | keys
    return can.Message(**given)


@pytest.mark.parametrize(
    ("keys", "flags"),
    [
        ({}, 0),
        ({"is_extended_id": True}, Flag.EXTENDED),
        ({"is_remote_frame": True}, Flag.REMOTE),
        ({"is_fd": True}, Flag.FD),
        ({"is_fd": True, "bitrate_switch": True}, Flag.FD | Flag.BITRATE_SWITCH),
        ({"is_fd": True, "error_state_indicator": True}, Flag.FD | Flag.ERROR_STATE),
        ({"is_rx": False}, Flag.TRANSMITTED),
        ({"is_error_frame": True, "is_extended_id": True, "is_remote_frame": True}, Flag.ERROR),
        ({"is_error_frame": True, "is_rx": False}, Flag.ERROR | Flag.TRANSMITTED),
    ],
)
def test_each_property_of_a_message_has_its_flag(keys: dict[str, Any], flags: int) -> None:
    assert library._flags(message(**keys)) == int(flags)


def test_messages_become_columns() -> None:
    sent = [
        message(channel=1, data=b"\1\2"), message(channel="x", is_remote_frame=True, dlc=5, data=b""),
        message(channel=None, data=b"", arbitration_id=0x3FFFFFFF, is_extended_id=True), message(channel=1, data=b"\3"),
        message(channel="x", is_error_frame=True, data=b"\4"),
    ]  # fmt: skip
    sent[4].is_remote_frame = True  # an error frame all the same
    frames = frames_of(sent, "a")
    assert (frames.buses, frames.bus.tolist()) == (("can1", "x", "can0"), [0, 1, 2, 0, 1])
    assert frames.length.tolist() == [2, 5, 0, 1, 1]
    assert [frames.data(k) for k in range(5)] == [b"\1\2", b"", b"", b"\3", b"\4"]
    assert frames.offset.tolist() == [0, 2, 2, 2, 3]
    assert frames.identifier.tolist() == [0x100, 0x100, 0x1FFFFFFF, 0x100, 0x100]
    assert [len(frames_of([message(channel=k) for k in range(255)], "a").buses), len(frames_of([], "a"))] == [255, 0]
    with pytest.raises(LogError, match="frames of more than 255 buses"):
        frames_of([message(channel=k) for k in range(256)], "a")


@pytest.mark.parametrize(
    ("stamp_s", "stamp_ns"),
    [
        (1.123456789, 1_123_456_789),
        (99_999_999.000000123, 99_999_999_000_000_119),  # the nearest float64
        (1e8 + 0.1234567, 100_000_000_123_457_000),  # from here on to the microsecond
        (-1.5, -1_500_000_000),
        (-2e8 - 0.0000004, -200_000_000_000_000_000),
    ],
)
def test_stamps_are_whole_nanoseconds_or_microseconds_of_a_date(stamp_s: float, stamp_ns: int) -> None:
    assert library._nanoseconds(stamp_s) == pytest.approx(stamp_ns, abs=16)  # float64 steps by 15 ns at 1e8 s


@pytest.mark.parametrize(
    ("keys", "fault"),
    [
        ({"timestamp": -9e9}, ""), ({"timestamp": -9.1e9}, "the timestamp is out of range"),
        ({"timestamp": "1"}, "the timestamp is out of range"), ({"timestamp": 1}, ""),
        ({"arbitration_id": "1"}, "identifier or length is not a number"),
        ({"arbitration_id": -1}, "the identifier is out of range"),
        ({"arbitration_id": 0x800, "is_error_frame": True}, ""),
        ({"dlc": 64}, ""), ({"dlc": 65}, "the length is out of range"),
        ({"dlc": -1}, "the length is out of range"), ({"dlc": None, "data": b""}, ""),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_message_is_named(keys: dict[str, Any], fault: str) -> None:
    made = message()
    for name, value in keys.items():
        if value is not None:
            setattr(made, name, value)
    assert library._fault(made) == fault


def blocks_of(messages: Iterator[Any], complaints: ReaderComplaints) -> list[Block]:
    return list(library._blocks(messages, "a.blf", FORMATS[0], complaints))


def test_a_record_that_stops_the_reader_is_the_last_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(library, "BLOCK_FRAMES", 2)
    complaints = ReaderComplaints("a.blf", True)

    def reader() -> Iterator[can.Message]:
        yield from (message(timestamp=5.0), message(timestamp=4.0), message(timestamp=3.0))
        complaints.add("odd")
        raise ValueError("broken")

    found = blocks_of(library._counted(reader(), complaints), complaints)
    reason = "not readable as a BLF log (ValueError: broken)"
    assert [block.account for block in found] == [
        Account(files=("a.blf",), lines=2, frames=2, out_of_order=1),
        Account(files=("a.blf",), lines=2, lines_bad=1, frames=1, out_of_order=1, bad=(BadLine("a.blf", 4, "odd"),)),
        Account(
            files=("a.blf",), lines=1, lines_bad=1, bad=(BadLine("a.blf", 4, reason),),
            notes=(f"a.blf: reading stopped at line or record 4: {reason}",),
        ),
    ]  # fmt: skip
    monkeypatch.setattr(library, "BLOCK_FRAMES", 3)
    whole = blocks_of(iter([message(timestamp=5.0)] * 3), ReaderComplaints("a.blf", True))
    assert [len(block.frames) for block in whole] == [3, 0]

    def fails() -> Iterator[can.Message]:
        raise ValueError("broken")
        yield message()

    with pytest.raises(LogError, match=r"^a\.blf: not readable as a BLF log \(ValueError: broken\)\. Check that the"):
        blocks_of(fails(), ReaderComplaints("a.blf", True))
    assert blocks_of(iter([]), ReaderComplaints("a.blf", True)) == []


def test_what_no_frame_can_be_is_a_bad_record() -> None:
    complaints = ReaderComplaints("a", True)
    sent = [message(), message(arbitration_id=0x800), message(arbitration_id=0x7FF)]
    assert len(list(library._sound(library._counted(iter(sent), complaints), complaints))) == 2
    assert complaints.take() == [BadLine("a", 2, "the identifier is out of range")]


def test_the_date_of_a_head_is_added_and_what_was_assumed_of_it_said() -> None:
    path, asc, trc, csv = Path("a"), FORMATS[4], FORMATS[3], FORMATS[5]
    utc = ("a: the date in its header names no time zone and was taken as UTC",)
    clock = AscTime()
    assert library._assumed_of_date(path, asc, clock, dated=True) == utc
    assert library._assumed_of_date(path, trc, clock, dated=True) == utc
    assert library._assumed_of_date(path, csv, clock, dated=True) == ()
    assert library._assumed_of_date(path, asc, clock, dated=False) == ()
    clock.unreadable = "noon"
    assert library._assumed_of_date(path, asc, clock, dated=True) == (
        "a: the date “noon” in its header cannot be read; the log is treated as undated",
    )
    block = Block(frames_at([1, 2]))
    assert library._from(block, 10).frames.time_ns.tolist() == [11, 12]
    assert library._from(block, 0) is block


def test_a_blf_object_that_has_no_size_ends_the_log() -> None:
    """Signature, header size and version (two bytes each), then the object's size."""
    sized, unsized = b"LOBJ\x20\0\1\0\x30\0\0\0", b"LOBJ\x20\0\1\0\0\0\0\0"
    assert blf._OBJECT_WITHOUT_SIZE.search(sized) is None
    found = blf._OBJECT_WITHOUT_SIZE.search(sized + unsized)
    assert found is not None
    assert found.start() == len(sized)


# -- what opens a log -------------------------------------------------------------------------------


def test_differences_are_added_up_through_the_blocks() -> None:
    blocks = [
        Block(frames_at([1, 2]), Account(out_of_order=1, frames=2)),
        Block(frames_at([])),
        Block(frames_at([3, 4])),
    ]
    found = list(_added_up(blocks))
    assert [block.frames.time_ns.tolist() for block in found] == [[1, 3], [], [6, 10]]
    assert found[0].account == Account(frames=2)


def test_a_file_of_one_bus_has_the_name_it_was_recorded_by() -> None:
    one, two, none = frames_at([1], buses=("can0",)), frames_at([1, 2], bus=[0, 1], buses=("a", "b")), frames_at([])
    named = list(opening._of_bus([Block(one), Block(two), Block(none)], "body"))
    assert [block.frames.buses for block in named] == [("body",), ("a", "b"), ("body",)]


def test_logs_are_opened_by_their_content_and_moved_by_their_shifts(tmp_path: Path) -> None:
    frames, console, table = (tmp_path / name for name in ("a", "b", "c"))
    frames.write_bytes(b"(1.000000) can0 123#11\n")
    console.write_bytes(b"t=1000 rpm=5\nt=2000 rpm=6\n")
    table.write_bytes(b"Time [s],ID,Data\n" + b"".join(b"%d,1AB,00\n" % (2 + k) for k in range(12)))
    shift = Shift(5 * S)
    capture = stream([frames, console, table], consoles=[defined(PAIRS)], shifts=[shift, shift, None]).in_memory()
    assert capture.frames.time_ns[:2].tolist() == [6 * S, 2 * S]
    (log,) = capture.serial
    assert (log.signals["Speed"].time_ns / S).tolist() == [6.0, 7.0]
    assert (capture.account.frames, capture.account.sample_lines) == (13, 2)
    assert Capture((), (log,)).account.lines == 2
    plain = stream([frames, console], consoles=[defined(PAIRS)]).in_memory()
    assert (plain.frames.time_ns.tolist(), plain.serial[0].signals["Speed"].time_ns[0]) == ([S], S)
    assert isinstance(plain.serial[0], SerialLog)
    with pytest.raises(ValueError, match="zip"):
        stream([frames, table], shifts=[None])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\xff\xfea\0", "the text is in UTF-16. Save it as UTF-8."),
        (b"\xfe\xff\0a", "the text is in UTF-16"),
        (b"abc\0", "Readable are BLF, MF4, SQLite, TRC, ASC, CSV, candump text, delimited text; also compressed as"),
        (b" \n\t", "the log is empty. Check that the logger was recording."),
        (b"x" * 1024 + b"\0", "as delimited text"),
        (b"speed=1 bus=2\n" * 12, "this looks like the text of a serial console (speed, bus)"),
        (b"  can0  123   [1]  11\n", "the lines have no timestamps, so nothing can be checked"),
    ],
)
def test_what_cannot_be_opened_says_what_it_is(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(content)
    with pytest.raises(LogError) as refused:
        stream([path])
    assert said in str(refused.value)
    if b"[1]" not in content:  # found when it is read
        with pytest.raises(LogError):
            refuse_unknown(path)


def test_mf4_is_read_by_its_own_reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, opened = tmp_path / "a", []
    monkeypatch.setattr(mf4, "blocks", lambda path, log_format: opened.append(("mf4", log_format.name)))
    monkeypatch.setattr(library, "blocks", lambda path, log_format: opened.append(("library", log_format.name)))
    for head in (b"MDF     4.10", b"LOGG", b"SQLite format 3\0"):
        path.write_bytes(head)
        opening._open(path, None, ())
    assert opened == [("mf4", "MF4"), ("library", "BLF"), ("library", "SQLite")]


def test_a_log_that_is_not_what_its_console_says_is_refused_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(b"hello\n" * 20)
    console = defined(PAIRS)
    with pytest.raises(LogError) as refused:
        stream([path], consoles=[console, defined(DELIMITED)])  # the first one is named
    assert f"no known CAN log, and not what {console.path} describes: no line holds any of rpm" in str(refused.value)
