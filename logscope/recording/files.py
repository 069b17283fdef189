"""The files of a recording while they grow: whole pieces only, and a new file when one has its size."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO


class GrowingFile:
    """A file that grows by whole pieces: one that cannot be written whole is taken back."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: BinaryIO = path.open("xb", buffering=0)  # never one that exists
        self.size = 0
        self._synced = 0

    def append(self, piece: bytes) -> None:
        """Write a piece. Raises OSError where it could not be written whole; then nothing of it is there."""
        rest = memoryview(piece)
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError:
            with suppress(OSError):
                self._file.truncate(self.size)
                self._file.seek(self.size)
            raise
        self.size += len(piece)

    def sync(self) -> None:
        """Have what was written on the disk itself, so that a pulled plug does not cost it."""
        if self._synced != self.size:
            os.fsync(self._file.fileno())
            self._synced = self.size

    def close(self) -> None:
        """Close it, on the disk as far as that goes."""
        with suppress(OSError):
            self.sync()
        self._file.close()


class Rotated:
    """Files of one source, numbered from 001; a new one is begun when one has reached its size."""

    def __init__(self, folder: Path, stem: str, suffix: str, most_bytes: int) -> None:
        self._folder, self._stem, self._suffix, self._most = folder, stem, suffix, most_bytes
        self._file: GrowingFile | None = None
        self.names: list[str] = []
        self.total_bytes = 0

    def append(self, piece: bytes) -> None:
        """Write a piece, which no two files share. Raises OSError as `GrowingFile.append` does."""
        if self._file is not None and self._file.size >= self._most:
            self._file.close()
            self._file = None
        if self._file is None:
            name = f"{self._stem}-{len(self.names) + 1:03d}{self._suffix}"
            self._file = GrowingFile(self._folder / name)
            self.names.append(name)
        self._file.append(piece)
        self.total_bytes += len(piece)

    def sync(self) -> None:
        """Have it on the disk."""
        if self._file is not None:
            self._file.sync()

    def close(self) -> None:
        """Close the last file."""
        if self._file is not None:
            self._file.close()
            self._file = None
