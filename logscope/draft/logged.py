"""The signals that a draft chooses from: those that the log holds, with their samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.decoding.table import Table
from logscope.definitions.spec import MessageSpec, SignalSpec
from logscope.draft.names import Sense, meanings
from logscope.parts import PARTS, convert, normalise_unit
from logscope.vehicle import split_signal


@dataclass(frozen=True, slots=True, eq=False)
class Logged:
    """One defined signal.

    reference : as the vehicle file names it; sense : what its name says
    time_s, value : its samples in its own unit, shape (n,) with n > 0, finite, in time order
    """

    reference: str
    spec: SignalSpec
    sense: Sense
    time_s: FloatArray
    value: FloatArray

    @property
    def unit(self) -> str:
        """In the usual spelling; empty where the definition gives none."""
        return normalise_unit(self.spec.unit)

    def copies(self, other: Logged) -> bool:
        """Whether it is the same signal of the same message, be it on another bus that the message is passed on to."""
        return split_signal(self.reference)[1:] == split_signal(other.reference)[1:]

    def as_part(self, part: str) -> FloatArray | None:
        """The values in the part's unit, shape (n,); None where the unit cannot be converted."""
        if not self.unit:
            return self.value
        conversion = convert(self.spec.unit, PARTS[part].unit)
        return None if conversion is None else conversion.scale * self.value + conversion.offset


def collect(tables: Mapping[str, Table]) -> list[Logged]:
    """All signals that a vehicle file can name and of which the log holds a sample."""
    found: dict[str, Logged] = {}
    for key, table in tables.items():
        for name in table.columns:
            values = table.floats(name)
            there = np.isfinite(values)
            if there.any():
                _add(found, key, table.spec, table.spec.by_name[name], table.time_s[there], values[there])
    return list(found.values())


def _add(
    found: dict[str, Logged],
    key: str,
    message: MessageSpec,
    signal: SignalSpec,
    time_s: FloatArray,
    value: FloatArray,
) -> None:
    bus, _, named = key.rpartition(":")
    # A serial console has a table a signal, "Console.Speed"; the vehicle file calls it so already.
    in_vehicle_file = key if named == f"{message.name}.{signal.name}" else f"{key}.{signal.name}"
    parts = split_signal(in_vehicle_file)
    if parts[2] != signal.name or parts[0] != (bus or None):
        return  # a name with a dot or colon in it cannot be written in a vehicle file
    sense = Sense(meanings(signal.name), meanings(message.name))
    found.setdefault(in_vehicle_file, Logged(in_vehicle_file, signal, sense, time_s, value))
