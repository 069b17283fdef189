"""`logscope demo`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Writes
from logscope.commands.output import deliver, with_progress
from logscope.outputs import FOLDER, HTML, JSON, Guard, Kind


def demo(
    guard: Guard,
    folder: Annotated[Path, Writes(FOLDER), typer.Argument(metavar="[DIR]", help="Where to write it.")] = Path(
        "hazel-demo"
    ),
) -> None:
    """Simulate a drive of the invented conversion "Hazel", check it, and write the report."""
    from logscope.logs import open_logs
    from logscope.pipeline import check as run
    from logscope.report.terminal import print_summary
    from logscope.simulate.demo import write_demo
    from logscope.vehicle import load_vehicle

    report, json = folder / "report.html", folder / "report.json"
    if folder.is_dir():
        guard.allow(report, HTML)
        guard.allow(json, JSON)
    files = write_demo(folder, allow=lambda path, content: _allow(guard, path, content))
    vehicle = load_vehicle(files.vehicle)
    result = run(with_progress(open_logs(files.logs, vehicle)), vehicle)
    deliver(result, print_summary, report, json)


def _allow(guard: Guard, path: Path, content: bytes) -> None:
    """A file of an earlier demo is replaced; one that was changed since is somebody's own work."""
    if path.exists():
        guard.allow(path, Kind("file", (), lambda former: former.read_bytes() == content))
