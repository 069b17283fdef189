"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Reads, Writes
from logscope.errors import RequestError
from logscope.outputs import FOLDER, HTML, JSON, MARKDOWN

Logs = Annotated[
    list[Path],
    Reads(stream=True),
    typer.Argument(metavar="LOG...", help="Log files of one recording; - reads standard input.", show_default=False),
]

Definitions = Annotated[
    list[Path] | None,
    Reads(),
    typer.Option("--definitions", metavar="D.dbc", help="Definitions for every bus; may be repeated."),
]

VehicleFile = Annotated[
    Path,
    Reads(vehicle=True),
    typer.Option(
        "--vehicle",
        metavar="V.toml",
        help="The vehicle file: which signal is what. `logscope draft` proposes one.",
        show_default=False,
    ),
]

DefiningVehicle = Annotated[
    Path | None,
    Reads(vehicle=True),
    typer.Option("--vehicle", metavar="V.toml", help="Vehicle file, for its definitions and columns."),
]

Align = Annotated[
    list[float] | None,
    typer.Option(
        "--align",
        metavar="SECONDS",
        help="Seconds from the start of the first log to the start of a further one; once for each, in order.",
    ),
]

BitRates = Annotated[
    list[str] | None,
    typer.Option(
        "--bit-rate",
        metavar="[BUS=]BIT/S",
        help="Bit rate of every bus, or of one (can0=500000); may be repeated. Else as in the vehicle file or the log.",
    ),
]

ReportFile = Annotated[
    Path | None, Writes(HTML), typer.Option("--report", metavar="R.html", help="Write the report here.")
]

JsonFile = Annotated[
    Path | None, Writes(JSON), typer.Option("--json", metavar="F.json", help="Write the results here as JSON.")
]

SummaryFile = Annotated[
    Path | None,
    Writes(MARKDOWN),
    typer.Option("--summary", metavar="S.md", help="Write a summary here, to paste into a forum or a build log."),
]

PictureFolder = Annotated[
    Path | None,
    Writes(FOLDER),
    typer.Option("--png", metavar="DIR", help="Draw every chart into this folder; needs Chromium, Chrome or Edge."),
]


def bit_rates(given: list[str] | None) -> dict[str | None, int] | None:
    """Bit rates by bus [bit/s], None for every other bus, from texts such as 500000 and can1=250000.

    Raises RequestError for what is no bit rate.
    """
    from logscope.vehicle import bits_per_second

    rates: dict[str | None, int] = {}
    for text in given or ():
        bus, _, rate = text.rpartition("=")
        number = int(rate) if rate.isascii() and rate.isdigit() else None
        try:
            bits_per_second(number)
        except ValueError as error:
            raise RequestError(
                f"--bit-rate {text}: {error}", do="Write it as 500000, or as can1=250000 for one bus."
            ) from None
        rates[bus or None] = number or 0
    return rates or None
