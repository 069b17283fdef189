"""candump -L text: the fast path."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from logscope.capture.frames import Block

_LINE = re.compile(rb"^[ \t]*\(\d+\.\d+\)[ \t]+\S+[ \t]+[0-9A-Fa-f]{1,8}#", re.MULTILINE)


def sniff(head: bytes) -> bool:
    """Whether any line of the first bytes of a log is a candump -L frame."""
    return _LINE.search(head) is not None


def blocks(path: Path) -> Iterator[Block]:
    """Frames and account of a candump -L log, in blocks. Bad lines are counted, never raised."""
    from logscope.capture import candump_kernel as kernel
    from logscope.capture.rows import blocks_of_text

    return blocks_of_text(path, kernel.parse, kernel.MIN_LINE, kernel.REASONS)
