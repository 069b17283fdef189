"""What the page of a shelf shows, read from its archive."""

from __future__ import annotations

import json
import os
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from logscope.checks.measures import MEASURES
from logscope.findings import Measured, Severity
from logscope.history.history import history_of
from logscope.history.rows import CHECKS, MAPPING, History, Note, Row
from logscope.history.sisters import differences
from logscope.history.tuning import Tuning, tuning_from
from logscope.shelf.alike import kinds_by_identifiers, twins
from logscope.shelf.archive import Archive
from logscope.shelf.job import CHECKED
from logscope.shelf.schema import ROWS, Record

if TYPE_CHECKING:
    from logscope.report.shelf_page import Shelf, ShelfLog

_GRAVE = (Severity.DANGER.value, Severity.WARNING.value)
_NO_VEHICLE = "without a vehicle file"
IDENTIFIERS = "the identifiers on its buses"


@dataclass(frozen=True, slots=True)
class _Read:
    """What an archive holds of each recording, by its key."""

    values: Mapping[str, Mapping[str, Measured]]
    periods_s: Mapping[str, Mapping[str, float]]
    troubles: Mapping[str, str]


def overview(
    archive: Archive,
    notes: Sequence[Note] = (),
    beside: Path | None = None,
    keys: Collection[str] | None = None,
) -> Shelf:
    """All recordings with what leads in each, the history of each vehicle, and which vehicles differ.

    beside : the folder of the page, from which the pages of the logs are linked; None links none
    keys : of the recordings to show; None shows all
    """
    from logscope.report.shelf_page import Shelf

    records = [each for each in archive.dataset(ROWS).to_table().to_pylist() if keys is None or each["key"] in keys]
    read = _Read(*_measures(archive), _troubles(archive))
    kinds = _kinds(records)
    passed_over = twins(records)
    logs = [_log(archive, each, read, kinds, passed_over, beside) for each in records]
    by_vehicle: dict[str, list[tuple[Record, ShelfLog]]] = defaultdict(list)
    for record, log in zip(records, logs, strict=True):
        by_vehicle[log.vehicle].append((record, log))
    histories = [_history(name, of, notes, passed_over) for name, of in sorted(by_vehicle.items())]
    shown = tuple(each for each in histories if each.rows)
    mixed = {name: _mixed(of, kinds) for name, of in by_vehicle.items()}
    return Shelf(tuple(logs), shown, differences(shown, MEASURES), {name: each for name, each in mixed.items() if each})


def _history(
    name: str, of: Sequence[tuple[Record, ShelfLog]], notes: Sequence[Note], passed_over: Mapping[str, Record]
) -> History:
    rows = [log.row for record, log in of if record["status"] == CHECKED and record["key"] not in passed_over]
    lost = [(log.row.log, log.trouble) for record, log in of if record["status"] != CHECKED]
    return history_of(name, rows, notes, lost)


def _kinds(records: Sequence[Record]) -> dict[str, int]:
    """The kind of each recording among those of its vehicle."""
    of: dict[str | None, dict[str, Sequence[int]]] = defaultdict(dict)
    for each in records:
        of[each["vehicle"]][each["key"]] = each["identifiers"] or ()
    return {key: kind for held in of.values() for key, kind in kinds_by_identifiers(held).items()}


def _mixed(of: Sequence[tuple[Record, ShelfLog]], kinds: Mapping[str, int]) -> tuple[int, ...]:
    """How many logs are of each kind, where there are several."""
    own = [kinds[record["key"]] for record, _ in of if record["status"] == CHECKED]
    counts = tuple(own.count(kind) for kind in sorted(set(own)))
    return counts if len(counts) > 1 else ()


def _log(
    archive: Archive,
    record: Record,
    read: _Read,
    kinds: Mapping[str, int],
    passed_over: Mapping[str, Record],
    beside: Path | None,
) -> ShelfLog:
    from logscope.report.shelf_page import FAILED, ShelfLog

    key, checked = record["key"], record["status"] == CHECKED
    made_with = {MAPPING: record["mapping"], CHECKS: record["checks"], IDENTIFIERS: str(kinds[key])}
    row = Row(
        log=record["logs"][0],
        date=record["date"],
        dated=record["date_from"] == "log",
        duration_s=record["duration_s"] or 0.0,
        values=read.values.get(key, {}),
        tuning=tuning_from(json.loads(record["tuning"])) if record["tuning"] else Tuning(),
        cautions=tuple(record["cautions"] or ()),
        date_named=record["date_from"] == "name",
        periods_s=read.periods_s.get(key, {}),
        made_with=made_with if checked else {},
    )
    page = archive.report(key)
    return ShelfLog(
        row=row,
        vehicle=record["vehicle"] or _NO_VEHICLE,
        severity=record["severity"] if checked else FAILED,
        trouble=read.troubles.get(key, "") if checked else record["reason"],
        dangers=record["dangers"] or 0,
        warnings=record["warnings"] or 0,
        link=_relative(page, beside) if beside is not None and page.is_file() else "",
        same_as=Path(passed_over[key]["logs"][0]).name if key in passed_over else "",
    )


def _relative(page: Path, folder: Path) -> str:
    try:
        return quote(Path(os.path.relpath(page, folder)).as_posix())
    except ValueError:  # on another drive of Windows
        return page.resolve().as_uri()


def _measures(archive: Archive) -> tuple[dict[str, dict[str, Measured]], dict[str, dict[str, float]]]:
    """The measures of each whole recording and the sampling periods behind them [s], by its key."""
    from pyarrow import compute

    wanted = ["key", "name", "value", "unit", "low", "high", "period_s"]
    values: dict[str, dict[str, Measured]] = defaultdict(dict)
    periods: dict[str, dict[str, float]] = defaultdict(dict)
    whole = compute.field("finding").is_null()
    for each in archive.dataset("measures").to_table(columns=wanted, filter=whole).to_pylist():
        values[each["key"]][each["name"]] = Measured(each["value"], each["unit"], each["low"], each["high"])
        if each["period_s"] is not None:
            periods[each["key"]][each["name"]] = each["period_s"]
    return values, periods


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
