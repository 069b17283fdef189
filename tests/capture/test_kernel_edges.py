"""Lines of the compiled readers at the edges of what each field can be, many to a log; expected by hand.

Grammar of candump: the comments on its frames in the lib.h that it is built with; sizes of frames: ISO 11898-1.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from can_messages import rows_of

from logscope.capture import candump, candump_screen, delimited
from logscope.capture.columns import ColumnLayout
from logscope.capture.delimited_guess import Guess
from logscope.capture.frames import Flag
from logscope.capture.open import Capture

EXT, RTR, ERR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX = int(Flag.BITRATE_SWITCH), int(Flag.ERROR_STATE), int(Flag.TRANSMITTED)

Row = tuple[int, int, bytes, int]  # identifier, flags, data, length
Table = list[tuple[str, Row | str]]  # a line, and its frame or why it is none


def check(capture: Capture, table: Table) -> None:
    """Each line of the table, one to a line of the log, is the frame or is bad for the reason that the table has."""
    assert len(table) <= 20 + sum(not isinstance(expected, str) for _, expected in table)  # so many are named
    bad = {each.line: each.reason for each in capture.account.bad}
    frames = iter(rows_of(capture.frames))
    for number, (line, expected) in enumerate(table, start=1):
        if isinstance(expected, str):
            assert expected in bad.get(number, "it is a frame"), line
        else:
            assert number not in bad, (line, bad.get(number))
            _, *frame = next(frames)
            assert tuple(frame) == expected, line
    assert next(frames, None) is None


# -- candump -L -------------------------------------------------------------------------------------

CANDUMP: Table = [
    ("(9000000000.000000) c 1#", (1, 0, b"", 0)),
    ("(9000000001.000000) c 1#", "timestamp cannot be read"),
    ("(9000000001.0) c 1#", "timestamp cannot be read"),
    ("(1.5) c 7FF#", (0x7FF, 0, b"", 0)),
    ("(1.5) c 0800#", (0x800, EXT, b"", 0)),  # more than three digits
    ("(1.5) c 1FFFFFFF#", (0x1FFFFFFF, EXT, b"", 0)),
    ("(1.5) c 20000000#", (0, ERR, b"", 0)),
    ("(1.5) c 3FFFFFFF#", (0x1FFFFFFF, ERR, b"", 0)),
    ("(1.5) c 40000000#", "out of range"),
    ("(1.5) " + "n" * 31 + " 1#", (1, 0, b"", 0)),
    ("(1.5) " + "n" * 32 + " 1#", "too long"),
    ("(1.5) c 1#.11", "another character"),
    ("(1.5) c 1#11.", (1, 0, b"\x11", 1)),
    ("(1.5) c 1#1122334455667788.99", "more than 8"),
    ("(1.5) c 1#11223344556677_9", "another character"),  # a length code only after eight bytes
    ("(1.5) c 1#1122334455667788_G", "another character"),
    ("(1.5) c 1#1122334455667788_F T", (1, TX, bytes.fromhex("1122334455667788"), 8)),
    ("(1.5) c 1##0" + "00" * 8 + "_9", "another character"),  # none in CAN FD
    ("(1.5) c 1#R T", (1, RTR | TX, b"", 0)),
    ("(1.5) c 1#R R", (1, RTR, b"", 0)),
    ("(1.5) c 1##3" + "00" * 48, (1, FD | BRS | ESI, bytes(48), 48)),
    ("(1.5) c 1##C00", (1, FD, b"\0", 1)),  # bits 2 and 3 are others
    ("(1.5) c 1##0" + "00" * 63, "cannot have this many"),
    ("(1.5] c 1#", "timestamp cannot be read"),
    ("(1.5)c 1#", (1, 0, b"", 0)),
    ("DROPCOUNT: dropped 1000000000000 CAN frames", "no timestamp"),
]


def test_lines_of_candump(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("".join(line + "\n" for line, _ in CANDUMP), encoding="utf-8")
    capture = Capture(tuple(candump.blocks(path)))
    check(capture, CANDUMP)
    assert capture.frames.time_ns[:2].tolist() == [9_000_000_000_000_000_000, 1_500_000_000]


def test_every_length_of_a_frame_that_there_is(tmp_path: Path) -> None:
    """Up to eight bytes of a classic frame; 12, 16, 20, 24, 32, 48 and 64 of CAN FD (ISO 11898-1)."""
    path = tmp_path / "a.log"
    sizes = range(66)
    path.write_text("".join(f"(1.0) c 1##0{'0A' * size}\n" for size in sizes), encoding="utf-8")
    there = [*range(9), 12, 16, 20, 24, 32, 48, 64]
    capture = Capture(tuple(candump.blocks(path)))
    assert capture.frames.length.tolist() == there
    assert capture.frames.offset.tolist() == [sum(there[:k]) for k in range(len(there))]
    assert capture.account.lines_bad == 66 - len(there)
    assert [bad.line for bad in capture.account.bad] == [k + 1 for k in sizes if k not in there][:20]
    path.write_text("".join(f"(1.0) c 1#{'0A' * size}\n" for size in range(10)), encoding="utf-8")
    assert Capture(tuple(candump.blocks(path))).frames.length.tolist() == list(range(9))


def test_lost_frames_and_remarks(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    lost = "DROPCOUNT: dropped 999999999999 CAN frames on 'c' socket\nDROPCOUNT: dropped 7 CAN frames\n"
    path.write_text(f"{lost};\n#\n\nD\n:\n(1.0) c 1#\n", encoding="utf-8")
    account = Capture(tuple(candump.blocks(path))).account
    assert (account.lost, account.other, account.lines_bad, account.lines) == (1_000_000_000_006, 5, 2, 8)


# -- candump on the screen --------------------------------------------------------------------------

SCREEN: Table = [
    ("(1.0) c 7FF [0]", (0x7FF, 0, b"", 0)),
    ("(1.0) c 000007FF [0]", (0x7FF, EXT, b"", 0)),
    ("(1.0) c 1FFFFFFF [1] 0a", (0x1FFFFFFF, EXT, b"\x0a", 1)),
    ("(1.0) c 20000080 [1] 0A ERRORFRAME", (0x80, ERR, b"\x0a", 1)),
    ("(1.0) c 00000080 [1] 0A ERRORFRAME", "unexpected text"),
    ("(1.0) c 123 [8] 1 2 3 4 5 6 7 8", "fewer bytes"),
    ("(1.0) c 123 [1] 0A'", "fewer bytes"),
    ("(1.0) c 123 [1] 0A '.'", (0x123, 0, b"\x0a", 1)),
    ("(1.0) c 123 [8] 01 02 03 04 05 06 07 08", (0x123, 0, bytes(range(1, 9)), 8)),
    ("(1.0) c 123 {9} 01 02 03 04 05 06 07 08", (0x123, 0, bytes(range(1, 9)), 8)),
    ("(1.0) c 123 {F} 01 02 03 04 05 06 07 08", (0x123, 0, bytes(range(1, 9)), 8)),
    ("(1.0) c 123 {8} 01 02 03 04 05 06 07 08", "no length"),
    ("(1.0) c 123 [08] 01 02 03 04 05 06 07 08", (0x123, FD, bytes(range(1, 9)), 8)),
    ("(1.0) c 123 [00]", (0x123, FD, b"", 0)),
    ("(1.0) c 123 [12] " + " 0A" * 12, (0x123, FD, b"\x0a" * 12, 12)),
    ("(1.0) c 123 [64] " + " 0A" * 64, (0x123, FD, b"\x0a" * 64, 64)),
    ("(1.0) c 123 [65] " + " 0A" * 65, "no length"),
    ("(1.0) c 123 [10] " + " 0A" * 10, "no length"),
    ("(1.0) c 123 [1) 0A", "no length"),
    ("(1.0) c 123 [5] remote request", (0x123, RTR, b"", 5)),
    ("(1.0) c 123 [05] remote request", "fewer bytes"),  # CAN FD has none
    ("(1.0) c 20000080 [5] remote request", "fewer bytes"),
    ("(1.0) c TX - - 123 [1] 0A", (0x123, TX, b"\x0a", 1)),
    ("(1.0) c TX B E 123 [1] 0A", (0x123, TX, b"\x0a", 1)),  # a classic frame has neither
    ("(1.0) c RX B - 123 [01] 0A", (0x123, FD | BRS, b"\x0a", 1)),
    ("(1.0) c RX - E 123 [01] 0A", (0x123, FD | ESI, b"\x0a", 1)),
    ("(1.0) c TX B E 123 [01] 0A", (0x123, FD | BRS | ESI | TX, b"\x0a", 1)),
    ("(1.0) c RX E B 123 [01] 0A", "no identifier"),
    ("(1.0) c TX - - 123 [5] remote request", (0x123, RTR | TX, b"", 5)),
    ("(2026-03-02 09:00:00) c 123 [0]", (0x123, 0, b"", 0)),
    ("(2026-03-02 09:00:00.5 c 123 [0]", "timestamp cannot be read"),
    ("(1.0) " + "n" * 32 + " 123 [0]", "too long"),
    ("(1.0) " + "n" * 31 + " 123 [0]", (0x123, 0, b"", 0)),
]


def test_lines_of_candump_on_the_screen(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("".join(line + "\n" for line, _ in SCREEN), encoding="utf-8")
    capture = Capture(tuple(candump_screen.blocks(path, b"(1.0)  c  123   [0]\n")))
    check(capture, SCREEN)
    assert capture.account.notes == ()
    assert 1_772_442_000_000_000_000 in capture.frames.time_ns  # 2026-03-02 09:00 UTC by Python's datetime


@pytest.mark.parametrize(
    ("head", "notes"),
    [
        ("(1.0) c 123 [0]\n(2.0) c 123 [0]\n(3.0) c 123 [0]\n", ()),
        ("(0.5) c 123 [0]\n(0.2) c 123 [0]\n(0.3) c 123 [0]\n", ("were taken as differences from line to line",)),
        ("(2026-03-02 09:00:00.0) c 123 [0]\n", ("name no time zone and were taken as UTC",)),
        ("(0.5) c 123 [0]\n(0.2) c 123 [0]\n", ()),  # too few to distinguish
    ],
)
def test_what_is_assumed_of_stamps_is_said(tmp_path: Path, head: str, notes: tuple[str, ...]) -> None:
    path = tmp_path / "a.txt"
    path.write_text(head, encoding="utf-8")
    found = Capture(tuple(candump_screen.blocks(path, head.encode()))).account.notes
    assert len(found) == len(notes)
    assert all(said in note for said, note in zip(notes, found, strict=True))


# -- delimited text ---------------------------------------------------------------------------------


def read_rows(folder: Path, table: Table, **keys: object) -> Capture:
    layout = {"time": 1, "identifier": 2, "data": (3,), "delimiter": ";", "header": False} | keys
    path = folder / "a.csv"
    path.write_text("".join(line + "\n" for line, _ in table), encoding="utf-8")
    capture = Capture(tuple(delimited.blocks(path, Guess(ColumnLayout.model_validate(layout), 0))))
    check(capture, table)
    return capture


ONE = b"\x0a"
DATA: Table = [
    ("1;1;0A", (1, 0, ONE, 1)), ("1; 1 ; 0A ;x;y", (1, 0, ONE, 1)), ('1;"1";"0A"', (1, 0, ONE, 1)),
    ("1;1;", (1, 0, b"", 0)), ("1;1", "fewer columns"), ("1;1;A", (1, 0, ONE, 1)), ("1;1;0Ah", (1, 0, ONE, 1)),
    ("1;1;0x0A 0X0a", (1, 0, ONE * 2, 2)), ("1;1;0A-0A:0A.0A_0A,0A", (1, 0, ONE * 6, 6)),
    ("1;1;0A0", "data cannot be read"), ("1;1;0A 0G", "data cannot be read"), ("1;1;0x", "data cannot be read"),
    ("1;1;" + "0A" * 64, (1, FD, ONE * 64, 64)), ("1;1;" + "0A" * 65, "cannot have this many"),
    ("1;1;" + "0A " * 65, "cannot have this many"), ("1;1;" + "0A" * 9, "cannot have this many"),
    ("1;1;R", (1, RTR, b"", 0)), ("1;1;rtr", (1, RTR, b"", 0)), ('1;1;"0A', "not closed"),
    ("1;1x;0A", (1, EXT, ONE, 1)), ("1;X;0A", "identifier cannot be read"), ("1;x;0A", "identifier cannot be read"),
    ("1;1FFFFFFF;0A", (0x1FFFFFFF, EXT, ONE, 1)), ("1;0000000001;0A", (1, 0, ONE, 1)), ("1;Ah;0A", (10, 0, ONE, 1)),
    ("1;00000000001;0A", "identifier cannot be read"), ("1;0x7FF;0A", (0x7FF, 0, ONE, 1)),
    ("1;h;0A", "identifier cannot be read"), ("1;-1;0A", "identifier cannot be read"),
]  # fmt: skip


def test_rows_with_all_bytes_in_one_column(tmp_path: Path) -> None:
    read_rows(tmp_path, DATA)


def test_rows_in_decimal(tmp_path: Path) -> None:
    table: Table = [
        ("1;10;0 255", (10, 0, b"\x00\xff", 2)), ("1;10;256", "data cannot be read"), ("1;2047;1", (2047, 0, b"\1", 1)),
        ("1;2048;1", (2048, EXT, b"\1", 1)), ("1;1A;1", "identifier cannot be read"), ("1;0x1A;0xA", (26, 0, ONE, 1)),
        ("1;1Ah;1", (26, 0, b"\1", 1)), ("1;536870911;1", (0x1FFFFFFF, EXT, b"\1", 1)),
        ("1;536870912;1", "out of range"), ("1;10;1 2.3", (10, 0, b"\1\2\3", 3)), ("1;10;A", "data cannot be read"),
    ]  # fmt: skip
    read_rows(tmp_path, table, identifier_base=10, data_base=10)


def test_rows_with_a_length(tmp_path: Path) -> None:
    table: Table = [
        ("1;1;0A 0A;1", (1, 0, ONE, 1)), ("1;1;0A;2", "fewer bytes than the length"), ("1;1;;0", (1, 0, b"", 0)),
        ("1;1;R;8", (1, RTR, b"", 8)), ("1;1;R;9", "length cannot be read"), ("1;1;0A;0x1", (1, 0, ONE, 1)),
        ("1;1;" + "0A" * 12 + ";9", (1, FD, ONE * 12, 12)),  # the length code of 12 bytes
        ("1;1;" + "0A" * 9 + ";9", "cannot have this many"), ("1;1;" + "0A" * 64 + ";15", (1, FD, ONE * 64, 64)),
        ("1;1;" + "0A" * 20 + ";16", (1, FD, ONE * 16, 16)), ("1;1;" + "0A" * 8 + ";9", "fewer bytes"),
        ("1;1;" + "0A" * 64 + ";64", (1, FD, ONE * 64, 64)), ("1;1;0A;65", "length cannot be read"),
        ("1;1;0A;", "length cannot be read"), ("1;1;0A;-1", "length cannot be read"),
    ]  # fmt: skip
    capture = read_rows(tmp_path, table, length=4)
    stored = [1, 0, 0, 1, 12, 64, 16, 64]
    assert capture.frames.offset.tolist() == [sum(stored[:k]) for k in range(8)]  # requests store nothing


def test_rows_with_a_column_for_each_byte(tmp_path: Path) -> None:
    table: Table = [
        ("1;1;2;0A;0B;0C", (1, 0, b"\x0a\x0b", 2)), ("1;1;2;0A;0B", (1, 0, b"\x0a\x0b", 2)),
        ("1;1;0;zz;zz", (1, 0, b"", 0)),  # what the length leaves out is not looked at
        ("1;1;3;0A;;0C", "fewer bytes"), ("1;1;2;0A0B;0C", "data cannot be read"), ("1;1;1;0A;zz", (1, 0, ONE, 1)),
        ("1;1;2;0A", "fewer bytes"),
    ]  # fmt: skip
    read_rows(tmp_path, table, length=3, data=(4, 5, 6))


def test_what_a_column_says_of_bus_kind_and_direction(tmp_path: Path) -> None:
    kinds: list[tuple[str, int]] = [
        *((word, EXT) for word in ("1", "2", "True", "t", "X", "x", "Ext", "e", "Yes", "y", "29")),
        *((word, 0) for word in ("0", "-", "False", "f", "Std", "s", "No", "n", "11", "")),
    ]
    table: Table = [
        *((f"1;1;0A;c;{word};Rx", (1, flag, ONE, 1)) for word, flag in kinds),
        ("1;1;0A;c;?;Rx", "“extended” cannot be read"), ("1;7FF;0A;c;1;Rx", (0x7FF, EXT, ONE, 1)),
        ("1;800;0A;c;0;Rx", "out of range"), ("1;800;0A;c;1;Tx", (0x800, EXT | TX, ONE, 1)),
        ("1;1;0A;c;0;t", (1, TX, ONE, 1)), ("1;1;0A;c;0;", (1, 0, ONE, 1)), ("1;1x;0A;c;0;", (1, 0, ONE, 1)),
        ("1;1;0A;;0;Rx", "the bus column is empty"), ("1;1;0A;" + "n" * 32 + ";0;Rx", "too long"),
        ("1;1;0A;d;0;Rx", (1, 0, ONE, 1)),
    ]  # fmt: skip
    capture = read_rows(tmp_path, table, bus=4, extended=5, direction=6)
    assert capture.frames.buses == ("c", "d")
    assert capture.frames.bus.tolist() == [0] * (len(capture.frames) - 1) + [1]


def test_rows_by_blanks(tmp_path: Path) -> None:
    """The data go on to the end of the line."""
    table: Table = [
        ("1   1 1  0A", (1, 0, ONE, 1)), ("  1\t1 2 0A 0B  ", (1, 0, b"\x0a\x0b", 2)), ("1 1 0", (1, 0, b"", 0)),
        ("1 1", "fewer columns"), ("1 1 2 0A 0B 0C", (1, 0, b"\x0a\x0b", 2)),
    ]  # fmt: skip
    read_rows(tmp_path, table, length=3, data=(4,), delimiter="space")


@pytest.mark.parametrize(
    ("unit", "times"),
    [
        ("s", {"1": 10**9, "1.5": 1_500_000_000, "1,5": 1_500_000_000, "-1.5": -1_500_000_000, "+2": 2 * 10**9,
               "0.0000000005": 1, "0.00000000049": 0, "1e-3": 10**6, "1E+3": 10**12, "9000000000": 9 * 10**18,
               "9000000001": None, ".5": 500_000_000, "5.": 5 * 10**9, ".": None, "-": None, "e5": None, "1e": None,
               "1e123": None, "1e-99": 0, "1..5": None, "0e99": 0,
               "123456789.123456789123": 123_456_789_123_456_780,  # 17 digits count
               "1 2": None}),
        ("ms", {"1": 10**6, "0.0000005": 1, "0.0000004": 0, "-0.5": -500_000}),
        ("us", {"1": 1000, "1.0005": 1001, "1.0004": 1000}),
        ("ns", {"1": 1, "1.5": 2, "1.49": 1, "12345678901234567": 12_345_678_901_234_567,
                "123456789012345678": 123_456_789_012_345_670, "1e18": 10**18}),
        ("date", {"00:00:00": 0, "23:59:59.5": 86_399_500_000_000, "24:00:00": None, "00:60:00": None,
                  "00:00:60": 60 * 10**9, "00:00:61": None, "1970-01-01 00:00:00": 0, "1969-12-31 23:59:59": None,
                  "2200-01-01T00:00:00": 7_258_118_400 * 10**9, "2201-01-01 00:00:00": None,
                  "2000-02-29 00:00:00": 951_782_400 * 10**9, "2000-13-01 00:00:00": None, "2000-00-01 00:00:00": None,
                  "2000-01-32 00:00:00": None, "2000-01-00 00:00:00": None, "2000/03/01t00:00:00z": 951_868_800 * 10**9,
                  "2000-03/01 00:00:00": None, "1970-01-01 14:00:00+14:00": 0, "1970-01-02 00:00:00+15:00": None,
                  "1970-01-02 00:00:00+0060": None, "1970-01-01 00:00:00-00:59": 59 * 60 * 10**9,
                  "1970-01-01 01:30:00+0130": 0, "1970-01-01 00:00:00x": None, "1970-01-01 00:00:00-01": None}),
    ],
)  # fmt: skip
def test_times(tmp_path: Path, unit: str, times: dict[str, int | None]) -> None:
    """Days since 1970 by Python's datetime; 2200-01-01 is 84,006 days after, 2000-02-29 11,016."""
    table: Table = [
        (f"{text};1;", (1, 0, b"", 0) if ns is not None else "time cannot be read") for text, ns in times.items()
    ]
    capture = read_rows(tmp_path, table, time_unit=unit)
    assert capture.frames.time_ns.tolist() == [ns for ns in times.values() if ns is not None]
