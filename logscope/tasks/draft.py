"""A first vehicle file from a log: `draft`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.files import Paths, as_paths
from logscope.logs import loaded, open_logs
from logscope.tasks.common import Watch, unwatched

if TYPE_CHECKING:
    from logscope.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class Draft:
    """A first vehicle file.

    Attributes
    ----------
    text : str
        The TOML; what is doubtful is commented out, each line with its reason.
    notes : tuple of str
        What of the logs and definitions could not be used.
    """

    text: str
    notes: tuple[str, ...]


def draft_vehicle(
    logs: Paths,
    definitions: Paths = (),
    *,
    out: Path | str = "vehicle.toml",
    name: str = "",
    like: Vehicle | Path | str | None = None,
    watch: Watch = unwatched,
) -> Draft:
    """Propose which signal plays which part, from names, units and behaviour. Nothing is written.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    definitions : path or paths
        DBC, KCD, SYM or ARXML files, and TOML files of serial consoles.
    out : path
        Where you will keep the vehicle file: definitions are named relative to it.
    name : str, optional
        Of the vehicle; without it the name of the file.
    like : Vehicle or path, optional
        A vehicle file whose definitions and columns are taken over.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    Draft

    Raises
    ------
    LogscopeError
        Where there are no definitions, or a log or definition cannot be used.

    Examples
    --------
    >>> import logscope
    >>> draft = logscope.draft_vehicle("sample_logs/hazel-healthy.log", "decoders/hazel.dbc", name="Hazel")
    >>> "InverterHv.DcLinkVoltage" in draft.text
    True
    """
    from logscope.draft.draft import draft_text, undrafted

    known = undrafted(as_paths(definitions), Path(out), name, None if like is None else loaded(like))
    return Draft(*draft_text(watch(open_logs(as_paths(logs), known)), known))
