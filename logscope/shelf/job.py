"""One recording to check, and what came of it. Plain data, for it travels between processes and machines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from typing import NamedTuple

from logscope.shelf.schema import ROWS, Record

CHECKED, FAILED, CHANGED = "checked", "failed", "changed"  # what `status` of a row can be


class Log(NamedTuple):
    """A file.

    name : path or URL; key : of its content with vehicle file, definitions and checks; size : [bytes]
    modified : when it was last written
    """

    name: str
    key: str
    size: int
    modified: datetime


@dataclass(frozen=True, slots=True)
class VehicleFiles:
    """A vehicle file, by its path, and with the content of all files that it needs for machines without this disk.

    contents : by path relative to the folder that holds them all; empty where the path serves
    """

    path: str
    contents: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Job:
    """The logs of one recording.

    vehicle : None where `refused` says why it cannot be checked at all; vehicle_name : for the place in the archive
    report, signals : whether its page and its mapped signals are wanted; limit_s : after which it counts as hung
    memory_MB : what its process may use; None sets no limit
    """

    logs: tuple[Log, ...]
    vehicle: VehicleFiles | None
    vehicle_name: str
    report: bool = False
    signals: bool = False
    limit_s: float = 600.0
    memory_MB: float | None = None
    refused: str = ""

    @property
    def key(self) -> str:
        """Of the recording: that of its only log, or a digest of those of all."""
        return recording_key([log.key for log in self.logs])


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a job: the records of each table, one in `rows`.

    page : where it was wanted; samples : of the mapped signals, a whole Parquet file, where they were wanted
    worn : whether its process should be replaced
    """

    job: Job
    tables: Mapping[str, Sequence[Record]]
    page: str = ""
    samples: bytes = b""
    worn: bool = False

    @property
    def row(self) -> Record:
        """The record in `rows`."""
        return self.tables[ROWS][0]


def recording_key(keys: Sequence[str]) -> str:
    """The key of a recording from those of its logs, in whatever order.

    >>> recording_key(["a"]), recording_key(["a", "b"]) == recording_key(["b", "a"])
    ('a', True)
    """
    return keys[0] if len(keys) == 1 else sha256(" ".join(sorted(keys)).encode()).hexdigest()


def base_row(job: Job) -> dict[str, object]:
    """What a row says before anything was read."""
    return {
        "key": job.key,
        "logs": [log.name for log in job.logs],
        "log_keys": [log.key for log in job.logs],
        "vehicle_file": "" if job.vehicle is None else job.vehicle.path,
        "date": min(log.modified for log in job.logs),
        "date_from": "file",
    }


def failed(job: Job, reason: str, status: str = FAILED) -> Outcome:
    """A recording that could not be checked costs its own row and nothing else."""
    return Outcome(job, {ROWS: [{**base_row(job), "status": status, "reason": reason}]})
