"""The definitions that a vehicle file names, each file read once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from logscope.definitions.can import MessageSpec, load_definitions
from logscope.vehicle import Vehicle

BusDefinitions = Sequence[tuple[str | None, Sequence[MessageSpec]]]


def vehicle_definitions(vehicle: Vehicle) -> list[tuple[str | None, tuple[MessageSpec, ...]]]:
    """(bus, messages) for every [[can]] section; None as bus serves every bus.

    Raises DefinitionError where a file is missing or cannot be used.
    """
    read: dict[Path, tuple[MessageSpec, ...]] = {}
    pairs = []
    for section in vehicle.can:
        for name in section.definitions:
            path = vehicle.locate(name)
            if path not in read:
                read[path] = load_definitions(path)
            pairs.append((section.bus, read[path]))
    return pairs
