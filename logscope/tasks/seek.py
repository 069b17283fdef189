"""Fields that no definition names: `seek`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.files import Paths, as_paths
from logscope.logs import loaded, open_logs
from logscope.tasks.common import Watch, unwatched

if TYPE_CHECKING:
    from logscope.arrays import FloatArray
    from logscope.seeking.hits import Found
    from logscope.vehicle import Vehicle


def seek(
    logs: Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    like: str = "",
    like_log: str = "",
    at: Sequence[float] = (),
    within_s: float = 1.0,
    watch: Watch = unwatched,
) -> Found:
    """Find fields that have no definition by how they behave.

    Parameters
    ----------
    logs : path or paths
        The log files of one recording.
    vehicle : Vehicle or path, optional
        Names the definitions by bus; the parts that it maps serve as references.
    definitions : path or paths, optional
        Definition files for every bus. The bits that any definition names are left out of the search.
    like : str, optional
        A part to find (`logscope.PARTS`).
    like_log : str, optional
        "other.csv:column": a series to find. Its clock may be another one.
    at : sequence of float, optional
        Moments at which you switched something [s from the capture's start].
    within_s : float
        How exact these moments are [s].
    watch : callable, optional
        Gets the opened capture and returns the one to read, for a display of progress.

    Returns
    -------
    Found
        `hits`, the best first, each with `score` (0 to 1), `false_positive_rate`, `reasons` and `dbc_line`; those that
        are more than chance are `standing_out`. Without a wish every identifier is divided into fields.

    Raises
    ------
    LogscopeError
        Where a log, the vehicle file or a definition cannot be used, or the part is one that cannot be sought.

    Examples
    --------
    >>> import logscope
    >>> found = logscope.seek("sample_logs/hazel-healthy.log", like="dc_link_voltage")
    >>> found.hits[0].candidate.name
    'can0 0x0A5 3|12@0+'
    """
    from logscope.decoded import read_definitions
    from logscope.seeking.gather import gather
    from logscope.seeking.search_log import refuse, search_log

    refuse(like, like_log, at)
    known = None if vehicle is None else loaded(vehicle)
    pairs, skipped = read_definitions(known, definitions)
    streams, start_ns = gather(watch(open_logs(as_paths(logs), known)).blocks)
    parts = {} if known is None or not known.signals else _known_parts(as_paths(logs), known, start_ns)
    found = search_log(streams, pairs, parts, like=like, like_log=like_log, at=at, within_s=within_s)
    return replace(found, left_out=tuple(f"{place.where}: {place.text}: {place.reason}" for place in skipped))


def _known_parts(logs: Sequence[Path], vehicle: Vehicle, start_ns: int) -> dict[str, tuple[FloatArray, FloatArray]]:
    """The quantities that a vehicle file maps: times [s] from a stamp [ns], and values in the parts' units."""
    from logscope.decoded import decode_capture, mapped_bindings
    from logscope.decoding.tables import Decoder
    from logscope.definitions.load import vehicle_definitions
    from logscope.mapping import build_signals
    from logscope.parts import PARTS, Role

    definitions, skipped = vehicle_definitions(vehicle)
    bindings, _ = mapped_bindings(vehicle, definitions, skipped)
    bindings = [each for each in bindings if each.part in PARTS and PARTS[each.part].role is Role.QUANTITY]
    decoded = decode_capture(open_logs(logs, vehicle), Decoder(definitions, wanted={each.wanted for each in bindings}))
    signals = build_signals(vehicle, bindings, decoded.tables, decoded.seconds(decoded.end_ns))
    later_s = (decoded.start_ns - start_ns) / 1e9
    return {name: (part.time_s + later_s, part.value) for name, part in signals.parts.items()}
