"""A source while it is recorded: a thread reads its port, waits for it where it is unplugged, and keeps account."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event, Thread

import numpy as np

from logscope.capture.frames import Flag
from logscope.errors import LogscopeError
from logscope.recording.clock import RecordingClock
from logscope.recording.intake import Intake
from logscope.recording.port import CanBatch, Port, SerialBatch, UnpluggedError

_FETCH_NS = 500_000_000
_RETRY_S = 0.5  # an adapter that is plugged in again is read after so long at most


@dataclass(frozen=True, slots=True)
class Outage:
    """A stretch in which a source could not be read, on the recording's clock [ns]; end_ns None while it lasts."""

    start_ns: int
    end_ns: int | None
    reason: str


@dataclass(slots=True)
class SourceAccount:
    """What came from a source so far. Written by the source's thread alone."""

    frames: int = 0
    error_frames: int = 0
    bytes: int = 0
    lost_in_driver: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    outages: list[Outage] = field(default_factory=list)

    def add(self, batch: CanBatch | SerialBatch) -> None:
        """Count a batch."""
        if isinstance(batch, CanBatch):
            self.frames += len(batch.frames)
            self.error_frames += int(np.count_nonzero(batch.frames.flags & Flag.ERROR))
            self.lost_in_driver += batch.lost
            first = int(batch.frames.time_ns[0]) if len(batch.frames) else None
        else:
            self.bytes += len(batch.data)
            first = batch.arrival_ns
        if self.first_ns is None:
            self.first_ns = first
        if batch.last_ns is not None:
            self.last_ns = batch.last_ns


class Source:
    """One adapter or port. `start` it, `stop` it; `account` says meanwhile what came."""

    def __init__(self, number: int, name: str, port: Port, reopen: Callable[[], Port], clock: RecordingClock) -> None:
        self.name, self.account = name, SourceAccount()
        self.stamps, self.listening = port.stamps, port.listening
        self._number, self._port, self._reopen, self._clock = number, port, reopen, clock
        self._stopping = Event()
        self._thread: Thread | None = None

    def start(self, intake: Intake) -> None:
        """Read from now on."""
        self._thread = Thread(target=self._run, args=(intake,), name=f"read {self.name}", daemon=True)
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Have the reading end soon."""
        self._stopping.set()

    def wait(self) -> None:
        """Wait for the end of the reading, and let the port go."""
        if self._thread is not None:
            self._thread.join(timeout=5.0)
        self._port.close()

    @property
    def unplugged(self) -> str:
        """Why the source cannot be read now; empty where it can."""
        outages = self.account.outages
        return outages[-1].reason if outages and outages[-1].end_ns is None else ""

    def _run(self, intake: Intake) -> None:
        last_ns: int | None = None  # how long what has already arrived is still fetched, once it is to end
        while last_ns is None or self._clock.now_ns() < last_ns:
            if self._stopping.is_set() and last_ns is None:
                last_ns = self._clock.now_ns() + _FETCH_NS
            try:
                batch = self._port.read()
            except Exception as gone:  # an adapter that is gone, or a driver's defect: neither may end in silence
                if self._stopping.is_set():
                    return
                why = str(gone) if isinstance(gone, UnpluggedError) else f"{type(gone).__name__}: {gone}"
                self._wait_for_it(why)
                continue
            if batch is not None:
                self.account.add(batch)
                intake.put(self._number, batch)
            elif last_ns is not None:
                return

    def _wait_for_it(self, why: str) -> None:
        """Open the port again as soon as that is possible."""
        self._port.close()
        start_ns = self._clock.now_ns()
        self.account.outages.append(Outage(start_ns, None, why))
        while not self._stopping.wait(_RETRY_S):
            try:
                self._port = self._reopen()
            except (LogscopeError, OSError):
                continue
            self.account.outages[-1] = Outage(start_ns, self._clock.now_ns(), why)
            return
