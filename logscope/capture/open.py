"""Open logs by their content, whatever their names end in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial, reduce
from operator import add
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from logscope.capture import candump, candump_screen, library
from logscope.capture.clock import Clock, on_one_clock
from logscope.capture.drive_folder import is_drive, read_drive
from logscope.capture.frames import Account, Block, Frames
from logscope.capture.prefetch import prefetch
from logscope.capture.rows import concatenate as concatenate
from logscope.capture.rows import no_frames
from logscope.capture.samples import SerialLog
from logscope.capture.shift import Shift, shifted_blocks, shifted_serial
from logscope.capture.text import head_of
from logscope.errors import LogError
from logscope.joint_clock import JointClock

if TYPE_CHECKING:
    from logscope.capture.columns import ColumnLayout
    from logscope.capture.time_unit import TimeColumn
    from logscope.definitions.serial import SerialDefinition


@dataclass(frozen=True)
class Capture:
    """One or more logs: CAN frames in blocks, and serial logs.

    blocks : in memory (`read`), or an iterator that reads while it is consumed, once (`stream`)
    clocks : how logs with clocks of their own were brought onto one
    """

    blocks: Iterable[Block]
    serial: tuple[SerialLog, ...] = ()
    clocks: tuple[JointClock, ...] = ()

    def in_memory(self) -> Capture:
        """The same with all blocks read."""
        return replace(self, blocks=tuple(self.blocks))

    @cached_property
    def account(self) -> Account:
        """What the logs held. Only for a capture in memory."""
        accounts = [block.account for block in self.blocks] + [log.account.as_account() for log in self.serial]
        return reduce(add, accounts, Account())

    @cached_property
    def frames(self) -> Frames:
        """All frames in the order of the logs. Only for a capture in memory."""
        return concatenate([block.frames for block in self.blocks])


def read(*paths: Path | str, layout: ColumnLayout | None = None) -> Capture:
    """CAN logs read into memory; `layout` as in `stream`."""
    return stream(paths, layout).in_memory()


def stream(
    paths: Sequence[Path | str],
    layout: ColumnLayout | None = None,
    consoles: Sequence[SerialDefinition] = (),
    shifts: Sequence[Shift | None] = (),
) -> Capture:
    """Open logs; frames are read block by block when asked for, so that long logs need not fit into memory.

    paths : log files, and folders of recordings, each of which is one log
    layout : the columns of delimited text; without it they are guessed where they are unmistakable
    consoles : definitions of serial logs; a log that is no CAN log and looks like one of them is read by it
    shifts : for each log, how it is moved onto the clock of the others, or None; empty where none is

    Raises LogError where a log cannot be opened or is in no known format.
    """
    blocks: list[Iterator[Block]] = []
    serial: list[SerialLog] = []
    for path, shift in zip(map(Path, paths), shifts or (None,) * len(paths), strict=True):
        if is_drive(path):
            frames, logs = _recording(path, consoles)
            blocks += frames if shift is None else [shifted_blocks(each, shift) for each in frames]
            serial += logs if shift is None else [shifted_serial(each, shift) for each in logs]
            continue
        opened = _open(path, layout, consoles)
        if isinstance(opened, SerialLog):
            serial.append(opened if shift is None else shifted_serial(opened, shift))
        else:
            mended = on_one_clock(opened.blocks, Clock())
            if opened.time is not None:
                from logscope.capture.time_unit import doubted

                mended = doubted(mended, opened.time, str(path))
            blocks.append(mended if shift is None else shifted_blocks(mended, shift))
    return Capture(prefetch(block for log in blocks for block in log), tuple(serial))


def _recording(folder: Path, consoles: Sequence[SerialDefinition]) -> tuple[list[Iterator[Block]], list[SerialLog]]:
    """The sources of a recording, which are on one clock. A console is read by the definition that the vehicle file has
    now, or by the one that was recorded with it."""
    from logscope.capture.serial import read_recorded
    from logscope.definitions.serial import load_serial_definition

    drive = read_drive(folder)
    blocks: list[Iterator[Block]] = [iter([Block(no_frames(), drive.account)])]
    serial: list[SerialLog] = []
    for source in drive.sources:
        if source.definition is not None:
            kept = load_serial_definition(source.definition)
            now = next((each for each in consoles if each.name == kept.name), kept)
            serial.append(read_recorded(source.files, now))
        else:
            read_file = partial(library.blocks, log_format=library.BLF) if source.form == "blf" else candump.blocks
            whole = (block for file in source.files for block in read_file(file))
            blocks.append(on_one_clock(_of_bus(whole, source.name), Clock()))
    return blocks, serial


def _of_bus(blocks: Iterable[Block], bus: str) -> Iterator[Block]:
    """The blocks of a file that holds one bus, called as it was recorded: BLF has numbers in place of names."""
    for block in blocks:
        frames = block.frames
        yield replace(block, frames=replace(frames, buses=(bus,))) if len(frames.buses) == 1 else block


class _Frames(NamedTuple):
    """The frames of a log; `time` where the unit of its stamps is not certain."""

    blocks: Iterator[Block]
    time: TimeColumn | None = None


def refuse_unknown(path: Path, layout: ColumnLayout | None = None, consoles: Sequence[SerialDefinition] = ()) -> None:
    """Look at the beginning of a log alone; arguments as in `stream`. Raises LogError where its format is unknown."""
    _opener(path, layout, consoles)


def _open(path: Path, layout: ColumnLayout | None, consoles: Sequence[SerialDefinition]) -> _Frames | SerialLog:
    return _opener(path, layout, consoles)()


def _opener(
    path: Path, layout: ColumnLayout | None, consoles: Sequence[SerialDefinition]
) -> Callable[[], _Frames | SerialLog]:
    """What opens a log in its format, found by its beginning."""
    if path.is_dir():
        what = "this is a folder, and not one of a recording"
        raise LogError(what, where=path, do="Name the log files in it.")
    head = head_of(path)
    if not head.strip():
        raise LogError("the log is empty", where=path, do="Check that the logger was recording.")
    if log_format := library.format_of(head):
        if log_format.name == "MF4":
            from logscope.capture import mf4

            return lambda: _Frames(mf4.blocks(path, log_format))
        return lambda: _Frames(library.blocks(path, log_format))
    if candump.sniff(head):
        return lambda: _Frames(candump.blocks(path))
    if candump_screen.sniff(head):
        return lambda: _Frames(candump_screen.blocks(path, head))
    if consoles:
        from logscope.capture import serial
    for definition in consoles:
        if serial.sniff(head, definition):
            return partial(serial.read_serial, path, definition)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise LogError("the text is in UTF-16", where=path, do="Save it as UTF-8.")
    if layout is None and b"\x00" in head[:1024]:
        known = ", ".join(log_format.name for log_format in library.FORMATS)
        raise LogError(
            "no known log format: the content fits none",
            where=path,
            do=f"Readable are {known}, candump text, delimited text; also compressed as .gz, .xz or .zip.",
        )
    from logscope.capture import console_guess, delimited

    try:
        guessed = delimited.layout_of(path, head, layout)
    except LogError as error:
        if layout is None and not error.example:  # whoever has a console has no columns of frames
            if consoles:
                raise _no_console(path, head, consoles[0]) from None
            if console := console_guess.advice(delimited.lines_of(head), path):
                what, do, example = console
                raise LogError(what, where=path, do=do, example=example) from None
        raise
    return lambda: _Frames(delimited.blocks(path, guessed), guessed.time)


def _no_console(path: Path, head: bytes, definition: SerialDefinition) -> LogError:
    from logscope.capture import serial

    return LogError(
        f"no known CAN log, and not what {definition.path or definition.name} describes: "
        f"{serial.misfit(head, definition)}",
        where=path,
        do="Correct that definition; for a CAN log of another layout, describe its columns in the vehicle file, "
        "under [[can]].",
    )
