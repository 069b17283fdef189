"""All logs of a project in order: `trend`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from logscope.files import Paths, as_paths
from logscope.logs import loaded, open_logs
from logscope.tasks.common import Watch, unwatched

if TYPE_CHECKING:
    from logscope.history.rows import History
    from logscope.vehicle import Vehicle


def trend(
    places: Paths,
    vehicle: Vehicle | Path | str,
    *,
    notes: Path | str | None = None,
    fresh: bool = False,
    watch: Watch = unwatched,
) -> History:
    """Key measures over all logs of a project, one row a log, and what drifts from log to log.

    Parameters
    ----------
    places : path or paths
        Logs, or folders of logs.
    vehicle : Vehicle or path
        The vehicle file.
    notes : path, optional
        What was changed and when: CSV (`date,text`) or TOML.
    fresh : bool
        Check every log again and keep nothing. Otherwise rows are kept, by the content of the log, in the cache folder
        of the system, so that the next time is quick.
    watch : callable, optional
        Gets each opened capture and returns the one to read, for a display of progress.

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
    from logscope.history.cache import cache_folder
    from logscope.history.collect import collect, find_logs
    from logscope.history.notes import read_notes
    from logscope.pipeline import check

    known = loaded(vehicle)
    notes_path = None if notes is None else Path(notes)
    return collect(
        find_logs(as_paths(places), notes_path),
        known,
        lambda log: check(watch(open_logs([log], known)), known),
        () if notes_path is None else read_notes(notes_path),
        None if fresh else cache_folder(),
    )
