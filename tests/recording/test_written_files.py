"""What is written of a recording, piece by piece, read back by hand and by python-can."""

from __future__ import annotations

import errno
import os
import tomllib
from pathlib import Path
from typing import Any, cast

import can
import pytest
from recorded_frames import START, S, frames

from logscope.capture.frames import Flag
from logscope.recording.drive_file import Described, Description, DriveFile, _text
from logscope.recording.files import GrowingFile, Rotated
from logscope.recording.port import CanBatch, SerialBatch
from logscope.recording.source import SourceAccount
from logscope.recording.writers import (
    BinaryConsoleWriter,
    BlfWriter,
    CandumpWriter,
    StampedLines,
    StampedLineWriter,
)

# -- files that grow --------------------------------------------------------------------------------


def test_a_file_grows_by_whole_pieces_and_replaces_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    path = tmp_path / "a.log"
    file = GrowingFile(path)
    file.sync()
    assert synced == []  # nothing to sync yet
    file.append(b"abc")
    file.append(b"de")
    assert (file.size, path.read_bytes()) == (5, b"abcde")
    file.sync()
    file.sync()
    assert len(synced) == 1
    file.append(b"f")
    file.close()
    assert (len(synced), path.read_bytes()) == (2, b"abcdef")
    with pytest.raises(FileExistsError):
        GrowingFile(path)


def test_of_a_piece_that_finds_no_room_nothing_stays(tmp_path: Path) -> None:
    file = GrowingFile(tmp_path / "a.log")
    file.append(b"abc")
    real = file._file

    class Full:
        """Takes two bytes of the next piece, then has no room."""

        def __init__(self) -> None:
            self.room = 2

        def write(self, piece: bytes) -> int:
            if not self.room:
                raise OSError(errno.ENOSPC, "full")
            written = real.write(bytes(piece)[: self.room])
            self.room = 0
            return written

        def __getattr__(self, name: str) -> Any:
            return getattr(real, name)

    file._file = cast(Any, Full())
    with pytest.raises(OSError, match="full"):
        file.append(b"12345")
    assert (file.size, file.path.read_bytes()) == (3, b"abc")
    file._file = real
    file.append(b"x")
    file.close()
    assert file.path.read_bytes() == b"abcx"


def test_a_new_file_is_begun_when_one_has_its_size(tmp_path: Path) -> None:
    files = Rotated(tmp_path, "can0", ".log", 4)
    files.sync()  # before anything is there
    for piece in (b"abc", b"d", b"e", b"fghij", b"k"):
        files.append(piece)
    files.sync()
    files.close()
    files.close()
    assert files.names == ["can0-001.log", "can0-002.log", "can0-003.log"]
    assert [(tmp_path / name).read_bytes() for name in files.names] == [b"abcd", b"efghij", b"k"]
    assert files.total_bytes == 11


# -- writers ----------------------------------------------------------------------------------------


def test_losses_of_the_driver_stand_before_the_frames_that_follow_them(tmp_path: Path) -> None:
    """The line is candump's own: what was dropped now, and in all."""
    writer = CandumpWriter(tmp_path, "can0", 1000)
    writer.write(CanBatch(frames(START), 3))
    writer.write(CanBatch(frames(START + 1000), 0))
    writer.write(CanBatch(frames(START + 2000), 4))
    writer.sync()
    writer.close()
    text = (tmp_path / "can0-001.log").read_text(encoding="utf-8")
    assert text.splitlines() == [
        "DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)",
        "(1700000000.000000) can0 01A#05",
        "(1700000000.000001) can0 01A#05",
        "DROPCOUNT: dropped 4 CAN frames on 'can0' socket (total drops 7)",
        "(1700000000.000002) can0 01A#05",
    ]
    assert (writer.form, writer.names, writer.total_bytes) == ("candump", ["can0-001.log"], len(text))


def test_a_line_has_the_time_of_its_first_byte() -> None:
    """A byte takes 87 µs: the second line begins with the fourth byte of its read."""
    lines = StampedLines()
    assert lines.feed(SerialBatch(b"ab", START)) == b""
    assert lines.feed(SerialBatch(b"c\n\r\nde\rf", START + 9_000_000, 87_000)) == (
        b"(1700000000.000000) abc\n(1700000000.009348) de\n"
    )
    assert lines.rest() == b"(1700000000.009609) f\n"
    assert lines.rest() == b""
    assert StampedLines().feed(SerialBatch(b"x\n", 5 * S + 1999)) == b"(0000000005.000001) x\n"


@pytest.mark.parametrize(("length", "done"), [(4095, 0), (4096, 1)])
def test_a_line_without_an_end_is_cut_at_4096_bytes(length: int, done: int) -> None:
    lines = StampedLines()
    assert lines.feed(SerialBatch(b"x" * length, START)).count(b"\n") == done
    assert bool(lines.rest()) == (not done)


def test_the_last_line_is_written_though_it_has_no_end(tmp_path: Path) -> None:
    writer = StampedLineWriter(tmp_path, "console", 1000)
    writer.write(SerialBatch(b"a", START))
    assert writer.names == []  # nothing is complete yet
    writer.write(SerialBatch(b"\nb", START + S))
    writer.sync()
    writer.close()
    content = (tmp_path / "console-001.txt").read_bytes()
    assert content == b"(1700000000.000000) a\n(1700000001.000000) b\n"
    assert (writer.form, writer.names, writer.total_bytes) == ("lines", ["console-001.txt"], len(content))


def test_bytes_are_kept_as_they_came_with_the_place_and_time_of_each_read(tmp_path: Path) -> None:
    writer = BinaryConsoleWriter(tmp_path, "console", 2)
    writer.write(SerialBatch(b"abc", 10 * S))
    writer.write(SerialBatch(b"d", 11 * S))
    writer.sync()
    writer.close()
    assert (tmp_path / "console-001.bin").read_bytes() == b"abcd"  # one file, whatever a file's most bytes are
    times = (tmp_path / "console-001.times").read_bytes()
    assert times == b"0 10000000000\n3 11000000000\n"
    assert (writer.form, writer.names, writer.total_bytes) == ("bytes", ["console-001.bin"], 4 + len(times))


def test_python_can_reads_what_is_written_as_blf(tmp_path: Path) -> None:
    kinds = [
        (0, b"\1\2"), (int(Flag.EXTENDED), b"\1"), (int(Flag.TRANSMITTED), b"\3"),
        (int(Flag.FD | Flag.BITRATE_SWITCH), bytes(12)), (int(Flag.FD | Flag.ERROR_STATE), b"\5"),
        (int(Flag.REMOTE), b""),
    ]  # fmt: skip
    writer = BlfWriter(tmp_path, "can0", 1)
    writer.sync()
    assert (writer.names, writer.total_bytes) == ([], 0)
    for k, (flags, data) in enumerate(kinds):
        writer.write(CanBatch(frames(START + k * 1_000_000, flags=flags, data=data)))
        if k == 3:
            writer.sync()  # from here on the first file has its size
    writer.close()
    assert writer.names == ["can0-001.blf", "can0-002.blf"]
    assert writer.total_bytes == sum((tmp_path / name).stat().st_size for name in writer.names)
    read = [message for name in writer.names for message in can.BLFReader(tmp_path / name)]
    assert [round((each.timestamp - 1_700_000_000) * 1000) for each in read] == list(range(6))
    assert {each.arbitration_id for each in read} == {0x1A}
    assert [bytes(each.data) for each in read] == [data for _, data in kinds]
    for name, flag in (
        ("is_extended_id", Flag.EXTENDED), ("is_fd", Flag.FD), ("bitrate_switch", Flag.BITRATE_SWITCH),
        ("error_state_indicator", Flag.ERROR_STATE), ("is_remote_frame", Flag.REMOTE),
    ):  # fmt: skip
        assert [getattr(each, name) for each in read] == [bool(flags & flag) for flags, _ in kinds], name
    assert [not each.is_rx for each in read] == [bool(flags & Flag.TRANSMITTED) for flags, _ in kinds]


def test_an_error_frame_is_one_in_blf(tmp_path: Path) -> None:
    writer = BlfWriter(tmp_path, "can0", 1000)
    writer.write(CanBatch(frames(START, flags=int(Flag.ERROR), data=b"")))
    writer.close()
    (read,) = can.BLFReader(tmp_path / "can0-001.blf")
    assert read.is_error_frame


# -- the description on the disk --------------------------------------------------------------------


def test_the_description_is_replaced_whole_and_its_room_given_up_at_the_end(tmp_path: Path) -> None:
    file, description = DriveFile(tmp_path), Description("v.toml", START, [])
    assert (tmp_path / ".room").stat().st_size == 65_536
    file.write(description)
    first = (tmp_path / "drive.toml").read_bytes()
    description.ended = "by the user"
    file.finish(description)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drive.toml"]
    assert b"# it lasts, or did not end by itself" in first
    assert tomllib.loads((tmp_path / "drive.toml").read_text(encoding="utf-8"))["ended"] == "by the user"


def test_any_text_is_a_string_of_toml() -> None:
    for text in ('a "b" \\ c', "ä\x7f\x01\n", "\ud800"):
        assert tomllib.loads(f"x = {_text(text)}")["x"] == text.replace("\ud800", "?")


def test_a_description_names_what_was_given() -> None:
    can0 = Described("can0", "candump", "slcan:COM3", "adapter", "quiet", SourceAccount(first_ns=3 * S), ["a", "b"])
    console = Described("c", "lines", "COM4@9600", "arrival", "only read", SourceAccount(first_ns=2 * S), ["c"])
    made = Description("v.toml", START, [can0, console])
    found = tomllib.loads(made.text())
    assert (found["schema"], found["vehicle"], "ended" in found) == (1, "v.toml", False)
    first, second = found["source"]
    assert {key: first[key] for key in ("name", "form", "given", "files", "stamps", "listening")} == {
        "name": "can0", "form": "candump", "given": "slcan:COM3", "files": ["a", "b"], "stamps": "adapter",
        "listening": "quiet",
    }  # fmt: skip
    assert ("definition" in first, "bytes" in first, "frames" in second, second["bytes"]) == (False, False, False, 0)
    assert found["clock"]["first_stamp"] == 2.0
