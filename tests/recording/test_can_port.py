"""What a bus of python-can hands over at once, and when a batch ends; a list stands in for the adapter."""

from __future__ import annotations

from itertools import count
from types import SimpleNamespace
from typing import cast

import can
import pytest

from logscope.recording.can_port import PythonCanPort
from logscope.recording.clock import RecordingClock
from logscope.recording.specs import CanSpec

MS = 1_000_000


def port(waiting: int, apart_ns: int) -> PythonCanPort:
    """A port with so many frames waiting, each read so long after the one before."""
    messages = [can.Message(arbitration_id=0x100, is_extended_id=False, data=[k]) for k in range(waiting)]
    ticks = count(1_000_000_000, apart_ns)
    clock = cast(RecordingClock, SimpleNamespace(now_ns=lambda: next(ticks)))
    bus = SimpleNamespace(recv=lambda _: messages.pop(0) if messages else None)
    return PythonCanPort(bus, CanSpec("can0", "slcan", "port"), clock, "listens")


@pytest.mark.parametrize(("waiting", "apart_ns", "sizes"), [(40, MS, [40]), (3, 60 * MS, [2, 1]), (120, MS, [52, 52])])
def test_a_batch_holds_what_waits_up_to_a_twentieth_of_a_second(waiting: int, apart_ns: int, sizes: list[int]) -> None:
    opened = port(waiting, apart_ns)
    for size in sizes:
        batch = opened.read()
        assert batch is not None
        assert batch.frames.time_ns.size == size
    assert waiting > sum(sizes) or opened.read() is None
