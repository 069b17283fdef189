"""`logscope trend`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads
from logscope.commands.options import JsonFile, ReportFile, VehicleFile
from logscope.commands.output import log_progress, tell_where, terminal


def trend(
    places: Annotated[
        list[Path],
        Reads(),
        typer.Argument(metavar="LOG...|DIR", help="Logs, or a folder of logs.", show_default=False),
    ],
    vehicle: VehicleFile,
    notes: Annotated[
        Path | None,
        Reads(),
        typer.Option("--notes", metavar="FILE", help="What was changed and when: CSV (date,text) or TOML."),
    ] = None,
    report: ReportFile = None,
    json: JsonFile = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="Check every log again and cache nothing.")] = False,
) -> None:
    """Show one row per log over the life of the project. Results are cached, so that the next run is quick."""
    from logscope.files import write_text
    from logscope.report.history_text import history_to_json, print_history
    from logscope.report.shelf_page import shelf_to_html
    from logscope.tasks.trend import trend_shelf

    with log_progress() as watch:
        shelf = trend_shelf(places, vehicle, notes=notes, fresh=fresh, watch=watch)
    (history,) = shelf.histories
    if json is not None:
        write_text(json, history_to_json(history))
    if report is not None:
        write_text(report, shelf_to_html(shelf))
    console = terminal()
    print_history(history, console)
    tell_where(console, {"Report": report, "JSON": json})
