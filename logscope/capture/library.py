"""Every format without a fast path here, through python-can's readers, into the same columns."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any, Literal

import numpy as np

from logscope.capture.asc_time import AscTime
from logscope.capture.compression import unpack
from logscope.capture.frames import DATES_FROM_NS, MAX_BAD_LINES_NAMED, Account, BadLine, Block, Flag, Frames
from logscope.capture.reader_complaints import ReaderComplaints
from logscope.capture.resumed import resumed
from logscope.capture.rows import EARLIEST, counts_of, no_frames
from logscope.errors import LogError

BLOCK_FRAMES = 100_000  # some 50 MB of message objects at a time

_EPOCH_S = 1e8  # float64 seconds from here on step by more than 10 ns
_LAST_S = 9e9  # int64 nanoseconds end at 9.22e9 s
_MAX_BUSES = 255  # what the column of bus numbers holds


@dataclass(frozen=True, slots=True)
class Format:
    """A log format that python-can reads: its name, how its content begins, the reader class, what it reads.

    warning_is_loss : whether the reader leaves out the record that it warns of
    date_in_head : whether its stamps count from a date in its head, which names no time zone
    """

    name: str
    sniff: Callable[[bytes], bool]
    reader: str
    source: Literal["path", "bytes", "text"]
    warning_is_loss: bool = False
    date_in_head: bool = False


def _starts(magic: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(magic)


def _matches(pattern: bytes) -> Callable[[bytes], bool]:
    compiled = re.compile(pattern, re.MULTILINE | re.IGNORECASE)
    return lambda head: compiled.search(head[:4096]) is not None


_CSV_HEADER = rb"\A(\xef\xbb\xbf)?timestamp,arbitration_id,extended,remote,error,dlc,data"
_TRC_START = rb"^;\$FILEVERSION\s*=|\A;(.*\n;)*.*\n\s*\d+\)\s+\d+(\.\d+)?\s+[0-9A-F]{4,8}\s+\d\s"

FORMATS = (
    Format("BLF", _starts(b"LOGG"), "BLFReader", "bytes", warning_is_loss=True, date_in_head=True),
    Format("MF4", _starts(b"MDF     "), "MF4Reader", "path"),
    Format("SQLite", _starts(b"SQLite format 3\x00"), "SqliteReader", "path"),
    Format("TRC", _matches(_TRC_START), "TRCReader", "text", warning_is_loss=True, date_in_head=True),
    Format("ASC", _matches(rb"^(date\s|base\s+(hex|dec))"), "ASCReader", "text", date_in_head=True),
    Format("CSV", _matches(_CSV_HEADER), "CSVReader", "text"),
)


BLF = FORMATS[0]


def format_of(head: bytes) -> Format | None:
    """The format of a log by its first bytes."""
    return next((known for known in FORMATS if known.sniff(head)), None)


def blocks(path: Path, log_format: Format) -> Iterator[Block]:
    """Frames and account of a log in one of python-can's formats.

    In a text format, a line that python-can cannot read is counted, and reading goes on after it. Where it cannot
    go on, what came before stands, one bad record is counted, and a note says that the rest was not read.
    Raises LogError where nothing at all can be read.
    """
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True))
        content, notes = unpack(path, Path(folder))
        complaints = stack.enter_context(ReaderComplaints(str(path), log_format.warning_is_loss))
        asc_time = AscTime()
        if log_format.source == "text":
            text = stack.enter_context(content.open(encoding="utf-8-sig", errors="replace"))
            reader_class = _reader_class(log_format)
            timed = log_format.name == "ASC"
            new_reader = (lambda lines: reader_class(asc_time.lines(lines))) if timed else reader_class
            messages = resumed(text, new_reader, complaints)
        else:
            # a stream of our own where the reader takes one, so that closing is ours
            source = stack.enter_context(content.open("rb")) if log_format.source == "bytes" else content
            reader = stack.enter_context(_reader(source, path, log_format))
            messages = _counted(reader, complaints)
        dated = False
        for block in _blocks(_sound(messages, complaints), str(path), log_format, complaints):
            yield _from(block, asc_time.start_ns)
            dated = dated or bool(len(block.frames) and block.frames.time_ns[0] + asc_time.start_ns >= DATES_FROM_NS)
        assumed = _assumed_of_date(path, log_format, asc_time, dated=dated)
        if notes := (*notes, *assumed, *complaints.notes()):
            yield Block(no_frames(), Account(files=(str(path),), notes=notes, assumptions=assumed))


def _from(block: Block, start_ns: int) -> Block:
    """The block with stamps that count from the start of the log moved to its date."""
    if not start_ns:
        return block
    return replace(block, frames=replace(block.frames, time_ns=block.frames.time_ns + start_ns))


def _assumed_of_date(path: Path, log_format: Format, asc_time: AscTime, *, dated: bool) -> tuple[str, ...]:
    """What was assumed of the date in the head of a log; nothing where the format has none, or keeps UTC."""
    if asc_time.unreadable:
        return (
            f"{path}: the date “{asc_time.unreadable}” in its header cannot be read; the log is treated as undated",
        )
    if dated and log_format.date_in_head:
        return (f"{path}: the date in its header names no time zone and was taken as UTC",)
    return ()


def _reader_class(log_format: Format) -> Any:
    import can

    from logscope.capture.blf import SteadyBLFReader

    return SteadyBLFReader if log_format.name == "BLF" else getattr(can, log_format.reader)


def _reader(source: Path | IO[Any], named: Path, log_format: Format) -> Any:
    try:
        return _reader_class(log_format)(source)
    except (ImportError, NotImplementedError):
        what = f"reading {log_format.name} logs needs one more package"
        raise LogError(what, where=named, do="Install it: pip install asammdf") from None
    except Exception as error:  # python-can's readers raise whatever their parsing runs into
        raise LogError(_why(log_format, error), where=named, do="Check that the file is complete.") from None


def _counted(messages: Iterable[Any], complaints: ReaderComplaints) -> Iterator[Any]:
    """The messages of a binary log, with the record that is being read kept up to date."""
    complaints.number = 1
    for message in messages:
        yield message
        complaints.number += 1


def _sound(messages: Iterable[Any], complaints: ReaderComplaints) -> Iterator[Any]:
    """The messages that are possible."""
    for message in messages:
        if fault := _fault(message):
            complaints.add(fault)
        else:
            yield message


def _blocks(messages: Iterator[Any], file: str, log_format: Format, complaints: ReaderComplaints) -> Iterator[Block]:
    failure: Exception | None = None
    records, previous_ns = 0, EARLIEST
    while failure is None:
        batch, failure = _take(messages)
        bad = complaints.take()
        block = _block(batch, file, previous_ns, bad)
        records += len(batch) + len(bad)
        previous_ns = int(block.frames.time_ns[-1]) if len(block.frames) else previous_ns
        if records:
            yield block
        if len(batch) < BLOCK_FRAMES:
            break
    if failure is not None:
        reason = _why(log_format, failure)
        if not records:
            raise LogError(reason, where=file, do="Check that the file is complete.")
        note = f"{file}: reading stopped at line or record {complaints.number}: {reason}"
        bad = [BadLine(file, complaints.number, reason)]
        yield Block(no_frames(), Account(files=(file,), lines=1, lines_bad=1, bad=tuple(bad), notes=(note,)))


def _take(messages: Iterator[Any]) -> tuple[list[Any], Exception | None]:
    """The next messages, and what stopped the reader, so that what came before an error is kept."""
    batch: list[Any] = []
    try:
        for message in messages:
            batch.append(message)
            if len(batch) == BLOCK_FRAMES:
                break
    except Exception as error:
        return batch, error
    return batch, None


def _why(log_format: Format, error: Exception) -> str:
    return f"not readable as a {log_format.name} log ({type(error).__name__}: {error})"


def _block(batch: list[Any], file: str, previous_ns: int, bad: list[BadLine]) -> Block:
    frames = frames_of(batch, file)
    account = Account(
        files=(file,),
        lines=len(batch) + len(bad),
        lines_bad=len(bad),
        bad=tuple(bad[:MAX_BAD_LINES_NAMED]),
        **counts_of(frames, previous_ns),
    )
    return Block(frames, account)


def _fault(message: Any) -> str:
    """What makes a message impossible; python-can's readers do not check."""
    if not isinstance(message.timestamp, int | float) or not abs(message.timestamp) <= _LAST_S:
        return "the timestamp is out of range"
    if not isinstance(message.arbitration_id, int) or not isinstance(message.dlc, int):
        return "identifier or length is not a number"
    if not 0 <= message.arbitration_id < 1 << (29 if message.is_extended_id else 11) and not message.is_error_frame:
        return "the identifier is out of range"
    if len(message.data) > 64 or not 0 <= message.dlc <= 64:
        return "the length is out of range"
    return ""


def frames_of(batch: Sequence[Any], file: str) -> Frames:
    """Messages of python-can as columns; `file` is named where they are of too many buses."""
    names = tuple(dict.fromkeys(_bus(message.channel) for message in batch))
    if len(names) > _MAX_BUSES:
        raise LogError(f"frames of more than {_MAX_BUSES} buses", where=file, do="Check that the file is complete.")
    index = {name: k for k, name in enumerate(names)}
    data = [b"" if _is_remote(m) else bytes(m.data) for m in batch]
    lengths = [m.dlc if _is_remote(m) else len(d) for m, d in zip(batch, data, strict=True)]
    sizes = np.array([len(d) for d in data], np.int64)
    return Frames(
        time_ns=np.array([_nanoseconds(m.timestamp) for m in batch], np.int64),
        bus=np.array([index[_bus(m.channel)] for m in batch], np.uint8),
        identifier=np.array([m.arbitration_id & 0x1FFFFFFF for m in batch], np.uint32),
        flags=np.array([_flags(m) for m in batch], np.uint8),
        length=np.array(lengths, np.uint8),
        offset=np.cumsum(sizes) - sizes,
        payload=np.frombuffer(b"".join(data), np.uint8),
        buses=names,
    )


def _is_remote(message: Any) -> bool:
    return bool(message.is_remote_frame) and not message.is_error_frame


def _nanoseconds(stamp_s: float) -> int:
    """A stamp in whole nanoseconds; a date only to the microsecond, since float64 seconds hold no more."""
    return round(stamp_s * 1e6) * 1000 if abs(stamp_s) >= _EPOCH_S else round(stamp_s * 1e9)


def _bus(channel: object) -> str:
    """python-can numbers channels in some formats and names them in others."""
    return f"can{channel}" if isinstance(channel, int) else str(channel or "can0")


_EXTENDED, _REMOTE, _ERROR, _FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
_BRS, _ESI, _TX = int(Flag.BITRATE_SWITCH), int(Flag.ERROR_STATE), int(Flag.TRANSMITTED)


def _flags(message: Any) -> int:
    if message.is_error_frame:
        return _ERROR | (0 if message.is_rx else _TX)
    return (
        (_EXTENDED if message.is_extended_id else 0)
        | (_REMOTE if message.is_remote_frame else 0)
        | (_FD if message.is_fd else 0)
        | (_BRS if message.bitrate_switch else 0)
        | (_ESI if message.error_state_indicator else 0)
        | (0 if message.is_rx else _TX)
    )
