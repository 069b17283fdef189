"""The decoder: blocks of frames go in, one table for each message comes out, every frame is accounted for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logscope.capture.frames import Frames
from logscope.decoding.block import DecodeCounts, DecodedBlock, decode_block
from logscope.decoding.columns import Column, joined
from logscope.decoding.grouping import WITHOUT_PRIORITY
from logscope.decoding.matching import BusDefinitions, Matching, Service, Wanted
from logscope.decoding.table import Table
from logscope.definitions.spec import MessageSpec

__all__ = ["BusDefinitions", "DecodeCounts", "DecodedBlock", "Decoder", "Table", "Wanted"]


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

    def task(self, frames: Frames) -> Callable[[], DecodedBlock]:
        """What decodes a block of frames, the next of the log, in whatever thread and order; then `keep` it.

        It raises ValueError where a frame lies outside the block's own payload or list of buses.
        """
        numbers = self._matching.bus_numbers(frames.buses)
        matching = self._matching
        return partial(decode_block, frames, numbers, matching.table, matching.needed, tuple(matching.services))

    def keep(self, block: DecodedBlock) -> None:
        """Put a decoded block after those before it."""
        self._counts += block.counts
        for part in block.parts:
            service = self._matching.services[part.service]
            growing = self._growing.setdefault((part.service, part.source), _Growing(service, part.source))
            growing.times.append(part.time_ns)
            growing.blocks.append(part.columns)

    def add(self, frames: Frames) -> None:
        """Decode a block of frames here and now; raises as its `task` does."""
        self.keep(self.task(frames)())

    def forget(self, before_ns: int) -> None:
        """Let go of the samples stamped earlier, so that memory stays bounded while frames come without end."""
        for key, growing in list(self._growing.items()):
            kept = [_since(before_ns, *each) for each in zip(growing.times, growing.blocks, strict=True)]
            growing.times = [times for times, _ in kept if times.size]
            growing.blocks = [block for times, block in kept if times.size]
            if not growing.times:
                del self._growing[key]

    def tables(self, start_ns: int) -> Mapping[str, Table]:
        """The tables by name, for the messages that occurred; `time_s` counts from `start_ns`.

        A table is named as its message, with the bus in front, "can1:Pack", where several buses
        carry a message of that name. A J1939 definition for any source address gives one table a
        sender, "Pack@0x17", where there are several senders. Two messages of one name on one bus are
        distinguished likewise by their identifiers, "Pack@0x1A0", an extended one of the same number
        by all its digits, "Pack@0x000001A0".
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


def _since(
    before_ns: int, times: NDArray[np.int64], block: dict[str, Column]
) -> tuple[NDArray[np.int64], dict[str, Column]]:
    """Samples of a block without those stamped earlier."""
    keep = times >= before_ns
    if keep.all():
        return times, block
    return times[keep], {name: column.where(keep) for name, column in block.items()}


def _suffixes(members: list[_Growing]) -> list[str]:
    """What distinguishes tables of one message name on one bus."""
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
    # The same number may be a standard and an extended identifier, or one that a group has in another priority.
    return [
        f"@0x{identifier:X}" if identifiers.count(identifier) == 1 else _in_full(member.service.spec, identifier)
        for member, identifier in zip(members, identifiers, strict=True)
    ]


def _in_full(spec: MessageSpec, identifier: int) -> str:
    """An identifier that shows its kind: a whole one of 29 bits by eight digits, a group's without its priority."""
    if spec.j1939:
        return f"@0x{identifier & WITHOUT_PRIORITY:07X}"
    return f"@0x{identifier:08X}" if spec.extended else f"@0x{identifier:X}"


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
