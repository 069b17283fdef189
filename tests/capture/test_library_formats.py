"""Every format that python-can writes comes back as python-can's own readers give it."""

from __future__ import annotations

import gzip
import sqlite3
import struct
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import can
import numpy as np
import pytest
from can_messages import closes, messages, row_of, rows_of, seconds_of, write

from logscope.capture import library
from logscope.capture.open import read
from logscope.errors import LogError

EPOCH_S = 1_772_442_000.25
# what each format can hold: CAN FD, remote requests, error frames (python-can 4.6's writers)
FORMATS = {
    ".log": {"fd": True, "remote": True},
    ".asc": {"fd": True, "remote": True, "error": True},
    ".blf": {"fd": True, "remote": True, "error": True},
    ".trc": {"fd": False, "remote": False},
    ".csv": {"fd": False, "remote": True, "error": True},
    ".db": {"fd": False, "remote": True, "error": True},
    ".mf4": {"fd": True, "remote": True, "error": True},
}


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> None:
    """python-can's ASC writer writes the local time of this machine; the log says no zone, so any other would shift."""
    monkeypatch.setattr("can.io.asc.datetime", _UtcDatetime)


class _UtcDatetime(datetime):
    @classmethod
    def fromtimestamp(cls, stamp: float, tz: tzinfo | None = None) -> _UtcDatetime:
        return super().fromtimestamp(stamp, tz or UTC)


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("start_s", [0.0, EPOCH_S], ids=["relative", "epoch"])
def test_equals_python_cans_reader(tmp_path: Path, suffix: str, start_s: float) -> None:
    path = write(tmp_path / f"drive one{suffix}", messages(700, start_s=start_s, **FORMATS[suffix]))
    with can.LogReader(path) as reader:
        expected = list(reader)
    capture = read(path)
    assert rows_of(capture.frames) == [row_of(message) for message in expected]
    # float64 seconds since 1970 step by 0.24 µs; both sides may round
    start = start_s if suffix == ".asc" else 0.0  # python-can gives stamps of this format from the log's start
    np.testing.assert_allclose(capture.frames.time_ns / 1e9 - start, seconds_of(expected), rtol=0, atol=1e-6)
    assert closes(capture)
    assert capture.account.lines_bad == 0


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db"])
def test_packed_logs_equal_plain_ones(tmp_path: Path, suffix: str) -> None:
    path = write(tmp_path / f"plain{suffix}", messages(50, start_s=0.0, fd=False))
    packed = tmp_path / "packed.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert rows_of(read(packed).frames) == rows_of(read(path).frames)


@pytest.mark.parametrize("suffix", [".blf", ".csv", ".db"])
def test_dates_are_whole_microseconds(tmp_path: Path, suffix: str) -> None:
    sent = messages(200, start_s=EPOCH_S, fd=False)
    time_ns = read(write(tmp_path / f"dated{suffix}", sent)).frames.time_ns
    assert np.all(time_ns % 1000 == 0)
    np.testing.assert_array_equal(time_ns, [round(message.timestamp * 1e6) * 1000 for message in sent])


def test_sqlite_reader_gives_every_row_of_the_table(tmp_path: Path) -> None:
    """python-can's SQLite writer loses what waits when it is stopped; the count to hold is the table's."""
    path = tmp_path / "drive.db"
    with can.SqliteWriter(path) as writer:
        for message in messages(1200, start_s=0.0, fd=False):
            writer(message)
    database = sqlite3.connect(path)
    (rows,) = database.execute("SELECT COUNT(*) FROM messages").fetchone()
    database.close()
    assert len(read(path).frames) == rows > 0


def test_several_blocks_equal_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "drive.asc", messages(100, start_s=0.0))
    whole = read(path)
    monkeypatch.setattr(library, "BLOCK_FRAMES", 7)
    parts = read(path)
    assert len(parts.blocks) > 10
    assert rows_of(parts.frames) == rows_of(whole.frames)
    assert parts.account == whole.account


def test_a_bad_last_line_is_counted(tmp_path: Path) -> None:
    path = write(tmp_path / "drive.csv", messages(20, start_s=0.0, fd=False))
    with path.open("a", encoding="utf-8") as file:
        file.write("not a row\n")
    capture = read(path)
    assert len(capture.frames) == 20
    assert capture.account.lines_bad == 1
    assert capture.account.bad[0].line == 22  # behind the header and 20 rows
    assert closes(capture)


def test_nothing_readable_is_an_error_that_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "broken.blf"
    path.write_bytes(b"LOGG" + b"\xff" * 40)
    with pytest.raises(LogError, match=r"broken\.blf: not readable as a BLF log"):
        read(path)


def test_impossible_records_are_counted_as_bad(tmp_path: Path) -> None:
    """The row's identifier needs 30 bits: no frame on a CAN bus has it (ISO 11898-1)."""
    path = tmp_path / "odd.csv"
    path.write_text(
        "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
        "1.0,0x3fffffff,1,0,0,1,AA==\n"
        "2.0,0x123,0,0,0,1,AA==\n",
        encoding="utf-8",
    )
    capture = read(path)
    assert rows_of(capture.frames) == [("can0", 0x123, 0, b"\x00", 1)]
    assert "identifier is out of range" in capture.account.bad[0].reason
    assert closes(capture)


@pytest.mark.parametrize(
    ("identifier", "extended", "length", "stamp_s", "sound"),
    [
        (0x7FF, False, 1, 1.0, True),  # ISO 11898-1: identifiers of 11 and of 29 bits, up to 64 bytes
        (0x800, False, 1, 1.0, False),
        (0x1FFFFFFF, True, 1, 1.0, True),
        (0x20000000, True, 1, 1.0, False),
        (0x100, False, 64, 1.0, True),
        (0x100, False, 65, 1.0, False),
        (0x100, False, 1, 9e9, True),  # int64 nanoseconds end at 9.22e9 s
        (0x100, False, 1, 9.1e9, False),
        (0x100, False, 1, float("nan"), False),
    ],
)
def test_what_no_frame_can_be_is_left_out(
    identifier: int, extended: bool, length: int, stamp_s: float, sound: bool
) -> None:
    message = can.Message(stamp_s, identifier, extended, data=bytes(length), is_fd=True, check=False)
    assert (library._fault(message) == "") is sound


def test_trc_without_a_version_line_is_recognised(tmp_path: Path) -> None:
    """Version 1.0 of the format has no version line; python-can's own writer makes one."""
    path = tmp_path / "old.trc"
    with can.TRCWriter(path) as writer:
        writer.file_version = can.TRCFileVersion.V1_0
        for message in messages(20, start_s=0.0, fd=False, remote=False):
            writer(message)
    with can.TRCReader(path) as reader:
        expected = [row_of(message) for message in reader]
    assert rows_of(read(path).frames) == expected
    assert len(expected) == 20


@pytest.mark.parametrize("more", [5, 1 << 40])
def test_mf4_that_tells_of_more_frames_than_it_holds(tmp_path: Path, more: int) -> None:
    """The count stands behind the header and six links of a ##CG block (ASAM MDF 4.1)."""
    path = write(tmp_path / "cut.mf4", messages(30, start_s=0.0, remote=False))
    content = bytearray(path.read_bytes())
    groups = [at for at in range(len(content)) if content[at : at + 4] == b"##CG"]
    (counted,) = [at + 80 for at in groups if struct.unpack_from("<Q", content, at + 80) == (30,)]
    struct.pack_into("<Q", content, counted, 30 + more)
    path.write_bytes(content)
    capture = read(path)
    assert len(capture.frames) == 30
    assert f"does not hold: {more} " in capture.account.notes[0]
    assert closes(capture)


def test_mf4_whose_data_groups_form_a_ring_is_refused(tmp_path: Path) -> None:
    """The first link of a ##DG block leads to the next data group (ASAM MDF 4.1); here back to itself."""
    path = write(tmp_path / "ring.mf4", messages(30, start_s=0.0, remote=False))
    content = bytearray(path.read_bytes())
    group = content.index(b"##DG")
    struct.pack_into("<Q", content, group + 24, group)
    path.write_bytes(content)
    with pytest.raises(LogError, match=f"the block at byte {group} is reached twice"):
        read(path)


@pytest.mark.parametrize("object_header_version", [1, 7], ids=["of a frame", "of an unknown sort"])
def test_blf_with_an_object_of_no_size_ends_there(tmp_path: Path, object_header_version: int) -> None:
    """The size of an object stands behind signature, header size and header version (as python-can reads it)."""
    path = tmp_path / "damaged.blf"
    with can.BLFWriter(path, compression_level=0) as writer:
        for message in messages(20, start_s=EPOCH_S, fd=False, remote=False):
            writer(message)
    content = bytearray(path.read_bytes())
    objects = [at for at in range(len(content)) if content[at : at + 4] == b"LOBJ"]
    struct.pack_into("<HL", content, objects[11] + 6, object_header_version, 0)  # the first one is the container
    path.write_bytes(content)
    capture = read(path)
    assert len(capture.frames) == 10
    assert "an object of no size" in capture.account.bad[0].reason
    assert "reading stopped at line or record 11" in capture.account.notes[0]
    assert closes(capture)


@pytest.mark.parametrize("suffix", [".trc", ".asc", ".csv"])
@pytest.mark.parametrize("damage", ["cut", "rubbish"])
def test_reading_goes_on_behind_a_bad_line(tmp_path: Path, suffix: str, damage: str) -> None:
    """The sound lines come back as python-can reads them without the bad ones."""
    path = write(tmp_path / f"damaged{suffix}", messages(40, start_s=EPOCH_S, fd=False, remote=False))
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = lines if suffix != ".asc" else lines[:-1]  # the last one ends the block of frames
    for at in (-3, -9, -10):
        lines[at] = lines[at][:14] if damage == "cut" else lines[at].replace(" d ", " d Ω") + " Ω, 1, 2, 3, 4"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / f"sound{suffix}").write_text(
        "\n".join(line for k, line in enumerate(lines) if k - len(lines) not in (-3, -9, -10)) + "\n", encoding="utf-8"
    )
    capture = read(path)
    with can.LogReader(tmp_path / f"sound{suffix}") as reader:
        assert rows_of(capture.frames) == [row_of(message) for message in reader]
    assert closes(capture)
    if suffix == ".csv":
        assert [bad.line for bad in capture.account.bad] == [len(lines) + 1 - k for k in (10, 9, 3)]


def test_records_that_python_can_leaves_out_are_counted(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = write(tmp_path / "damaged.trc", messages(20, start_s=EPOCH_S, fd=False, remote=False))
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[-3] = lines[-3][:20]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    capture = read(path)
    assert (len(capture.frames), capture.account.lines_bad) == (19, 1)
    assert capture.account.bad[0].line == len(lines) - 2
    assert "Failed to parse" in capture.account.bad[0].reason
    assert closes(capture)
    assert not caplog.records


# -- dates ------------------------------------------------------------------------------------------

_START_NS = 1_772_442_000_250_000_000  # 2026-03-02 09:00:00.25 UTC by Python's datetime


@pytest.mark.parametrize(
    "date",
    [
        "Mon Mar 2 09:00:00.250 am 2026",
        "Mon Mar 02 09:00:00.250 2026",
        "Mo Mär 02 09:00:00.250 2026",
        "Mon Mrz 2 09:00:00,250 2026",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_the_date_in_an_asc_head_is_the_start(tmp_path: Path, date: str, encoding: str) -> None:
    """Ways of writing the date: python-can's reader, and German month names (common practice)."""
    path = tmp_path / "drive.asc"
    head = f"date {date}\nbase hex  timestamps absolute\nno internal events logged\n"
    path.write_text(head + "   1.500000 1  123             Rx   d 2 01 02\n", encoding=encoding)
    capture = read(path)
    assert capture.frames.time_ns.tolist() == [_START_NS + 1_500_000_000]
    assert "taken as UTC" in capture.account.assumptions[0]


def test_an_asc_date_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    path = tmp_path / "drive.asc"
    path.write_text(
        "date yesterday at noon\nbase hex  timestamps absolute\n   1.500000 1  123             Rx   d 1 01\n",
        encoding="utf-8",
    )
    capture = read(path)
    assert capture.frames.time_ns.tolist() == [1_500_000_000]
    assert "“yesterday at noon” in its header cannot be read" in capture.account.assumptions[0]


def test_asc_stamps_that_count_from_the_line_before_are_added_up(tmp_path: Path) -> None:
    """“timestamps relative”: every event counts from the event before it, whatever kind that is."""
    path = tmp_path / "drive.asc"
    lines = ["date Mon Mar 2 09:00:00.250 am 2026", "base hex  timestamps relative", "internal events logged"]
    lines += ["   0.000000 Start of measurement", "   0.010000 1  123             Rx   d 1 01"]
    lines += ["   0.500000 CAN 1 Status:chip status error active", "   0.010000 1  123             Rx   d 1 02"]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    capture = read(path)
    assert (capture.frames.time_ns - _START_NS).tolist() == [10_000_000, 520_000_000]


@pytest.mark.parametrize("suffix", [".blf", ".asc"])
def test_the_assumed_zone_of_a_dated_head_is_told(tmp_path: Path, suffix: str) -> None:
    path = write(tmp_path / f"dated{suffix}", messages(20, start_s=EPOCH_S, fd=False))
    assert "names no time zone and was taken as UTC" in read(path).account.assumptions[0]


@pytest.mark.parametrize("suffix", [".trc", ".csv"])
def test_a_bad_line_before_the_first_frame_is_no_part_of_the_head(tmp_path: Path, suffix: str) -> None:
    """Nor is it read again where another bad line follows later. Sound lines as python-can reads them alone."""
    path = write(tmp_path / f"damaged{suffix}", messages(20, start_s=EPOCH_S, fd=False, remote=False))
    lines = path.read_text(encoding="utf-8").splitlines()
    first = len(lines) - 20
    (tmp_path / f"sound{suffix}").write_text(
        "\n".join([*lines[:first], *lines[first + 1 : first + 9], *lines[first + 10 :]]) + "\n", encoding="utf-8"
    )
    for at in (first, first + 9):
        lines[at] = lines[at].replace(" d ", " d Ω") + " Ω, 1, 2, 3, 4"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    capture = read(path)
    with can.LogReader(tmp_path / f"sound{suffix}") as reader:
        assert rows_of(capture.frames) == [row_of(message) for message in reader]
    assert capture.account.lines_bad == 2
    assert closes(capture)
