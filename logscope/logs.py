"""The logs of one recording or of several, opened by their paths and brought onto one clock; and decoded as tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.capture.frames import DATES_FROM_NS
from logscope.capture.open import Capture, stream
from logscope.decoded import decode_capture, decode_tables, mapped_bindings
from logscope.decoding.tables import Decoder
from logscope.definitions.load import vehicle_consoles, vehicle_definitions
from logscope.errors import VehicleError
from logscope.files import Paths, as_paths, refuse_repeated

if TYPE_CHECKING:
    import pandas as pd

    from logscope.capture.columns import ColumnLayout
    from logscope.clocks import Joined, SeenLog
    from logscope.definitions.serial import SerialDefinition
    from logscope.vehicle import Vehicle


def read(*paths: Path | str, vehicle: Vehicle | Path | str | None = None, align: Sequence[float] = ()) -> Capture:
    """Read the logs of one recording into memory, to check or decode them more than once.

    Parameters
    ----------
    *paths : path
        The log files.
    vehicle : Vehicle or path, optional
        Names the columns of delimited logs and the formats of serial logs; CAN logs do without. With its signals, logs
        that have clocks of their own are brought onto one.
    align : sequence of float, optional
        The same by hand: for each log after the first, from the first log's start to its own [s].

    Returns
    -------
    Capture

    Raises
    ------
    LogError
        Where a log cannot be opened or is in no known format, or clocks differ and nothing relates them.

    Examples
    --------
    >>> import logscope
    >>> capture = logscope.read("sample_logs/hazel-healthy.log")
    >>> capture.account.lines_bad, len(capture.frames)
    (0, 22680)
    """
    return open_logs(paths, None if vehicle is None else loaded(vehicle), align).in_memory()


def open_runs(paths: Sequence[Path | str], vehicle: Vehicle) -> list[Capture]:
    """The logs of several runs, one capture a run: logs of one recording are found by their dates or signals."""
    from logscope.clocks import by_recording

    refuse_repeated(paths)
    if len(paths) == 1:
        return [open_logs(paths, vehicle)]
    layout, consoles = formats_of(vehicle)
    seen = [_seen(path, stream([path], layout, consoles), vehicle) for path in paths]
    return [open_logs([log.file for log in run], vehicle) for run in by_recording(seen)]


def open_logs(
    paths: Sequence[Path | str],
    vehicle: Vehicle | None = None,
    align: Sequence[float] = (),
    *,
    joint: bool = True,
) -> Capture:
    """The same without reading the frames yet: they pass block by block, once.

    joint : whether logs are brought onto one clock, for which each is read once more
    """
    refuse_repeated(paths)
    layout, consoles = formats_of(vehicle)
    joined: Sequence[Joined | None] = [None] * len(paths)
    if align or (joint and len(paths) > 1 and vehicle is not None and vehicle.signals):
        from logscope.clocks import by_hand, by_signals

        seen = [_seen(path, stream([path], layout, consoles), vehicle) for path in paths]
        joined = by_hand(seen, align) if align else by_signals(seen)
    capture = stream(paths, layout, consoles, [None if one is None else one.shift for one in joined])
    return replace(capture, clocks=tuple(one.clock for one in joined if one is not None))


def decode(
    logs: Capture | Paths,
    vehicle: Vehicle | Path | str | None = None,
    definitions: Paths = (),
    *,
    labels: bool = False,
) -> Mapping[str, pd.DataFrame]:
    """All defined messages of the logs as tables, every sample at its own time.

    Parameters
    ----------
    logs : path, paths or Capture
        The log files of one recording, or what `read` gave.
    vehicle : Vehicle or path, optional
        Names the definitions by bus.
    definitions : path or paths, optional
        Definition files for every bus, beside or instead of those of the vehicle.
    labels : bool
        Enumerations as texts.

    Returns
    -------
    mapping of str to pandas.DataFrame
        By message name. Index `time_s` [s] from the capture's start; one column a signal, NaN where a frame does not
        hold it; `attrs["units"]` by signal.

    Raises
    ------
    LogscopeError
        Where the vehicle file, the definitions or the logs cannot be used.

    Examples
    --------
    >>> import logscope
    >>> tables = logscope.decode("sample_logs/hazel-healthy.log", definitions="decoders/hazel.dbc")
    >>> tables["InverterHv"].attrs["units"]["DcLinkVoltage"]
    'V'
    """
    known = None if vehicle is None else loaded(vehicle)
    tables = decode_tables(opened(logs, known), known, definitions).tables
    return {name: table.to_dataframe(labels=labels) for name, table in tables.items()}


def loaded(vehicle: Vehicle | Path | str) -> Vehicle:
    """A vehicle as it is, or read from its file."""
    from logscope.vehicle import load_vehicle

    return load_vehicle(vehicle) if isinstance(vehicle, str | Path) else vehicle


def opened(logs: Capture | Paths, vehicle: Vehicle | None) -> Capture:
    """A capture as it is, or opened by its paths."""
    return logs if isinstance(logs, Capture) else open_logs(as_paths(logs), vehicle)


def runs_of(side: Capture | Sequence[Capture] | Paths, vehicle: Vehicle) -> tuple[Capture, ...]:
    """One side of a comparison as captures, one a run."""
    if isinstance(side, Capture):
        return (side,)
    several = [side] if isinstance(side, str | Path) else list(side)
    captures = tuple(each for each in several if isinstance(each, Capture))
    paths = [Path(each) for each in several if not isinstance(each, Capture)]
    return (*captures, *(open_runs(paths, vehicle) if paths else ()))


def formats_of(vehicle: Vehicle | None) -> tuple[ColumnLayout | None, Sequence[SerialDefinition]]:
    """What a vehicle file says of its logs: the columns of delimited ones, and the consoles."""
    if vehicle is None:
        return None, ()
    layouts = {section.columns for section in vehicle.can if section.columns}
    if len(layouts) > 1:
        raise VehicleError(
            "two [[can]] sections describe different columns, and the log does not show which apply",
            where=vehicle.path,
            do="Use one vehicle file per log format.",
        )
    return next(iter(layouts), None), vehicle_consoles(vehicle)


def _seen(path: Path | str, capture: Capture, vehicle: Vehicle | None) -> SeenLog:
    """One log by itself: its span, and the parts that may give the offset of its clock."""
    from logscope.clocks import ALIKE, SeenLog
    from logscope.mapping import build_signals
    from logscope.vehicle import Vehicle

    vehicle = vehicle or Vehicle()
    definitions, skipped = vehicle_definitions(vehicle)
    bindings, _ = mapped_bindings(vehicle, definitions, skipped)
    useful = [binding for binding in bindings if any(binding.part in parts for parts in ALIKE)]
    decoded = decode_capture(capture, Decoder(definitions, wanted={binding.wanted for binding in useful}))
    return SeenLog(
        file=str(path),
        start_ns=decoded.start_ns,
        end_ns=decoded.end_ns,
        dated=decoded.start_ns >= DATES_FROM_NS,
        serial=bool(capture.serial),
        signals=build_signals(vehicle, useful, decoded.tables, decoded.seconds(decoded.end_ns)),
    )
