"""Every format without a fast path here, through python-can's readers, into the same columns."""

from __future__ import annotations

import gzip
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from logscope.capture.candump import count_out_of_order
from logscope.capture.frames import Account, BadLine, Block, Flag, Frames
from logscope.capture.text import GZIP_MAGIC
from logscope.errors import LogError

BLOCK_FRAMES = 100_000  # some 50 MB of message objects at a time


@dataclass(frozen=True, slots=True)
class Format:
    """A log format that python-can reads: its name, how its content begins, and the reader class."""

    name: str
    sniff: Callable[[bytes], bool]
    reader: str


def _starts(magic: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(magic)


def _matches(pattern: bytes) -> Callable[[bytes], bool]:
    compiled = re.compile(pattern, re.MULTILINE | re.IGNORECASE)
    return lambda head: compiled.search(head[:4096]) is not None


FORMATS = (
    Format("BLF", _starts(b"LOGG"), "BLFReader"),
    Format("MF4", _starts(b"MDF     "), "MF4Reader"),
    Format("SQLite", _starts(b"SQLite format 3\x00"), "SqliteReader"),
    Format("TRC", _matches(rb"^;\$FILEVERSION\s*="), "TRCReader"),
    Format("ASC", _matches(rb"^(date\s|base\s+(hex|dec))"), "ASCReader"),
    Format("CSV", _matches(rb"\A(\xef\xbb\xbf)?timestamp,arbitration_id,extended,remote,error,dlc,data"), "CSVReader"),
)


def format_of(head: bytes) -> Format | None:
    """The format of a log by its first bytes."""
    return next((known for known in FORMATS if known.sniff(head)), None)


def blocks(path: Path, log_format: Format) -> Iterator[Block]:
    """Frames and account of a log in one of python-can's formats.

    Where python-can cannot go on, what came before stands, one bad record is counted, and a note says
    that the rest was not read. Raises LogError where nothing at all can be read.
    """
    with tempfile.TemporaryDirectory() as folder:
        yield from _blocks(_unpacked(path, Path(folder)), path, log_format)


def _unpacked(path: Path, folder: Path) -> Path:
    with path.open("rb") as raw:
        if not raw.read(2).startswith(GZIP_MAGIC):
            return path
    target = folder / path.stem
    with gzip.open(path, "rb") as packed, target.open("wb") as plain:
        shutil.copyfileobj(packed, plain)
    return target


def _blocks(path: Path, named: Path, log_format: Format) -> Iterator[Block]:
    import can

    failure: Exception | None = None
    records, previous_ns = 0, np.iinfo(np.int64).min
    try:
        reader = getattr(can, log_format.reader)(path)
    except (ImportError, NotImplementedError):
        raise LogError(
            f"reading {log_format.name} logs needs one more package",
            where=named,
            do="Install it: pip install asammdf",
        ) from None
    except Exception as error:  # python-can's readers raise whatever their parsing runs into
        raise LogError(_why(log_format, error), where=named, do="Is the file whole?") from None
    with reader:
        messages = iter(reader)
        while failure is None:
            batch: list[Any] = []
            try:
                batch.extend(_take(messages, batch))
            except Exception as error:
                failure = error
            if not batch:
                break
            frames = _columns(batch)
            records += len(frames)
            yield Block(frames, _account(frames, str(named), previous_ns))
            previous_ns = int(frames.time_ns[-1])
    if failure is not None:
        if not records:
            raise LogError(_why(log_format, failure), where=named, do="Is the file whole?")
        note = f"{named}: reading stopped behind record {records}: {_why(log_format, failure)}"
        bad = BadLine(str(named), records + 1, _why(log_format, failure))
        account = Account(files=(str(named),), lines=1, lines_bad=1, bad=(bad,), notes=(note,))
        yield Block(_columns([]), account)


def _take(messages: Iterator[Any], batch: list[Any]) -> list[Any]:
    """Fill `batch` itself, so that what came before an error is kept."""
    for message in islice(messages, BLOCK_FRAMES):
        batch.append(message)
    return []


def _why(log_format: Format, error: Exception) -> str:
    return f"not readable as a {log_format.name} log ({type(error).__name__}: {error})"


def _columns(batch: list[Any]) -> Frames:
    names = tuple(dict.fromkeys(_bus(message.channel) for message in batch))
    index = {name: k for k, name in enumerate(names)}
    data = [b"" if m.is_remote_frame else bytes(m.data) for m in batch]
    sizes = np.fromiter((len(d) for d in data), np.int64, len(batch))
    return Frames(
        time_ns=np.fromiter((round(m.timestamp * 1e9) for m in batch), np.int64, len(batch)),
        bus=np.fromiter((index[_bus(m.channel)] for m in batch), np.uint8, len(batch)),
        identifier=np.fromiter((m.arbitration_id for m in batch), np.uint32, len(batch)),
        flags=np.fromiter((_flags(m) for m in batch), np.uint8, len(batch)),
        length=np.fromiter(
            (m.dlc if m.is_remote_frame else len(d) for m, d in zip(batch, data, strict=True)), np.uint8, len(batch)
        ),
        offset=np.cumsum(sizes) - sizes,
        payload=np.frombuffer(b"".join(data), np.uint8),
        buses=names,
    )


def _bus(channel: object) -> str:
    """python-can numbers channels in some formats and names them in others."""
    return f"can{channel}" if isinstance(channel, int) else str(channel or "can0")


def _flags(message: Any) -> int:
    flags = Flag.EXTENDED if message.is_extended_id and not message.is_error_frame else Flag(0)
    flags |= Flag.REMOTE if message.is_remote_frame else Flag(0)
    flags |= Flag.ERROR if message.is_error_frame else Flag(0)
    flags |= Flag.FD if message.is_fd else Flag(0)
    flags |= Flag.BITRATE_SWITCH if message.bitrate_switch else Flag(0)
    flags |= Flag.ERROR_STATE if message.error_state_indicator else Flag(0)
    return int(flags | (Flag(0) if message.is_rx else Flag.TRANSMITTED))


def _account(frames: Frames, file: str, previous_ns: int) -> Account:
    return Account(
        files=(file,),
        lines=len(frames),
        frames=len(frames),
        error_frames=int(np.count_nonzero(frames.flags & Flag.ERROR)),
        remote_frames=int(np.count_nonzero(frames.flags & Flag.REMOTE)),
        out_of_order=count_out_of_order(frames.time_ns, previous_ns),
    )
