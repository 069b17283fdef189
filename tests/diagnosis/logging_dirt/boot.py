"""Controllers that wake or restart while the logger runs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.simulate.hazel_bus import Sent


@dataclass(frozen=True, slots=True)
class Boot:
    """A controller that boots.

    at_s : it stops; silent_s : and sends nothing for this long
    readings : what its first messages then hold instead of the values
    filter_s : thereafter the values rise from zero with this time constant, 0 where they are right at once
    """

    at_s: float
    silent_s: float = 0.0
    readings: tuple[float, ...] = ()
    filter_s: float = 0.0
    what: str = "boot-up readings"

    def sent(self, message: Sent, signals: frozenset[str] | None = None) -> Sent:
        """The message as the controller sends it; `signals` are those concerned, all if not given."""
        rows = (message.ready_s < self.at_s) | (message.ready_s >= self.at_s + self.silent_s)
        ready_s = message.ready_s[rows]
        first = int(np.searchsorted(ready_s, self.at_s))
        values = {name: column[rows].copy() for name, column in message.values.items()}
        for name, column in values.items():
            if signals is None or name in signals:
                booting = self.readings[: ready_s.size - first]
                column[first : first + len(booting)] = booting
                after = slice(first + len(booting), None)
                if self.filter_s and ready_s[after].size:
                    elapsed = ready_s[after] - ready_s[after][0]
                    column[after] *= -np.expm1(-elapsed / self.filter_s)
        return replace(message, ready_s=ready_s, values=values)


@dataclass(frozen=True, slots=True)
class Asleep:
    """A controller that wakes at `until_s`: before, it sends nothing, or zeros."""

    until_s: float
    silent: bool

    @property
    def what(self) -> str:
        """Its name in a table."""
        return "silent until it wakes" if self.silent else "zero until it wakes"

    def sent(self, message: Sent) -> Sent:
        """The message as the controller sends it."""
        awake = message.ready_s >= self.until_s
        if self.silent:
            return replace(
                message,
                ready_s=message.ready_s[awake],
                values={name: column[awake] for name, column in message.values.items()},
            )
        return replace(message, values={name: np.where(awake, column, 0.0) for name, column in message.values.items()})
