"""The clock of an ASC log: the date of its header, and stamps that count from the line before.

python-can's reader gives stamps as they stand in the lines; what the head says of them is read here. The layout of
the head is that of python-can's reader and writer.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime

_STARTS = re.compile(r"\s*(?:date|begin\s+triggerblock)\s+(?P<when>.+)", re.IGNORECASE)
_RELATIVE = re.compile(r"\s*base\s+\S+\s+timestamps\s+relative", re.IGNORECASE)
_MOMENT = re.compile(
    r"\S+\s+(?P<month>[^\W\d]\S*)\s+(?P<day>\d{1,2})\s+(?P<hour>\d{1,2}):(?P<minute>\d\d):(?P<second>\d\d)"
    r"(?:[.,](?P<fraction>\d{1,9}))?(?:\s+(?P<half>[ap])\.?m\.?)?\s+(?P<year>\d{4})",
    re.IGNORECASE,
)
_EVENT = re.compile(r"(\s*)(\d+\.\d+)(\s)")
# English and German month names, by the letters that differ; the “ä” of März may have lost its encoding
_MONTHS = ("jan", "feb", "m.?r", "apr", "ma[iy]", "jun", "jul", "aug", "sep", "o[ck]t", "nov", "de[cz]")
_END_OF_HEAD = "internal events logged\n"  # without this line python-can takes the first frame for one of the head
_EARLIEST = datetime(2001, 9, 9, tzinfo=UTC)  # writers without a date put 1970 there


class AscTime:
    """Passes the lines of an ASC log on, and notes what they say of its clock.

    start_ns : the start of the log since 1970, as if its local time were UTC; 0 where it names none
    unreadable : a date that could not be read, as it stands there; empty where there is none
    """

    def __init__(self) -> None:
        self.start_ns = 0
        self.unreadable = ""
        self._relative = False
        self._elapsed_ns = 0

    def lines(self, lines: Iterable[str]) -> Iterator[str]:
        """The same lines, their stamps counting from the start of the log."""
        in_head = True
        for line in lines:
            event = _EVENT.match(line)
            if event is None:
                if in_head:
                    self._head(line)
                yield line
                continue
            if in_head:
                in_head = False
                yield _END_OF_HEAD
            yield self._from_start(line, event) if self._relative else line

    def _head(self, line: str) -> None:
        if _RELATIVE.match(line):
            self._relative = True
        elif found := _STARTS.match(line):
            moment = moment_of(found["when"])
            self.unreadable = found["when"].strip() if moment is None else ""
            if moment is not None:  # the later line is nearer the frames: where a block begins, not where a file does
                since = moment - datetime(1970, 1, 1, tzinfo=UTC)
                start_ns = (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000
                self.start_ns = start_ns if moment >= _EARLIEST else 0

    def _from_start(self, line: str, event: re.Match[str]) -> str:
        whole, fraction = event[2].split(".")
        self._elapsed_ns += int(whole) * 1_000_000_000 + int(fraction[:9].ljust(9, "0"))
        seconds, rest = divmod(self._elapsed_ns, 1_000_000_000)
        return f"{event[1]}{seconds}.{rest:09d}{line[event.end(2) :]}"


def moment_of(text: str) -> datetime | None:
    """The moment that a date line names, its local time taken as UTC; None where it cannot be read.

    >>> moment_of("Mon Mar 2 09:00:00.250 pm 2026").isoformat()
    '2026-03-02T21:00:00.250000+00:00'
    """
    found = _MOMENT.match(text.strip())
    if found is None:
        return None
    name = found["month"].casefold()
    month = next((number for number, known in enumerate(_MONTHS, 1) if re.match(known, name)), None)
    hour = int(found["hour"])
    if found["half"]:
        hour = hour % 12 + (12 if found["half"].casefold() == "p" else 0)
    if month is None:
        return None
    microsecond = int((found["fraction"] or "").ljust(6, "0")[:6])
    try:
        clock = (hour, int(found["minute"]), int(found["second"]), microsecond)
        return datetime(int(found["year"]), month, int(found["day"]), *clock, tzinfo=UTC)
    except ValueError:
        return None
