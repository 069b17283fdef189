"""`logscope vehicle`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads, Writes
from logscope.commands.output import terminal, with_progress
from logscope.outputs import SCHEMA


def vehicle(
    file: Annotated[
        Path | None, Reads(vehicle=True), typer.Argument(metavar="V.toml", help="The vehicle file.", show_default=False)
    ] = None,
    logs: Annotated[
        list[Path] | None,
        Reads(),
        typer.Argument(
            metavar="[LOG...]", help="A log, to see which of the mapped signals it holds.", show_default=False
        ),
    ] = None,
    schema: Annotated[
        Path | None,
        Writes(SCHEMA),
        typer.Option(
            "--schema",
            metavar="F.json",
            help="Write the schema by which an editor completes and checks the vehicle file.",
        ),
    ] = None,
) -> None:
    """Say which checks a vehicle file allows, and which further signals or numbers would add to them, and why."""
    from logscope.errors import RequestError
    from logscope.files import write_text
    from logscope.report.readiness_terminal import print_parts, print_readiness
    from logscope.tasks.readiness import vehicle_readiness
    from logscope.vehicle_schema import vehicle_schema

    if schema is not None:
        write_text(schema, vehicle_schema())
        typer.echo(f"{schema}: the schema of vehicle files.")
    if file is None:
        if schema is None:
            raise RequestError("no vehicle file was given", do="Name it: logscope vehicle hazel.toml.")
        return
    found = vehicle_readiness(file, logs or (), watch=with_progress)
    console = terminal()
    print_readiness(found.name, found.checks, console)
    if found.signals is not None:
        print_parts(found.signals, found.sources, console)
