"""What a recording counts and writes of its sources, its clock, its queue and its keys: by hand, no threads."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from logscope.capture.frames import Flag, Frames
from logscope.recording.candump_text import candump_text
from logscope.recording.clock import RecordingClock
from logscope.recording.drive_file import Described, Description, _seconds
from logscope.recording.intake import Intake
from logscope.recording.keys import Key, TypedLine
from logscope.recording.port import CanBatch, SerialBatch
from logscope.recording.source import Outage, SourceAccount
from logscope.recording.specs import can_specs

S = 1_000_000_000


def frames(*stamps_ns: int, flags: int = 0, identifier: int = 0x1A, data: bytes = b"") -> Frames:
    """Frames of one kind at these stamps, all with the same payload."""
    n = len(stamps_ns)
    return Frames(
        np.array(stamps_ns, np.int64), np.zeros(n, np.uint8), np.full(n, identifier, np.uint32),
        np.full(n, flags, np.uint8), np.full(n, len(data), np.uint8), np.arange(n, dtype=np.int64) * len(data),
        np.frombuffer(data * n, np.uint8), ("can0",),
    )  # fmt: skip


def test_an_account_counts_what_came_and_when() -> None:
    account = SourceAccount()
    account.add(CanBatch(frames(), 4))
    assert (account.frames, account.lost_in_driver, account.first_ns, account.last_ns) == (0, 4, None, None)
    account.add(CanBatch(frames(5 * S, 6 * S), 0))
    account.add(CanBatch(frames(7 * S, flags=int(Flag.ERROR)), 3))
    assert (account.frames, account.error_frames, account.lost_in_driver) == (3, 1, 7)
    assert (account.first_ns, account.last_ns) == (5 * S, 7 * S)
    serial = SourceAccount()
    serial.add(SerialBatch(b"abc", 8 * S))
    serial.add(SerialBatch(b"de", 9 * S))
    assert (serial.bytes, serial.frames, serial.first_ns, serial.last_ns) == (5, 0, 8 * S, 9 * S)


def test_the_clock_counts_on_from_the_time_of_day_at_its_start() -> None:
    """Started at 1000 s of the day with a counter at 50 s; then the day's clock is set forward by 7 s."""
    steady, wall = iter([50 * S, 53 * S, 54 * S]), iter([1000 * S, 1011 * S])
    clock = RecordingClock(lambda: next(steady), lambda: next(wall))
    assert clock.start_ns == 1000 * S
    assert clock.now_ns() == 1003 * S
    assert clock.wall_moved_ns() == 7 * S


@pytest.mark.parametrize(("sizes", "kept", "lost"), [((3, 2), 2, 0), ((3, 3), 1, 3), ((6,), 0, 6), ((5,), 1, 0)])
def test_a_queue_takes_what_it_has_room_for(sizes: tuple[int, ...], kept: int, lost: int) -> None:
    intake = Intake(2, most_frames=5)
    for size in sizes:
        intake.put(1, CanBatch(frames(*range(size)), 0))
    assert [len(each.batch.frames) for each in intake.take(0.0)] == list(sizes[:kept])  # type: ignore[union-attr]
    assert intake.lost == [0, lost]
    intake.put(0, CanBatch(frames(*range(5)), 0))  # what was taken has left its room
    assert [each.source for each in intake.take(0.0)] == [0]


@pytest.mark.parametrize(
    ("stamp_ns", "text"),
    [(1_700_000_000_000_001_000, "1700000000.000001"), (1_999_999_999, "1.999999"), (60_000, "0.000060")],
)
def test_times_are_written_to_the_microsecond(stamp_ns: int, text: str) -> None:
    assert _seconds(stamp_ns) == text


def test_a_description_says_everything_that_was_counted() -> None:
    account = SourceAccount(30, 2, 0, 4, 11 * S, 20 * S, [Outage(12 * S, 13 * S, "gone"), Outage(14 * S, None, "off")])
    can = Described("can0", "candump", "slcan:COM3", "adapter", "asked", account, ["can0-001.log"], 5)
    serial = Described(
        "console", "bytes", "COM4@9600", "arrival", "", SourceAccount(bytes=99, first_ns=10 * S), ["c.txt"], 6, "c.toml"
    )
    made = Description("v.toml", 9 * S, [can, serial], 1_500_000_000, "q", [15 * S], [(16 * S + 1000, 'a "note"')])
    assert made.first_ns == 10 * S
    found = tomllib.loads(made.text())
    assert found["clock"]["start"] == 9.0
    assert (found["clock"]["first_stamp"], found["clock"]["wall_moved_s"]) == (10.0, 1.5)
    assert found["clock"]["start_utc"].isoformat() == "1970-01-01T00:00:09+00:00"
    first, second = found["source"]
    assert (first["frames"], first["error_frames"], first["lost_in_driver"], first["lost_in_queue"]) == (30, 2, 4, 5)
    assert first["outage"] == [{"start": 12.0, "end": 13.0, "reason": "gone"}, {"start": 14.0, "reason": "off"}]
    assert (second["bytes"], second["lost_in_queue"], second["definition"]) == (99, 6, "c.toml")
    assert "frames" not in second
    assert found["event"] == [{"at": 15.0}]
    assert found["note"] == [{"at": 16.000001, "text": 'a "note"'}]
    assert found["ended"] == "q"
    assert Description("v.toml", 9 * S, []).first_ns is None


@pytest.mark.parametrize(
    ("flags", "identifier", "data", "line"),
    [
        (0, 0x1A, b"\x01\xab", "01A#01AB"),
        (int(Flag.EXTENDED), 0x1A, b"\x01", "0000001A#01"),
        (int(Flag.FD), 0x1A, b"\x01", "01A##001"),
        (int(Flag.FD | Flag.BITRATE_SWITCH), 0x1A, b"\x01", "01A##101"),
        (int(Flag.FD | Flag.ERROR_STATE), 0x1A, b"\x01", "01A##201"),
        (int(Flag.FD | Flag.BITRATE_SWITCH | Flag.ERROR_STATE), 0x1A, b"", "01A##3"),
        (int(Flag.REMOTE), 0x1A, b"", "01A#R"),
        (int(Flag.REMOTE | Flag.EXTENDED), 0x1A, b"\x00\x00", "0000001A#R2"),
        (int(Flag.ERROR), 0x04, b"\x00\x01", "20000004#0001"),  # CAN_ERR_FLAG of Linux's can.h
        (int(Flag.TRANSMITTED), 0x1A, b"\x01", "01A#01 T"),
    ],
)
def test_a_frame_is_written_as_candump_writes_it(flags: int, identifier: int, data: bytes, line: str) -> None:
    made = frames(1_700_000_000_000_002_999, flags=flags, identifier=identifier, data=data)
    assert candump_text(made) == f"(1700000000.000002) can0 {line}\n"


@pytest.mark.parametrize(
    ("typed", "asked"),
    [
        ([("q", 0.0), ("", 0.8)], []),
        ([("q", 0.0), ("", 0.81)], [Key.END]),
        ([("q", 0.0), ("u", 0.5), ("", 9.0)], []),  # the beginning of a note
        ([("qu\b", 0.0), ("", 1.0)], [Key.END]),
        ([("q\n", 0.0)], [Key.END]),
        ([("  a b \r", 0.0)], [Key.EVENT, Key.EVENT, "a b"]),
        ([("\n\x7f\n", 0.0)], []),
        ([("a\x03", 0.0)], [Key.END]),
    ],
)
def test_keys_ask_for_events_notes_and_the_end(typed: list[tuple[str, float]], asked: list[object]) -> None:
    line = TypedLine()
    assert [each for characters, at in typed for each in line.feed(characters, at)] == asked


def test_buses_without_a_name_are_numbered_by_their_place() -> None:
    """A channel names a bus only where the interface is one of the system, and the name is a word."""
    given = ["slcan:COM3", "virtual:body", "virtual:1", "x=slcan:COM4"]
    assert [spec.bus for spec in can_specs(given, {})] == ["can0", "body", "can2", "x"]
    assert [spec.text for spec in can_specs(["slcan:COM3@5"], {"can0": 7})] == ["slcan:COM3@5"]
