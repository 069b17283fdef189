"""The definitions that a vehicle file names, each file read once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logscope.definitions.can import Definitions, MessageSpec, Skipped, load_definitions

if TYPE_CHECKING:
    from logscope.definitions.serial import SerialDefinition
    from logscope.vehicle import Vehicle

BusDefinitions = Sequence[tuple[str | None, Sequence[MessageSpec]]]


def vehicle_definitions(
    vehicle: Vehicle,
) -> tuple[list[tuple[str | None, tuple[MessageSpec, ...]]], tuple[Skipped, ...]]:
    """(bus, messages) for every [[can]] section, and what of their files was skipped, each file once.

    None as bus serves every bus. Raises DefinitionError where a file is missing or cannot be used.
    """
    read: dict[Path, Definitions] = {}
    pairs = []
    for section in vehicle.can:
        for name in section.definitions:
            path = vehicle.locate(name)
            if path not in read:
                read[path] = load_definitions(path)
            pairs.append((section.bus, read[path].messages))
    return pairs, tuple(place for found in read.values() for place in found.skipped)


def vehicle_consoles(vehicle: Vehicle) -> list[SerialDefinition]:
    """The definition of every serial console. Raises DefinitionError where a file is missing or cannot be used."""
    if not vehicle.serial:
        return []
    from logscope.definitions.serial import load_serial_definition

    return [load_serial_definition(vehicle.locate(name)) for section in vehicle.serial for name in section.definitions]
