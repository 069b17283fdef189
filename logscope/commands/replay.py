"""`logscope replay`."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Annotated

import typer

from logscope.commands.live import shown, someone_watches
from logscope.commands.options import Align, Logs, VehicleFile
from logscope.commands.output import terminal

if TYPE_CHECKING:
    from rich.console import Console

    from logscope.live.picture import View

_KEYS = "q ends"


def replay(
    logs: Logs,
    vehicle: VehicleFile,
    speed: Annotated[
        float, typer.Option("--speed", metavar="TIMES", min=0.01, help="How many times as fast as recorded.")
    ] = 1.0,
    align: Align = None,
) -> None:
    """Show a recorded log in the live view of `logscope record`. Nothing is sent to a bus."""
    from logscope.live.replayed import slices
    from logscope.live.screen import screen
    from logscope.live.view import LiveView
    from logscope.logs import open_logs
    from logscope.recording.keys import Key, keyboard
    from logscope.vehicle import load_vehicle

    known = load_vehicle(vehicle)
    live = LiveView(known)
    capture = open_logs(logs, known, align or ())
    console = terminal()
    names = ", ".join(path.name for path in logs)
    with keyboard() as keys, shown(lambda rows: screen(live.look(), [names], _KEYS, "", rows)) as draw:
        due = time.monotonic()
        for piece in slices(capture):
            live.add_frames(piece.frames)
            for log in piece.consoles:
                live.add_console(log)
            live.follow(piece.until_ns)
            due += piece.lasts_s / speed
            if someone_watches():
                draw()
            time.sleep(max(0.0, due - time.monotonic()))
            if keys is not None and Key.END in keys.asked():
                break
        live.finish()
    _conclude(console, live.look())


def _conclude(console: Console, view: View) -> None:
    """The last picture as lines."""
    from logscope.live.screen import view_lines

    for line, _ in view_lines(view):
        console.print(line, markup=False, highlight=False)
    console.print("`logscope check` judges the whole log, and all checks.", markup=False, highlight=False)
