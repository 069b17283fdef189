"""Frames as candump text, against python-can's reader of it and against our own."""

from __future__ import annotations

from pathlib import Path

import can
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logscope.capture.frames import Flag
from logscope.capture.library import frames_of
from logscope.capture.open import read
from logscope.recording.candump_text import candump_text, loss_text
from logscope.recording.port import CanBatch
from logscope.recording.writers import CandumpWriter

_FD_LENGTHS = [*range(9), 12, 16, 20, 24, 32, 48, 64]


@st.composite
def messages(draw: st.DrawFn) -> can.Message:
    kind = draw(st.sampled_from(["data", "remote", "error", "fd"]))
    extended = draw(st.booleans())
    size = draw(st.sampled_from(_FD_LENGTHS if kind == "fd" else range(9)))
    return can.Message(
        timestamp=draw(st.integers(1_700_000_000_000_000, 1_800_000_000_000_000)) / 1e6,
        arbitration_id=draw(st.integers(0, (1 << (29 if extended or kind == "error" else 11)) - 1)),
        is_extended_id=extended and kind != "error",
        is_remote_frame=kind == "remote",
        is_error_frame=kind == "error",
        is_fd=kind == "fd",
        bitrate_switch=kind == "fd" and draw(st.booleans()),
        error_state_indicator=kind == "fd" and draw(st.booleans()),
        dlc=size,
        data=b"" if kind == "remote" else draw(st.binary(min_size=size, max_size=size)),
        channel="can0",
    )


@given(st.lists(messages(), min_size=1, max_size=20))
@settings(max_examples=60)
def test_what_is_written_is_read_back_the_same(tmp_path_factory, some) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path_factory.mktemp("text") / "a.log"
    frames = frames_of(some, "made")
    path.write_text(candump_text(frames), encoding="ascii")
    back = read(path).frames
    for column in ("identifier", "flags", "length"):
        assert getattr(back, column).tolist() == getattr(frames, column).tolist()
    assert [back.data(k) for k in range(len(back))] == [frames.data(k) for k in range(len(frames))]


@given(st.lists(messages(), min_size=1, max_size=20))
@settings(max_examples=60)
def test_python_can_reads_the_same_frames(tmp_path_factory, some) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path_factory.mktemp("text") / "a.log"
    path.write_text(candump_text(frames_of(some, "made")), encoding="ascii")
    with can.CanutilsLogReader(path) as reader:
        for message, read_back in zip(some, reader, strict=True):
            assert abs(message.timestamp - read_back.timestamp) < 2e-6
            if message.is_error_frame:  # of these it knows only those of one class
                continue
            assert message.arbitration_id == read_back.arbitration_id
            assert message.is_extended_id == read_back.is_extended_id
            assert message.is_remote_frame == read_back.is_remote_frame
            assert bytes(message.data) == bytes(read_back.data)
            assert message.is_fd == read_back.is_fd


def test_losses_of_the_driver_are_counted_by_the_reader(tmp_path: Path) -> None:
    writer = CandumpWriter(tmp_path, "can0", 1 << 20)
    frame = frames_of([can.Message(timestamp=1.8e9, arbitration_id=1, channel="can0")], "made")
    for lost in (0, 5, 0, 7):
        writer.write(CanBatch(frame, lost))
    writer.close()
    account = read(tmp_path / "can0-001.log").account
    assert (account.lost, account.frames, account.lines_bad) == (12, 4, 0)
    assert loss_text("can0", 7, 12) == "DROPCOUNT: dropped 7 CAN frames on 'can0' socket (total drops 12)\n"


def test_a_frame_that_this_computer_sent_is_marked(tmp_path: Path) -> None:
    message = can.Message(timestamp=1.8e9, arbitration_id=1, data=b"a", is_rx=False, channel="can0")
    (tmp_path / "a.log").write_text(candump_text(frames_of([message], "made")), encoding="ascii")
    assert np.all(read(tmp_path / "a.log").frames.flags & Flag.TRANSMITTED)
