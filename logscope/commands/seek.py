"""`logscope seek`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads, Writes
from logscope.commands.options import DefiningVehicle, Definitions, JsonFile, Logs, ReportFile
from logscope.commands.output import tell_where, terminal, warn, with_progress
from logscope.outputs import DBC


def seek(
    logs: Logs,
    like: Annotated[str, typer.Option("--like", metavar="PART", help="A part of the drive system to find.")] = "",
    like_log: Annotated[
        Path | None,
        Reads(column=True),
        typer.Option("--like-log", metavar="F.csv:COLUMN", help="A series to find, of another device."),
    ] = None,
    at: Annotated[
        list[float] | None,
        typer.Option("--at", metavar="SECONDS", help="A moment at which you switched something; may be repeated."),
    ] = None,
    within: Annotated[
        float, typer.Option("--within", metavar="SECONDS", help="How exact the moments are.", min=0.01)
    ] = 1.0,
    definitions: Definitions = None,
    vehicle: DefiningVehicle = None,
    out: Annotated[
        Path | None, Writes(DBC), typer.Option("--out", metavar="F.dbc", help="Write what stands out as definitions.")
    ] = None,
    report: ReportFile = None,
    json: JsonFile = None,
) -> None:
    """Find fields without a definition by their behaviour, each with its evidence and a line for a DBC file.

    Parts that the vehicle file maps serve as references. Without --like, --like-log and --at every identifier is
    divided into fields. Measure before you rely on a field: likeness is no proof.
    """
    from logscope.files import write_text
    from logscope.seeking.page import found_to_html
    from logscope.seeking.show import print_found, to_json
    from logscope.tasks import seek as search

    found = search(
        logs,
        vehicle,
        definitions or (),
        like=like,
        like_log="" if like_log is None else str(like_log),
        at=at or (),
        within_s=within,
        watch=with_progress,
    )
    if out is not None:
        write_text(out, found.to_dbc())
    if report is not None:
        write_text(report, found_to_html(found))
    if json is not None:
        write_text(json, to_json(found))
    console = terminal()
    warn(found.left_out)
    print_found(found, console)
    tell_where(console, {"Definitions": out, "Report": report, "JSON": json})
