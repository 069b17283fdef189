"""candump's screen output. Lines follow the comments on sprint_long_canframe in can-utils' lib.h."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import can
import numpy as np
import pytest
from can_messages import closes, messages, row_of, rows_of
from hypothesis import assume, given
from hypothesis import strategies as st

from logscope.capture import candump_screen, text
from logscope.capture.frames import Flag
from logscope.capture.open import Capture, read
from logscope.errors import LogError


def shown(message: can.Message, stamp: str, *, marks: bool = False, as_text: bool = False, wide: bool = False) -> str:
    """A frame as candump shows it; `marks` is its -x, `as_text` its -a."""
    width = 8 if message.is_extended_id else 3
    number = f"{message.arbitration_id:0{width}X}".rjust(8 if wide else width)
    length = f"[{message.dlc:02d}]" if message.is_fd else f" [{message.dlc}]"
    data = "remote request" if message.is_remote_frame else " ".join(f"{byte:02X}" for byte in message.data)
    letters = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in message.data)
    extra = ""
    if marks:
        brs, esi = ("B" if message.bitrate_switch else "-"), ("E" if message.error_state_indicator else "-")
        extra = f"  {'RX' if message.is_rx else 'TX'} {brs} {esi}"
    behind = f"   '{letters}'" if as_text and message.dlc <= 8 and not message.is_remote_frame else ""
    return f" ({stamp})  can{message.channel}{extra}  {number}  {length}  {data}{behind}\n"


def written(folder: Path, lines: Sequence[str]) -> Path:
    path = folder / "on screen.txt"
    path.write_text("".join(lines), encoding="utf-8")
    return path


@pytest.mark.parametrize("options", [{}, {"as_text": True}, {"wide": True}, {"as_text": True, "wide": True}])
def test_every_frame_comes_back(tmp_path: Path, options: dict[str, bool]) -> None:
    sent = messages(300, start_s=1_772_442_000.0)
    lines = [shown(m, f"{m.timestamp:017.6f}", marks=True, **options) for m in sent]
    capture = read(written(tmp_path, lines))
    assert rows_of(capture.frames) == [row_of(message) for message in sent]
    np.testing.assert_allclose(capture.frames.time_ns / 1e9, [m.timestamp for m in sent], rtol=0, atol=1e-6)
    assert closes(capture)


def test_without_the_marks_direction_and_rates_are_not_known(tmp_path: Path) -> None:
    sent = messages(100, start_s=0.0)
    capture = read(written(tmp_path, [shown(m, f"{m.timestamp:010.6f}") for m in sent]))
    unknown = int(Flag.TRANSMITTED | Flag.BITRATE_SWITCH | Flag.ERROR_STATE)
    expected = [(bus, number, flags & ~unknown, *rest) for bus, number, flags, *rest in map(row_of, sent)]
    assert rows_of(capture.frames) == expected


def test_error_frames_and_the_words_below_them(tmp_path: Path) -> None:
    """Class bits and data: Linux can/error.h."""
    lines = [
        " (000.000000)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n",
        "\tcontroller-problem{rx-error-warning}\n",
        " (000.100000)  can0  20000040   [8]  00 00 00 00 00 00 00 00   ERRORFRAME\n",
        "\tbus-off\n",
    ]
    capture = read(written(tmp_path, lines))
    assert [(row[1], row[2]) for row in rows_of(capture.frames)] == [(4, Flag.ERROR), (0x40, Flag.ERROR)]
    assert (capture.account.error_frames, capture.account.other) == (2, 2)
    assert closes(capture)


BAD = [
    ("  can0  123   [1]  11", "no timestamp"),
    (" (abc)  can0  123   [1]  11", "timestamp cannot be read"),
    (" (1.0)  can0", "no bus name"),
    (" (1.0)  can0  1234   [1]  11", "no identifier"),
    (" (1.0)  can0  800   [1]  11", "out of range"),
    (" (1.0)  can0  40000000   [1]  11", "out of range"),
    (" (1.0)  can0  123   [9]  11", "no length"),
    (" (1.0)  can0  123  [13]  11", "no length"),
    (" (1.0)  can0  123   11", "no length"),
    (" (1.0)  can0  123   [3]  11 22", "fewer bytes"),
    (" (1.0)  can0  123   [3]  11 22 3", "fewer bytes"),
    (" (1.0)  can0  123   [1]  11 22", "unexpected text"),
]


@pytest.mark.parametrize(("line", "reason"), BAD)
def test_bad_line_is_counted_and_named(tmp_path: Path, line: str, reason: str) -> None:
    sound = " (1.0)  can0  123   [1]  11\n"
    capture = read(written(tmp_path, [sound, line + "\n", sound]))
    assert len(capture.frames) == 2
    assert capture.account.bad[0].line == 2
    assert reason in capture.account.bad[0].reason
    assert closes(capture)


def test_differences_are_added_up_and_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps_us = np.random.default_rng(1).integers(100, 20_000, 200)
    path = written(tmp_path, [f" (000.{step:06d})  can0  123   [1]  11\n" for step in steps_us])
    for size in (text.BLOCK_BYTES, 500):
        monkeypatch.setattr(text, "BLOCK_BYTES", size)
        capture = read(path)
        np.testing.assert_array_equal(capture.frames.time_ns, np.cumsum(steps_us) * 1000)
        assert "differences from line to line" in capture.account.notes[0]
        assert capture.account.out_of_order == 0


def test_dates_are_taken_as_utc_and_said(tmp_path: Path) -> None:
    capture = read(written(tmp_path, [" (2026-03-02 09:00:00.250000)  can0  123   [1]  11\n"]))
    assert capture.frames.time_ns.tolist() == [1_772_442_000_250_000_000]
    assert "UTC" in capture.account.notes[0]


def test_lines_without_stamps_are_refused_with_the_reason(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"on screen\.txt: the lines have no timestamps"):
        read(written(tmp_path, ["  can0  123   [2]  11 22\n", "  can0  124   [0]\n"]))


@given(content=st.binary(max_size=300) | st.text("()0123456789. canRTXF[]\n\r\tremot'", max_size=300).map(str.encode))
def test_any_bytes_close_the_account(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    assume(
        not content.startswith((b"PK", b"\x1f\x8b", b"\xfd7zXZ"))
    )  # a packed file is refused with a reason if damaged
    path = tmp_path_factory.getbasetemp() / "any.txt"
    path.write_bytes(content)
    head = b" (1.0)  can0  123   [0]\n"
    assert closes(Capture(tuple(candump_screen.blocks(path, head))))
