"""The command line: arguments in, pipeline, exit status. Heavy modules are imported where they are used."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from logscope.arguments import spread
from logscope.errors import LogscopeError

if TYPE_CHECKING:
    from rich.console import Console

    from logscope.capture.frames import Block
    from logscope.capture.open import Capture
    from logscope.result import Result
    from logscope.sizing.series import Series

_SEVERAL_VALUES = ("--before", "--after")  # options that take all values up to the next option
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


class SeriesName(StrEnum):
    """Resistor series of IEC 60063."""

    E6 = "E6"
    E12 = "E12"
    E24 = "E24"
    E96 = "E96"


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


@app.command(
    short_help="Check a log and say what to look at next.",
    epilog="Example: logscope check drive.log --vehicle hazel.toml --report report.html",
)
def check(
    logs: Logs,
    vehicle: VehicleFile,
    report: ReportFile = None,
    json: JsonFile = None,
    align: Align = None,
    fail_on: Annotated[
        FailOn, typer.Option("--fail-on", help="Exit with 1 when a finding is at least this severe.")
    ] = FailOn.DANGER,
) -> None:
    """Check a log: precharge, discharge, contactors, encoder, trips; say what was found and what to look at next."""
    from logscope.pipeline import check as run
    from logscope.pipeline import open_logs
    from logscope.vehicle import load_vehicle

    known = load_vehicle(vehicle)
    _writable(report, json)
    result = run(_with_progress(open_logs(logs, known, align or ())), known)
    _deliver(result, report, json)
    raise typer.Exit(_status(result, fail_on))


@app.command(
    short_help="Compare the logs before and after a change.",
    epilog="Example: logscope compare --before old-1.log old-2.log --after new.log --vehicle hazel.toml",
)
def compare(
    vehicle: VehicleFile,
    before: Annotated[
        list[Path], typer.Option("--before", metavar="LOG...", help="Logs before the change.", show_default=False)
    ],
    after: Annotated[
        list[Path], typer.Option("--after", metavar="LOG...", help="Logs after the change.", show_default=False)
    ],
    before_vehicle: Annotated[
        Path | None,
        typer.Option("--before-vehicle", metavar="V.toml", help="The vehicle file before the change, if it differed."),
    ] = None,
    report: ReportFile = None,
    json: JsonFile = None,
) -> None:
    """Say whether a change made it better or worse: rates at like speed and load, noise, time constants.

    Logs of one recording, such as CAN and console, are found by their dates or signals and taken together; every other
    log is a run of its own. Several runs a side show how much runs differ.
    """
    from rich.console import Console

    from logscope.pipeline import compare as run
    from logscope.pipeline import open_runs
    from logscope.report.comparison_terminal import print_comparison
    from logscope.vehicle import load_vehicle

    known = load_vehicle(vehicle)
    former = load_vehicle(before_vehicle) if before_vehicle is not None else known
    _writable(report, json)
    sides = [[*map(_with_progress, open_runs(logs, of))] for logs, of in ((before, former), (after, known))]
    found = run(sides[0], sides[1], known, former)
    if json is not None:
        found.to_json(json)
    if report is not None:
        found.to_html(report)
    console = Console()
    print_comparison(found, console)
    _tell_where(console, report, json)


@app.command(
    short_help="Show key measures over all logs of a project.",
    epilog="Example: logscope trend logs --vehicle hazel.toml --notes changes.csv --report trend.html",
)
def trend(
    places: Annotated[
        list[Path], typer.Argument(metavar="LOG...|DIR", help="Logs, or a folder of logs.", show_default=False)
    ],
    vehicle: VehicleFile,
    notes: Annotated[
        Path | None, typer.Option("--notes", metavar="FILE", help="What was changed and when: CSV (date,text) or TOML.")
    ] = None,
    report: ReportFile = None,
    json: JsonFile = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="Check every log again, and keep nothing.")] = False,
) -> None:
    """One row a log over the life of the project. What was worked out is kept, so that the next time is quick."""
    from rich.console import Console

    from logscope.files import write_text
    from logscope.history.cache import cache_folder
    from logscope.history.collect import collect, find_logs
    from logscope.history.notes import read_notes
    from logscope.pipeline import check as run
    from logscope.pipeline import open_logs
    from logscope.report.history_page import history_to_html
    from logscope.report.history_text import history_to_json, print_history
    from logscope.vehicle import load_vehicle

    known = load_vehicle(vehicle)
    _writable(report, json)
    history = collect(
        find_logs(places, notes),
        known,
        lambda log: run(_with_progress(open_logs([log], known)), known),
        read_notes(notes) if notes is not None else (),
        None if fresh else cache_folder(),
    )
    for path, text in ((json, history_to_json), (report, history_to_html)):
        if path is not None:
            write_text(path, text(history))
    console = Console()
    print_history(history, console)
    _tell_where(console, report, json)


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
    found = take_inventory(_with_progress(open_logs(logs, known, joint=False)).blocks, pairs, bit_rate)
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


@app.command(
    name="size-precharge",
    short_help="Size a precharge circuit: resistor, times, currents, energies.",
    epilog="Example: logscope size-precharge --voltage 320 --max-voltage 344 --capacitance 1000 --time 0.5",
)
def size_precharge_command(
    voltage: Annotated[float, typer.Option("--voltage", metavar="V", help="Nominal pack voltage.", show_default=False)],
    capacitance: Annotated[
        float, typer.Option("--capacitance", metavar="UF", help="All capacitance on the link.", show_default=False)
    ],
    time: Annotated[
        float | None, typer.Option("--time", metavar="S", help="Wished time to the closing fraction.")
    ] = None,
    close_fraction: Annotated[
        float, typer.Option("--close-fraction", help="Part of pack voltage at which the main contactor closes.")
    ] = 0.95,
    min_voltage: Annotated[
        float | None, typer.Option("--min-voltage", metavar="V", help="Lowest pack voltage.")
    ] = None,
    max_voltage: Annotated[
        float | None, typer.Option("--max-voltage", metavar="V", help="Highest pack voltage.")
    ] = None,
    load_ohm: Annotated[
        float | None, typer.Option("--load-ohm", metavar="OHM", help="Resistor on the link meanwhile, e.g. a bleeder.")
    ] = None,
    load_power: Annotated[
        float | None, typer.Option("--load-power", metavar="W", help="Constant-power load on the link meanwhile.")
    ] = None,
    load_cut_in: Annotated[
        float | None, typer.Option("--load-cut-in", metavar="V", help="Link voltage at which that load starts.")
    ] = None,
    series: Annotated[SeriesName, typer.Option("--series", help="Resistor values, IEC 60063.")] = SeriesName.E24,
    resistance: Annotated[
        float | None, typer.Option("--resistance", metavar="OHM", help="Take this resistor instead of choosing one.")
    ] = None,
    resistor_tolerance: Annotated[float, typer.Option("--resistor-tolerance", help="As a fraction.")] = 0.05,
    capacitor_tolerance: Annotated[float, typer.Option("--capacitor-tolerance", help="As a fraction.")] = 0.10,
    peak_current: Annotated[
        float, typer.Option("--peak-current", metavar="A", help="Most that relay and resistor may see.")
    ] = 50.0,
    rated_power: Annotated[
        float | None, typer.Option("--rated-power", metavar="W", help="Continuous rating of the resistor in mind.")
    ] = None,
    pulse_energy: Annotated[
        float | None, typer.Option("--pulse-energy", metavar="J", help="Single-pulse rating of the resistor in mind.")
    ] = None,
    loop_ohm: Annotated[
        float, typer.Option("--loop-ohm", metavar="OHM", help="Loop that the main contactor closes.")
    ] = 0.010,
    loop_uh: Annotated[float, typer.Option("--loop-uh", metavar="UH", help="Inductance of that loop.")] = 1.0,
    discharge_time: Annotated[
        float, typer.Option("--discharge-time", metavar="S", help="In which a bleeder shall reach 60 V.")
    ] = 120.0,
    html: Annotated[
        Path | None, typer.Option("--html", metavar="F.html", help="Write a page with a chart here.")
    ] = None,
    json: JsonFile = None,
) -> None:
    """Choose a precharge resistor for a pack voltage, a link capacitance and a wished time; refuse what cannot be."""
    from rich.console import Console

    from logscope.files import write_text
    from logscope.sizing.precharge import size_precharge
    from logscope.sizing.show import design_to_json, print_design
    from logscope.sizing.wish import PrechargeWish

    _writable(html, json)
    design = size_precharge(
        PrechargeWish(
            voltage_V=voltage,
            capacitance_uF=capacitance,
            time_s=time,
            close_fraction=close_fraction,
            min_voltage_V=min_voltage,
            max_voltage_V=max_voltage,
            load_ohm=load_ohm,
            load_W=load_power,
            load_cut_in_V=load_cut_in,
            series=cast("Series", series.value),
            resistance_ohm=resistance,
            resistor_tolerance=resistor_tolerance,
            capacitor_tolerance=capacitor_tolerance,
            peak_current_A=peak_current,
            rated_power_W=rated_power,
            pulse_rating_J=pulse_energy,
            loop_ohm=loop_ohm,
            loop_H=loop_uh * 1e-6,
            discharge_s=discharge_time,
        )
    )
    if json is not None:
        write_text(json, design_to_json(design))
    if html is not None:
        from logscope.sizing.page import design_to_html

        write_text(html, design_to_html(design))
    print_design(design, Console())


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
    _tell_where(console, report, json)


def _tell_where(console: Console, report: Path | None, json: Path | None) -> None:
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
        arguments = spread(sys.argv[1:], _SEVERAL_VALUES)
        return int(app(args=arguments, standalone_mode=False) or 0)
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
