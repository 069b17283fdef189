"""`logscope check`."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from logscope.commands.options import (
    Align,
    BitRates,
    JsonFile,
    Logs,
    PictureFolder,
    ReportFile,
    SummaryFile,
    VehicleFile,
    bit_rates,
)
from logscope.commands.output import deliver, warn, with_progress
from logscope.outputs import PNG, Guard

if TYPE_CHECKING:
    from logscope.result import Result

FOUND, NOTHING_FOUND = 1, 0  # exit status


class FailOn(StrEnum):
    """From which severity on the exit status is 1."""

    GOOD = "good"
    INFO = "info"
    WARNING = "warning"
    DANGER = "danger"
    NEVER = "never"


def check(
    logs: Logs,
    guard: Guard,
    vehicle: VehicleFile,
    report: ReportFile = None,
    json: JsonFile = None,
    summary: SummaryFile = None,
    png: PictureFolder = None,
    align: Align = None,
    bit_rate: BitRates = None,
    fail_on: Annotated[
        FailOn, typer.Option("--fail-on", help="Exit with 1 if a finding is at least this severe.")
    ] = FailOn.DANGER,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show every finding with its text.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Show only the verdict and what is wrong.")] = False,
) -> None:
    """Check a log: what is wrong, how sure is that, what to do first, and what the log does not show."""
    from logscope.logs import open_logs
    from logscope.pipeline import check as run
    from logscope.report.terminal import Detail, print_summary
    from logscope.vehicle import load_vehicle

    rates = bit_rates(bit_rate)
    if png is not None:
        from logscope.pictures.browser import find_browser

        find_browser()  # before a long log is read
    known = load_vehicle(vehicle)
    result = run(with_progress(open_logs(logs, known, align or ())), known, bit_rate=rates)
    if summary is not None:
        result.to_markdown(summary, overwrite=True)  # `guarded` has allowed it
    if png is not None:
        from logscope.pictures.report import write_pictures

        besides = write_pictures(result, png, lambda path: guard.allow(path, PNG))
        warn([f"{png}: charts of an earlier run are there too: {', '.join(besides)}"] if besides else ())
    detail = Detail.BRIEF if quiet else Detail.FULL if verbose else Detail.USUAL
    also = {"Summary": summary, "Charts": png}
    deliver(result, lambda made, console: print_summary(made, console, detail), report, json, also)
    raise typer.Exit(_status(result, fail_on))


def _status(result: Result, fail_on: FailOn) -> int:
    from logscope.findings import Severity

    if fail_on is FailOn.NEVER or not result.findings:
        return NOTHING_FOUND
    return FOUND if result.worst.rank >= Severity(fail_on.value).rank else NOTHING_FOUND
