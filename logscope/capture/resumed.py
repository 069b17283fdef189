"""python-can's text readers, going on after a line that they cannot read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from typing import Any

from logscope.capture.reader_complaints import ReaderComplaints

# Before the first frame: a log with so many bad lines and no good one is in another format.
_FAILURES_BEFORE_A_FRAME = 100
_LONGEST_HEAD = 1000  # lines; real ones have some ten


def resumed(
    lines: Iterable[str], new_reader: Callable[[Any], Iterable[Any]], complaints: ReaderComplaints
) -> Iterator[Any]:
    """The messages of a text log. Where the reader fails, a new one gets the head of the log and what follows.

    Raises what the reader raises where it cannot read anything.
    """
    source = _Lines(lines, complaints)
    frames = failures = 0
    while True:
        began = complaints.number
        try:
            for message in new_reader(source):
                if not frames:
                    source.end_head()
                frames += 1
                yield message
            return
        except Exception as error:  # python-can's readers raise whatever their parsing runs into
            failures += 1
            if complaints.number == began or (not frames and failures == _FAILURES_BEFORE_A_FRAME):
                raise
            complaints.add(f"{type(error).__name__}: {error}")
            source.end_head()
            source.repeat_head()


class _Lines:
    """The lines of a log, which python-can's text readers take for an open file; counts them."""

    def __init__(self, lines: Iterable[str], complaints: ReaderComplaints) -> None:
        self._complaints = complaints
        self._head: list[str] = []
        self._in_head = True
        self._fresh = self._numbered(lines)
        self._lines: Iterator[str] = self._fresh

    def _numbered(self, lines: Iterable[str]) -> Iterator[str]:
        for self._complaints.number, line in enumerate(lines, start=1):
            if self._in_head and len(self._head) < _LONGEST_HEAD:
                self._head.append(line)
            yield line

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        return next(self._lines)

    def end_head(self) -> None:
        """The line that was read last is the first one that does not belong to the head."""
        if self._in_head:
            self._in_head = False
            del self._head[-1:]

    def repeat_head(self) -> None:
        """The next lines are the head once more, and then what has not been read yet."""
        self._lines = chain(self._head, self._fresh)

    def close(self) -> None:
        """The log is closed by whoever opened it."""
