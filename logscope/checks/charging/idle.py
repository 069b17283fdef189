"""A vehicle that is plugged in while no charging current flows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.charging.current import charging_current
from logscope.observations.charging.sessions import LEAST_A, Session
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_threshold_s, missing_s, stretches, zero_order_hold

# Handshake, tests of the isolation and the precharge of a charger's output are over within seconds to half a minute
# (practice); a charger that has given nothing for longer waits or fails.
_WAITS_S = 60.0
_LEAST_READINGS = 5
_MISSING_SHARE = 0.1  # of the time in which the current is not logged: with more it may have flowed then
_ASKED_SHARE = 0.5  # of the time in which a current is requested
_FULL = 0.998  # of the voltage requested, at which nothing has to flow
_ROLLS_KMH, _TURNS_RPM = 2.0, 60.0
_NOISES, _STEPS = 5.0, 2.5
_HELD_PERIODS = 3.0
_DRAWS_W = 5.0  # of the mains: less is a charger without them, or a meter's offset


@dataclass(frozen=True, slots=True)
class Idle:
    """Plugged in from, until [s], without current.

    shown_by : the part that reports the plug, or that it charges
    asked_a : the current that is requested meanwhile; None where none is, or it is not logged
    request_logged : whether a request is logged at all
    full : the battery stands at the voltage requested
    battery_a : what flows into the battery all the same, by its own current; None where nothing does
    fault, unfed : the charger reports a fault; it draws nothing from the mains; None where not logged
    """

    start_s: float
    end_s: float
    shown_by: str
    asked_a: float | None
    request_logged: bool
    full: bool
    battery_a: float | None
    fault: bool | None
    unfed: bool | None


def find_idle(signals: Signals, sessions: tuple[Session, ...]) -> Iterator[Idle]:
    """Every stretch in which the plug is in, or the charger says that it charges, and no session is."""
    shown = next(
        (part for name in ("charge_plug", "charger_state") if (part := signals.get(name)) is not None and _says(part)),
        None,
    )
    if shown is None or shown.on is None:
        return
    current = charging_current(signals)
    part, on_a = current.part, max(LEAST_A, _NOISES * current.noise_a, _STEPS * (current.part.step or 0.0))
    apart_s = float(np.nan_to_num(gap_threshold_s(shown.time_s), nan=0.0))
    for first, last in zip(*stretches(shown.on, shown.time_s, apart_s), strict=True):
        start_s, end_s = float(shown.time_s[first]), float(shown.time_s[last])
        rows = part.between(start_s, end_s)
        lasted_s = end_s - start_s
        if lasted_s < _WAITS_S or part.time_s[rows].size < _LEAST_READINGS:
            continue
        if any(session.start_s <= end_s and start_s <= session.end_s for session in sessions):
            continue
        unseen_s = missing_s(part.time_s, start_s, end_s)
        if unseen_s > _MISSING_SHARE * lasted_s or bool((part.value[rows] > on_a).any()) or _moves(signals, rows, part):
            continue
        yield _idle(signals, shown.name, start_s, end_s, part.time_s[rows], on_a)


def _says(part: Part) -> bool:
    return part.on is not None and bool(part.on.any()) and part.time_s.size > 1


def _moves(signals: Signals, rows: slice, part: Part) -> bool:
    """Whether the vehicle drives meanwhile: then the plug's state is another signal, or the wrong way round."""
    at_s = part.time_s[rows]
    for name, still in (("vehicle_speed", _ROLLS_KMH), ("motor_speed", _TURNS_RPM)):
        speed = signals.get(name)
        if speed is not None and speed.time_s.size:
            own = speed.value[speed.between(float(at_s[0]), float(at_s[-1]))]
            if np.count_nonzero(np.abs(own) > still) > 1:
                return True
    return False


def _idle(signals: Signals, shown_by: str, start_s: float, end_s: float, at_s: FloatArray, on_a: float) -> Idle:
    target = signals.get("charger_current_target")
    asked = _held(target, at_s)
    asks = np.nan_to_num(asked, nan=0.0) > 0.0
    asked_a = float(np.median(asked[asks])) if asks.mean() >= _ASKED_SHARE else None
    limit_V = _typical(_held(signals.get("charger_voltage_target"), at_s))
    full = limit_V > 0.0 and _typical(_held(signals.get("battery_voltage"), at_s)) >= _FULL * limit_V
    into_a = _typical(-_held(signals.get("battery_current"), at_s))
    fault = signals.get("charger_fault")
    watts = signals.get("charger_input_power")
    return Idle(
        start_s, end_s, shown_by, asked_a, target is not None, full, into_a if into_a > on_a else None,
        fault=None if fault is None or fault.healthy is None else bool((~_during(fault, fault.healthy, at_s)).any()),
        unfed=None if watts is None else bool(_during(watts, np.abs(watts.value) < _DRAWS_W, at_s).all()),
    )  # fmt: skip


def _typical(value: FloatArray) -> float:
    """The median of what is known; 0 where nothing is."""
    known = value[np.isfinite(value)]
    return float(np.median(known)) if known.size else 0.0


def _held(part: Part | None, at_s: FloatArray) -> FloatArray:
    """A part at each moment, NaN where it is stale or not logged."""
    if part is None or not part.time_s.size:
        return np.full(at_s.size, np.nan)
    longest_s = _HELD_PERIODS * max(float(np.nan_to_num(part.spacing_s)), 1.0)
    return zero_order_hold(part.time_s, part.value, at_s, longest_s)


def _during(part: Part, of: BoolArray, at_s: FloatArray) -> BoolArray:
    return of[part.between(float(at_s[0]), float(at_s[-1]))]
