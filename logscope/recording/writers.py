"""From batches to files: candump text, BLF, and consoles with the time in front of each line."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, ClassVar, Protocol

from logscope.capture.frames import Flag, Frames
from logscope.recording.candump_text import candump_text, loss_text
from logscope.recording.files import GrowingFile, Rotated
from logscope.recording.port import Batch, CanBatch, SerialBatch

# A console that sends so many characters without a line end is at another rate, or sends no text; they are cut there.
_LONGEST_LINE_BYTES = 4096


class Writer(Protocol):
    """Writes what comes from one source. form : what the files are, as `drive.toml` says it"""

    form: ClassVar[str]

    @property
    def names(self) -> list[str]:
        """The files so far."""

    @property
    def total_bytes(self) -> int:
        """What was written."""

    def write(self, batch: Batch) -> None:
        """Write a batch. Raises OSError where there is no room; what was written before stays whole."""

    def sync(self) -> None:
        """Have it on the disk."""

    def close(self) -> None:
        """Write what is left, and close."""


class CandumpWriter:
    """A CAN bus as candump text."""

    form: ClassVar[str] = "candump"

    def __init__(self, folder: Path, bus: str, most_bytes: int) -> None:
        self._bus, self._lost = bus, 0
        self._files = Rotated(folder, bus, ".log", most_bytes)

    @property
    def names(self) -> list[str]:
        """The files so far."""
        return self._files.names

    @property
    def total_bytes(self) -> int:
        """What was written."""
        return self._files.total_bytes

    def write(self, batch: Batch) -> None:
        """Append the frames, after a note on what the driver lost before them."""
        assert isinstance(batch, CanBatch)
        text = candump_text(batch.frames)
        if batch.lost:
            self._lost += batch.lost
            text = loss_text(self._bus, batch.lost, self._lost) + text
        self._files.append(text.encode())

    def sync(self) -> None:
        """Have it on the disk."""
        self._files.sync()

    def close(self) -> None:
        """Close."""
        self._files.close()


class StampedLineWriter:
    """A text console: each line with the time at which it began to arrive, `(1772442000.123456) rpm=1500`."""

    form: ClassVar[str] = "lines"

    def __init__(self, folder: Path, name: str, most_bytes: int) -> None:
        self._files = Rotated(folder, name, ".txt", most_bytes)
        self._lines = StampedLines()

    @property
    def names(self) -> list[str]:
        """The files so far."""
        return self._files.names

    @property
    def total_bytes(self) -> int:
        """What was written."""
        return self._files.total_bytes

    def write(self, batch: Batch) -> None:
        """Append the lines that are complete now."""
        assert isinstance(batch, SerialBatch)
        if lines := self._lines.feed(batch):
            self._files.append(lines)

    def sync(self) -> None:
        """Have it on the disk."""
        self._files.sync()

    def close(self) -> None:
        """Write the line that was not complete, and close."""
        try:
            if rest := self._lines.rest():
                self._files.append(rest)
        finally:
            self._files.close()


class StampedLines:
    """Bytes come in pieces cut anywhere; lines come out, each with its stamp. Line ends may be LF, CR or both."""

    def __init__(self) -> None:
        self._line = bytearray()
        self._began_ns = 0

    def feed(self, batch: SerialBatch) -> bytes:
        """The lines that these bytes complete."""
        done: list[bytes] = []
        data, at = batch.data.replace(b"\r", b"\n"), 0
        while at < len(data):
            end = data.find(b"\n", at)
            piece = data[at : len(data) if end < 0 else end]
            if piece and not self._line:
                self._began_ns = batch.arrival_ns + at * batch.byte_ns
            self._line += piece
            if end < 0 and len(self._line) < _LONGEST_LINE_BYTES:
                break
            if self._line:
                done.append(self.rest())
            at = len(data) if end < 0 else end + 1
        return b"".join(done)

    def rest(self) -> bytes:
        """The line that is not complete, as one; empty where there is none."""
        if not self._line:
            return b""
        micros = self._began_ns // 1000
        line = b"(%010d.%06d) %b\n" % (micros // 1_000_000, micros % 1_000_000, bytes(self._line))
        self._line.clear()
        return line


class BinaryConsoleWriter:
    """A binary console: its bytes as they came, and next to them when which of them arrived."""

    form: ClassVar[str] = "bytes"

    def __init__(self, folder: Path, name: str, most_bytes: int) -> None:
        del most_bytes  # records that run over the end of a file would be lost: it stays one file
        self._bytes = Rotated(folder, name, ".bin", 1 << 62)
        self._times = Rotated(folder, name, ".times", 1 << 62)
        self._at = 0

    @property
    def names(self) -> list[str]:
        """The files so far."""
        return self._bytes.names

    @property
    def total_bytes(self) -> int:
        """What was written."""
        return self._bytes.total_bytes + self._times.total_bytes

    def write(self, batch: Batch) -> None:
        """Append the bytes; a line of the times is the place of the first of them, and nanoseconds since 1970."""
        assert isinstance(batch, SerialBatch)
        self._times.append(b"%d %d\n" % (self._at, batch.arrival_ns))
        self._bytes.append(batch.data)
        self._at += len(batch.data)

    def sync(self) -> None:
        """Have it on the disk."""
        self._bytes.sync()
        self._times.sync()

    def close(self) -> None:
        """Close."""
        self._bytes.close()
        self._times.close()


class BlfWriter:
    """A CAN bus as BLF through python-can's writer; a container at each `sync`, so that no more than that is lost."""

    form: ClassVar[str] = "blf"

    def __init__(self, folder: Path, bus: str, most_bytes: int) -> None:
        self._folder, self._bus, self._most = folder, bus, most_bytes
        self._names: list[str] = []
        self._before = 0
        self._file: _BlfFile | None = None

    @property
    def names(self) -> list[str]:
        """The files so far."""
        return self._names

    @property
    def total_bytes(self) -> int:
        """What was written."""
        return self._before + (self._file.size if self._file else 0)

    def write(self, batch: Batch) -> None:
        """Hand the frames to the container."""
        assert isinstance(batch, CanBatch)
        if self._file is not None and self._file.size >= self._most:
            self._before += self._file.size
            self._file.close()
            self._file = None
        if self._file is None:
            name = f"{self._bus}-{len(self._names) + 1:03d}.blf"
            self._file = _BlfFile(self._folder / name)
            self._names.append(name)
        self._file.add(batch.frames)

    def sync(self) -> None:
        """Write the container, and have it on the disk."""
        if self._file is not None:
            self._file.sync()

    def close(self) -> None:
        """Write the last container and the head, and close."""
        if self._file is not None:
            self._file.close()


class _BlfFile:
    """python-can's writer on a stream in memory, of which each whole container goes into the file."""

    def __init__(self, path: Path) -> None:
        from can import BLFWriter

        self._stream = io.BytesIO()
        self._writer: Any = BLFWriter(self._stream)
        self._file = GrowingFile(path)
        self._headed = False
        self.size = 0

    def add(self, frames: Frames) -> None:
        """Append frames."""
        for message in _messages(frames):
            self._writer.on_message_received(message)

    def sync(self) -> None:
        """What is there as a container. The head is written with the first, for the stamps count from its date."""
        if not self._headed and self._writer.start_timestamp is None:
            return
        self._writer._flush()
        if not self._headed:
            end = self._stream.tell()
            self._stream.seek(0)
            self._writer._write_header(end)
            self._stream.seek(end)
            self._headed = True
        piece = self._stream.getvalue()
        self._stream.seek(0)
        self._stream.truncate()
        if piece:
            self._file.append(piece)
            self.size += len(piece)
        self._file.sync()

    def close(self) -> None:
        """The last container. The head keeps what it said first: readers go by the containers."""
        try:
            self.sync()
        finally:
            self._file.close()


def _messages(frames: Frames) -> Any:
    """The frames as python-can's messages."""
    from can import Message

    for row, (time_ns, identifier, flags, length) in enumerate(
        zip(
            frames.time_ns.tolist(), frames.identifier.tolist(), frames.flags.tolist(), frames.length.tolist(),
            strict=True,
        )
    ):  # fmt: skip
        yield Message(
            timestamp=time_ns / 1e9,
            arbitration_id=identifier,
            is_extended_id=bool(flags & Flag.EXTENDED),
            is_remote_frame=bool(flags & Flag.REMOTE),
            is_error_frame=bool(flags & Flag.ERROR),
            is_fd=bool(flags & Flag.FD),
            bitrate_switch=bool(flags & Flag.BITRATE_SWITCH),
            error_state_indicator=bool(flags & Flag.ERROR_STATE),
            is_rx=not flags & Flag.TRANSMITTED,
            dlc=length,
            data=frames.data(row),
        )
