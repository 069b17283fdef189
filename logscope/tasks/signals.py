"""Every signal of a log in figures: `signals`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.frames import Account
from logscope.files import Paths, as_paths
from logscope.logs import open_logs
from logscope.tasks.common import Watch, defining, unwatched

if TYPE_CHECKING:
    from logscope.survey.collect import SignalRow
    from logscope.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class SignalList:
    """Every signal of a log.

    Attributes
    ----------
    rows : tuple of SignalRow
        Samples, period, lowest, highest and last value, and the part that each resembles.
    duration_s : float
        The length of the log [s].
    account : Account
        What the log held.
    notes : tuple of str
        What of the log and the definitions could not be used.
    """

    rows: tuple[SignalRow, ...]
    duration_s: float
    account: Account
    notes: tuple[str, ...]


def list_signals(
    logs: Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    watch: Watch = unwatched,
) -> SignalList:
    """Every signal that a log holds, in figures, with the part of a drive system that it resembles.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    vehicle : Vehicle or path, optional
        Names the definitions by bus, and the columns of delimited logs.
    definitions : path or paths, optional
        DBC, KCD, SYM or ARXML files, and TOML files of serial consoles.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    SignalList

    Raises
    ------
    LogscopeError
        Where there are no definitions, or a log or definition cannot be used.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.list_signals("sample_logs/hazel-healthy.log", definitions="decoders/hazel.dbc")
    >>> next(row.resembles for row in found.rows if row.name == "InverterHv.DcLinkVoltage")
    'dc_link_voltage'
    """
    from logscope.decoded import decode_tables
    from logscope.survey.collect import survey

    known = defining(vehicle, definitions)
    decoded = decode_tables(watch(open_logs(as_paths(logs), known)), known)
    return SignalList(survey(decoded), decoded.seconds(decoded.end_ns), decoded.account, decoded.notes)
