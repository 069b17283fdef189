"""What stands in for adapters and consoles: emulated ones behind pseudo-terminals, ports that fail on request."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from logscope.capture.frames import Frames
from logscope.recording.port import Batch, CanBatch, UnpluggedError

CONSOLE = """[console]
name = "Console"

[pairs]

[time]
rate_Hz = 10

[[signal]]
name = "MotorSpeed"
field = "rpm"
unit = "rpm"
"""


def wait_for(true: Callable[[], object], seconds: float = 10.0) -> None:
    """Wait until something is so; fail where it does not become so."""
    until = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < until, "it did not happen"
        time.sleep(0.01)


def numbered(first: int, count: int, stamp_ns: int, bus: str = "can0") -> Frames:
    """Frames whose payload counts up, a microsecond apart."""
    numbers = np.arange(first, first + count, dtype=">u8")
    return Frames(
        time_ns=stamp_ns + 1000 * np.arange(count, dtype=np.int64),
        bus=np.zeros(count, np.uint8),
        identifier=np.full(count, 0x123, np.uint32),
        flags=np.zeros(count, np.uint8),
        length=np.full(count, 8, np.uint8),
        offset=8 * np.arange(count, dtype=np.int64),
        payload=numbers.view(np.uint8).copy(),
        buses=(bus,),
    )


def numbers_of(frames: Frames) -> list[int]:
    """The numbers in the payloads, in order."""
    return [int.from_bytes(frames.data(row), "big") for row in range(len(frames))]


class CountingPort:
    """Numbered frames as fast as they are read, until it is unplugged. `clock` gives their stamps."""

    stamps, listening = "made", "made"

    def __init__(self, clock: Callable[[], int], count: int = 20, pause_s: float = 0.005) -> None:
        self._clock, self._count, self._pause_s = clock, count, pause_s
        self.sent = 0
        self.unplugged = False
        self.closed = 0

    def read(self) -> Batch | None:
        time.sleep(self._pause_s)
        if self.unplugged:
            raise UnpluggedError("no such device")
        batch = CanBatch(numbered(self.sent, self._count, self._clock()))
        self.sent += self._count
        return batch

    def close(self) -> None:
        self.closed += 1


@contextmanager
def pseudo_terminal() -> Iterator[tuple[int, str]]:
    """The end of a serial line that an adapter has, as a file descriptor, and the name of the other end."""
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    name = os.ttyname(theirs)
    try:
        yield ours, name
    finally:
        for each in (ours, theirs):
            with suppress(OSError):
                os.close(each)


class SerialLineAdapter:
    """The adapter's side of the serial-line CAN protocol: keeps the commands, sends frames while it is open."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self.commands: list[bytes] = []
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        import select

        rest = b""
        while not self._ending.is_set():
            if select.select([self._descriptor], [], [], 0.05)[0]:
                try:
                    *done, rest = (rest + os.read(self._descriptor, 4096)).split(b"\r")
                except OSError:
                    return
                self.commands += done

    def send(self, identifier: int, data: bytes) -> None:
        os.write(self._descriptor, b"t%03X%d%b\r" % (identifier, len(data), data.hex().upper().encode()))

    def stop(self) -> None:
        self._ending.set()
        self._thread.join()


def no_waiting() -> SimpleNamespace:
    """What python-can's slcan takes for the module `time`: it waits two seconds for an adapter to start."""
    return SimpleNamespace(sleep=lambda _: None, time=time.time)


def write_console(folder: Path, text: str = CONSOLE) -> Path:
    path = folder / "console.toml"
    path.write_text(text, encoding="utf-8")
    return path
