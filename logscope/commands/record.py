"""`logscope record`."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logscope.commands.guarded import Writes
from logscope.commands.live import shown, someone_watches
from logscope.commands.options import VehicleFile
from logscope.commands.output import deliver, terminal, with_progress
from logscope.errors import RequestError
from logscope.outputs import FOLDER, HTML, Guard

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console, RenderableType

    from logscope.live.items import Item
    from logscope.live.picture import View
    from logscope.live.process import LiveProcess
    from logscope.recording.intake import Arrived
    from logscope.recording.keys import Keyboard
    from logscope.recording.recorder import Listener, Recorder, Request, SourceStatus
    from logscope.recording.specs import SerialSpec

_DRAW_S = 0.25
_KEYS = "Space marks an event, a typed line is a note, q ends."
STOPPED_EARLY = 1  # exit status of a recording that ended for a reason of its own, such as a full disk


class Format(StrEnum):
    """How frames are written."""

    CANDUMP = "candump"
    BLF = "blf"


def record(
    guard: Guard,
    vehicle: VehicleFile,
    out: Annotated[
        Path,
        Writes(FOLDER),
        typer.Option("--out", metavar="DRIVE", help="New folder for the recording.", show_default=False),
    ],
    can: Annotated[
        list[str] | None,
        typer.Option(
            "--can",
            metavar="[BUS=]INTERFACE:CHANNEL[@BITRATE]",
            help="A CAN adapter; may be repeated.",
            show_default=False,
        ),
    ] = None,
    serial: Annotated[
        list[str] | None,
        typer.Option(
            "--serial", metavar="PORT@BAUD:D.toml", help="A serial console; may be repeated.", show_default=False
        ),
    ] = None,
    send_once: Annotated[
        list[str] | None,
        typer.Option(
            "--send-once", metavar="TEXT", help="Send this text once to a console that is silent until asked."
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before sending that text.")] = False,
    log_format: Annotated[Format, typer.Option("--format", help="How CAN frames are written.")] = Format.CANDUMP,
    rotate_mb: Annotated[
        float, typer.Option("--rotate", metavar="MB", min=0.001, help="Begin a new file after so many megabytes.")
    ] = 256.0,
    seconds: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", min=0.0, help="End after so many seconds.")
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Check the recording at its end, and write the report into it.")
    ] = False,
) -> None:
    """Record CAN buses and serial consoles on one clock. Nothing is ever transmitted on a bus."""
    from logscope.recording.recorder import BY_TIME, BY_USER, Recorder, Request
    from logscope.recording.specs import can_specs, refuse_shared_names, serial_specs
    from logscope.vehicle import load_vehicle

    known = load_vehicle(vehicle)
    if not can and not serial:
        raise RequestError("there is nothing to record", do="Name an adapter with --can or a console with --serial.")
    cans, serials = can_specs(can or (), known.bit_rates), serial_specs(serial or (), send_once or ())
    refuse_shared_names(cans, serials)
    console = terminal()
    _confirm(serials, yes=yes)
    request = Request(cans, serials, out, str(vehicle), log_format is Format.BLF, round(rotate_mb * 1e6))
    view = _view(request, vehicle) if someone_watches() else None
    try:
        recorder = Recorder(request, listener=_listener(view, request))
        _introduce(console, recorder, request)
        with _asked_to_end() as ending:
            recorder.start()
            until = None if seconds is None else time.monotonic() + seconds
            by_time = _watch(recorder, view, ending, until)
            recorder.stop(BY_TIME if by_time else BY_USER)
    finally:
        last = None if view is None else view.finish()
    if view is not None and view.failure:
        console.print(_failed(view), markup=False, highlight=False)
    _conclude(console, recorder, out, last)
    if check:
        _check(guard, out, vehicle)
    if recorder.reason not in (BY_TIME, BY_USER):
        raise typer.Exit(STOPPED_EARLY)


def _view(request: Request, vehicle: Path) -> LiveProcess:
    from logscope.live.process import LiveProcess

    rates = {spec.bus: spec.bit_rate for spec in request.cans if spec.bit_rate is not None}
    return LiveProcess(vehicle, [spec.definition for spec in request.serials], rates)


def _confirm(serials: list[SerialSpec], *, yes: bool) -> None:
    """Show what is to be sent, and ask. Raises RequestError where the answer is no, or nobody is there to give it."""
    for spec in serials:
        if not spec.send_once or yes:
            continue
        text = f"“{spec.send_once.decode().strip()}” would be sent to {spec.port}, once."
        if not sys.stdin.isatty():
            raise RequestError(text, do="Add --yes to send it without being asked.")
        if not typer.confirm(f"{text} Only its maker knows what the controller does then. Send it?"):
            raise RequestError("nothing was recorded", do="Leave out --send-once.")


def _introduce(console: Console, recorder: Recorder, request: Request) -> None:
    from logscope.recording.cautions import CAUTIONS

    for caution in CAUTIONS:
        console.print(caution, markup=False, highlight=False)
    for source, text in zip(recorder.sources, request.given, strict=True):
        line = f"{source.name} ({text}): {source.listening}; stamps: {source.stamps}"
        console.print(line, markup=False, highlight=False)


class _Ending:
    """Whether the process was asked to end. No lock: the handler may come while whoever waits for it holds one."""

    asked = False

    def ask(self, *_: object) -> None:
        self.asked = True


@contextmanager
def _asked_to_end() -> Iterator[_Ending]:
    """What a signal to end is noted in; the recording is then closed as usual."""
    ending = _Ending()
    asked = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {number: signal.signal(number, ending.ask) for number in asked}
    try:
        yield ending
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _watch(recorder: Recorder, view: LiveProcess | None, ending: _Ending, until: float | None) -> bool:
    """Wait for the end; returns whether it came by the time."""
    from logscope.recording.keys import keyboard

    with keyboard() as keys, _drawn(recorder, view, keys) as draw:
        while not ending.asked and not recorder.ended.is_set():
            if until is not None and time.monotonic() >= until:
                return True
            if keys is not None and _obey(keys, recorder):
                return False
            draw()
            recorder.ended.wait(_DRAW_S)
    return False


def _obey(keys: Keyboard, recorder: Recorder) -> bool:
    """Do what the keys ask for; returns whether they ask for the end."""
    from logscope.recording.keys import Key

    for asked in keys.asked():
        if asked is Key.END:
            return True
        if asked is Key.EVENT:
            recorder.mark_event()
        elif isinstance(asked, str):
            recorder.note(asked)
    return False


@contextmanager
def _drawn(recorder: Recorder, view: LiveProcess | None, keys: Keyboard | None) -> Iterator[Callable[[], None]]:
    """What draws the screen; nothing where there is none."""
    if view is None:
        yield lambda: None
        return
    from logscope.live.items import Now
    from logscope.live.screen import screen

    def draw(rows: int) -> RenderableType:
        view.offer([Now(recorder.clock.now_ns())])
        lines = [_status_line(status) for status in recorder.status()]
        so_far = f"{recorder.elapsed_s:.0f} s, {recorder.written_bytes / 1e6:.1f} MB, {_room(recorder)}"
        lines[0] = f"Recording for {so_far}   {lines[0]}"
        if view.failure:
            lines.append(_failed(view))
        return screen(view.view, lines, _KEYS, keys.typed if keys is not None else "", rows)

    with shown(draw) as drawing:
        yield drawing


def _failed(view: LiveProcess) -> str:
    return f"The recording is not affected, but the view has failed: {view.failure}"


def _room(recorder: Recorder) -> str:
    """How long the disk has room for, at the rate so far."""
    rate = recorder.written_bytes / max(recorder.elapsed_s, 1.0)
    hours = recorder.free_bytes / max(rate, 1.0) / 3600
    return "room for days" if hours > 48 else f"room for {hours:.1f} h"


def _listener(view: LiveProcess | None, request: Request) -> Listener | None:
    """Hands what was written to the view."""
    if view is None:
        return None
    from logscope.definitions.serial import load_serial_definition
    from logscope.live.items import Lines, Records
    from logscope.recording.port import CanBatch
    from logscope.recording.writers import StampedLines

    first = len(request.cans)  # sources are numbered, the consoles after the buses
    stamped = {
        first + k: StampedLines()
        for k, spec in enumerate(request.serials)
        if load_serial_definition(spec.definition).record is None
    }

    def listen(arrived: Sequence[Arrived]) -> None:
        items: list[Item] = []
        for number, batch in arrived:
            if isinstance(batch, CanBatch):
                items.append(batch.frames)
            elif number not in stamped:
                items.append(Records(number - first, batch.data, batch.arrival_ns))
            elif text := stamped[number].feed(batch):
                items.append(Lines(number - first, text))
        view.offer(items)

    return listen


def _status_line(status: SourceStatus) -> str:
    unit = "bytes" if status.serial else "frames"
    errors = f", {status.error_frames:,} of them error frames" if status.error_frames else ""
    lost = f", {status.lost:,} lost" if status.lost else ", none lost"
    gone = f"; unplugged: {status.unplugged}" if status.unplugged else ""
    return f"{status.name}: {status.count:,} {unit}{errors}{lost}{gone}"


def _conclude(console: Console, recorder: Recorder, out: Path, last: View | None) -> None:
    if last is not None:
        from logscope.live.screen import view_lines

        for line, _ in view_lines(last):
            console.print(line, markup=False, highlight=False)
    for status in recorder.status():
        console.print(_status_line(status), markup=False, highlight=False)
    from logscope.recording.recorder import BY_TIME, BY_USER

    why = recorder.reason if recorder.reason in (BY_TIME, BY_USER) else f"because {recorder.reason}"
    console.print(f"Recording: {out} (ended {why})", markup=False, highlight=False, soft_wrap=True)


def _check(guard: Guard, out: Path, vehicle: Path) -> None:
    from logscope.logs import open_logs
    from logscope.pipeline import check as run
    from logscope.report.terminal import print_summary
    from logscope.vehicle import load_vehicle

    report = out / "report.html"
    guard.allow(report, HTML)
    known = load_vehicle(vehicle)
    deliver(run(with_progress(open_logs([out], known)), known), print_summary, report, None)
