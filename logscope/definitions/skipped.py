"""What a definition file holds: the messages that can be used, and what of the file could not be taken."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from logscope.definitions.spec import MessageSpec

_SHOWN = 60  # characters of the rejected text: enough to recognise the place


@dataclass(frozen=True, slots=True)
class Skipped:
    """One place of a definition file that could not be taken as it stands.

    line : counts from 1; None where the file has no lines to speak of
    text : the beginning of what stands there
    kept : it is used all the same, as `reason` says; else it is left out
    message, signals : whose values are lost or in doubt because of it, as far as it is known; no
        `message` where nobody's are, no `signals` where all those of the message are
    """

    file: Path
    line: int | None
    text: str
    reason: str
    kept: bool = False
    message: str = ""
    signals: tuple[str, ...] = ()

    @property
    def where(self) -> str:
        """The place as 'file:line'."""
        return f"{self.file.name}:{self.line}" if self.line else self.file.name

    def concerns(self, message: str, signal: str) -> bool:
        """Whether the values of a signal are lost or in doubt because of this place."""
        return bool(message) and self.message == message and (not self.signals or signal in self.signals)


@dataclass(frozen=True, slots=True)
class Definitions:
    """The messages of a file in its order, and what was skipped or mended, in the order of the lines."""

    messages: tuple[MessageSpec, ...]
    skipped: tuple[Skipped, ...] = ()


def why_lost(skipped: Iterable[Skipped], message: str, signal: str) -> Skipped | None:
    """The place that explains why a signal is not defined, for the message about an unknown signal."""
    return next((place for place in skipped if not place.kept and place.concerns(message, signal)), None)


def shown(text: str) -> str:
    """The beginning of a text on one line."""
    line = " ".join(text.split())
    return line if len(line) <= _SHOWN else line[:_SHOWN].rstrip() + "…"
