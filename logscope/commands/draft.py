"""`logscope draft`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads, Writes
from logscope.commands.options import Definitions, Logs
from logscope.commands.output import warn, with_progress
from logscope.outputs import VEHICLE


def draft(
    logs: Logs,
    definitions: Definitions = None,
    out: Annotated[Path, Writes(VEHICLE), typer.Option("--out", metavar="V.toml", help="Where to write it.")] = Path(
        "vehicle.toml"
    ),
    name: Annotated[str, typer.Option("--name", metavar="NAME", help="Name of the vehicle.")] = "",
    vehicle: Annotated[
        Path | None,
        Reads(vehicle=True),
        typer.Option("--vehicle", metavar="V.toml", help="Use definitions and columns from this vehicle file."),
    ] = None,
) -> None:
    """Propose which signal plays which part, from names, units and behaviour, each with its reason and doubts.

    Read every line before you rely on it: what is doubtful is commented out, and the numbers are for you to fill in.
    """
    from logscope.files import write_text
    from logscope.tasks.draft import draft_vehicle

    made = draft_vehicle(logs, definitions or (), out=out, name=name, like=vehicle, watch=with_progress)
    write_text(out, made.text)
    warn(made.notes)
    typer.echo(f"{out}: a first draft. Read it through before you rely on it; then check a log with it.")
