"""What must not go on beside a charge: a charger that does not stop, an enabled drive, a plug that opens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray
from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals
from logscope.statistics.sampling import between_samples, stretches, zero_order_hold

_STOPS_S, _STOPS_PERIODS = 5.0, 3.0  # a charger ramps down and stops within this (practice)
_HELD_PERIODS = 3.0
_WITHDRAWN = 0.05  # of the request before
_STILL_SHARE, _STILL_A = 0.05, 1.0  # of the current before that must still flow: below, it may be a meter's offset
_OVERLAPS_S = 2.0  # an enabled drive beside a charge, longer than two messages lie apart
_TURNS_RPM, _ROLLS_KMH = 60.0, 2.0
_LEAST_ROWS = 3
_CHANGES_ROWS, _CHANCE = 50, 1e-6  # readings by which it is known how often a part changes; of a true one that stands
_BREAKS_A, _BREAKS_SHARE = 2.0, 0.1  # of the current that must flow when a plug or contactor opens


@dataclass(frozen=True, slots=True)
class Event:
    """One event: from, until [s], the current then [A].

    into_battery : whether the battery's current says that it is charged; None where that is not logged
    what : what shows it, for words
    constant : whether what shows it does not change: it may be another signal, or an old reading
    """

    start_s: float
    end_s: float
    amps: float
    into_battery: bool | None = None
    what: str = ""
    constant: bool = False


def not_stopping(session: Session, signals: Signals) -> Event | None:
    """Current that still flows after the request went to zero and stayed there."""
    target = signals.get("charger_current_target")
    if target is None or not session.current.of_charger:
        return None
    asked = target.value[target.between(session.start_s, session.end_s)]
    if not asked.size or asked.max() <= 0.0:
        return None  # a request that is zero all along is another signal, or a charger that needs none
    asks = target.value > _WITHDRAWN * float(asked.max())
    ends = np.flatnonzero(asks[:-1] & ~asks[1:])
    ends = ends[(target.time_s[ends + 1] > session.start_s) & (target.time_s[ends + 1] < session.end_s)]
    if not ends.size:
        return None
    withdrawn_s = float(target.time_s[ends[-1] + 1])
    part = session.current.part
    spacing_s = max(float(np.nan_to_num(part.spacing_s)), float(np.nan_to_num(target.spacing_s)))
    since_s = withdrawn_s + max(_STOPS_S, _STOPS_PERIODS * spacing_s)
    rows = part.between(since_s, session.end_s)
    time_s, amps = part.time_s[rows], part.value[rows]
    longest_s = _HELD_PERIODS * max(float(np.nan_to_num(target.spacing_s)), 1.0)
    live = zero_order_hold(target.time_s, asks.astype(np.float64), time_s, longest_s) == 0.0
    before = part.value[part.between(session.start_s, withdrawn_s)]
    level = float(np.median(before)) if before.size else 0.0
    pushes = live & (amps > max(_STILL_A, _STILL_SHARE * level, session.on_a))
    if pushes.sum() < _LEAST_ROWS:
        return None
    moments = time_s[pushes]
    into = _into_battery(signals, moments, level)
    constant = bool(np.ptp(np.append(amps[pushes], before[-1:])) == 0.0)  # perhaps the last one, repeated
    return Event(withdrawn_s, float(moments[-1]), float(np.median(amps[pushes])), into, constant=constant)


def _into_battery(signals: Signals, at_s: np.ndarray, level: float) -> bool | None:
    battery = signals.get("battery_current")
    if battery is None:
        return None
    inward = -between_samples(battery.time_s, battery.value, at_s)
    known = inward[np.isfinite(inward)]
    if not known.size:
        return None
    charges = bool(np.median(known) > max(_STILL_A, _STILL_SHARE * level))
    return None if charges and _repeats(battery, float(at_s[0]), float(at_s[-1])) else charges


def _repeats(part: Part, from_s: float, until_s: float) -> bool:
    """Whether a part keeps one value over a stretch, which is most unlikely for one that changed as often as it did."""
    rows = part.between(from_s, until_s)
    inside = part.value[rows]
    if inside.size < 2 or float(np.ptp(inside)) > 0.0:
        return False
    other = np.flatnonzero(part.value[: rows.start] != inside[0])
    before = part.value[: int(other[-1]) + 1 if other.size else 0][-_CHANGES_ROWS:]
    changes = float(np.mean(np.diff(before) != 0.0)) if before.size == _CHANGES_ROWS else 0.0
    return (1.0 - changes) ** (inside.size - 1) < _CHANCE


def while_enabled(session: Session, signals: Signals) -> Event | None:
    """The longest time that charging current flows beside a drive that can move, by the first signal that shows one.

    In the order of inverter state, motor speed and road speed.
    """
    part = session.current.part
    time_s = session.time_s
    flowing = session.amps > session.on_a
    for name in ("inverter_state", "motor_speed", "vehicle_speed"):
        other = signals.get(name)
        if other is None:
            continue
        active, what = _active(other, name)
        if active is None or other.time_s.size < 2:
            continue
        longest_s = _HELD_PERIODS * max(float(np.nan_to_num(other.spacing_s)), 0.1)
        both = flowing & (zero_order_hold(other.time_s, active.astype(np.float64), time_s, longest_s) == 1.0)
        first, last = stretches(both, time_s, 1.5 * float(np.nan_to_num(part.spacing_s)))
        shown = [
            (float(time_s[b] - time_s[a]), slice(int(a), int(b) + 1))
            for a, b in zip(first, last, strict=True)
            if time_s[b] - time_s[a] >= _OVERLAPS_S and both[a : b + 1].sum() >= _LEAST_ROWS
        ]
        if shown:
            _, rows = max(shown, key=lambda each: each[0])
            amps = float(np.median(session.amps[rows]))
            constant = name == "inverter_state" and bool(active.all())
            return Event(float(time_s[rows][0]), float(time_s[rows][-1]), amps, what=what, constant=constant)
    return None


def _active(part: Part, name: str) -> tuple[BoolArray | None, str]:
    if name == "inverter_state":
        return part.on, "the inverter reports that it is enabled"
    slow = _TURNS_RPM if name == "motor_speed" else _ROLLS_KMH
    return np.asarray(np.abs(part.value) > slow), "the vehicle moves" if name == "vehicle_speed" else "the motor turns"


def opened_under_current(session: Session, signals: Signals) -> Event | None:
    """A plug or lock that is reported open while charging current still flows."""
    part = session.current.part
    level = float(np.median(session.amps))
    for name, what in (("charge_plug", "plug"), ("charge_lock", "lock")):
        state = signals.get(name)
        if state is None or state.on is None:
            continue
        at = np.flatnonzero(state.on[:-1] & ~state.on[1:])
        at = at[(state.time_s[at + 1] > session.start_s) & (state.time_s[at + 1] <= session.end_s)]
        if not at.size:
            continue
        shown_s = float(state.time_s[at[0] + 1])
        rows = part.between(shown_s, session.end_s)
        amps = part.value[rows]
        if amps.size and float(amps[0]) > max(_BREAKS_A, _BREAKS_SHARE * level):
            # when the state was sent as still closed, it was: the current broken lies between there and here
            return Event(float(state.time_s[at[0]]), float(part.time_s[rows][-1]), float(amps[0]), what=what)
    return None
