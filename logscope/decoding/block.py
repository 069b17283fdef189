"""One block of frames, decoded: the samples of every definition in it, and what became of the frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.capture.frames import Frames
from logscope.decoding.branches import undecodable_frames
from logscope.decoding.columns import Column, decode_columns
from logscope.decoding.grouping import Group, KeyTable, classify, grouped
from logscope.decoding.matching import Service


@dataclass(frozen=True, slots=True)
class DecodeCounts:
    """What became of the frames: frames = decoded + undefined + undecodable + error + remote.

    undefined : no definition on their bus
    undecodable : too short for at least one signal that they should carry, by their multiplexer
        branch; the signals that do fit are decoded all the same
    error, remote : never decoded
    samples_undecodable : samples lost to short payloads, of the signals that were to be decoded and
        the selectors they need
    """

    decoded: int = 0
    undefined: int = 0
    undecodable: int = 0
    error: int = 0
    remote: int = 0
    samples_undecodable: int = 0

    @property
    def frames(self) -> int:
        """All frames."""
        return self.decoded + self.undefined + self.undecodable + self.error + self.remote

    def __add__(self, more: DecodeCounts) -> DecodeCounts:
        return DecodeCounts(*(mine + new for mine, new in zip(astuple(self), astuple(more), strict=True)))


class DecodedPart(NamedTuple):
    """The samples of one sender of a definition in a block; `service` is the definition's number."""

    service: int
    source: int
    time_ns: NDArray[np.int64]
    columns: dict[str, Column]


class DecodedBlock(NamedTuple):
    """A block of frames, decoded."""

    counts: DecodeCounts
    parts: tuple[DecodedPart, ...]


def decode_block(
    frames: Frames,
    bus_numbers: Sequence[int],
    table: KeyTable,
    needed: NDArray[np.int64],
    services: Sequence[Service],
) -> DecodedBlock:
    """Decode frames; it may run in any thread, for it changes nothing that it is given.

    bus_numbers : number in the keys by the frames' bus index; table : from keys to the numbers of `services`
    needed : payload bytes by service

    Raises ValueError where a frame lies outside the block's own payload or list of buses.
    """
    frames = _as_kernels_take_them(frames)
    classes = classify(frames, bus_numbers, table, needed)
    # Payloads are needed only to be decoded, and to find by branch whether short frames lack anything.
    asked = np.array([bool(service.names) for service in services], dtype=np.bool_)
    groups = grouped(frames, classes, needed, asked | (classes.shorter > 0))
    parts = []
    lost = undecodable = 0
    for number, group in groups.items():
        service = services[number]
        if classes.shorter[number]:
            undecodable += undecodable_frames(service.spec, group.payloads)
        if not service.names:
            continue
        for source, of in _by_source(service, group):
            columns, missing = decode_columns(service.plan, of.payloads)
            lost += missing
            parts.append(DecodedPart(number, source, of.time_ns.copy(), columns))  # a view would keep all stamps
    counts = DecodeCounts(
        decoded=int(classes.counts.sum()) - undecodable,
        undefined=classes.undefined,
        undecodable=undecodable,
        error=classes.error,
        remote=classes.remote,
        samples_undecodable=lost,
    )
    return DecodedBlock(counts, tuple(parts))


def _by_source(service: Service, group: Group) -> list[tuple[int, Group]]:
    """The frames of each sender where the definition serves several; else all of them as they are."""
    if not service.any_source:
        return [(0, group)]
    senders = group.identifier & 0xFF
    parts = []
    for sender in np.unique(senders).tolist():
        of = senders == sender
        parts.append((sender, Group(group.time_ns[of], group.identifier[of], group.payloads.where(of))))
    return parts


def _as_kernels_take_them(frames: Frames) -> Frames:
    """The same frames in contiguous writable columns, copied only where they are not: one type a kernel."""

    def ready(column: NDArray[Any], dtype: type[np.generic]) -> NDArray[Any]:
        return np.require(column, dtype=dtype, requirements=["C", "W"])

    return Frames(
        time_ns=ready(frames.time_ns, np.int64),
        bus=ready(frames.bus, np.uint8),
        identifier=ready(frames.identifier, np.uint32),
        flags=ready(frames.flags, np.uint8),
        length=ready(frames.length, np.uint8),
        offset=ready(frames.offset, np.int64),
        payload=ready(frames.payload, np.uint8),
        buses=frames.buses,
    )
