"""`logscope shelf`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads, Writes
from logscope.commands.options import ReportFile
from logscope.commands.output import log_progress, tell_where, terminal
from logscope.outputs import FOLDER, HTML


def shelf(
    places: Annotated[
        list[Path],
        Reads(),
        typer.Argument(metavar="FOLDER...", help="Folders of logs, logs, or URLs (s3://…).", show_default=False),
    ],
    out: Annotated[
        Path, Writes(FOLDER), typer.Option("--out", metavar="DIR", help="The archive: a new folder, or an earlier one.")
    ] = Path("archive"),
    vehicle: Annotated[
        Path | None,
        Reads(vehicle=True),
        typer.Option("--vehicle", metavar="V.toml", help="For all logs; else the nearest vehicle.toml above each."),
    ] = None,
    notes: Annotated[
        Path | None,
        Reads(),
        typer.Option("--notes", metavar="FILE", help="What was changed and when: CSV (date,text) or TOML."),
    ] = None,
    report: ReportFile = None,
    pages: Annotated[bool, typer.Option("--pages", help="Also write the report of each log into the archive.")] = False,
    signals: Annotated[
        bool, typer.Option("--signals", help="Also keep the mapped signals of each log in the archive.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", metavar="N", help="Logs at a time; all cores if not given.", min=1)
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", metavar="tcp://HOST:8786", help="Check on a running Dask cluster.")
    ] = None,
    performance: Annotated[
        Path | None,
        Writes(HTML),
        typer.Option("--performance", metavar="P.html", help="How the cluster spent its time, as Dask reports it."),
    ] = None,
    limit: Annotated[float, typer.Option("--limit", metavar="SECONDS", help="For one log.", min=0.1)] = 600.0,
    memory: Annotated[
        float | None,
        typer.Option("--memory", metavar="MB", help="For one log (Linux); a share of the machine's if not given."),
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Check again what failed before.")] = False,
) -> None:
    """Check all logs of many drives, and keep the results as Parquet. A further run checks only what is new."""
    from logscope.files import write_text
    from logscope.history.notes import read_notes
    from logscope.report.shelf_page import shelf_to_html
    from logscope.shelf.overview import overview
    from logscope.shelf.terminal import print_shelf
    from logscope.tasks.archive import fill_archive

    known_notes = () if notes is None else read_notes(notes)
    with log_progress() as watch:
        archive, tally = fill_archive(
            places, out, vehicle, notes=notes, pages=pages, signals=signals, again=again, workers=workers,
            scheduler=scheduler, performance=performance, limit_s=limit, memory_MB=memory, watch=watch,
        )  # fmt: skip
    shown = overview(archive, known_notes, None if report is None else report.parent)
    if report is not None:
        write_text(report, shelf_to_html(shown))
    console = terminal()
    print_shelf(shown, tally, console)
    tell_where(console, {"Archive": out, "Report": report, "Performance": performance})
