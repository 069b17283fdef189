"""One run at a time on an archive: two would remove what the other is writing."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from logscope.errors import RequestError

_NAME = "_lock"  # readers of data sets pass over it


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold an archive's lock, which the system releases when the process ends, however it ends.

    Raises RequestError where another run holds it. Where the disk knows no locks, nothing is held.
    """
    with (folder / _NAME).open("a+b") as file:
        try:
            _lock(file)
        except (BlockingIOError, PermissionError):
            raise RequestError(
                "another run is filling this archive", where=folder, do="Wait for it, or name another folder."
            ) from None
        except OSError:
            pass
        yield


if sys.platform == "win32":
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
