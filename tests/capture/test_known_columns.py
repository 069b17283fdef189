"""The logger CSV `Time Stamp,ID,Extended,[Dir,]Bus,LEN,D1…`: its stamps are whole microseconds, whatever they start at.

Expected lengths and frames are those that were written; the layout and its unit are known from captures of real
vehicles, whose messages repeat with 10 and 100 ms only if the unit is the microsecond.
"""

from __future__ import annotations

import gzip
import lzma
from pathlib import Path

import numpy as np
import pytest
from can_messages import closes
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.capture.columns import ColumnLayout
from logscope.capture.frames import Flag
from logscope.capture.open import Capture, read

HEADER = "Time Stamp,ID,Extended,Bus,LEN,D1,D2,D3,D4,D5,D6,D7,D8"
WITH_DIRECTION = "Time Stamp,ID,Extended,Dir,Bus,LEN,D1,D2,D3,D4,D5,D6,D7,D8"
WRAP_US = 1 << 32


def row(stamp: int, identifier: int = 0x123, data: bytes = bytes(8), *, bus: int = 0, filled: bool = True) -> str:
    fields = [f"{byte:02X}" for byte in data] + ["00" if filled else ""] * (8 - len(data))
    return f"{stamp},{identifier:08X},{str(identifier > 0x7FF).lower()},{bus},{len(data)},{','.join(fields)}"


def saved(folder: Path, text: str | bytes, name: str = "drive one.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def log(rows: list[str], header: str = HEADER) -> str:
    return "\n".join([header, *rows]) + "\n"


def length_us(capture: Capture) -> float:
    return float(np.ptp(capture.frames.time_ns)) / 1e3


@settings(max_examples=300)
@given(
    first=st.one_of(st.integers(0, 1 << 33), st.integers(0, 8_999_000_000_000_000), st.just(0)),
    period_us=st.integers(100, 1_000_000),
    count=st.integers(2, 60),
    identifiers=st.integers(1, 5),
    jitter=st.integers(0, 40),
)
def test_any_first_stamp_and_period_give_the_right_length(
    tmp_path_factory: pytest.TempPathFactory, first: int, period_us: int, count: int, identifiers: int, jitter: int
) -> None:
    stamps = [first + k * period_us + (k % 2) * jitter for k in range(count)]
    rows = [row(stamp, 0x100 + k % identifiers) for k, stamp in enumerate(stamps)]
    capture = read(saved(tmp_path_factory.getbasetemp(), log(rows), "any.csv"))
    assert capture.frames.time_ns.tolist() == [stamp * 1000 for stamp in stamps]
    assert not capture.account.time_doubts
    assert not capture.account.time_steps
    assert closes(capture)


@settings(max_examples=200)
@given(
    before_us=st.integers(0, 900_000),
    period_us=st.integers(100, 1_000_000),
    count=st.integers(20, 60),
    late=st.lists(st.integers(1, 58), max_size=6, unique=True),
)
def test_a_counter_of_32_bits_is_unrolled_whatever_comes_out_of_order(
    tmp_path_factory: pytest.TempPathFactory, before_us: int, period_us: int, count: int, late: list[int]
) -> None:
    """Neighbours are swapped around the wrap, as where two buses are buffered apart; each stamp once, for after some
    swaps it would be more than a second late."""
    first = WRAP_US - before_us - 2 * period_us
    stamps = [first + k * period_us for k in range(count)]
    for k in sorted(late):
        if k < count - 1 and period_us < 500_000 and stamps[k] == first + k * period_us:
            stamps[k], stamps[k + 1] = stamps[k + 1], stamps[k]
    rows = [row(stamp % WRAP_US) for stamp in stamps]
    capture = read(saved(tmp_path_factory.getbasetemp(), log(rows), "wrap.csv"))
    assert (capture.frames.time_ns - capture.frames.time_ns[0]).tolist() == [(s - stamps[0]) * 1000 for s in stamps]
    assert not capture.account.time_steps


def test_a_wrap_in_a_silence_of_some_seconds_is_no_step_of_the_clock(tmp_path: Path) -> None:
    stamps = [WRAP_US - 12_000_000 + k * 100_000 for k in range(100)] + [9_000_000 + k * 100_000 for k in range(50)]
    capture = read(saved(tmp_path, log([row(stamp) for stamp in stamps])))
    assert length_us(capture) == pytest.approx(12e6 + 9e6 + 49e5)
    assert len(capture.account.gaps) == 1
    assert not capture.account.time_steps


WAYS = {
    "as it is": lambda text: text.encode(),
    "line ends of Windows": lambda text: text.replace("\n", "\r\n").encode(),
    "byte order mark": lambda text: b"\xef\xbb\xbf" + text.encode(),
    "comma behind every line": lambda text: text.replace("\n", ",\n").encode(),
    "comma behind the rows only": lambda text: text.replace("\n", ",\n").replace(",\n", "\n", 1).encode(),
    "quoted header": lambda text: text.replace(HEADER, '"' + HEADER.replace(",", '","') + '"').encode(),
    "blanks in the header": lambda text: text.replace(HEADER, HEADER.replace(",", ", ")).encode(),
    "lower case": lambda text: text.lower().encode(),
    "semicolons": lambda text: text.replace(",", ";").encode(),
    "tabs": lambda text: text.replace(",", "\t").encode(),
    "gzip": lambda text: gzip.compress(text.encode()),
    "xz": lambda text: lzma.compress(text.encode()),
    "remark before the header": lambda text: b"# my logger\n" + text.encode(),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("filled", [True, False], ids=["zeros behind the data", "nothing behind the data"])
def test_ways_of_writing_it(tmp_path: Path, way: str, filled: bool) -> None:
    sent = [(7_254_438_300 + 573 * k, (0x7DF, 0x18DAF110)[k % 2], bytes(range(k % 9)), k % 3) for k in range(40)]
    rows = [row(stamp, identifier, data, bus=bus, filled=filled) for stamp, identifier, data, bus in sent]
    capture = read(saved(tmp_path, WAYS[way](log(rows))))
    frames = capture.frames
    assert frames.time_ns.tolist() == [stamp * 1000 for stamp, *_ in sent]
    assert frames.identifier.tolist() == [identifier for _, identifier, *_ in sent]
    assert [frames.data(k) for k in range(40)] == [data for _, _, data, _ in sent]
    assert [frames.buses[bus] for bus in frames.bus] == [f"can{bus}" for *_, bus in sent]
    assert (frames.flags & Flag.EXTENDED != 0).tolist() == [identifier > 0x7FF for _, identifier, *_ in sent]
    assert capture.account.lines_bad == 0
    assert not capture.account.assumptions
    assert closes(capture)


def test_an_extended_identifier_may_be_small(tmp_path: Path) -> None:
    capture = read(saved(tmp_path, log(["1,00000123,true,0,1,AA", "2,00000123,false,0,1,AA"])))
    assert capture.frames.flags.tolist() == [Flag.EXTENDED, 0]


def test_the_direction_is_read_where_there_is_one(tmp_path: Path) -> None:
    rows = ["1,00000123,false,Tx,0,2,AA,BB,,,,,,", "2,00000123,false,Rx,0,2,AA,BB,,,,,,"]
    capture = read(saved(tmp_path, log(rows, WITH_DIRECTION)))
    assert capture.frames.flags.tolist() == [Flag.TRANSMITTED, 0]
    assert capture.frames.time_ns.tolist() == [1000, 2000]


def test_steps_back_are_counted_and_kept(tmp_path: Path) -> None:
    capture = read(saved(tmp_path, log([row(stamp) for stamp in (1000, 3000, 2000, 4000, 3500)])))
    assert capture.account.out_of_order == 2
    assert capture.frames.time_ns.tolist() == [1_000_000, 3_000_000, 2_000_000, 4_000_000, 3_500_000]


def test_a_row_with_fewer_bytes_than_its_length_is_bad(tmp_path: Path) -> None:
    capture = read(saved(tmp_path, log(["1,00000123,false,0,8,AA,BB", "2,00000123,false,0,2,AA,BB"])))
    assert len(capture.frames) == 1
    assert "fewer bytes than the length says" in capture.account.bad[0].reason
    assert capture.account.bad[0].line == 2


def test_microseconds_since_1970_are_a_date(tmp_path: Path) -> None:
    capture = read(saved(tmp_path, log([row(1_772_442_000_250_000 + k) for k in range(3)])))
    assert capture.frames.time_ns[0] == 1_772_442_000_250_000_000


@pytest.mark.parametrize("header", ["Time,ID,Extended,Bus,LEN,D1", "Time Stamp,ID,Bus,LEN,D1", HEADER + ",D10"])
def test_another_header_is_another_format(tmp_path: Path, header: str) -> None:
    layout = ColumnLayout(time=1, identifier=2, data=(5,), header=True)
    capture = read(saved(tmp_path, log(["2,00000123,0,0,11"], header)), layout=layout)
    assert capture.frames.time_ns.tolist() == [2_000_000_000]
