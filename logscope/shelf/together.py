"""Which rows are of one recording: dated logs of one folder and one vehicle that overlap in time.

One drive in two formats is no recording of two logs, nor are the logs of a clock that restarts with every drive.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import PurePath

from logscope.clocks import SeenLog, by_recording
from logscope.shelf.alike import twins
from logscope.shelf.job import CHECKED
from logscope.shelf.schema import Record
from logscope.signals import Signals

# At once in one vehicle; more logs at one moment come of a clock that begins at the same date every time.
_LOGGERS = 4


def recordings(rows: Sequence[Record]) -> Iterator[list[Record]]:
    """Groups of two and more rows. Logs without a date stay alone: thousands cannot be compared pair by pair."""
    by_place: dict[tuple[str, PurePath], list[Record]] = {}
    passed_over = twins(rows)
    for row in rows:
        if row["status"] == CHECKED and row["date_from"] == "log" and row["key"] not in passed_over:
            by_place.setdefault((row["vehicle_file"], PurePath(row["logs"][0]).parent), []).append(row)
    for place in by_place.values():
        for chain in _chains(sorted(place, key=lambda row: row["date"])):
            of = {row["key"]: row for row in chain}
            for group in by_recording([_seen(row) for row in chain]):
                if len(group) > 1 and _at_once(group) <= _LOGGERS:
                    yield [of[log.file] for log in group]


def _at_once(logs: Sequence[SeenLog]) -> int:
    """How many run at the same moment, at most."""
    return max(sum(other.start_ns <= log.start_ns < other.end_ns for other in logs) for log in logs)


def _chains(rows: Sequence[Record]) -> Iterator[list[Record]]:
    """Rows in order of time, cut wherever none continues: what overlaps is in one piece."""
    chain: list[Record] = []
    end = None
    for row in rows:
        if chain and end is not None and row["date"] >= end:
            yield chain
            chain, end = [], None
        chain.append(row)
        until = row["date"] + timedelta(seconds=row["duration_s"])
        end = until if end is None else max(end, until)
    if chain:
        yield chain


def _seen(row: Record) -> SeenLog:
    start_ns = round(row["date"].timestamp() * 1e9)
    return SeenLog(row["key"], start_ns, start_ns + round(row["duration_s"] * 1e9), True, False, Signals({}, 0.0, 0.0))
