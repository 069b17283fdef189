"""What comes before the current: the plug, and the precharge of the charger's output."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.findings import Measured
from logscope.observations.charging.sessions import Session
from logscope.signals import Signals

_LOOKS_BACK_S = 120.0  # a charger that starts later was told to wait (practice)
_EMPTY, _RAISED = 0.10, 0.95  # of the voltage at which it charges


@dataclass(frozen=True, slots=True)
class Before:
    """From the plug to the first current, and the rise of the charger's output [s]; None where not seen."""

    plug: Measured | None
    precharge: Measured | None


def find_before(session: Session, signals: Signals) -> Before:
    """What happened before the first current. Each duration is known to the periods of its messages."""
    if session.starts_cut:
        return Before(None, None)
    return Before(_plug(session, signals), _precharge(session, signals))


def _plug(session: Session, signals: Signals) -> Measured | None:
    plug = signals.get("charge_plug")
    if plug is None or plug.on is None:
        return None
    at = np.flatnonzero(~plug.on[:-1] & plug.on[1:])
    at = at[(plug.time_s[at + 1] <= session.start_s) & (plug.time_s[at] >= session.start_s - _LOOKS_BACK_S)]
    if not at.size:
        return None
    earliest, latest = float(plug.time_s[at[-1]]), float(plug.time_s[at[-1] + 1])
    return _between(session.start_s - latest, session.start_s - earliest)


def _precharge(session: Session, signals: Signals) -> Measured | None:
    volts = signals.get("charger_voltage")
    if volts is None:
        return None
    rows = volts.between(session.start_s - _LOOKS_BACK_S, session.start_s)
    time_s, value = volts.time_s[rows], volts.value[rows]
    own = volts.value[volts.between(session.start_s, session.end_s)]
    if value.size < 2 or not own.size:
        return None
    level = float(np.median(own))
    empty, raised = value < _EMPTY * level, value >= _RAISED * level
    if not empty.any() or not raised.any() or not raised[-1]:
        return None
    last = int(np.flatnonzero(empty)[-1])
    first = last + int(np.argmax(raised[last:]))
    if first <= last:
        return None
    return _between(max(float(time_s[first - 1] - time_s[last + 1]), 0.0), float(time_s[first] - time_s[last]))


def _between(low: float, high: float) -> Measured:
    return Measured((low + high) / 2.0, "s", max(low, 0.0), high)
