"""Parts on one clock, in their units: what a check gets to see of a capture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logscope.findings import BoolArray, FloatArray


class MissingPart(KeyError):
    """A check asked for a part that no logged signal plays."""

    def __init__(self, part: str) -> None:
        super().__init__(part)
        self.part = part


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """The samples of one part.

    time_s : seconds from the capture's start, never falling, shape (n,)
    value : in `unit`, shape (n,); no NaN
    unit : the part's unit, '' for states, faults and modes
    step : the least step the definition can express, in `unit`; None for floating-point signals
    source : the signal that plays the part, 'Message.Signal'
    labels : enumeration texts by value, where the definition has them
    on : for a state, whether it is on, shape (n,)
    overcurrent, healthy : for a fault, whether the sample says overcurrent / no fault, shape (n,)
    """

    name: str
    time_s: FloatArray
    value: FloatArray
    unit: str
    source: str
    step: float | None = None
    labels: Mapping[float, str] = field(default_factory=dict)
    on: BoolArray | None = None
    overcurrent: BoolArray | None = None
    healthy: BoolArray | None = None

    @property
    def period_s(self) -> float:
        """Typical time between samples [s]; NaN with fewer than two."""
        return float(np.median(np.diff(self.time_s))) if self.time_s.size > 1 else float("nan")

    @property
    def has_period(self) -> bool:
        """Whether there are two samples or more, most of them at moments of their own."""
        return self.period_s > 0

    def between(self, start_s: float, end_s: float) -> slice:
        """The samples with start_s <= time <= end_s."""
        first, last = np.searchsorted(self.time_s, [start_s, end_s], side="left"), None
        last = int(np.searchsorted(self.time_s, end_s, side="right"))
        return slice(int(first[0]), last)

    def label(self, value: float) -> str:
        """The enumeration text of a value, or the number itself."""
        return self.labels.get(value, f"{value:g}")


@dataclass(frozen=True, slots=True, eq=False)
class Signals:
    """All mapped parts of a capture that have samples.

    parts : by name; start_s, end_s : the capture's span, seconds from its start
    empty : mapped parts without a sample, with the reason
    """

    parts: Mapping[str, Part]
    start_s: float
    end_s: float
    empty: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Part:
        try:
            return self.parts[name]
        except KeyError:
            raise MissingPart(name) from None

    def __contains__(self, name: object) -> bool:
        return name in self.parts

    def get(self, name: str) -> Part | None:
        """The part, or None where no logged signal plays it."""
        return self.parts.get(name)
