"""`logscope plot`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logscope.commands.guarded import Writes
from logscope.commands.options import DefiningVehicle, Definitions, Logs
from logscope.commands.output import warn, with_progress
from logscope.outputs import HTML, PNG, kind_for


def plot(
    logs: Logs,
    signal: Annotated[
        list[str],
        typer.Option(
            "--signal",
            metavar="NAME",
            help="Message.Signal, or a part of the vehicle file; may be repeated.",
            show_default=False,
        ),
    ],
    out: Annotated[
        Path,
        Writes(HTML, PNG),
        typer.Option("--out", metavar="P.html|P.png", help="Where to write it.", show_default=False),
    ],
    definitions: Definitions = None,
    vehicle: DefiningVehicle = None,
    start: Annotated[
        float | None, typer.Option("--from", metavar="SECONDS", help="First second shown, from the start of the log.")
    ] = None,
    until: Annotated[float | None, typer.Option("--until", metavar="SECONDS", help="Last second shown.")] = None,
) -> None:
    """Draw signals on one time axis. However long the log, every extreme is in the picture.

    `logscope signals` lists the names. A picture (.png) is drawn by an installed Chromium, Chrome or Edge.
    """
    from logscope.pictures.browser import find_browser
    from logscope.tasks.plot import plot_signals

    picture = kind_for(out, (HTML, PNG)) is PNG
    if picture:
        find_browser()  # before a long log is read
    made = plot_signals(logs, signal, vehicle, definitions or (), from_s=start, until_s=until, watch=with_progress)
    (made.to_png if picture else made.to_html)(out, overwrite=True)  # `guarded` has allowed it
    warn(made.notes)
    count = len(made.parts)
    typer.echo(f"{out}: {count} signal{'' if count == 1 else 's'} from {made.window[0]:.3f} to {made.window[1]:.3f} s")
