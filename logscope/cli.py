"""The command line: arguments in, pipeline, exit status. Heavy modules are imported where they are used."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logscope.errors import LogscopeError

if TYPE_CHECKING:
    from logscope.capture.frames import Block
    from logscope.capture.open import Capture
    from logscope.result import Result

USABLE, FOUND, UNUSABLE = 0, 1, 2  # exit status: nothing found, something found, request or input unusable

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Diagnoses the drive system of an electric-vehicle conversion from its CAN and serial logs.",
)


class FailOn(StrEnum):
    """From which severity on the exit status is 1."""

    GOOD = "good"
    INFO = "info"
    WARNING = "warning"
    DANGER = "danger"
    NEVER = "never"


class TableFormat(StrEnum):
    """What a folder of tables is written as."""

    PARQUET = "parquet"
    CSV = "csv"


Logs = Annotated[list[Path], typer.Argument(metavar="LOG...", help="Log files of one recording.", show_default=False)]
Definitions = Annotated[
    list[Path] | None,
    typer.Option("--definitions", metavar="D.dbc", help="Definitions for every bus; may be given more than once."),
]
VehicleFile = Annotated[Path, typer.Option("--vehicle", metavar="V.toml", help="The vehicle file.", show_default=False)]
ReportFile = Annotated[Path | None, typer.Option("--report", metavar="R.html", help="Write the report here.")]
JsonFile = Annotated[Path | None, typer.Option("--json", metavar="F.json", help="Write the findings here as JSON.")]


@app.command(
    short_help="Check a log and say what to look at next.",
    epilog="Example: logscope check drive.log --vehicle hazel.toml --report report.html",
)
def check(
    logs: Logs,
    vehicle: VehicleFile,
    report: ReportFile = None,
    json: JsonFile = None,
    fail_on: Annotated[
        FailOn, typer.Option("--fail-on", help="Exit with 1 when a finding is at least this severe.")
    ] = FailOn.DANGER,
) -> None:
    """Check a log: precharge, encoder, trips; say what was found and what to look at next."""
    from logscope.pipeline import check as run
    from logscope.pipeline import open_logs
    from logscope.vehicle import load_vehicle

    known = load_vehicle(vehicle)
    _writable(report, json)
    result = run(_with_progress(open_logs(logs, known)), known)
    _deliver(result, report, json)
    raise typer.Exit(_status(result, fail_on))


@app.command(
    short_help="List what is in a log, with periods and bus load.",
    epilog="Example: logscope inventory drive.log --definitions hazel.dbc",
)
def inventory(
    logs: Logs,
    definitions: Definitions = None,
    vehicle: Annotated[
        Path | None, typer.Option("--vehicle", metavar="V.toml", help="Vehicle file that names the definitions.")
    ] = None,
    bit_rate: Annotated[
        int | None, typer.Option("--bit-rate", metavar="BIT/S", help="Of the buses; else assumed.", min=1000)
    ] = None,
    json: JsonFile = None,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="F.csv", help="Write the table here.")] = None,
) -> None:
    """List buses and identifiers: names, counts, periods, lengths, which bytes change, and the load of each bus."""
    from rich.console import Console

    from logscope.files import write_text
    from logscope.inventory.collect import take_inventory
    from logscope.inventory.show import print_inventory, to_csv, to_json
    from logscope.pipeline import open_logs, read_definitions
    from logscope.vehicle import load_vehicle

    _writable(json, csv)
    known = load_vehicle(vehicle) if vehicle else None
    pairs, skipped = read_definitions(known, definitions or ())
    found = take_inventory(_with_progress(open_logs(logs, known)).blocks, pairs, bit_rate)
    for path, text in ((json, to_json), (csv, to_csv)):
        if path is not None:
            write_text(path, text(found))
    _warn(f"{place.where}: {place.text}: {place.reason}" for place in skipped)
    print_inventory(found, Console())


@app.command(
    short_help="Write a first vehicle file from definitions and a log.",
    epilog="Example: logscope draft drive.log --definitions hazel.dbc --out hazel.toml",
)
def draft(
    logs: Logs,
    definitions: Definitions = None,
    out: Annotated[Path, typer.Option("--out", metavar="V.toml", help="Where to write it.")] = Path("vehicle.toml"),
    name: Annotated[str, typer.Option("--name", help="Of the vehicle.")] = "",
) -> None:
    """Propose which signal plays which part, from names, units and behaviour, each with its reason and doubts.

    Read every line before you rely on it: what is doubtful is commented out, and the numbers are for you to fill in.
    """
    from logscope.draft.draft import draft_vehicle, undrafted
    from logscope.errors import RequestError
    from logscope.files import write_text
    from logscope.pipeline import open_logs

    _writable(out)
    if out.exists():
        raise RequestError("this file exists", where=out, do="Name another with --out; a draft overwrites nothing.")
    known = undrafted(definitions or (), out, name)
    text, notes = draft_vehicle(_with_progress(open_logs(logs, known)), known)
    write_text(out, text)
    _warn(notes)
    typer.echo(f"{out}: a first draft. Read it through before you rely on it.")


@app.command(
    name="decode",
    short_help="Write decoded signals to Parquet or CSV.",
    epilog="Example: logscope decode drive.log --vehicle hazel.toml --out tables --signal Pack.Voltage",
)
def decode_command(
    logs: Logs,
    out: Annotated[Path, typer.Option("--out", metavar="DIR|F", help="A folder, or one .parquet or .csv file.")],
    vehicle: Annotated[
        Path | None, typer.Option("--vehicle", metavar="V.toml", help="Vehicle file that names the definitions.")
    ] = None,
    definitions: Definitions = None,
    signal: Annotated[
        list[str] | None,
        typer.Option("--signal", metavar="MESSAGE.SIGNAL", help="Only this one; may be given more than once."),
    ] = None,
    file_format: Annotated[TableFormat, typer.Option("--format", help="Of the files in a folder.")] = (
        TableFormat.PARQUET
    ),
    every: Annotated[
        float, typer.Option("--every", metavar="SECONDS", help="Row spacing of the one table.", min=1e-6)
    ] = 0.01,
    labels: Annotated[bool, typer.Option("--labels", help="Enumerations as texts, in the files of a folder.")] = False,
) -> None:
    """Decode a log into tables.

    A folder gets one file a message, every sample at its own time. One file gets all signals on one clock: each
    value is the latest sample at or before the row's time, and empty where that is older than five periods.
    """
    from logscope import export
    from logscope.errors import RequestError
    from logscope.pipeline import decode_tables, open_logs
    from logscope.vehicle import load_vehicle

    if vehicle is None and not definitions:
        raise RequestError("nothing tells what the frames mean", do="Give --vehicle or --definitions.")
    one_file = out.suffix.lower() in export.SUFFIXES
    if one_file:
        _writable(out)
    known = load_vehicle(vehicle) if vehicle else None
    decoded = decode_tables(_with_progress(open_logs(logs, known)), known, definitions or ())
    _warn(decoded.notes)
    chosen = export.choose(decoded.tables, signal or ())
    if not chosen:
        raise RequestError(
            "no frame of this log has a definition", where=logs[0], do="`logscope inventory` shows what is there."
        )
    count = sum(map(len, chosen.values()))
    if one_file:
        end_s = decoded.seconds(decoded.end_ns)
        export.write_table(export.wide_table(decoded.tables, chosen, every, end_s), out)
        typer.echo(f"{out}: {count} signals, a row every {every:g} s from 0 to {end_s:.3f} s")
    else:
        written = export.write_messages(decoded.tables, chosen, out, f".{file_format.value}", labels=labels)
        typer.echo(f"{out}: {len(written)} files with {count} signals")


def _warn(notes: Iterable[str]) -> None:
    for note in notes:
        print(f"note: {note}", file=sys.stderr)


@app.command(short_help="Simulate a drive, check it, write the report.", epilog="Example: logscope demo hazel-demo")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to write it.")] = Path("hazel-demo"),
) -> None:
    """Simulate a drive of the invented conversion "Hazel", check it, and write the report."""
    from logscope.pipeline import check as run
    from logscope.pipeline import open_logs
    from logscope.simulate.demo import write_demo
    from logscope.vehicle import load_vehicle

    files = write_demo(folder)
    vehicle = load_vehicle(files.vehicle)
    result = run(_with_progress(open_logs(files.logs, vehicle)), vehicle)
    _deliver(result, folder / "report.html", folder / "report.json")


def _writable(*targets: Path | None) -> None:
    """Refuse a target that cannot be written before any time is spent on the log."""
    from logscope.errors import RequestError

    for target in targets:
        if target is not None and not target.absolute().parent.is_dir():
            raise RequestError("this folder does not exist", where=target.parent, do="Create it, or name another.")


def _deliver(result: Result, report: Path | None, json: Path | None) -> None:
    from rich.console import Console

    from logscope.report.terminal import print_summary

    if json is not None:
        result.to_json(json)
    if report is not None:
        result.to_html(report)
    console = Console()
    print_summary(result, console)
    for name, path in (("Report", report), ("JSON", json)):
        if path is not None:
            console.print(f"{name}: {path}", markup=False, highlight=False, soft_wrap=True)


def _status(result: Result, fail_on: FailOn) -> int:
    from logscope.findings import Severity

    if fail_on is FailOn.NEVER or not result.findings:
        return USABLE
    return FOUND if result.worst.rank >= Severity(fail_on.value).rank else USABLE


def _with_progress(capture: Capture) -> Capture:
    """The same capture; its frames are counted on stderr while they pass, when someone is watching."""
    return replace(capture, blocks=_counted(capture.blocks)) if sys.stderr.isatty() else capture


def _counted(blocks: Iterable[Block]) -> Iterator[Block]:
    from rich.console import Console

    frames = 0
    with Console(stderr=True).status("Reading …") as status:
        for block in blocks:
            frames += len(block.frames)
            status.update(f"Reading … {frames:,} frames")
            yield block
        status.update("Checking …")


def main() -> None:
    """Run the command line; every error is one line on stderr."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a Windows console may lack a character; never fail over that
    sys.exit(_run())


def _run() -> int:
    try:
        return int(app(standalone_mode=False) or 0)
    except LogscopeError as error:
        return _complain(str(error))
    except KeyboardInterrupt:
        return _complain("stopped")
    except OSError as error:
        return _complain(f"{error.filename or 'file'}: {error.strerror or error}.")
    except Exception as error:
        if hasattr(error, "format_message"):  # a usage error of the option parser
            return _complain(f"{error.format_message()} See logscope --help.")
        if type(error).__name__ == "Abort":
            return _complain("stopped")
        kind = type(error).__name__
        return _complain(f"unexpected fault in logscope itself ({kind}: {error}). Please report it with the log.")


def _complain(text: str) -> int:
    print("logscope: " + " ".join(text.split()), file=sys.stderr)
    return UNUSABLE
