"""A shelf of logs into an archive: `shelf`."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.errors import RequestError
from logscope.files import Paths
from logscope.logs import loaded

if TYPE_CHECKING:
    from logscope.shelf.archive import Archive
    from logscope.shelf.fill import Tally


def fill_archive(
    places: Paths,
    out: Path | str,
    vehicle: Path | str | None = None,
    *,
    notes: Path | str | None = None,
    pages: bool = False,
    signals: bool = False,
    again: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    performance: Path | str | None = None,
    limit_s: float = 600.0,
    memory_MB: float | None = None,
    watch: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[Archive, Tally]:
    """Check all logs of many drives, each in a process of its own, and keep the results as Parquet.

    Parameters
    ----------
    places : path or paths
        Folders of logs, logs, or URLs that fsspec reads.
    out : path
        The folder of the archive: a new or empty one, or that of an earlier run, which is brought up to date.
    vehicle : path, optional
        The vehicle file of all logs. Without it, each takes the nearest `vehicle.toml` in its folder or above.
    notes : path, optional
        The file of what was changed, which is no log where it lies among them.
    pages : bool
        Also write the report of each log into the archive.
    signals : bool
        Also keep the mapped signals, for `Archive.samples`.
    again : bool
        Check again what failed before.
    workers : int, optional
        Logs at a time on this machine; all its cores if not given.
    scheduler : str, optional
        Address of a running Dask scheduler, on whose workers the logs are checked instead.
    performance : path, optional
        Where Dask writes a page on how the scheduler and its workers spent their time.
    limit_s : float
        After this time [s] the check of a log is stopped.
    memory_MB : float, optional
        What the check of one log may use (on Linux); the machine's memory over the workers if not given.
    watch : callable, optional
        Gets how many logs are done, and of how many.

    Returns
    -------
    tuple of Archive and Tally
        The archive, and how many logs were found, kept, checked and failed.

    Raises
    ------
    LogscopeError
        Where a place does not exist, the folder is no archive, no scheduler answers, or the disk is full. A log that
        cannot be checked is no error: its row says why.

    Examples
    --------
    >>> import logscope
    >>> archive, tally = logscope.fill_archive("logs", "archive")  # doctest: +SKIP
    >>> archive.rows().groupby("severity").size()  # doctest: +SKIP
    """
    from logscope.shelf.archive import open_or_create
    from logscope.shelf.cluster import connected, on_cluster
    from logscope.shelf.engine import memory_share, on_this_machine
    from logscope.shelf.fill import Wishes, fill
    from logscope.shelf.find import Search
    from logscope.shelf.places import name_of

    if performance is not None and scheduler is None:
        raise RequestError("a performance report needs a cluster", do="Name its scheduler with --scheduler.")
    names = [name_of(place) for place in ([places] if isinstance(places, str | Path) else places)]
    search = Search(None if vehicle is None else Path(vehicle), None if notes is None else Path(notes))
    if search.vehicle is not None:
        loaded(search.vehicle)
    archive = open_or_create(Path(out))
    crew = workers or os.cpu_count() or 1
    if scheduler is not None:
        wishes = Wishes(pages, signals, again, limit_s, memory_MB, portable=True)
        with connected(scheduler, None if performance is None else Path(performance)) as client:
            return archive, fill(archive, search, names, lambda jobs: on_cluster(jobs, client), wishes, watch)
    wishes = Wishes(pages, signals, again, limit_s, memory_MB or memory_share(crew))
    return archive, fill(archive, search, names, lambda jobs: on_this_machine(jobs, crew), wishes, watch)
