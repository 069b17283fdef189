"""What is in a log: `inventory`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.files import Paths, as_paths
from logscope.logs import loaded, open_logs
from logscope.tasks.common import Watch, unwatched

if TYPE_CHECKING:
    from logscope.inventory.collect import Inventory
    from logscope.vehicle import Vehicle


def take_inventory(
    logs: Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    bit_rate: int | Mapping[str | None, int] | None = None,
    watch: Watch = unwatched,
) -> Inventory:
    """List what is in a log: buses with their load, identifiers with their periods, lengths and changing bytes.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    vehicle : Vehicle or path, optional
        Names the definitions by bus, and the columns of delimited logs.
    definitions : path or paths, optional
        Definition files for every bus, beside or instead of those of the vehicle.
    bit_rate : int or mapping, optional
        Of every bus [bit/s], or by the name of the bus; without it, what the vehicle file states or the spacing of
        frames shows.
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    Inventory
        `buses`, `messages`, names that are defined but `unseen`, and what of the definitions was `skipped`.

    Raises
    ------
    LogscopeError
        Where a log, the vehicle file or a definition cannot be used.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.take_inventory("sample_logs/hazel-healthy.log", definitions="decoders/hazel.dbc")
    >>> [bus.name for bus in found.buses], found.messages[0].name
    (['can0', 'can1'], 'InverterMotion')
    """
    from logscope.decoded import read_definitions
    from logscope.inventory.collect import count_frames

    known = None if vehicle is None else loaded(vehicle)
    pairs, skipped = read_definitions(known, definitions)
    blocks = watch(open_logs(as_paths(logs), known, joint=False)).blocks
    return replace(count_frames(blocks, pairs, {} if known is None else known.bit_rates, bit_rate), skipped=skipped)
