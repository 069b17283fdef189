"""Readings of a charge that are repeated while another reading of the same quantity moves on."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals

# Two readings of one quantity: where one moves the other does, whichever way either counts.
_TOGETHER = (
    ("charger_current", "battery_current"),
    ("charger_voltage", "battery_voltage"),
    ("cell_voltage_highest", "battery_voltage"),
)
_STANDS_S, _LEAST_ROWS = 20.0, 5  # of a value that stands still; chargers and monitors send every second or faster
# By which the other one has moved meanwhile: more than cables, a load beside and two meters' drift (practice).
_MOVED_SHARE = {"V": 0.0025, "A": 0.3}
_STEPS, _NOISES = 3.0, 4.0
_LATE_S = 5.0  # by which two messages follow one change (practice)
_ENDS = 5  # readings over which either end of the stretch is averaged


def stale_since(session: Session, signals: Signals) -> dict[str, float]:
    """The parts whose reading stands still to the end of a session, while it should have moved, and since when [s]."""
    return dict(_found(session, signals))


def _found(session: Session, signals: Signals) -> Iterator[tuple[str, float]]:
    for one, other in _TOGETHER:
        first, second = signals.get(one), signals.get(other)
        if first is None or second is None:
            continue
        for part, beside in ((first, second), (second, first)):
            since_s = _stands_since(part, session)
            if since_s is not None and _moves(beside, since_s, session.end_s, part):
                yield part.name, since_s


def _stands_since(part: Part, session: Session) -> float | None:
    """From when, be it before the session, a part keeps its value to its end; None where that is not long."""
    rows = part.between(-np.inf, session.end_s)
    time_s, value = part.time_s[rows], part.value[rows]
    changes = np.flatnonzero(np.diff(value) != 0.0)
    first = int(changes[-1]) + 1 if changes.size else 0
    if value.size - first < _LEAST_ROWS or time_s[-1] - time_s[first] < _STANDS_S:
        return None
    return float(time_s[first])


def _moves(beside: Part, since_s: float, until_s: float, part: Part) -> bool:
    """Whether the other reading leaves where it was for good, by what the one that stands still would have shown."""
    value = beside.value[beside.between(since_s + _LATE_S, until_s - _LATE_S)]
    if value.size < 2 * _ENDS:
        return False
    begin, end = float(np.median(value[:_ENDS])), float(np.median(value[-_ENDS:]))
    level = max(abs(begin), abs(end))
    if level == 0.0:
        return False
    noise = float(np.median(np.abs(np.diff(value)))) / level
    own = abs(float(part.value[part.between(since_s, until_s)][0]))
    step = (part.step or 0.0) / own if own > 0.0 else np.inf
    return abs(end - begin) / level > max(_MOVED_SHARE[beside.unit], _STEPS * step, _NOISES * noise)
