"""Delimited text with any columns, written with Python's csv module and pandas, read as described or guessed."""

from __future__ import annotations

import csv
import io
import time
from decimal import Decimal
from pathlib import Path

import can
import numpy as np
import pandas as pd
import pytest
from can_messages import closes, messages, row_of, rows_of
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from logscope.capture import delimited, delimited_kernel, text
from logscope.capture.columns import ColumnLayout
from logscope.capture.delimited_guess import Doubt, _data_base
from logscope.capture.frames import Flag
from logscope.capture.open import Capture, read
from logscope.errors import LogError

SENT = messages(120, start_s=0.0, remote=False, fd=False, channels=1)
for message in SENT:
    message.is_rx = True
    message.is_extended_id = message.arbitration_id > 0x7FF  # what these logs cannot say otherwise
EXPECTED = [row_of(message) for message in SENT]


def layout(**keys: object) -> ColumnLayout:
    return ColumnLayout.model_validate({"time": "t", "identifier": "id", "data": "data"} | keys)


def saved(folder: Path, content: str | bytes, name: str = "drive one.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def table(folder: Path, header: list[str], rows: list[list[str]], *, delimiter: str = ",") -> Path:
    file = io.StringIO(newline="")
    csv.writer(file, delimiter=delimiter).writerows([header, *rows])
    return saved(folder, file.getvalue())


def hex_of(message: can.Message, separator: str = " ") -> str:
    return message.data.hex(separator) if separator else message.data.hex()


# -- every way to write a column, described ---------------------------------------------------------

IDENTIFIERS = {
    "bare": (lambda n: f"{n:X}", 16),
    "lower": (lambda n: f"{n:x}", 16),
    "0x": (lambda n: f"0x{n:03X}", 16),
    "0x in a decimal column": (lambda n: f"0x{n:03X}", 10),
    "trailing h": (lambda n: f"{n:03X}h", 16),
    "trailing x": (lambda n: f"{n:X}x" if n > 0x7FF else f"{n:X}", 16),
    "decimal": (str, 10),
}


@pytest.mark.parametrize("way", IDENTIFIERS)
def test_identifiers(tmp_path: Path, way: str) -> None:
    write, base = IDENTIFIERS[way]
    rows = [[f"{m.timestamp:.6f}", write(m.arbitration_id), hex_of(m)] for m in SENT]
    capture = read(table(tmp_path, ["t", "id", "data"], rows), layout=layout(identifier_base=base))
    assert rows_of(capture.frames) == EXPECTED
    assert closes(capture)


def test_an_identifier_above_11_bits_is_one_of_29(tmp_path: Path) -> None:
    """ISO 11898-1: 7FF is the last of 11 bits, 1FFFFFFF the last of 29; a trailing x marks a small one of 29."""
    numbers = ["0", "7FE", "7FF", "800", "1FFFFFFF", "7FFx", "20000000"]
    rows = [[f"{k}.0", number, "00"] for k, number in enumerate(numbers)]
    capture = read(table(tmp_path, ["t", "id", "data"], rows), layout=layout(identifier_base=16))
    found = [(identifier, bool(flag & Flag.EXTENDED)) for _, identifier, flag, *_ in rows_of(capture.frames)]
    assert found == [(0, False), (0x7FE, False), (0x7FF, False), (0x800, True), (0x1FFFFFFF, True), (0x7FF, True)]
    assert "out of range" in capture.account.bad[0].reason


DATA = {
    "blanks": lambda data: data.hex(" "),
    "none": lambda data: data.hex().upper(),
    "0x each": lambda data: " ".join(f"0x{byte:02X}" for byte in data),
    "0x once": lambda data: f"0x{data.hex()}" if data else "",
    "hyphens": lambda data: data.hex("-"),
    "colons": lambda data: data.hex(":"),
    "commas": lambda data: data.hex(","),
    "one digit": lambda data: " ".join(f"{byte:X}" for byte in data),
    "trailing h": lambda data: " ".join(f"{byte:02X}h" for byte in data),
}


@pytest.mark.parametrize("way", DATA)
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_data_in_one_column(tmp_path: Path, way: str, delimiter: str) -> None:
    rows = [[f"{m.timestamp:.6f}", f"{m.arbitration_id:X}", DATA[way](m.data)] for m in SENT]
    named = {"\t": "tab"}.get(delimiter, delimiter)
    path = table(tmp_path, ["t", "id", "data"], rows, delimiter=delimiter)
    assert rows_of(read(path, layout=layout(delimiter=named)).frames) == EXPECTED
    assert rows_of(read(path, layout=layout()).frames) == EXPECTED


def test_decimal_data_in_one_column(tmp_path: Path) -> None:
    rows = [[f"{m.timestamp:.6f}", f"{m.arbitration_id:X}", " ".join(map(str, m.data))] for m in SENT]
    capture = read(table(tmp_path, ["t", "id", "data"], rows), layout=layout(data_base=10))
    assert rows_of(capture.frames) == EXPECTED


@pytest.mark.parametrize("filler", ["", "00"], ids=["short rows", "filled rows"])
def test_one_column_for_each_byte(tmp_path: Path, filler: str) -> None:
    names = [f"b{k}" for k in range(8)]
    rows = []
    for m in SENT:
        data = [f"{byte:02X}" for byte in m.data] + [filler] * (8 - m.dlc if filler else 0)
        rows.append([f"{m.timestamp:.6f}", f"{m.arbitration_id:X}", str(m.dlc), *data])
    path = table(tmp_path, ["t", "id", "n", *names], rows)
    assert rows_of(read(path, layout=layout(data=names, length="n")).frames) == EXPECTED


def test_pandas_table_with_quotes_and_decimal_commas(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "Zeit": [m.timestamp * 1e3 for m in SENT],
            "Kanal": ["CAN 1" if k % 2 else "CAN 2" for k in range(len(SENT))],
            "id": [f"{m.arbitration_id:08X}" for m in SENT],
            "data": [hex_of(m) for m in SENT],
        }
    )
    path = tmp_path / "quoted.csv"
    frame.to_csv(path, sep=";", decimal=",", quoting=csv.QUOTE_ALL, index=False, float_format="%.4f")
    capture = read(path, layout=layout(time="Zeit", time_unit="ms", bus="Kanal"))
    assert [row[1:] for row in rows_of(capture.frames)] == [row[1:] for row in EXPECTED]
    assert capture.frames.buses == ("CAN 2", "CAN 1")
    np.testing.assert_array_equal(capture.frames.time_ns, [round(m.timestamp * 1e7) * 100 for m in SENT])


def test_runs_of_blanks(tmp_path: Path) -> None:
    lines = [f"  {m.timestamp:10.6f}   {m.arbitration_id:8X}  {m.dlc}   {hex_of(m)}\n" for m in SENT]
    numbered = layout(time=1, identifier=2, length=3, data=4, delimiter="space")
    assert rows_of(read(saved(tmp_path, "".join(lines)), layout=numbered).frames) == EXPECTED


@pytest.mark.parametrize(
    ("words", "flags"),
    [
        (("1", "0"), (1, 0)),
        (("True", "False"), (1, 0)),
        (("Ext", "Std"), (1, 0)),
        (("X", ""), (1, 0)),
        (("29", "11"), (1, 0)),
        (("yes", "no"), (1, 0)),
    ],
)
def test_extended_column(tmp_path: Path, words: tuple[str, str], flags: tuple[int, int]) -> None:
    rows = [["0.1", "123", word, "00"] for word in words]
    capture = read(table(tmp_path, ["t", "id", "kind", "data"], rows), layout=layout(extended="kind"))
    assert capture.frames.flags.tolist() == [int(Flag.EXTENDED) * flag for flag in flags]


def test_direction_remote_requests_and_fd_length_codes(tmp_path: Path) -> None:
    rows = [
        ["0.1", "Tx", "123", "1", "AA"],
        ["0.2", "Rx", "123", "4", "RTR"],
        ["0.3", "Rx", "123", "9", "00 " * 12],
        ["0.4", "Rx", "123", "12", "00 " * 12],
    ]
    path = table(tmp_path, ["t", "dir", "id", "n", "data"], rows)
    capture = read(path, layout=layout(direction="dir", length="n"))
    assert capture.frames.flags.tolist() == [Flag.TRANSMITTED, Flag.REMOTE, Flag.FD, Flag.FD]
    assert capture.frames.length.tolist() == [1, 4, 12, 12]
    assert closes(capture)


# -- times ------------------------------------------------------------------------------------------

UNITS = {"s": 9, "ms": 6, "us": 3, "ns": 0}


@given(
    number=st.decimals(min_value=-9_000_000, max_value=9_000_000, places=6),
    unit=st.sampled_from(list(UNITS)),
    style=st.sampled_from(["{:f}", "{:e}", "{:+f}"]),
)
def test_times_equal_decimal_arithmetic(
    tmp_path_factory: pytest.TempPathFactory, number: Decimal, unit: str, style: str
) -> None:
    written = style.format(number)
    path = saved(tmp_path_factory.getbasetemp(), f"t;id;data\n{written};1;00\n")
    (time_ns,) = read(path, layout=layout(time_unit=unit)).frames.time_ns
    assert abs(Decimal(int(time_ns)) - Decimal(written).scaleb(UNITS[unit])) <= 1


@pytest.mark.parametrize(
    ("written", "expected_ns"),
    [
        ("2026-03-02 09:00:00", 1_772_442_000_000_000_000),
        ("2026-03-02T09:00:00.5", 1_772_442_000_500_000_000),
        ("2026-03-02T09:00:00,5Z", 1_772_442_000_500_000_000),
        ("2026-03-02T10:00:00+01:00", 1_772_442_000_000_000_000),
        ("2026-03-02T04:00:00.25-0500", 1_772_442_000_250_000_000),
        ("00:01:02.5", 62_500_000_000),
    ],
)
def test_dates(tmp_path: Path, written: str, expected_ns: int) -> None:
    """Expected stamps: Python's datetime (2026-03-02 09:00 UTC is 1772442000)."""
    path = saved(tmp_path, f"t;id;data\n{written};1;00\n")
    assert read(path, layout=layout(time_unit="date")).frames.time_ns.tolist() == [expected_ns]


@pytest.mark.parametrize(
    ("written", "expected_ns"),
    [
        ("2026-03-02 09:00:00", 1_772_442_000_000_000_000),
        ("2026-03-02 09:00:00.5", 1_772_442_000_500_000_000),
        ("2026-03-02 09:00:00Z", 1_772_442_000_000_000_000),
        ('"2026-03-02 09:00:00,5"', 1_772_442_000_500_000_000),
        ("00:01:02", 62_000_000_000),
    ],
)
def test_a_comma_after_whole_seconds_ends_the_field(tmp_path: Path, written: str, expected_ns: int) -> None:
    path = saved(tmp_path, f"t,id,data\n{written},1AB,00\n")
    assert read(path, layout=layout(time_unit="date")).frames.time_ns.tolist() == [expected_ns]


# -- bad rows ---------------------------------------------------------------------------------------

BAD = [
    ("1.0,123", "fewer columns"),
    ("1.0", "fewer columns"),
    (",123,1,00", "time cannot be read"),
    ("1.0.0,123,1,00", "time cannot be read"),
    ("1e999,123,1,00", "time cannot be read"),
    ("99999999999,123,1,00", "time cannot be read"),
    ("1.0,12G,1,00", "identifier cannot be read"),
    ("1.0,,1,00", "identifier cannot be read"),
    ("1.0,20000000,1,00", "out of range"),
    ("1.0,123,x,00", "length cannot be read"),
    ("1.0,123,99,00", "length cannot be read"),
    ("1.0,123,1,0G", "data cannot be read"),
    ("1.0,123,1,012", "data cannot be read"),
    ("1.0,123,2,00", "fewer bytes"),
    ("1.0,123,9," + "00" * 9, "cannot have this many"),
    ("1.0,123,64," + "00" * 65, "cannot have this many"),
    ('1.0,123,1,"00', "quoted field"),
]


@pytest.mark.parametrize(("line", "reason"), BAD)
def test_bad_row_is_counted_and_named(tmp_path: Path, line: str, reason: str) -> None:
    path = saved(tmp_path, f"t,id,n,data\n1.0,123,1,00\n{line}\n\n2.0,124,1,00\n")
    capture = read(path, layout=layout(length="n"))
    assert capture.frames.identifier.tolist() == [0x123, 0x124]
    assert capture.account.bad[0].line == 3
    assert reason in capture.account.bad[0].reason
    assert closes(capture)


@given(content=st.binary(max_size=300) | st.text('0123456789abcxh.,;"-:\t \r\nR', max_size=300).map(str.encode))
def test_any_bytes_close_the_account(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    head = b"t;id;n;data\n1;1;1;00\n"
    path = saved(tmp_path_factory.getbasetemp(), head + content)
    known = delimited.layout_of(path, head, layout(length="n", delimiter=";"))
    assert closes(Capture(tuple(delimited.blocks(path, known))))


@pytest.mark.parametrize("size", [1, 7, 100])
def test_block_size_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    rows = [[f"{m.timestamp:.6f}", f"{m.arbitration_id:X}", hex_of(m)] for m in SENT]
    path = table(tmp_path, ["t", "id", "data"], rows)
    whole = read(path, layout=layout())
    monkeypatch.setattr(text, "BLOCK_BYTES", size)
    parts = read(path, layout=layout())
    assert rows_of(parts.frames) == rows_of(whole.frames)
    assert parts.account == whole.account


def test_blocks_worked_on_at_once_lose_no_row_to_the_header(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [[f"{m.timestamp:.6f}", f"{m.arbitration_id:X}", hex_of(m)] for m in SENT]
    path = table(tmp_path, ["t", "id", "data"], rows)
    parse = delimited_kernel.parse

    def slow(*arguments: object) -> object:  # so that the later blocks begin while the first is not done
        time.sleep(0.01)
        return parse(*arguments)

    monkeypatch.setattr(text, "BLOCK_BYTES", 200)
    monkeypatch.setattr(delimited_kernel, "parse", slow)
    capture = read(path, layout=layout())
    assert rows_of(capture.frames) == EXPECTED
    assert closes(capture)


@pytest.mark.parametrize("lines", [0, 1, 5])
def test_bad_rows_are_numbered_from_the_start_of_the_file(tmp_path: Path, lines: int) -> None:
    path = saved(tmp_path, "a remark\n" * lines + "t,id,data\n0.1,1,AA\n0.2,?,AA\n0.3,2,BB\n")
    capture = read(path, layout=layout())
    assert [bad.line for bad in capture.account.bad] == [lines + 3]
    assert capture.account.lines == lines + 4
    assert closes(capture)


@pytest.mark.parametrize("content", ["t,id,data", "t,id,data\n", "\ufefft,id,data\r\n"])
def test_a_log_without_rows_holds_no_frames(tmp_path: Path, content: str) -> None:
    capture = read(saved(tmp_path, content), layout=ColumnLayout(time=1, identifier=2, data=(3,)))
    assert len(capture.frames) == 0
    assert closes(capture)
    assert capture.account.lines == 1


# -- guessed ----------------------------------------------------------------------------------------


GUESSED = {
    "unit in the header": (
        "Time [ms];ID;DLC;Data",
        "{:.3f};{:X};{n};{hex}",
        1e3,
        "milliseconds; identifier in “ID”, hexadecimal",
    ),
    "unit at the end of the name": ("timestamp_us,can_id,data", "{:.0f},0x{:03X},{hex}", 1e6, "microseconds"),
    "unit from the steps": ("Time|Identifier|Length|Payload", "{:.6f}|{:03X}h|{n}|{hex}", 1.0, "seconds"),
    "remarks before the header": ("my logger\n# 500 kbit/s\nt,id,data", "{:.6f},{:08X},{hex}", 1.0, "seconds"),
    "no header": ("", "{:.6f},{:03X},{n},{hex}", 1.0, "time in column “1”"),
    "blanks": ("", "{:.6f}   {:03X}   {n}   {hex}", 1.0, "data in “4”"),
    "decimal identifiers": ("Time,ID,DLC,Data", "{:.6f},{},{n},{hex}", 1.0, "decimal"),
}


@pytest.mark.parametrize("case", GUESSED)
def test_guess_is_right_and_said(tmp_path: Path, case: str) -> None:
    header, row, scale, words = GUESSED[case]
    lines = [row.format(m.timestamp * scale, m.arbitration_id, n=m.dlc, hex=hex_of(m)) for m in SENT]
    capture = read(saved(tmp_path, "\n".join([header, *lines] if header else lines) + "\n"))
    assert rows_of(capture.frames) == EXPECTED
    np.testing.assert_allclose(capture.frames.time_ns / 1e9, [m.timestamp for m in SENT], rtol=0, atol=1e-6)
    assert words in capture.account.notes[0]
    assert closes(capture)


@pytest.mark.parametrize(
    ("unit", "number"), [("s", "1772442000.5"), ("ms", "1772442000500"), ("us", "1772442000500000")]
)
def test_dates_as_numbers_decide_their_unit(tmp_path: Path, unit: str, number: str) -> None:
    path = saved(tmp_path, f"Time,ID,Data\n{number},1AB,00\n")
    assert read(path).frames.time_ns.tolist() == [1_772_442_000_500_000_000]


DOUBTFUL = {
    "no unit, and steps that fit two": (
        "Time,ID,Data\n" + "".join(f"{k * 2},1AB,0A\n" for k in range(50)),
        "unit of the time",
    ),
    "no unit, and few rows": ("Time,ID,Data\n0.1,1AB,0A\n", "too few rows"),
    "digits alone": ("Time [s],ID,Data\n0.1,100,0A\n0.2,200,0A\n", "hexadecimal or decimal"),
    "no header, two clocks": ("".join(f"{k}.5,{k}.25,1AB,1,0A\n" for k in range(50)), "more than one column"),
    "prose": ("dear reader\nthis is a letter\n" * 20, "no column counts|no header"),
}


@pytest.mark.parametrize("case", DOUBTFUL)
def test_what_is_not_certain_is_not_guessed(tmp_path: Path, case: str) -> None:
    content, words = DOUBTFUL[case]
    with pytest.raises(LogError, match=words) as raised:
        read(saved(tmp_path, content))
    assert "Describe the columns" in str(raised.value) or case == "prose"


def test_missing_column_is_named_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"no column “Idd”\. Did you mean “Id”\?"):
        read(saved(tmp_path, "t,Id,data\n1,1,00\n"), layout=layout(identifier="Idd"))


@pytest.mark.parametrize(
    "keys", [{"identifier": "t"}, {"header": False}, {"time": 0}, {"data": []}, {"tme": "t"}, {"time_unit": "h"}]
)
def test_impossible_layouts_are_refused(keys: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        layout(**keys)


@pytest.mark.parametrize(
    ("data", "one_field", "base"),
    [
        (["12 34", "56 78"], True, 16),  # two digits each
        (["1234", "00FF"], True, 16),
        (["1234", "5678"], True, 16),  # longer than any decimal byte
        (["12 255 7", "0 1 2"], True, 10),
        (["100", "200"], True, 10),
        (["100", "2"], False, 10),
        (["10", "20"], False, 16),
        (["1", "A"], False, 16),
        (["0x1", "2"], False, 16),
        (["12h", "3"], False, 16),
        (["1 2", "3 10"], True, None),
        (["1", "10"], False, None),
    ],
)
def test_the_base_of_the_data_where_its_digits_decide_it(data: list[str], one_field: bool, base: int | None) -> None:
    if base is None:
        with pytest.raises(Doubt, match="hexadecimal or decimal"):
            _data_base(data, one_field=one_field)
    else:
        assert _data_base(data, one_field=one_field) == base
