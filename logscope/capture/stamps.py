"""Time stamps that the logging computer wrote in front of each line."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from functools import lru_cache

Stamp = tuple[int, str]  # nanoseconds, and the rest of the line

_FRACTION = r"(?:[.,](?P<fraction>\d{1,9})\d*)?"
_SHAPES = {
    "iso": rf"(?P<date>\d{{4}}-\d\d-\d\d)[T ](?P<clock>\d\d:\d\d:\d\d){_FRACTION}\s?(?P<zone>Z|[+-]\d\d:?\d\d)?",
    "clock": rf"(?P<clock>\d\d:\d\d:\d\d){_FRACTION}",
    "epoch": rf"(?P<seconds>\d{{9,10}}){_FRACTION}",
    "uptime": rf"(?P<seconds>\d{{1,9}}){_FRACTION}",
}
_DAY_S = 86_400


def stamp_reader(kind: str) -> Callable[[str], Stamp | None]:
    """The reader for one kind of stamp: line → (time [ns], rest of the line); None where there is no stamp.

    kind : "iso" (since 1970, UTC; without a zone it is taken as UTC), "clock" (since midnight), "epoch"
        (since 1970) or "uptime" (in square brackets, since a zero of its own). Brackets around the other
        kinds and one separator behind the stamp are passed over.
    """
    shape = _SHAPES[kind]
    bracketed = rf"\[\s*{shape}\s*\]" if kind == "uptime" else rf"[\[(]?{shape}(?![\w.])[\])]?"
    match = re.compile(rf"{bracketed}\s*[:;,|>]?\s*", re.ASCII).match
    seconds_of = {"iso": _iso_s, "clock": _clock_s}.get(kind, _plain_s)

    def read(line: str) -> Stamp | None:
        found = match(line)
        if found is None or (seconds := seconds_of(found)) is None:
            return None
        fraction = found["fraction"]
        return seconds * 1_000_000_000 + (int(fraction.ljust(9, "0")) if fraction else 0), line[found.end() :]

    return read


def has_zone(line: str) -> bool:
    """Whether the ISO 8601 stamp in front of a line says in which time zone it is."""
    found = re.match(rf"[\[(]?{_SHAPES['iso']}", line, re.ASCII)
    return found is not None and found["zone"] is not None


def _plain_s(found: re.Match[str]) -> int | None:
    return int(found["seconds"])


def _clock_s(found: re.Match[str]) -> int | None:
    hours, minutes, seconds = map(int, found["clock"].split(":"))
    total = 3600 * hours + 60 * minutes + seconds
    return total if minutes < 60 and seconds <= 60 and total < _DAY_S else None  # 60: a leap second


def _iso_s(found: re.Match[str]) -> int | None:
    return _utc_s(found["date"], found["clock"], found["zone"] or "Z")


@lru_cache(maxsize=64)  # many lines share their second
def _utc_s(date: str, clock: str, zone: str) -> int | None:
    try:
        moment = datetime.fromisoformat(f"{date}T{clock}{zone}")
    except ValueError:
        return None
    return int((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
