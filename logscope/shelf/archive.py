"""The archive: a folder of Parquet files that pandas, DuckDB or polars open directly.

    ARCHIVE/rows/vehicle=Hazel/month=2026-03/<key>.parquet      and likewise findings, explanations, measures, samples

One file a recording and table, named by its key: what is written twice is written over, so nothing is doubled. Each
file is written under another name, put on the disk and renamed; `rows` comes last and is removed first. A run that is
killed at any moment leaves whole files, and at most some without a row, which the next run removes. Two runs at
once would remove what the other writes, so that a run holds a lock (`lock`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from logscope import __version__
from logscope.errors import RequestError
from logscope.files import create_folder, write_bytes, write_file, write_text
from logscope.shelf.job import Outcome
from logscope.shelf.schema import ROWS, SAMPLES, TABLES, VERSION, Record, arrow_schema, arrow_table

if TYPE_CHECKING:
    import pandas as pd
    from pyarrow.dataset import Dataset

MARK = "_logscope.json"  # readers of data sets pass over what begins with _ or a full stop
REPORTS = "_reports"
_UNFINISHED = ".logscope-"  # how `files.write_file` names what is not yet whole
_NO_VEHICLE = "__HIVE_DEFAULT_PARTITION__"  # how partitioned data sets say that there is no value
_PARTITIONS = ("vehicle", "month")


@dataclass(frozen=True, slots=True)
class Archive:
    """The folder of an archive that exists; its tables as DataFrames.

    Examples
    --------
    >>> import logscope
    >>> archive = logscope.open_archive("archive")  # doctest: +SKIP
    >>> rows = archive.rows()  # doctest: +SKIP
    >>> rows[rows.severity == "danger"][["vehicle", "date", "headline"]]  # doctest: +SKIP
    """

    folder: Path

    def rows(self) -> pd.DataFrame:
        """One row a recording: its logs, vehicle, date, verdict and account, or why it could not be checked.

        Returns
        -------
        pandas.DataFrame
            Columns as in `logscope.shelf.schema.TABLES`, with `vehicle` and `month`; shape (recordings, columns).
        """
        return self._frame(ROWS)

    def findings(self) -> pd.DataFrame:
        """One row a finding, which `key` relates to its recording; see `rows`."""
        return self._frame("findings")

    def explanations(self) -> pd.DataFrame:
        """One row an origin of findings; see `rows`."""
        return self._frame("explanations")

    def measures(self) -> pd.DataFrame:
        """One row a measured value with its 95 % limits in `unit`; those without `finding` are of a whole recording."""
        return self._frame("measures")

    def samples(
        self, keys: str | Iterable[str] | None = None, parts: str | Iterable[str] | None = None
    ) -> pd.DataFrame:
        """The mapped signals, one row a sample, of recordings that were checked with `signals`.

        Parameters
        ----------
        keys : str or iterable of str, optional
            Of the recordings, as in `rows`; no other file is read. All if not given.
        parts : str or iterable of str, optional
            "motor_speed" …; no other part is read. All if not given.

        Returns
        -------
        pandas.DataFrame
            Columns as in `logscope.shelf.schema.TABLES`, with `vehicle` and `month`; in order of time within a part.

        Raises
        ------
        RequestError
            Where the archive has no such recording, or keeps the signals of none of them.

        Examples
        --------
        >>> import logscope
        >>> archive = logscope.open_archive("archive")  # doctest: +SKIP
        >>> rows = archive.rows()  # doctest: +SKIP
        >>> archive.samples(rows.key[rows.dangers > 0], "motor_speed")  # doctest: +SKIP
        """
        from pyarrow import compute

        rows = {row["key"]: row for row in self.known()}
        chosen = rows if keys is None else dict.fromkeys([keys] if isinstance(keys, str) else keys)
        if unknown := next((key for key in chosen if key not in rows), None):
            raise RequestError(f"this archive has no recording “{unknown}”", where=self.folder, do="`rows` lists them.")
        files = [file for key in chosen if (file := self.samples_file(rows[key])).is_file()]
        if not files:
            what = "this archive keeps no signals of these recordings"
            raise RequestError(what, where=self.folder, do="Fill it with `logscope shelf --signals`.")
        names = None if parts is None else [parts] if isinstance(parts, str) else list(parts)
        only = None if names is None else compute.field("part").isin(names)
        return self._dataset(SAMPLES, files).to_table(filter=only).to_pandas()

    def _frame(self, table: str) -> pd.DataFrame:
        found = self.dataset(table).to_table()
        if table != ROWS:  # what a killed run left without a row does not count
            import pyarrow.compute as pc

            finished = self.dataset(ROWS).to_table(columns=["key"])["key"]
            found = found.filter(pc.is_in(found["key"], value_set=finished.combine_chunks()))
        return found.to_pandas()

    def dataset(self, table: str) -> Dataset:
        """A table as a data set of pyarrow, to read parts of it."""
        place = self.folder / table
        place.mkdir(exist_ok=True)
        return self._dataset(table, place)

    def _dataset(self, table: str, source: Path | list[Path]) -> Dataset:
        import pyarrow as pa
        from pyarrow import dataset

        fields = [*arrow_schema(table), *(pa.field(name, pa.string()) for name in _PARTITIONS)]
        return dataset.dataset(
            source,
            schema=pa.schema(fields),
            format="parquet",
            partitioning="hive",
            partition_base_dir=(self.folder / table).as_posix(),
        )

    def known(self) -> list[Record]:
        """Of each recording what says whether it is done: `key log_keys logs status` and where its row stands."""
        columns = ["key", "log_keys", "logs", "status", "date", "date_from", "duration_s", "frames", "content",
                   "vehicle_file", *_PARTITIONS]  # fmt: skip
        return list(self.dataset(ROWS).to_table(columns=columns).to_pylist())

    def put(self, outcome: Outcome) -> None:
        """Keep what came of a recording; the row last. Raises RequestError where the disk takes no more."""
        from pyarrow import parquet

        vehicle, row = outcome.job.vehicle_name, outcome.row
        if outcome.page:
            create_folder(self.folder / REPORTS)
            write_text(self.report(outcome.job.key), outcome.page)
        if outcome.samples:
            file = self._file(SAMPLES, vehicle, row)
            create_folder(file.parent)
            write_bytes(file, outcome.samples)
        for table in TABLES:
            if records := outcome.tables.get(table):
                file = self._file(table, vehicle, row)
                create_folder(file.parent)
                write_file(file, partial(parquet.write_table, arrow_table(table, records)))

    def report(self, key: str) -> Path:
        """Where the page of a recording stands, or would."""
        return self.folder / REPORTS / f"{key}.html"

    def samples_file(self, row: Record) -> Path:
        """Where the mapped signals of a recording stand, or would; `row` is one of `known`."""
        return self._file(SAMPLES, row["vehicle"], row)

    def remove(self, key: str) -> None:
        """Remove a recording, its row first."""
        for table in reversed(tuple(TABLES)):
            for file in (self.folder / table).rglob(f"{key}.parquet"):
                file.unlink(missing_ok=True)
        self.report(key).unlink(missing_ok=True)

    def rename(self, row: Record, logs: Sequence[str]) -> None:
        """Have the row of a recording name its logs as they are called now."""
        import pyarrow as pa
        from pyarrow import parquet

        file = self._file(ROWS, row["vehicle"], row)
        former = parquet.read_table(file, partitioning=None)
        column = pa.array([list(logs)], arrow_schema(ROWS).field("logs").type)
        content = former.set_column(former.column_names.index("logs"), arrow_schema(ROWS).field("logs"), column)
        write_file(file, partial(parquet.write_table, content))

    def clear_unfinished(self) -> None:
        """Remove what a killed run left: files under other names, and those of recordings without a row."""
        finished = {file.stem for file in self._files(ROWS)}
        for table in TABLES:
            for file in list(self._files(table)):
                if file.name.startswith(_UNFINISHED) or file.stem not in finished:
                    file.unlink(missing_ok=True)

    def _file(self, table: str, vehicle: str | None, row: Record) -> Path:
        name = quote(vehicle, safe=" ") if vehicle else _NO_VEHICLE
        name = name.replace(".", "%2E")  # a full stop at the end of a name is none on Windows
        return self.folder / table / f"vehicle={name}" / f"month={row['date']:%Y-%m}" / f"{row['key']}.parquet"

    def _files(self, table: str) -> Iterator[Path]:
        return (self.folder / table).rglob("*.parquet")


def is_archive(folder: Path) -> bool:
    """Whether a folder is an archive of logscope."""
    return (folder / MARK).is_file()


def open_archive(path: Path | str) -> Archive:
    """Open an archive that `logscope shelf` wrote.

    Parameters
    ----------
    path : path
        Its folder.

    Returns
    -------
    Archive
        `rows()`, `findings()`, `explanations()`, `measures()` and `samples()` are pandas DataFrames.

    Raises
    ------
    RequestError
        Where the folder is no archive, or one of another version.
    """
    folder = Path(path)
    if not is_archive(folder):
        raise RequestError("this is no archive of logs", where=folder, do="`logscope shelf` makes one.")
    try:
        version = json.loads((folder / MARK).read_text(encoding="utf-8"))["archive"]
    except (OSError, ValueError, KeyError, TypeError):
        version = None
    if version != VERSION:
        raise RequestError("this archive is of another version of logscope", where=folder, do="Name a new folder.")
    return Archive(folder)


def open_or_create(folder: Path) -> Archive:
    """The archive in a folder, a new one where it is new or empty. Raises RequestError where it holds other files."""
    if not is_archive(folder):
        if folder.is_dir() and any(folder.iterdir()):
            raise RequestError(
                "this folder holds files that are of no archive", where=folder, do="Name a new or an empty folder."
            )
        create_folder(folder)
        fields = {"schema": 1, "logscope": __version__, "archive": VERSION}
        write_text(folder / MARK, json.dumps(fields) + "\n")
    return open_archive(folder)
