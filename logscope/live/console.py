"""Lines of a text console as they are recorded, each with its arrival in front, as samples."""

from __future__ import annotations

from logscope.capture.samples import SerialLog
from logscope.capture.serial_assemble import assemble
from logscope.capture.serial_text import TextReader
from logscope.definitions.serial import SerialDefinition


class GrowingConsole:
    """A console that has no end. Its samples are stamped with their arrival, for its own clock needs the whole log."""

    def __init__(self, definition: SerialDefinition) -> None:
        time = definition.time.model_copy(update={"field": None, "wrap_bits": None, "rate_Hz": None, "stamp": "epoch"})
        self._definition = definition.model_copy(update={"time": time})
        self._reader = TextReader(self._definition, "")

    def feed(self, lines: bytes) -> SerialLog:
        """The samples in these whole lines."""
        self._reader.add(lines.splitlines())
        return assemble(self._definition, self._reader.take_rows(), self._reader.account())
