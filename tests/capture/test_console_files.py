"""Files of a console: what looks like its definition, records found in bytes, arrivals, files cut short; by hand."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from serial_definitions import CONSOLE, DELIMITED, PAIRS, defined

from logscope.capture import serial, serial_binary
from logscope.capture.frames import BadLine
from logscope.capture.samples import SerialAccount
from logscope.capture.serial import misfit, read_recorded, read_serial, sniff
from logscope.capture.serial_binary import BinaryReader, read_arrivals, read_binary, unpack
from logscope.definitions.serial import SerialDefinition
from logscope.errors import LogError

MS = 1_000_000


def records(keys: str = 'sync = "A5 5A"\nchecksum = "sum8"\n', time: str = "rate_Hz = 10\n") -> SerialDefinition:
    """Records of one number of two bytes."""
    signal = '[[signal]]\nname = "N"\ntype = "u16"\n'
    return defined(f"{CONSOLE}[record]\n{keys}[time]\n{time}{signal}")


def record(number: int, sync: bytes = b"\xa5\x5a") -> bytes:
    """A record with the sum of its bytes at its end."""
    body = sync + number.to_bytes(2, "little")
    return body + bytes([sum(body) % 256])


# -- does it look like its definition ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "fits"),
    [
        (b"t=1 rpm=1\nt=2 rpm=x\n", True),  # as much damage as samples
        (b"t=1 rpm=1\nt=2 rpm=x\nt=3 rpm=x\n", False),
        (b"free text\n", False),
        (b"", False),
        (b"t=1 rpm=1\nt=2 rpm=x", True),  # the last line may be cut
        (b"t=1 rpm=1\rt=2 rpm=x\rt=3 rp", True),
        (b"t=1 rpm=1", True),  # one line alone counts
    ],
)
def test_a_log_looks_like_a_definition_that_reads_half_of_it(head: bytes, fits: bool) -> None:
    assert sniff(head, defined(PAIRS)) is fits


def test_records_count_to_the_last_byte() -> None:
    assert sniff(record(7) + record(8)[:-1], records())
    assert sniff(record(0x0A0A), records())  # line ends are bytes like others


@pytest.mark.parametrize(
    ("definition", "head", "reason"),
    [
        (defined(PAIRS), b"free text\n", "no line holds any of rpm, udc, st"),
        (defined(DELIMITED), b"a,b\n1,2\n", "line 1: no header line before it names rpm, st, t, udc"),
        (records(), b"free text\n", "no record as it describes them is found"),
    ],
)
def test_why_a_log_does_not_fit_is_said(definition: SerialDefinition, head: bytes, reason: str) -> None:
    assert misfit(head, definition) == reason


# -- whole files ------------------------------------------------------------------------------------


def test_a_folder_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="this is a folder, not a log"):
        read_serial(tmp_path, defined(PAIRS))
    with pytest.raises(LogError, match="cannot open the log"):
        read_serial(tmp_path / "none.txt", defined(PAIRS))


def test_a_cut_file_ends_in_a_bad_line_that_says_so() -> None:
    before = SerialAccount(lines=9, sample_lines=8, lines_bad=1, bad=(BadLine("c", 4, "x"),), notes=("n",))
    assert serial._with_cut(before, "c") == SerialAccount(
        lines=10, sample_lines=8, lines_bad=2,
        bad=(BadLine("c", 4, "x"), BadLine("c", 10, "the compressed file is cut short or damaged here")),
        notes=("n", "c: the compressed file is cut short or damaged here; everything before was read"),
    )  # fmt: skip


def test_a_whole_packed_file_is_not_cut(tmp_path: Path) -> None:
    path = tmp_path / "c.gz"
    path.write_bytes(gzip.compress(b"t=1 rpm=1\nt=2 rpm=2"))
    log = read_serial(path, defined(PAIRS))
    assert log.account == SerialAccount(files=(str(path),), lines=2, sample_lines=2)


def test_files_of_a_recording_are_one_stream_on_its_clock(tmp_path: Path) -> None:
    """The last line of the first file goes on in no other; the definition's own rate plays no part."""
    files = [tmp_path / f"c-00{k}.txt" for k in (1, 2)]
    files[0].write_bytes(b"(1700000000.000000) rpm=1\n(1700000000.500000) rpm=2\n")
    files[1].write_bytes(b"(1700000001.000000) rpm=3\n(1700000002.000000) rpm=x\n")
    log = read_recorded(files, defined(CONSOLE + "[pairs]\n[time]\nrate_Hz = 7\n" + '[[signal]]\nname = "rpm"\n'))
    assert (log.signals["rpm"].time_ns // MS).tolist() == [1_700_000_000_000, 1_700_000_000_500, 1_700_000_001_000]
    assert log.account == SerialAccount(
        files=tuple(map(str, files)), lines=4, sample_lines=3, lines_bad=1,
        bad=(BadLine(str(files[0]), 4, "rpm: “x” is not a value"),),  # lines count through all files
    )  # fmt: skip
    assert log.dated


@pytest.mark.parametrize(
    ("times", "pieces"),
    [
        # pieces end where 20 ms have passed since their first read, and at the end
        ([(0, 100), (3, 119), (5, 121), (8, 130)], [(0, 8, 121), (8, 12, 130)]),
        ([(0, 100), (3, 120), (5, 121)], [(0, 5, 120), (5, 12, 121)]),
        ([(0, 100), (3, 119)], [(0, 12, 119)]),
        ([(0, 100), (12, 101), (12, 130)], [(0, 12, 100), (12, 12, 101), (12, 12, 130)]),
        ([], []),
    ],
)
def test_bytes_come_in_pieces_with_the_arrival_of_their_last_read(
    tmp_path: Path, times: list[tuple[int, int]], pieces: list[tuple[int, int, int]]
) -> None:
    file, content = tmp_path / "c-001.bin", bytes(range(12))
    file.write_bytes(content)
    text = "".join(f"{place} {at * MS}\n" for place, at in times)
    for end in ("", "9", "9 2000000", "\0\0"):  # a last line may be cut, or be what a failing power leaves
        file.with_suffix(".times").write_text(text + end, encoding="ascii")
        found = list(serial._arrivals(content, serial._times(file)))
        assert found == [(content[begin:until], at * MS) for begin, until, at in pieces]


@pytest.mark.parametrize("times", [None, "", "0 17000"])
def test_bytes_without_a_time_are_not_read_and_that_is_said(tmp_path: Path, times: str | None) -> None:
    file = tmp_path / "c-001.bin"
    file.write_bytes(record(1))
    if times is not None:
        file.with_suffix(".times").write_text(times, encoding="ascii")
    log = read_recorded([file], records())
    assert len(log.signals["N"]) == 0
    assert log.account.notes == (f"{file}: nothing says when its bytes arrived, so none of them were read",)


# -- records in bytes -------------------------------------------------------------------------------


def test_a_record_has_the_arrival_of_the_piece_that_completes_it() -> None:
    """Without a checksum a record counts when what follows it is there: the last one at the end."""
    packed = [record(k) for k in range(3)]
    pieces = [(packed[0][:3], 10), (packed[0][3:] + packed[1][:2], 20), (packed[1][2:] + packed[2], 30), (b"", 40)]
    rows, account = read_arrivals(pieces, records(), "c.bin")
    assert rows.value[:, 0].tolist() == [0, 1, 2]
    assert rows.stamp_ns is not None
    assert rows.stamp_ns.tolist() == [20, 30, 30]
    assert (account.sample_lines, account.lines) == (3, 3)
    alone, _ = read_arrivals([(packed[0], 10)], records(), "c.bin")
    assert alone.stamp_ns is not None
    assert alone.stamp_ns.tolist() == [0]
    nothing, _ = read_arrivals([], records(), "c.bin")
    assert nothing.stamp_ns is not None
    assert nothing.stamp_ns.tolist() == []


def read(content: bytes, definition: SerialDefinition) -> tuple[list[tuple[int, int, float]], SerialAccount]:
    """Line, turn and number of each record, and the account."""
    rows, account = read_binary([content], definition, "c.bin")
    return list(zip(rows.line.tolist(), rows.turn.tolist(), rows.value[:, 0].tolist(), strict=True)), account


@pytest.mark.parametrize(
    ("between", "other", "bad"),
    [
        (b"", 0, 0),
        (b"ready\r\n\t", 1, 0),  # plain text
        (b"r\x7f", 0, 1),
        (b"r\x1f", 0, 1),
        (b"~ ", 1, 0),
        (b"\xff" * 7, 0, 1),  # 7/5 of a record
        (b"\xff" * 8, 0, 2),
        (b"\xff", 0, 1),
    ],
)
def test_what_stands_between_records_is_text_or_as_many_bad_ones_as_would_fit(
    between: bytes, other: int, bad: int
) -> None:
    found, account = read(record(1) + between + record(2), records())
    assert found == [(1, 0, 1.0), (2 + other + bad, 1 + bad, 2.0)]
    reason = f"{len(between)} bytes between sound records belong to no record"
    assert account == SerialAccount(
        files=("c.bin",), lines=2 + other + bad, sample_lines=2, other=other, lines_bad=bad,
        bad=tuple(BadLine("c.bin", account.bad[k].line, reason) for k in range(bad)),
    )  # fmt: skip


def test_records_of_varied_length_that_are_damaged_count_by_their_first_bytes() -> None:
    definition = records('sync = "A5"\nlength_at_byte = 1\nchecksum = "sum8"\n')

    def varied(number: int) -> bytes:
        body = bytes([0xA5, 5]) + number.to_bytes(2, "little")
        return body + bytes([sum(body) % 256])

    broken = varied(9)[:-1] + b"\0"
    found, account = read(varied(1) + broken * 3 + varied(2), definition)
    assert ([number for *_, number in found], account.lines_bad) == ([1.0, 2.0], 3)


def test_without_a_checksum_a_record_is_followed_by_another_or_ends_the_log() -> None:
    definition = records('sync = "A5 5A"\n')

    def bare(number: int) -> bytes:
        return b"\xa5\x5a" + number.to_bytes(2, "little")

    assert [each[2] for each in read(bare(1) + bare(2) + b"?" + bare(3), definition)[0]] == [1.0, 3.0]
    assert [each[2] for each in read(bare(1) + bare(2) + b"?", definition)[0]] == [1.0]


@pytest.mark.parametrize("framing", ["cobs", "slip"])
def test_a_packet_is_a_record_or_says_why_not(framing: str) -> None:
    definition = records(f'framing = "{framing}"\nsync = "A5"\nchecksum = "sum8"\nlength_bytes = 4\n')
    sound, wrong = record(1, b"\xa5"), record(2, b"\xa5")[:-1] + b"\x01"
    other, longer, short = record(3, b"\xa6"), sound + b"\x01", sound[:-1]
    broken = b"\x09\x01" if framing == "cobs" else b"\xdb\x01"
    end = b"\0" if framing == "cobs" else b"\xc0"
    sent = [sound, wrong, other, longer, short, None, record(4, b"\xa5")]
    content = (end * 2).join(
        broken if each is None else cobs.encode(each) if framing == "cobs" else each for each in sent
    )
    found, account = read(content, definition)
    assert found == [(1, 0, 1.0), (7, 6, 4.0)]
    mismatch = "its length or its first bytes do not match a record"
    assert [(bad.line, bad.reason) for bad in account.bad] == [
        (2, "its checksum is wrong"), (3, mismatch), (4, mismatch), (5, mismatch),
        (6, f"it is not a valid {framing.upper()} packet"),
    ]  # fmt: skip
    assert (account.sample_lines, account.lines_bad, account.other) == (2, 5, 0)


def test_packets_are_unpacked_by_their_framing() -> None:
    """The SLIP escapes of RFC 1055; COBS by the library."""
    assert unpack(b"\xdb\xdd\xdc\xdb\xdc", "slip") == b"\xdb\xdc\xc0"
    assert unpack(cobs.encode(b"\0a\0"), "cobs") == b"\0a\0"
    with pytest.raises(ValueError, match="not a valid SLIP packet"):
        unpack(b"a\xdb", "slip")
    with pytest.raises(ValueError, match="not a valid COBS packet"):
        unpack(b"\x05a", "cobs")
    assert serial_binary.END_OF == {"cobs": b"\0", "slip": b"\xc0"}


def test_a_reader_gives_each_record_once_and_waits_for_what_is_not_complete() -> None:
    reader = BinaryReader(records(time='field = "N"\nunit = "ms"\n'), "c.bin")
    reader.add(record(1) + record(2) + record(3)[:1])  # two bytes are a sync, which may be of a longer record
    first = reader.take_rows()
    assert (first.value[:, 0].tolist(), first.time.tolist(), first.line.tolist()) == ([1], [1], [1])
    reader.add(record(3)[1:])
    reader.finish()
    rest = reader.take_rows()
    assert (rest.value[:, 0].tolist(), rest.line.tolist(), len(reader.take_rows())) == ([2, 3], [2, 3], 0)
    reader.finish()
    assert (reader.lines, reader.samples) == (3, 3)
    assert np.isnan(BinaryReader(records(), "c.bin").rows().time).tolist() == []


def test_a_stretch_without_a_record_is_counted_before_it_grows_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Kept for the next block are the last bytes that could begin a record: two of the sync."""
    monkeypatch.setattr(serial_binary, "MAX_STRETCH_BYTES", 20)
    reader = BinaryReader(records(), "c.bin")
    reader.add(b"\xff" * 20)
    assert (reader.lines, len(reader._rest)) == (0, 20)
    reader.add(b"\xff")
    assert (reader.damaged, len(reader._rest)) == (4, 2)  # 19 bytes are four records of five
    for k in range(30):
        reader._reject(str(k))
    assert (len(reader.bad), reader.damaged) == (20, 34)
