"""What the page of a shelf shows, read from its archive."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from logscope.findings import Measured, Severity
from logscope.history.cache import tuning_from
from logscope.history.collect import history_of
from logscope.history.rows import Note, Row
from logscope.history.tuning import Tuning
from logscope.shelf.archive import Archive
from logscope.shelf.job import CHECKED
from logscope.shelf.schema import ROWS, Record

if TYPE_CHECKING:
    from logscope.report.shelf_page import Shelf, ShelfLog

_GRAVE = (Severity.DANGER.value, Severity.WARNING.value)


def overview(archive: Archive, notes: Sequence[Note] = (), beside: Path | None = None) -> Shelf:
    """All recordings with what leads in each, and the history of each vehicle.

    beside : the folder of the page, from which the pages of the logs are linked; None links none
    """
    from logscope.report.shelf_page import Shelf

    records = archive.dataset(ROWS).to_table().to_pylist()
    values, troubles = _values(archive), _troubles(archive)
    logs = [_log(archive, each, values[each["key"]], troubles, beside) for each in records]
    by_vehicle: dict[str, list[Row]] = defaultdict(list)
    for record, log in zip(records, logs, strict=True):
        if record["status"] == CHECKED:
            by_vehicle[log.vehicle].append(log.row)
    histories = [history_of(name, rows, notes) for name, rows in sorted(by_vehicle.items())]
    return Shelf(tuple(logs), tuple(histories))


def _log(
    archive: Archive, record: Record, values: dict[str, Measured], troubles: dict[str, str], beside: Path | None
) -> ShelfLog:
    from logscope.report.shelf_page import FAILED, ShelfLog

    checked = record["status"] == CHECKED
    row = Row(
        log=record["logs"][0],
        date=record["date"],
        dated=bool(record["dated"]),
        duration_s=record["duration_s"] or 0.0,
        values=values,
        tuning=tuning_from(json.loads(record["tuning"])) if record["tuning"] else Tuning(),
        cautions=tuple(record["cautions"] or ()),
    )
    page = archive.report(record["key"])
    return ShelfLog(
        row=row,
        vehicle=record["vehicle"] or "without a vehicle file",
        severity=record["severity"] if checked else FAILED,
        trouble=troubles.get(record["key"], "") if checked else record["reason"],
        dangers=record["dangers"] or 0,
        warnings=record["warnings"] or 0,
        link=_relative(page, beside) if beside is not None and page.is_file() else "",
    )


def _relative(page: Path, folder: Path) -> str:
    try:
        return quote(Path(os.path.relpath(page, folder)).as_posix())
    except ValueError:  # on another drive of Windows
        return page.resolve().as_uri()


def _values(archive: Archive) -> dict[str, dict[str, Measured]]:
    """The measures of each whole recording, by its key."""
    from pyarrow import compute

    wanted = ["key", "name", "value", "unit", "low", "high"]
    found: dict[str, dict[str, Measured]] = defaultdict(dict)
    whole = compute.field("finding").is_null()
    for each in archive.dataset("measures").to_table(columns=wanted, filter=whole).to_pylist():
        found[each["key"]][each["name"]] = Measured(each["value"], each["unit"], each["low"], each["high"])
    return found


def _troubles(archive: Archive) -> dict[str, str]:
    """What leads in each recording: its first explanation, else its first grave finding."""
    from pyarrow import compute

    of: dict[str, str] = {}
    for severity in reversed(_GRAVE):
        grave = compute.field("severity") == severity
        found = archive.dataset("findings").to_table(columns=["key", "finding", "title"], filter=grave).to_pylist()
        of |= {each["key"]: each["title"] for each in sorted(found, key=lambda each: -each["finding"])}
    first = compute.field("explanation") == 0
    origins = archive.dataset("explanations").to_table(columns=["key", "title"], filter=first).to_pylist()
    return of | {each["key"]: each["title"] for each in origins if each["key"] in of}
