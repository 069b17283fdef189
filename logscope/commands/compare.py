"""`logscope compare`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads
from logscope.commands.options import JsonFile, ReportFile, VehicleFile
from logscope.commands.output import deliver, with_progress


def compare(
    vehicle: VehicleFile,
    before: Annotated[
        list[Path],
        Reads(),
        typer.Option("--before", metavar="LOG...", help="Logs before the change.", show_default=False),
    ],
    after: Annotated[
        list[Path],
        Reads(),
        typer.Option("--after", metavar="LOG...", help="Logs after the change.", show_default=False),
    ],
    before_vehicle: Annotated[
        Path | None,
        Reads(vehicle=True),
        typer.Option("--before-vehicle", metavar="V.toml", help="Vehicle file before the change, if different."),
    ] = None,
    report: ReportFile = None,
    json: JsonFile = None,
) -> None:
    """Show whether a change made things better or worse: rates at similar speed and load, noise, time constants.

    Logs of one recording, such as CAN and console, are recognised by their dates or signals and read together; every
    other log is a run of its own. Several runs per side show how much runs differ.
    """
    from logscope.files import refuse_on_both_sides
    from logscope.logs import open_runs
    from logscope.pipeline import compare as run
    from logscope.report.comparison_terminal import print_comparison
    from logscope.vehicle import load_vehicle

    refuse_on_both_sides(before, after)
    known = load_vehicle(vehicle)
    former = load_vehicle(before_vehicle) if before_vehicle is not None else known
    sides = [[*map(with_progress, open_runs(logs, of))] for logs, of in ((before, former), (after, known))]
    found = run(sides[0], sides[1], known, former)
    deliver(found, print_comparison, report, json)
