"""Frames made by hand, for the tests of the bus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.bus.facts import Traffic
from logscope.bus.gather import BusGathering
from logscope.capture.frames import Flag, Frames


@dataclass(frozen=True)
class Frame:
    """One frame; time in s."""

    time_s: float
    identifier: int
    data: bytes = b""
    flags: int = 0
    bus: str = "can0"
    asked: int = 0  # length that a remote frame asks for


def columns(frames: Sequence[Frame]) -> Frames:
    """The frames as columns."""
    buses = tuple(dict.fromkeys(frame.bus for frame in frames))
    sizes = np.array([len(frame.data) for frame in frames], np.int64)
    return Frames(
        time_ns=np.array([round(frame.time_s * 1e9) for frame in frames], np.int64),
        bus=np.array([buses.index(frame.bus) for frame in frames], np.uint8),
        identifier=np.array([frame.identifier for frame in frames], np.uint32),
        flags=np.array([int(frame.flags) for frame in frames], np.uint8),
        length=np.array([f.asked if f.flags & Flag.REMOTE else len(f.data) for f in frames], np.uint8),
        offset=np.cumsum(sizes) - sizes,
        payload=np.frombuffer(b"".join(frame.data for frame in frames) or b"\0", np.uint8),
        buses=buses,
    )


def traffic_of(frames: Sequence[Frame], block: int = 1000) -> Traffic:
    """The facts of frames that are read in blocks."""
    gathering = BusGathering()
    for k in range(0, len(frames), block):
        gathering.add(columns(frames[k : k + block]))
    return gathering.traffic()
