"""MF4 bus logs through asammdf's arrays: no object per frame.

Source of the channel names: ASAM MDF bus logging (associated standard), as python-can's reader uses them.
"""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from traceback import walk_tb
from typing import IO, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.capture import library
from logscope.capture.compression import unpack
from logscope.capture.frames import Account, Block, Flag, Frames
from logscope.capture.rows import EARLIEST, concatenate, counts_of, no_frames
from logscope.errors import LogError

_HEADER = struct.Struct("<4s4xQQ")  # kind, length, number of links
_FIRST_BLOCK = 64  # the header block follows the identification block
# Of each kind of block: which of its links lead to a block that belongs to it alone. Link 0 of most is the next one.
_OWN_LINKS = {
    b"##HD": (0, 1, 2, 3, 4),  # data groups, file history, hierarchy, attachments, events
    b"##DG": (0, 1),  # next, channel groups
    b"##CG": (0, 1),  # next, channels
    b"##CN": (0, 1),  # next, the channels it is composed of
    b"##FH": (0,),
    b"##CH": (0, 1),
    b"##AT": (0,),
    b"##EV": (0,),
}


class EndlessChain(ValueError):
    """A block is reached twice."""


def follow_chains(stream: IO[bytes]) -> None:
    """Visit each block once; raises EndlessChain where one is reached a second time, and rewinds the stream."""
    visited: set[int] = set()
    waiting = [_FIRST_BLOCK]
    while waiting:
        at = waiting.pop()
        if at in visited:
            raise EndlessChain(f"the block at byte {at} is reached twice")
        visited.add(at)
        waiting += _own_links(stream, at)
    stream.seek(0)


def _own_links(stream: IO[bytes], at: int) -> list[int]:
    """Where the blocks are that belong to the block at `at`; none where there is no such block."""
    stream.seek(at)
    header = stream.read(_HEADER.size)
    if len(header) < _HEADER.size:
        return []
    kind, _, count = _HEADER.unpack(header)
    wanted = _OWN_LINKS.get(kind, ())
    links = stream.read(8 * min(count, 8))
    addresses = struct.unpack(f"<{len(links) // 8}Q", links[: len(links) // 8 * 8])
    return [addresses[k] for k in wanted if k < len(addresses) and 0 < addresses[k] < 1 << 63]


_RECORDS_AT_ONCE = 100_000  # some 10 MB
_CAN, _BUS_EVENT, _SOURCE_IS_BUS = 2, 2, 2  # bus type, flag of a channel group, source type (ASAM MDF 4)
_SORTS = {"CAN_DataFrame": Flag(0), "CAN_ErrorFrame": Flag.ERROR, "CAN_RemoteFrame": Flag.REMOTE}
_LENGTH_OF_CODE = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64], np.uint8)  # ISO 11898-1

Records = NDArray[Any]


def blocks(path: Path, log_format: library.Format) -> Iterator[Block]:
    """Frames and account of an MF4 log; by python-can's reader where asammdf is missing."""
    try:
        import asammdf  # noqa: F401
    except ImportError:
        yield from library.blocks(path, log_format)
        return
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True))
        content, notes = unpack(path, Path(folder))
        stream = stack.enter_context(content.open("rb"))
        try:
            follow_chains(stream)
            groups = list(_groups(stream))
        except Exception as error:  # asammdf raises whatever a damaged file makes it run into
            what = f"not readable as an MF4 log ({type(error).__name__}: {error})"
            raise LogError(what, where=path, do="Check that the file is complete.") from None
    missing = sum(group.missing for group in groups)
    if missing:
        notes = (*notes, f"{path}: frames that the log announces but does not hold: {missing} (cut short?)")
    previous_ns = EARLIEST
    for frames in _in_order([group.frames for group in groups]):
        account = Account(files=(str(path),), lines=len(frames), **counts_of(frames, previous_ns))
        previous_ns = int(frames.time_ns[-1])
        yield Block(frames, account)
    if notes or not groups:
        yield Block(no_frames(), Account(files=(str(path),), notes=notes))


class _Group(NamedTuple):
    """The frames of a channel group, and how many more the log announces than it holds."""

    frames: Frames
    missing: int


def _groups(stream: Any) -> Iterator[_Group]:
    """Each channel group that holds CAN frames, in the order of the file."""
    with _opened(stream) as mdf:
        start_ns = round(mdf.header.start_time.timestamp() * 1e6) * 1000
        for index, group in enumerate(mdf.groups):
            source = group.channel_group.acq_source
            is_bus = group.channel_group.flags & _BUS_EVENT and source and source.source_type & _SOURCE_IS_BUS
            names = {channel.name for channel in group.channels}
            sort = next((sort for sort in _SORTS if sort in names), None)
            if is_bus and sort is not None and source.bus_type == _CAN:
                yield _group(mdf, index, sort, group.channel_group.cycles_nr, start_ns)


def _opened(stream: Any) -> Any:
    import asammdf

    try:
        return asammdf.MDF(stream)
    except Exception as error:
        for frame, _ in walk_tb(error.__traceback__):  # asammdf's half-read object would complain when it goes
            half_read = frame.f_locals.get("self")
            for block in ("header", "identification"):
                if type(half_read).__name__ == "MDF4" and not hasattr(half_read, block):
                    setattr(half_read, block, None)
        raise


def _group(mdf: Any, index: int, sort: str, announced: int, start_ns: int) -> _Group:
    pieces: list[Frames] = []
    count = 0
    while count < announced:
        signal = mdf.get(sort, index, record_offset=count, record_count=_RECORDS_AT_ONCE, raw=False)
        if not len(signal):  # fewer records than the log announces
            break
        stamps = start_ns + np.rint(np.asarray(signal.timestamps, np.float64) * 1e9).astype(np.int64)
        pieces.append(_frames(signal.samples, stamps, sort))
        count += len(signal)
    return _Group(concatenate(pieces), announced - count)


def _frames(records: Records, time_ns: NDArray[np.int64], sort: str) -> Frames:
    fields = {name.removeprefix(f"{sort}."): name for name in records.dtype.names or ()}

    def column(name: str) -> NDArray[np.int64] | None:
        return records[fields[name]].astype(np.int64) if name in fields else None

    def flag(name: str, bit: Flag) -> NDArray[np.int64]:
        values = column(name)
        return np.zeros(len(records), np.int64) if values is None else (values != 0) * int(bit)

    identifier = column("ID")
    identifier = np.zeros(len(records), np.int64) if identifier is None else identifier
    flags = np.full(len(records), int(_SORTS[sort])) | _transmitted(records, fields)
    if sort != "CAN_ErrorFrame":
        flags |= (identifier >> 31 & 1) * int(Flag.EXTENDED) if "IDE" not in fields else flag("IDE", Flag.EXTENDED)
        flags |= flag("EDL", Flag.FD) | flag("BRS", Flag.BITRATE_SWITCH) | flag("ESI", Flag.ERROR_STATE)
    length = _lengths(column("DataLength"), column("DLC"), len(records), sort)
    payload, length = _payload(records[fields["DataBytes"]] if "DataBytes" in fields else None, length, sort)
    channel = column("BusChannel")
    buses, bus = np.unique(np.zeros(len(records), np.int64) if channel is None else channel, return_inverse=True)
    stored = np.zeros_like(length) if sort == "CAN_RemoteFrame" else length
    return Frames(
        time_ns=time_ns,
        bus=bus.astype(np.uint8),
        identifier=(identifier & 0x1FFFFFFF).astype(np.uint32),
        flags=flags.astype(np.uint8),
        length=length.astype(np.uint8),
        offset=np.cumsum(stored) - stored,
        payload=payload,
        buses=tuple(f"can{number}" for number in buses),
    )


def _transmitted(records: Records, fields: dict[str, str]) -> NDArray[np.int64]:
    if "Dir" not in fields:
        return np.zeros(len(records), np.int64)
    direction = records[fields["Dir"]]
    sent = direction != b"Rx" if direction.dtype.kind == "S" else direction.astype(np.int64) != 0
    return np.where(sent, int(Flag.TRANSMITTED), 0)


def _lengths(
    length: NDArray[np.int64] | None, code: NDArray[np.int64] | None, count: int, sort: str
) -> NDArray[np.int64]:
    """Bytes of each frame, from the length or else from the length code; a remote frame's as asked for."""
    if length is None or sort == "CAN_RemoteFrame":
        length = np.zeros(count, np.int64) if code is None else _LENGTH_OF_CODE[code & 15].astype(np.int64)
    return np.minimum(length, 64)


def _payload(data: Records | None, length: NDArray[np.int64], sort: str) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """All payloads, one after the other, and lengths no longer than the bytes that there are."""
    if sort == "CAN_RemoteFrame":
        return np.empty(0, np.uint8), length
    if data is None:
        return np.empty(0, np.uint8), np.zeros_like(length)
    table = np.ascontiguousarray(data).view(np.uint8).reshape(len(length), -1)
    length = np.minimum(length, table.shape[1])
    return table[np.arange(table.shape[1]) < length[:, None]], length


def _in_order(groups: list[Frames]) -> Iterator[Frames]:
    """One group as it was logged; several merged by their stamps, each in its own order."""
    groups = [group for group in groups if len(group)]
    if len(groups) < 2:
        yield from groups
        return
    frames = concatenate(groups)
    rising = np.concatenate([np.maximum.accumulate(group.time_ns) for group in groups])
    order = np.argsort(rising, kind="stable")
    yield Frames(
        time_ns=frames.time_ns[order],
        bus=frames.bus[order],
        identifier=frames.identifier[order],
        flags=frames.flags[order],
        length=frames.length[order],
        offset=frames.offset[order],
        payload=frames.payload,
        buses=frames.buses,
    )
