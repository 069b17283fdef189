"""Text logs as blocks of whole lines, memory-mapped where the file is not compressed."""

from __future__ import annotations

import gzip
import mmap
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from logscope.errors import LogError

Bytes = NDArray[np.uint8]

BLOCK_BYTES = 16 << 20  # large enough to hide the cost of a call, small beside the memory of any laptop
_LF = 10
GZIP_MAGIC = b"\x1f\x8b"


def head_of(path: Path, size: int = 1 << 16) -> bytes:
    """The first bytes of a log's content, decompressed."""
    try:
        with path.open("rb") as raw:
            start = raw.read(size)
        if not start.startswith(GZIP_MAGIC):
            return start
        with gzip.open(path, "rb") as unpacked:
            return unpacked.read(size)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise LogError(f"the gzip file is damaged ({error})", where=path, do="Copy it again from the logger.") from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise LogError(f"cannot open the log ({reason})", where=path, do="Check the path.") from None


def line_blocks(path: Path, block_bytes: int = BLOCK_BYTES) -> Iterator[Bytes]:
    """The content of a text file as arrays of whole lines; only the last may lack its line end.

    A damaged or cut gzip stream yields what could be unpacked and then raises EOFError.
    """
    if head_of(path, 2).startswith(GZIP_MAGIC) or _is_gzip(path):
        with gzip.open(path, "rb") as stream:
            yield from _streamed(stream, block_bytes)
        return
    if path.stat().st_size == 0:
        return
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
        content = np.frombuffer(mapped, np.uint8)
        try:
            yield from _mapped(content, block_bytes)
        finally:
            del content  # the map cannot close while an array looks into it


def _is_gzip(path: Path) -> bool:
    with path.open("rb") as raw:
        return raw.read(2) == GZIP_MAGIC


def _mapped(content: Bytes, block_bytes: int) -> Iterator[Bytes]:
    start, size = 0, content.size
    while start < size:
        end = min(start + block_bytes, size)
        if end < size:
            end = _after_line_end(content, start, end)
        yield content[start:end].copy()
        start = end


def _after_line_end(content: Bytes, start: int, end: int) -> int:
    """The place after the last line end before `end`, or after the first one behind it."""
    back = content[start:end][::-1]
    at = int(np.argmax(back == _LF))
    if back[at] == _LF:
        return end - at
    while end < content.size:
        ahead = content[end : end + BLOCK_BYTES] == _LF
        at = int(np.argmax(ahead))
        if ahead[at]:
            return end + at + 1
        end += ahead.size
    return content.size


def _streamed(stream: IO[bytes], block_bytes: int) -> Iterator[Bytes]:
    rest = b""
    damage: Exception | None = None
    while True:
        try:
            chunk = stream.read(block_bytes)
        except (EOFError, OSError, zlib.error) as error:
            chunk, damage = b"", error
        if not chunk:
            break
        whole = rest + chunk
        cut = whole.rfind(b"\n") + 1
        if cut:
            yield np.frombuffer(whole[:cut], np.uint8)
        rest = whole[cut:]
    if rest:
        yield np.frombuffer(rest, np.uint8)
    if damage is not None:
        raise EOFError(str(damage)) from damage
