"""Messages for python-can's writers, and what its readers and ours give back, as plain tuples."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from pathlib import Path

import can
import numpy as np

from logscope.capture.frames import Flag, Frames
from logscope.capture.open import Capture

FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
Row = tuple[str, int, int, bytes, int]  # bus, identifier, flags, data, length


def messages(
    count: int, *, start_s: float, fd: bool = True, remote: bool = True, error: bool = False, channels: int = 3
) -> list[can.Message]:
    """A mix of frames, 0.5 ms apart. Error frames carry nothing, which every format can write."""
    draw = np.random.default_rng(count)
    made: list[can.Message] = []
    for k in range(count):
        sort = draw.integers(10)
        extended = bool(draw.integers(2))
        common = {
            "timestamp": start_s + k * 0.0005,
            "arbitration_id": int(draw.integers(1 << (29 if extended else 11))),
            "is_extended_id": extended,
            "channel": int(draw.integers(channels)),
            "is_rx": bool(draw.integers(4)),
        }
        if sort == 0 and remote:
            made.append(can.Message(**common, is_remote_frame=True, dlc=int(draw.integers(9))))
        elif sort == 1 and error:
            common |= {"arbitration_id": 0, "is_extended_id": True, "is_rx": True}
            made.append(can.Message(**common, is_error_frame=True))
        elif sort in (2, 3) and fd:
            data = draw.bytes(int(draw.choice(FD_LENGTHS[1:])))
            switch, passive = bool(draw.integers(2)), bool(draw.integers(2))
            made.append(
                can.Message(**common, is_fd=True, bitrate_switch=switch, error_state_indicator=passive, data=data)
            )
        else:
            made.append(can.Message(**common, data=draw.bytes(int(draw.integers(9)))))
    return made


def write(path: Path, sent: Iterable[can.Message]) -> Path:
    """Write a log with the writer that python-can chooses by the suffix."""
    sent = list(sent)
    with can.Logger(path) as writer:
        for message in sent:
            writer(message)
        while path.suffix == ".db" and writer.num_frames < len(sent):
            time.sleep(0.05)  # its writing thread drops what still waits when it is stopped
    return path


def row_of(message: can.Message) -> Row:
    """What python-can says of a frame. Error frames of other formats have no identifier to compare."""
    bus = f"can{message.channel}" if isinstance(message.channel, int) else message.channel or "can0"
    transmitted = Flag(0) if message.is_rx else Flag.TRANSMITTED
    if message.is_error_frame:
        return bus, message.arbitration_id, int(Flag.ERROR | transmitted), bytes(message.data), len(message.data)
    flags = transmitted
    for attribute, flag in (
        ("is_extended_id", Flag.EXTENDED),
        ("is_remote_frame", Flag.REMOTE),
        ("is_fd", Flag.FD),
        ("bitrate_switch", Flag.BITRATE_SWITCH),
        ("error_state_indicator", Flag.ERROR_STATE),
    ):
        flags |= flag if getattr(message, attribute) else Flag(0)
    return bus, message.arbitration_id, int(flags), bytes(message.data), message.dlc


def rows_of(frames: Frames) -> list[Row]:
    """Our columns in the same shape."""
    return [
        (
            frames.buses[frames.bus[k]],
            int(frames.identifier[k]),
            int(frames.flags[k]),
            frames.data(k),
            int(frames.length[k]),
        )
        for k in range(len(frames))
    ]


def seconds_of(read: Sequence[can.Message]) -> list[float]:
    """The stamps of messages, seconds."""
    return [message.timestamp for message in read]


def closes(capture: Capture) -> bool:
    """Whether the account of a capture adds up, and agrees with the frames."""
    account = capture.account
    counted = account.frames == len(capture.frames) and account.frames >= account.error_frames + account.remote_frames
    return counted and account.lines == account.frames + account.other + account.lines_bad
