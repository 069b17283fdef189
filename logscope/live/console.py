"""What a console sends while it is recorded, as samples.

It has no end. Its samples are stamped with their arrival, for its own clock needs the whole log.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from logscope.capture.samples import SerialLog
from logscope.capture.serial_assemble import assemble
from logscope.capture.serial_binary import BinaryReader
from logscope.capture.serial_text import TextReader
from logscope.definitions.serial import SerialDefinition
from logscope.live.items import Lines, Records


class GrowingText:
    """A console that prints lines, each with its arrival in front."""

    def __init__(self, definition: SerialDefinition) -> None:
        self._definition = _by_arrival(definition)
        self._reader = TextReader(self._definition, "")

    def feed(self, lines: Lines) -> SerialLog:
        """The samples in whole lines."""
        self._reader.add(lines.text.splitlines())
        return assemble(self._definition, self._reader.take_rows(), self._reader.account())


class GrowingRecords:
    """A console that sends binary records."""

    def __init__(self, definition: SerialDefinition) -> None:
        self._definition = _by_arrival(definition)
        self._reader = BinaryReader(self._definition, "")

    def feed(self, records: Records) -> SerialLog:
        """The samples that these bytes complete."""
        self._reader.add(records.data)
        rows = self._reader.take_rows()
        rows = replace(rows, stamp_ns=np.full(len(rows), records.arrival_ns))
        return assemble(self._definition, rows, self._reader.account())


def reader_of(definition: SerialDefinition) -> Callable[[Any], SerialLog]:
    """What makes samples of the items of a console, `Lines` or `Records`."""
    return GrowingText(definition).feed if definition.record is None else GrowingRecords(definition).feed


def _by_arrival(definition: SerialDefinition) -> SerialDefinition:
    seen = {"field": None, "wrap_bits": None, "rate_Hz": None, "stamp": "epoch"}
    return definition.model_copy(update={"time": definition.time.model_copy(update=seen)})
