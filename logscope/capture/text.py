"""Text logs as blocks of whole lines."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import IO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.capture.compression import DAMAGE, damaged, open_content

Bytes = NDArray[np.uint8]

BLOCK_BYTES = 4 << 20  # large enough to hide the cost of a call, small enough to stay near the caches
PAD = 64  # line ends after a block's text, so that a kernel may look ahead without checking
_LF = 10
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_READ = 1 << 18  # what is asked of a stream at once; less is lost where a packed file is cut


class TextBlock(NamedTuple):
    """Whole lines of a text.

    text : uint8 (size + PAD,), line ends after the text
    """

    text: Bytes
    size: int

    @property
    def is_whole(self) -> bool:
        """Whether the last line has its line end."""
        return bool(self.text[self.size - 1] == _LF)


def head_of(path: Path, size: int = 1 << 16) -> bytes:
    """The first bytes of a log's content, unpacked."""
    head = np.empty(size, np.uint8)
    with open_content(path) as stream:
        got, damage = _fill(stream, head)
    if damage is not None and not got:
        raise damaged(path, damage) from None
    return head[:got].tobytes()


def text_blocks(path: Path, header_lines: int = 0) -> Iterator[TextBlock]:
    """The content of a text file after its header, in blocks of whole lines; only the last may lack its line end.

    A damaged or cut packed file yields the whole lines before the damage and then raises EOFError. A byte order
    mark at the start is left out.
    """
    with open_content(path) as stream:
        start = np.empty(len(_BYTE_ORDER_MARK), np.uint8)
        got, damage = _fill(stream, start)
        rest = start[:got] if start[:got].tobytes() != _BYTE_ORDER_MARK else start[:0]
        ended = got < start.size
        while rest.size or not ended:
            room = max(BLOCK_BYTES, rest.size)  # grows with a long line: linear time in its length
            buffer = np.empty(rest.size + room + PAD, np.uint8)
            buffer[: rest.size] = rest
            got = 0
            if not ended:
                got, damage = _fill(stream, buffer[rest.size : rest.size + room])
                ended = got < room
            size = rest.size + got
            whole = ended and damage is None
            cut = size if whole else _after_last_line_end(buffer[:size], 0 if ended else rest.size)
            rest = buffer[:0] if ended else buffer[cut:size].copy()
            if header_lines:
                header, header_lines = _after_lines(buffer[:cut], header_lines)
                buffer, cut = buffer[header:], cut - header
            if cut:
                yield _block(buffer, cut)
    if damage is not None:
        raise EOFError(str(damage)) from damage


def _fill(stream: IO[bytes], target: Bytes) -> tuple[int, BaseException | None]:
    """Read until the target is full; returns how many bytes came, and what stopped it but the end."""
    view = memoryview(target)  # type: ignore[arg-type]
    got = 0
    try:
        while got < target.size and (count := stream.readinto1(view[got : got + _READ])):  # type: ignore[attr-defined]
            got += count
    except DAMAGE as error:
        return got, error
    return got, None


def _after_last_line_end(text: Bytes, start: int) -> int:
    """The place after the last line end at or after `start`; 0 where there is none."""
    end = text.size
    while end > start:  # from the end, some lines at a time
        begin = max(start, end - (1 << 12))
        at = text[begin:end].tobytes().rfind(b"\n")
        if at >= 0:
            return begin + at + 1
        end = begin
    return 0


def _after_lines(text: Bytes, count: int) -> tuple[int, int]:
    """The place after the first lines of a text, and how many of the lines asked for are still to come."""
    content = text.tobytes()
    at = 0
    while count and at < len(content):
        at = content.find(b"\n", at) + 1 or len(content)
        count -= 1
    return at, count


def _block(buffer: Bytes, size: int) -> TextBlock:
    text = buffer[: size + PAD]
    text[size:] = _LF
    return TextBlock(text, size)
