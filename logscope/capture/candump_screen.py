"""candump's output as it stands on the screen, with time stamps: `(0.012345)  can0  123   [2]  11 22`."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from logscope.capture.frames import Block
from logscope.errors import LogError

_FRAME = rb"\S+[ \t]+(?:[RT]X[ \t]+\S+[ \t]+\S+[ \t]+)?[0-9A-Fa-f]{3,8}[ \t]+[\[{][0-9A-F]{1,2}[\]}]"
_STAMPED = re.compile(rb"^[ \t]*\(([^)\r\n]*)\)[ \t]+" + _FRAME, re.MULTILINE)
_UNSTAMPED = re.compile(rb"^[ \t]*" + _FRAME + rb"(?:[ \t]+[0-9A-F]{2}|[ \t]+remote|[ \t]*\r?$)", re.MULTILINE)
_DATE = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d")
_SECONDS = re.compile(rb"\d+\.\d+")

_FEWEST_STAMPS = 3  # two steps: below, clock and differences cannot be distinguished


def sniff(head: bytes) -> bool:
    """Whether any line of the first bytes of a log is a frame as candump shows it, with or without a stamp."""
    return _STAMPED.search(head) is not None or _UNSTAMPED.search(head) is not None


def blocks(path: Path, head: bytes) -> Iterator[Block]:
    """Frames and account of the log, in blocks. Bad lines are counted, never raised.

    Stamps that fall about as often as they rise are taken as differences from line to line, and added up.
    Raises LogError where the lines have no stamps: without them nothing can be checked.
    """
    from logscope.capture import candump_screen_kernel as kernel
    from logscope.capture.rows import blocks_of_text

    stamps = [match[1] for match in _STAMPED.finditer(head)]
    if not stamps:
        raise LogError(
            "the lines have no timestamps, so nothing can be checked",
            where=path,
            do="Record again with timestamps: candump -L.",
        )
    differences = _are_differences(float(stamp) for stamp in stamps if _SECONDS.fullmatch(stamp))
    notes = []
    if differences:
        notes.append(f"{path}: the timestamps were taken as differences from line to line and added up")
    if any(_DATE.match(stamp) for stamp in stamps):
        notes.append(f"{path}: the timestamps name no time zone and were taken as UTC")
    read = blocks_of_text(path, kernel.parse, kernel.MIN_LINE, kernel.REASONS, tuple(notes))
    return _added_up(read) if differences else read


def _are_differences(stamps: Iterable[float]) -> bool:
    """A clock rises nearly always, even with the lines of two buses mixed; differences fall as often as they rise."""
    steps = [later - earlier for earlier, later in pairwise(stamps)]
    rises, falls = sum(step > 0 for step in steps), sum(step < 0 for step in steps)
    return len(steps) + 1 >= _FEWEST_STAMPS and falls * 2 > rises


def _added_up(read: Iterable[Block]) -> Iterator[Block]:
    total = 0
    for block in read:
        time_ns = total + np.cumsum(block.frames.time_ns)
        total = int(time_ns[-1]) if time_ns.size else total
        yield Block(replace(block.frames, time_ns=time_ns), replace(block.account, out_of_order=0))
