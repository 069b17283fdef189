"""Samples of a serial console: signals with their own times, and the account of what the log held."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.capture.frames import Account, BadLine, Gap
from logscope.definitions.spec import MessageSpec

TimesNs = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """One signal: time_ns (int64) never falls, value in the signal's unit and finite; both of shape (n,)."""

    time_ns: TimesNs
    value: FloatArray

    def __len__(self) -> int:
        return int(self.time_ns.size)


@dataclass(frozen=True, slots=True)
class SerialAccount:
    """What a serial log held: lines = sample_lines + other + lines_bad.

    lines : text lines; of a binary log, records and what was found between them
    sample_lines : sound lines or records; other : boot messages, comments, headers, blank lines
    lines_bad : could not be read; `bad` names the first of them
    resets : restarts of the controller's own clock that is not a counter's overflow
    restarts : last sample before and first one after each of them [ns], on the clock of the log
    out_of_order : samples stamped earlier than the sample before them
    notes : what the user should know of how the log was read; assumptions : those of them on which its times rest
    """

    files: tuple[str, ...] = ()
    lines: int = 0
    sample_lines: int = 0
    other: int = 0
    lines_bad: int = 0
    bad: tuple[BadLine, ...] = ()
    resets: int = 0
    restarts: tuple[Gap, ...] = ()
    out_of_order: int = 0
    notes: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()

    def as_account(self) -> Account:
        """The same as the account of any log."""
        return Account(
            files=self.files,
            lines=self.lines,
            lines_bad=self.lines_bad,
            other=self.other,
            sample_lines=self.sample_lines,
            out_of_order=self.out_of_order,
            resets=self.resets,
            restarts=self.restarts,
            bad=self.bad,
            notes=self.notes,
            assumptions=self.assumptions,
        )


@dataclass(frozen=True, slots=True, eq=False)
class SerialLog:
    """A serial log that was read.

    message : the console as one message, with its signals
    signals : by name, every signal of the definition, also those without a sample
    dated : whether times count from 1970 (UTC); otherwise from a zero of the console's own
    """

    message: MessageSpec
    signals: Mapping[str, Samples]
    account: SerialAccount = field(default_factory=SerialAccount)
    dated: bool = False

    @property
    def console(self) -> str:
        """As the vehicle file calls it."""
        return self.message.name
