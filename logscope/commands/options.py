"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Logs = Annotated[list[Path], typer.Argument(metavar="LOG...", help="Log files of one recording.", show_default=False)]

Definitions = Annotated[
    list[Path] | None,
    typer.Option("--definitions", metavar="D.dbc", help="Definitions for every bus; may be given more than once."),
]

VehicleFile = Annotated[Path, typer.Option("--vehicle", metavar="V.toml", help="The vehicle file.", show_default=False)]

Align = Annotated[
    list[float] | None,
    typer.Option(
        "--align",
        metavar="SECONDS",
        help="From the first log's start to the start of the next: once for each log after the first, in their order.",
    ),
]

ReportFile = Annotated[Path | None, typer.Option("--report", metavar="R.html", help="Write the report here.")]

JsonFile = Annotated[Path | None, typer.Option("--json", metavar="F.json", help="Write the findings here as JSON.")]
