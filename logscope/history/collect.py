"""All logs of a project into a history, each checked once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from logscope.checks.measures import MEASURES
from logscope.errors import LogError, RequestError
from logscope.files import file_key
from logscope.history.cache import content_key, keep, kept
from logscope.history.rows import History, Note, Row, values_of
from logscope.history.trends import changes
from logscope.history.tuning import tuning_of
from logscope.result import Result
from logscope.vehicle import Vehicle

# What lies beside logs in a project's folder and is none.
_NO_LOGS = frozenset(
    {
        ".toml",
        ".dbc",
        ".kcd",
        ".sym",
        ".arxml",
        ".json",
        ".html",
        ".htm",
        ".md",
        ".pdf",
        ".png",
        ".jpg",
        ".parquet",
        ".py",
    }
)

CheckLog = Callable[[Path], Result]


def find_logs(places: Sequence[Path], notes: Path | None = None) -> list[Path]:
    """The logs named, and the files in the folders named that may be logs; the notes file is none."""
    logs: list[Path] = []
    for place in places:
        if not place.is_dir():
            logs.append(place)
            continue
        files = sorted(path for path in place.iterdir() if path.is_file() and not path.name.startswith("."))
        logs += [path for path in files if path.suffix.lower() not in _NO_LOGS]
    if notes is not None:
        logs = [log for log in logs if file_key(log) != file_key(notes)]
    if not logs:
        raise RequestError("no log in this folder", where=places[0], do="Name the folder that holds the logs.")
    return list({file_key(log): log for log in reversed(logs)}.values())[::-1]


def row_of(result: Result, vehicle: Vehicle, log: str, written: datetime) -> Row:
    """A checked log as one row; `written` is the date of its file."""
    start = result.capture.start_utc
    return Row(
        log=log,
        date=start or written,
        dated=start is not None,
        duration_s=result.capture.duration_s,
        values=values_of(result, vehicle, MEASURES),
        tuning=tuning_of(result),
        cautions=result.capture.account.cautions,
    )


def history_of(
    vehicle_name: str, rows: Iterable[Row], notes: Sequence[Note] = (), skipped: Iterable[tuple[str, str]] = ()
) -> History:
    """The rows of one vehicle in order of time, and what drifts over them."""
    ordered = tuple(sorted(rows, key=lambda row: row.date))
    found = changes(ordered, notes, MEASURES)
    return History(
        vehicle_name=vehicle_name,
        rows=ordered,
        notes=tuple(notes),
        skipped=tuple(skipped),
        titles={measure.name: measure.title for measure in MEASURES},
        drifts=found.drifts,
        levels=found.levels,
    )


def collect(
    logs: Iterable[Path],
    vehicle: Vehicle,
    check: CheckLog,
    notes: Sequence[Note] = (),
    folder: Path | None = None,
) -> History:
    """Check each log, or take what an earlier run kept of it.

    folder : where rows are kept; None keeps nothing
    """
    definitions = vehicle.files
    rows: list[Row] = []
    skipped: list[tuple[str, str]] = []
    for log in logs:
        try:
            rows.append(_row(log, vehicle, check, definitions, folder))
        except LogError as error:
            skipped.append((str(log), str(error)))
    if not rows:
        raise LogError("none of these logs can be read", where=skipped[0][0], do=skipped[0][1])
    return history_of(vehicle.vehicle.name, rows, notes, skipped)


def _row(log: Path, vehicle: Vehicle, check: CheckLog, definitions: Sequence[Path], folder: Path | None) -> Row:
    if not log.is_file():
        raise LogError("log not found", where=log, do="Check the path.")
    key = content_key(log, definitions) if folder is not None else ""
    if folder is not None and (row := kept(folder, key, log)) is not None:
        return row if row.dated else _row_dated_by_file(row, log)
    row = row_of(check(log), vehicle, str(log), _file_date(log))
    if folder is not None:
        keep(folder, key, row)
    return row


def _row_dated_by_file(row: Row, log: Path) -> Row:
    return replace(row, date=_file_date(log), dated=False)


def _file_date(log: Path) -> datetime:
    return datetime.fromtimestamp(log.stat().st_mtime, UTC)
