"""Jobs, rows and archives made by hand, without a check."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
from pyarrow import dataset

from logscope.shelf.archive import Archive, open_or_create
from logscope.shelf.job import Job, Log, Outcome, VehicleFiles
from logscope.shelf.schema import Record, arrow_schema

START = datetime(2026, 3, 1, 9, tzinfo=UTC)


def log(name: str = "a.log", key: str = "", days: float = 0.0, size: int = 10) -> Log:
    """A file that was written so many days after the first of March."""
    return Log(name, key or name.removesuffix(".log"), size, START + timedelta(days=days))


def job(*logs: Log, vehicle: str = "Hazel", **more) -> Job:  # type: ignore[no-untyped-def]
    """A recording of these logs, or of one."""
    return Job(logs or (log(),), VehicleFiles("hazel.toml"), vehicle, **more)


def row(key: str, days: float = 0.0, **more: object) -> Record:
    """A checked recording of one log."""
    return {
        "key": key, "logs": [f"drives/{key}.log"], "log_keys": [key], "vehicle_file": "hazel.toml",
        "status": "checked", "date": START + timedelta(days=days), "date_from": "log", "duration_s": 60.0,
        "severity": "good", "content": key, "identifiers": [1, 2], "mapping": "m1", "checks": "c1",
    } | more  # fmt: skip


def outcome(
    record: Record, vehicle: str = "Hazel", page: str = "", samples: bytes = b"", **tables: Sequence[Record]
) -> Outcome:
    """What came of a job that has this row."""
    made = job(*(log(name, key) for name, key in zip(record["logs"], record["log_keys"], strict=True)), vehicle=vehicle)
    return Outcome(made, {**tables, "rows": [record]}, page, samples)


def archive_of(folder: Path, *outcomes: Outcome) -> Archive:
    """An archive that holds them."""
    archive = open_or_create(folder)
    for each in outcomes:
        archive.put(each)
    return archive


class InMemory:
    """An archive for those who read it: tables without files, and pages of the recordings that have one."""

    def __init__(self, folder: Path, *outcomes: Outcome) -> None:
        self._folder, self._outcomes = folder, outcomes

    def dataset(self, table: str) -> Any:
        """As `Archive.dataset`."""
        records = [
            {**record, "vehicle": each.job.vehicle_name or None}
            for each in self._outcomes
            for record in each.tables.get(table, ())
        ]
        schema = arrow_schema(table).append(pa.field("vehicle", pa.string()))
        return dataset.dataset(pa.Table.from_pylist(records, schema=schema))

    def report(self, key: str) -> Path:
        """As `Archive.report`; the page is written where the outcome has one."""
        path = self._folder / "_reports" / f"{key}.html"
        if any(each.page and each.job.key == key for each in self._outcomes):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text("page", encoding="utf-8")
        return path
