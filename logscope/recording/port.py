"""What a port gives, whatever is plugged into it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from logscope.capture.frames import Frames


@dataclass(frozen=True, slots=True, eq=False)
class CanBatch:
    """Frames of one bus in the order of their arrival, stamped on the recording's clock [ns].

    lost : frames that the driver says it dropped before these
    """

    frames: Frames
    lost: int = 0

    @property
    def size(self) -> int:
        """Frames, for the bound of the queue."""
        return len(self.frames)

    @property
    def last_ns(self) -> int | None:
        """The last stamp."""
        return int(self.frames.time_ns[-1]) if len(self.frames) else None


@dataclass(frozen=True, slots=True)
class SerialBatch:
    """Bytes of a console, when the first of them arrived on the recording's clock [ns], and how long one takes [ns]."""

    data: bytes
    arrival_ns: int
    byte_ns: int = 0

    @property
    def size(self) -> int:
        """A read, whatever its length: it takes as much room as a frame."""
        return 1

    @property
    def last_ns(self) -> int | None:
        """When they arrived."""
        return self.arrival_ns


Batch = CanBatch | SerialBatch


class UnpluggedError(Exception):
    """The adapter does not answer any more. Says why."""


class Port(Protocol):
    """An open adapter or serial port. Read by one thread."""

    def read(self) -> Batch | None:
        """What has arrived; waits for it some 0.2 s at most. Raises UnpluggedError where the port is gone."""

    def close(self) -> None:
        """Let it go. Nothing is raised."""

    @property
    def stamps(self) -> str:
        """Where the stamps come from, in words."""

    @property
    def listening(self) -> str:
        """How it is kept from taking part in the bus, or that it is not, in words."""
