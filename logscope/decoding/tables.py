"""The decoder: blocks of frames go in, one table for each message comes out, every frame is accounted for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.capture.frames import Frames
from logscope.decoding.branches import undecodable_frames
from logscope.decoding.columns import Column, decode_columns, joined
from logscope.decoding.grouping import Group, classify, grouped
from logscope.decoding.matching import BusDefinitions, Matching, Service, Wanted
from logscope.decoding.table import Table

__all__ = ["BusDefinitions", "DecodeCounts", "Decoder", "Table", "Wanted"]


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


@dataclass(slots=True, eq=False)
class _Growing:
    """A table while its blocks arrive: the decoded columns only, never the frames."""

    service: Service
    source: int
    times: list[NDArray[np.int64]] = field(default_factory=list)
    blocks: list[dict[str, Column]] = field(default_factory=list)


class Decoder:
    """Decodes a log block by block.

    definitions : (bus, messages) pairs; None as bus serves every bus. Where two messages of one bus
        have the same identifier, the first is used and `notes` says so.
    wanted : (bus or None, message, signal) to decode; None decodes everything. The account of the
        frames is the same either way.
    """

    def __init__(self, definitions: BusDefinitions, wanted: Wanted | None = None) -> None:
        self._matching = Matching(definitions, wanted)
        self._growing: dict[tuple[int, int], _Growing] = {}
        self._counts = DecodeCounts()

    @property
    def counts(self) -> DecodeCounts:
        """The account of all frames so far."""
        return self._counts

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know of how the definitions were used; complete after the last block."""
        return (*self._matching.notes, *self._matching.unused())

    def add(self, frames: Frames) -> None:
        """Decode a block of frames, the next of the log.

        Raises ValueError where a frame lies outside the block's own payload or list of buses.
        """
        frames = _as_kernels_take_them(frames)
        matching = self._matching
        numbers = matching.bus_numbers(frames.buses)
        classes = classify(frames, numbers, matching.table, matching.needed)
        # Payloads are needed only to be decoded, and to tell by branch whether short frames lack anything.
        asked = np.array([bool(service.names) for service in matching.services], dtype=np.bool_)
        groups = grouped(frames, classes, matching.needed, asked | (classes.shorter > 0))
        lost = undecodable = 0
        for number, group in groups.items():
            service = matching.services[number]
            if classes.shorter[number]:
                undecodable += undecodable_frames(service.spec, group.payloads)
            if service.names:
                lost += self._decode(number, group)
        self._counts = DecodeCounts(
            decoded=self._counts.decoded + int(classes.counts.sum()) - undecodable,
            undefined=self._counts.undefined + classes.undefined,
            undecodable=self._counts.undecodable + undecodable,
            error=self._counts.error + classes.error,
            remote=self._counts.remote + classes.remote,
            samples_undecodable=self._counts.samples_undecodable + lost,
        )

    def _decode(self, number: int, group: Group) -> int:
        service = self._matching.services[number]
        lost = 0
        for source, part in _by_source(service, group):
            columns, missing = decode_columns(service.spec, part.payloads, service.names)
            lost += missing
            growing = self._growing.setdefault((number, source), _Growing(service, source))
            growing.times.append(part.time_ns.copy())  # a view would keep the whole block's stamps
            growing.blocks.append(columns)
        return lost

    def tables(self, start_ns: int) -> Mapping[str, Table]:
        """The tables by name, for the messages that occurred; `time_s` counts from `start_ns`.

        A table is named as its message, with the bus in front, "can1:Pack", where several buses
        carry a message of that name. A J1939 definition for any source address gives one table a
        sender, "Pack@0x17", where there are several senders. Two messages of one name on one bus are
        told apart in the same way by their identifiers, "Pack@0x1A0".
        """
        buses_of: dict[str, set[str]] = {}
        alike: dict[tuple[str, str], list[_Growing]] = {}
        for _, growing in sorted(self._growing.items()):
            bus, message = growing.service.bus, growing.service.spec.name
            buses_of.setdefault(message, set()).add(bus)
            alike.setdefault((bus, message), []).append(growing)
        tables: dict[str, Table] = {}
        for (bus, message), members in alike.items():
            in_front = f"{bus}:" if len(buses_of[message]) > 1 else ""
            for growing, suffix in zip(members, _suffixes(members), strict=True):
                tables[in_front + message + suffix] = _finished(growing, message + suffix, start_ns)
        return tables


def _suffixes(members: list[_Growing]) -> list[str]:
    """What tells tables of one message name on one bus apart."""
    if len(members) == 1:
        return [""]
    if len({id(member.service) for member in members}) == 1:
        return [f"@0x{member.source:02X}" for member in members]
    identifiers = [
        member.service.spec.identifier & ~0xFF | member.source
        if member.service.any_source
        else member.service.spec.identifier
        for member in members
    ]
    return [f"@0x{identifier:X}" for identifier in identifiers]


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


def _finished(growing: _Growing, name: str, start_ns: int) -> Table:
    time_ns = np.concatenate(growing.times)
    joint = {signal: joined([block[signal] for block in growing.blocks]) for signal in growing.service.names}
    growing.times, growing.blocks = [time_ns], [joint]  # so that asking again costs nothing
    columns: dict[str, NDArray[Any]] = {signal: column.values for signal, column in joint.items()}
    absent = {signal: column.absent for signal, column in joint.items() if column.absent is not None}
    if time_ns.size > 1 and np.any(time_ns[1:] < time_ns[:-1]):
        order = np.argsort(time_ns, kind="stable")
        time_ns = time_ns[order]
        columns = {signal: values[order] for signal, values in columns.items()}
        absent = {signal: flags[order] for signal, flags in absent.items()}
    return Table(name, growing.service.bus, growing.service.spec, start_ns, time_ns, columns, absent)


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
