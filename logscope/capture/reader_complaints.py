"""What python-can's readers could not read of a log: where, and why."""

from __future__ import annotations

import logging
from collections import Counter

from logscope.capture.frames import BadLine

_SORTS_TOLD = 5  # enough to see what is wrong
_LONGEST = 120  # characters of a reason, which may quote a whole line


class ReaderComplaints(logging.Handler):
    """Collects what is wrong with a log; while entered, also what python-can's loggers warn of.

    number : the line or record that is being read, kept up to date by whoever reads
    """

    def __init__(self, file: str, warning_is_loss: bool) -> None:
        super().__init__(logging.WARNING)
        self.number = 0
        self._file = file
        self._warning_is_loss = warning_is_loss
        self._bad: list[BadLine] = []
        self._warnings: Counter[str] = Counter()

    def add(self, reason: str) -> None:
        """The line or record that is being read is bad."""
        self._bad.append(BadLine(self._file, self.number, reason[:_LONGEST]))

    def emit(self, record: logging.LogRecord) -> None:
        """A warning of python-can's, which would else be a line on the screen."""
        if self._warning_is_loss:
            self.add(record.getMessage())
        else:
            self._warnings[record.getMessage()[:_LONGEST]] += 1

    def take(self) -> list[BadLine]:
        """What was bad since the last call, in its order."""
        taken, self._bad = self._bad, []
        return taken

    def notes(self) -> tuple[str, ...]:
        """The most frequent warnings of what was read all the same, one note each."""
        most = self._warnings.most_common(_SORTS_TOLD)
        return tuple(f"{self._file}: {text} ({count} times)" for text, count in most)

    def __enter__(self) -> ReaderComplaints:
        logger = logging.getLogger("can")
        self._propagated, logger.propagate = logger.propagate, False
        logger.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        logger = logging.getLogger("can")
        logger.removeHandler(self)
        logger.propagate = self._propagated
