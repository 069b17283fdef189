"""Which definition serves which frames: the definitions laid out bus by bus, and what is asked of them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logscope.decoding.columns import Plan, plan_of
from logscope.decoding.grouping import ANY_SOURCE, KeyTable, j1939_key, key_table, plain_key
from logscope.definitions.spec import MessageSpec

BusDefinitions = Sequence[tuple[str | None, tuple[MessageSpec, ...]]]
Wanted = Collection[tuple[str | None, str, str]]


@dataclass(frozen=True, slots=True)
class Service:
    """One definition at work on one bus, and the plan for the signals to decode."""

    bus: str
    spec: MessageSpec
    plan: Plan

    @property
    def names(self) -> tuple[str, ...]:
        """The signals to decode."""
        return self.plan.names

    @property
    def any_source(self) -> bool:
        """Whether frames of several senders match, each of which gets a table of its own."""
        return self.spec.j1939 and self.spec.identifier & 0xFF == ANY_SOURCE


@dataclass(slots=True, eq=False)
class Matching:
    """The services by number, as the kernels count them, and the hash table that finds them.

    Buses are met one by one while a log is read; the numbers given once stay.
    """

    definitions: BusDefinitions
    wanted: Wanted | None = None
    services: list[Service] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    table: KeyTable = field(default_factory=lambda: key_table({}, 0))
    needed: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    _numbers: dict[int, int] = field(default_factory=dict)
    _buses: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for _, specs in self.definitions:
            for spec in specs:
                if spec.left_out:
                    self._note(f"{_named(spec)}: not decoded, as wider than 64 bits: {', '.join(spec.left_out)}")

    def bus_numbers(self, buses: Iterable[str]) -> list[int]:
        """The numbers of buses; those not met before get theirs, and their definitions, now."""
        met = len(self._buses)
        numbers = [self._buses.setdefault(bus, len(self._buses)) for bus in buses]
        for bus in list(self._buses)[met:]:
            self._serve(bus)
        if len(self._buses) > met:
            self.table = key_table(self._numbers, len(self._buses))
            self.needed = np.array([service.spec.bytes_needed for service in self.services], dtype=np.int64)
        return numbers

    def unused(self) -> list[str]:
        """Notes on definitions for buses that the log does not have."""
        given = dict.fromkeys(bus for bus, _ in self.definitions if bus is not None)
        return [
            f"definitions are given for bus {bus}, which is not in the log (it has: {', '.join(self._buses)})"
            for bus in given
            if self._buses and bus not in self._buses
        ]

    def _serve(self, bus: str) -> None:
        number_of_bus = self._buses[bus]
        for given, specs in self.definitions:
            if given not in (None, bus):
                continue
            for spec in specs:
                if spec.j1939:
                    key = j1939_key(number_of_bus, spec.identifier)
                else:
                    key = plain_key(number_of_bus, spec.identifier, spec.extended)
                number = self._numbers.setdefault(key, len(self.services))
                if number == len(self.services):
                    self.services.append(Service(bus, spec, plan_of(spec, self._names(bus, spec))))
                elif (first := self.services[number].spec) != spec:
                    self._note(
                        f"identifier 0x{spec.identifier:X} is defined twice: "
                        f"{_named(first)} is used, {_named(spec)} is not"
                    )

    def _names(self, bus: str, spec: MessageSpec) -> tuple[str, ...]:
        if self.wanted is None:
            return tuple(signal.name for signal in spec.signals)
        asked = {
            signal
            for at, message, signal in self.wanted
            if at in (None, bus) and message.partition("@")[0] == spec.name
        }
        return tuple(signal.name for signal in spec.signals if signal.name in asked)

    def _note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)


def _named(spec: MessageSpec) -> str:
    return f"“{spec.name}”" + (f" of {spec.source.name}" if spec.source else "")
