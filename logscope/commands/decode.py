"""`logscope decode`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.options import Definitions, Logs
from logscope.commands.output import warn, with_progress, writable


class TableFormat(StrEnum):
    """What a folder of tables is written as."""

    PARQUET = "parquet"
    CSV = "csv"


def decode(
    logs: Logs,
    out: Annotated[Path, typer.Option("--out", metavar="DIR|F", help="A folder, or one .parquet or .csv file.")],
    vehicle: Annotated[
        Path | None, typer.Option("--vehicle", metavar="V.toml", help="Vehicle file that names the definitions.")
    ] = None,
    definitions: Definitions = None,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="MESSAGE.SIGNAL", help="Only this one; may be given more than once."),
    ] = None,
    file_format: Annotated[TableFormat, typer.Option("--format", help="Of the files in a folder.")] = (
        TableFormat.PARQUET
    ),
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", help="Row spacing of the one table.", min=1e-6)
    ] = 0.01,
    labels: Annotated[bool, typer.Option("--labels", help="Enumerations as texts, in the files of a folder.")] = False,
) -> None:
    """Decode a log into tables.

    A folder gets one file a message, every sample at its own time. One file gets all signals on one clock: each
    value is the latest sample at or before the row's time, and empty where that is older than five periods.
    """
    from logscope import export
    from logscope.errors import RequestError
    from logscope.pipeline import decode_tables, open_logs
    from logscope.vehicle import load_vehicle

    if vehicle is None and not definitions:
        raise RequestError("nothing tells what the frames mean", do="Give --vehicle or --definitions.")
    one_file = out.suffix.lower() in export.SUFFIXES
    if one_file:
        writable(out)
    known = load_vehicle(vehicle) if vehicle else None
    decoded = decode_tables(with_progress(open_logs(logs, known)), known, definitions or ())
    warn(decoded.notes)
    chosen = export.choose(decoded.tables, signal or ())
    if not chosen:
        raise RequestError(
            "no frame of this log has a definition", where=logs[0], do="`logscope inventory` shows what is there."
        )
    count = sum(map(len, chosen.values()))
    if one_file:
        end_s = decoded.seconds(decoded.end_ns)
        export.write_table(export.wide_table(decoded.tables, chosen, every, end_s), out)
        typer.echo(f"{out}: {count} signals, a row every {every:g} s from 0 to {end_s:.3f} s")
    else:
        written = export.write_messages(decoded.tables, chosen, out, f".{file_format.value}", labels=labels)
        typer.echo(f"{out}: {len(written)} files with {count} signals")
