"""`logscope demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.output import deliver, with_progress


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to write it.")] = Path("hazel-demo"),
) -> None:
    """Simulate a drive of the invented conversion "Hazel", check it, and write the report."""
    from logscope.pipeline import check as run
    from logscope.pipeline import open_logs
    from logscope.report.terminal import print_summary
    from logscope.simulate.demo import write_demo
    from logscope.vehicle import load_vehicle

    files = write_demo(folder)
    vehicle = load_vehicle(files.vehicle)
    result = run(with_progress(open_logs(files.logs, vehicle)), vehicle)
    deliver(result, print_summary, folder / "report.html", folder / "report.json")
