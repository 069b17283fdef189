"""All logs of one vehicle in order: `trend`, a shelf whose archive lies in the system's cache."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from logscope.errors import LogError, RequestError
from logscope.files import Paths
from logscope.logs import loaded

if TYPE_CHECKING:
    from logscope.history.rows import History
    from logscope.report.shelf_page import Shelf
    from logscope.vehicle import Vehicle


def trend(
    places: Paths,
    vehicle: Vehicle | Path | str,
    *,
    notes: Path | str | None = None,
    fresh: bool = False,
    watch: Callable[[int, int], None] = lambda done, of: None,
) -> History:
    """Key measures over all logs of a vehicle, one row a log, and what drifts or steps from log to log.

    Parameters
    ----------
    places : path or paths
        Logs, or folders of logs.
    vehicle : Vehicle or path
        The vehicle file, or what was loaded from one.
    notes : path, optional
        What was changed and when: CSV (`date,text`) or TOML.
    fresh : bool
        Check every log again and keep nothing. Otherwise results are kept, by the content of the log, in the cache
        folder of the system, so that the next time is quick.
    watch : callable, optional
        Gets how many logs are done, and of how many.

    Returns
    -------
    History
        `rows` in order of time with `values` by measure, `drifts`, and logs `skipped` with the reason.

    Raises
    ------
    LogscopeError
        Where the vehicle file or the notes cannot be used, or no log can be read.

    Examples
    --------
    >>> import logscope
    >>> history = logscope.trend("sample_logs/hazel-healthy.log", "decoders/hazel.toml", fresh=True)
    >>> [Path(row.log).name for row in history.rows]
    ['hazel-healthy.log']
    """
    return trend_shelf(places, vehicle, notes=notes, fresh=fresh, watch=watch).histories[0]


def trend_shelf(
    places: Paths,
    vehicle: Vehicle | Path | str,
    *,
    notes: Path | str | None = None,
    fresh: bool = False,
    watch: Callable[[int, int], None] = lambda done, of: None,
) -> Shelf:
    """The same as a shelf of one vehicle, for its page."""
    from logscope.history.notes import read_notes
    from logscope.shelf.overview import overview
    from logscope.tasks.archive import fill_archive

    path = loaded(vehicle).path
    if path is None:
        raise RequestError("these logs need a vehicle file", do="Write it to a file, and name that.")
    known_notes = () if notes is None else read_notes(Path(notes))
    with ExitStack() as stack:
        kept = Path(stack.enter_context(TemporaryDirectory(prefix="logscope-"))) / "archive" if fresh else _kept(path)
        archive, tally = fill_archive(places, kept, path, notes=notes, watch=watch)
        shelf = overview(archive, known_notes, keys=tally.keys)
    if not tally.found:
        raise RequestError("no log in this folder", where=str(places), do="Name the folder that holds the logs.")
    if not shelf.histories:
        raise LogError("none of these logs can be read", where=shelf.logs[0].row.log, do=shelf.logs[0].trouble)
    return shelf


def _kept(vehicle: Path) -> Path:
    """The archive of a vehicle in the cache; one a version of archives, for those of others cannot be added to."""
    from logscope.shelf.keys import cache_folder
    from logscope.shelf.schema import VERSION

    return cache_folder() / f"trend-{VERSION}" / sha256(str(vehicle.resolve()).encode()).hexdigest()[:16]
