"""Serial logs by their definition: does a log look like it, and what does it hold."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from logscope.capture.frames import BadLine
from logscope.capture.samples import SerialAccount, SerialLog
from logscope.capture.serial_assemble import Rows, assemble, first_bad
from logscope.capture.serial_binary import read_arrivals, read_binary
from logscope.capture.serial_text import read_text
from logscope.capture.text import head_of, text_blocks
from logscope.definitions.serial import SerialDefinition
from logscope.errors import LogError


def sniff(head: bytes, definition: SerialDefinition) -> bool:
    """Whether the first bytes of a log, as by `text.head_of`, are what the definition describes.

    They are if they hold samples, and no more damage than samples. The last line may be cut and does not count.
    """
    account = _account_of(head, definition)
    return 0 < account.sample_lines >= account.lines_bad


def misfit(head: bytes, definition: SerialDefinition) -> str:
    """Why the first bytes of a log, as by `text.head_of`, are not what the definition describes, in words."""
    account = _account_of(head, definition)
    if definition.record is not None:
        return "no record as it describes them is found"
    if not account.bad:
        names = ", ".join(signal.written_as for signal in definition.signal)
        return f"no line holds any of {names}"
    return f"line {account.bad[0].line}: {account.bad[0].reason}"


def _account_of(head: bytes, definition: SerialDefinition) -> SerialAccount:
    if definition.record is None:
        whole = max(head.rfind(b"\n"), head.rfind(b"\r")) + 1
        head = head[:whole] or head
    return _read([head], definition, "")[1]


def read_serial(path: Path | str, definition: SerialDefinition) -> SerialLog:
    """Read a serial log, plain or compressed.

    What cannot be read is counted and never raised; a log without one sound sample comes back with an
    account that says so. Raises LogError where the file cannot be opened.
    """
    path = Path(path)
    if path.is_dir():
        raise LogError("this is a folder, not a log", where=path, do="Name the log files in it.")
    head_of(path)  # raises a LogError that says why where the file cannot be opened
    blocks = _Blocks(path)
    rows, account = _read(blocks, definition, str(path))
    if blocks.cut:
        account = _with_cut(account, str(path))
    return assemble(definition, rows, account)


def read_recorded(files: Sequence[Path], definition: SerialDefinition) -> SerialLog:
    """Read what a recording wrote of a console: lines with their time in front, or bytes with a file of their times.

    The files are one stream. Its times are those of the recording's clock; where the console has a clock of its own,
    that is put onto it.
    """
    own = definition.time
    seen = own.model_copy(update={"stamp": "epoch", "rate_Hz": None})
    stamped = definition.model_copy(update={"time": seen})
    if definition.record is None:
        blocks = (block for file in files for block in _Blocks(file))
        rows, account = read_text(blocks, stamped, str(files[0]))
    else:
        times = _times(files[0])
        rows, account = read_arrivals(_arrivals(files[0].read_bytes(), times), stamped, str(files[0]))
        if not times:
            note = f"{files[0]}: nothing says when its bytes arrived, so none of them were read"
            account = replace(account, notes=(*account.notes, note))
    return assemble(stamped, rows, replace(account, files=tuple(map(str, files))))


_PIECE_NS = 20_000_000  # bytes are read in pieces of so much time, for each costs a search
# The last line of a file of times may be cut, also within a number; after a failed power it may be anything.
_TIMES_LINE = re.compile(rb"(\d{1,18}) ([0-8]?\d{1,18})\n")


def _times(file: Path) -> list[tuple[int, int]]:
    """The place of the first byte of each read, and its arrival [ns]; empty where no file says so."""
    times = file.with_suffix(".times")
    lines = _TIMES_LINE.findall(times.read_bytes() if times.is_file() else b"")
    return [(int(place), int(arrival)) for place, arrival in lines]


def _arrivals(content: bytes, times: Sequence[tuple[int, int]]) -> Iterator[tuple[bytes, int]]:
    """The bytes of a binary console in pieces, each with the arrival of its last read."""
    begin, since = 0, None
    ends = [*(place for place, _ in times[1:]), len(content)]
    for (_, at_ns), following in zip(times, ends, strict=False):  # without times there is one end too many
        since = at_ns if since is None else since
        if at_ns - since >= _PIECE_NS or following >= len(content):
            yield content[begin:following], at_ns
            begin, since = following, None


def _read(blocks: Iterable[bytes], definition: SerialDefinition, file: str) -> tuple[Rows, SerialAccount]:
    return (read_text if definition.record is None else read_binary)(blocks, definition, file)


class _Blocks:
    """The content of a file in blocks; `cut` says afterwards whether a compressed one ended too early."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.cut = False

    def __iter__(self) -> Iterator[bytes]:
        try:
            for block in text_blocks(self._path):  # cut after line ends, which suits records as well as any place
                yield block.text[: block.size].tobytes()
        except EOFError:
            self.cut = True


def _with_cut(account: SerialAccount, file: str) -> SerialAccount:
    line, reason = account.lines + 1, "the compressed file is cut short or damaged here"
    return replace(
        account,
        lines=line,
        lines_bad=account.lines_bad + 1,
        bad=first_bad([*account.bad, BadLine(file, line, reason)]),
        notes=(*account.notes, f"{file}: {reason}; everything before was read"),
    )
