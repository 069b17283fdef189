"""When a log was recorded, as well as it can be known."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import PurePath

# 2026-03-01, 20260301 and the like, with or without a time after it: 2026-03-01_09-15, 20260301T091530
_NAMED = re.compile(
    r"(?<!\d)(20\d\d)([-_.]?)(\d\d)\2(\d\d)(?:[-_ T.]*(\d\d)[-_.:h]?(\d\d)(?:[-_.:m]?(\d\d))?)?(?!\d)", re.IGNORECASE
)
_ZONES = timedelta(days=1)  # a clock in local time, taken as UTC, is less than this ahead
_FILES_FROM = 2001  # files of earlier years have lost their date: stores and archives that keep none say 1970 or 1980


def date_of(start: datetime | None, log: str, written: datetime) -> tuple[datetime, str]:
    """The date of a log's first stamp; that in its name where it has none, or one after its file; else the file's.

    Returns the date and `log`, `name` or `file`.

    A clock that restarts without a battery begins at a date of its maker's; where that lies after the last change of
    the file, it is seen to be wrong.
    """
    if start is not None and (start <= written + _ZONES or written.year < _FILES_FROM):
        return start, "log"
    named = _date_in(PurePath(log).name)
    return (written, "file") if named is None else (named, "name")


def _date_in(name: str) -> datetime | None:
    for found in _NAMED.finditer(name):
        year, month, day, hour, minute, second = (int(each or 0) for each in found.group(1, 3, 4, 5, 6, 7))
        try:
            return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
        except ValueError:  # digits that are no date
            continue
    return None
