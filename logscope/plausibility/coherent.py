"""Which parts change as a quantity does: foreign content between the readings says nothing of scale or sign."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logscope.parts import PARTS, Role
from logscope.signals import Part, Signals

_JUDGED_AT_MOST = 200_000  # samples in a row
_HIGH = 0.3  # of the highest reading, rare ones apart
_LEAP = 0.5  # of the highest reading: in most samples, no quantity of a vehicle changes by as much, at 5 Hz or faster
_FEWEST = 5  # high samples: fewer are an inrush or a single disturbance


def coherent(signals: Signals) -> Signals:
    """The signals without quantities whose high readings leap away at once, as those of a foreign message do."""
    kept = {name: part for name, part in signals.parts.items() if not _leaps(part)}
    return replace(signals, parts=kept)


def _leaps(part: Part) -> bool:
    if PARTS[part.name].role is not Role.QUANTITY or part.value.size < _FEWEST:
        return False
    value = part.value[:_JUDGED_AT_MOST]
    top = float(np.quantile(np.abs(value), 0.99))
    leaps = np.abs(np.diff(value))
    high = np.abs(value[1:]) > _HIGH * top
    if top <= 0.0 or np.count_nonzero(high) < _FEWEST:
        return False
    return float(np.median(leaps[high])) > _LEAP * top
