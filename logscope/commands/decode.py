"""`logscope decode`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Writes
from logscope.commands.options import DefiningVehicle, Definitions, Logs
from logscope.commands.output import warn, with_progress
from logscope.outputs import CSV, FOLDER, PARQUET, Guard, kind_for


class TableFormat(StrEnum):
    """What a folder of tables is written as."""

    PARQUET = "parquet"
    CSV = "csv"


def decode(
    logs: Logs,
    guard: Guard,
    out: Annotated[
        Path,
        Writes(FOLDER, PARQUET, CSV),
        typer.Option("--out", metavar="DIR|F", help="A folder, or one .parquet or .csv file."),
    ],
    vehicle: DefiningVehicle = None,
    definitions: Definitions = None,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="MESSAGE.SIGNAL", help="Only this signal; may be repeated."),
    ] = None,
    file_format: Annotated[TableFormat, typer.Option("--format", help="Format of the files in a folder.")] = (
        TableFormat.PARQUET
    ),
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", help="Time from row to row in the single table.", min=1e-6)
    ] = 0.01,
    labels: Annotated[
        bool, typer.Option("--labels", help="Write texts for states where the definition has them; in a folder only.")
    ] = False,
) -> None:
    """Decode a log into tables.

    A folder gets one file per message, every sample at its own time. One file gets all signals on one clock: each
    value is the latest sample at or before the row's time, and empty where that is older than five periods.
    """
    from logscope import export
    from logscope.decoded import decode_tables
    from logscope.errors import RequestError
    from logscope.logs import open_logs
    from logscope.quantities import counted
    from logscope.vehicle import load_vehicle

    if vehicle is None and not definitions:
        raise RequestError("no signal definitions are given", do="Give --vehicle or --definitions.")
    known = load_vehicle(vehicle) if vehicle else None
    decoded = decode_tables(with_progress(open_logs(logs, known)), known, definitions or ())
    warn(decoded.notes)
    chosen = export.choose(decoded.tables, signal or ())
    if not chosen:
        raise RequestError(
            "no frame of this log is defined", where=logs[0], do="`logscope inventory` lists what is in the log."
        )
    count = sum(map(len, chosen.values()))
    if kind_for(out, (PARQUET, CSV, FOLDER)) is not FOLDER:
        end_s = decoded.seconds(decoded.end_ns)
        export.write_table(export.wide_table(decoded.tables, chosen, every, end_s), out)
        typer.echo(f"{out}: {counted(count, 'signal')}, a row every {every:g} s from 0 to {end_s:.3f} s")
    else:
        kind = PARQUET if file_format is TableFormat.PARQUET else CSV
        written = export.write_messages(
            decoded.tables, chosen, out, kind.suffixes[0], labels=labels, allow=lambda path: guard.allow(path, kind)
        )
        typer.echo(f"{out}: {counted(len(written), 'file')} with {counted(count, 'signal')}")
