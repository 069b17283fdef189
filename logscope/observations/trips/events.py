"""Trips: from the logged fault, or from what current, torque and throttle show where none is logged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray
from logscope.observations.trips.surge import collapses, peak_before, surge_before
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

TRIP_S = 0.5  # an inverter reports its fault at most so long after the current passed (practice)
_GONE = 0.2  # of the torque before: what is left is friction and rounding (practice)
_PEDAL_DOWN = 5.0  # %: below it the pedal is taken as up (practice)
_PEDAL_KEPT = 0.5  # of the pedal before: a driver who lifts asks for the current to fall
_UNANSWERED_S = 0.6  # a gear change asks for no torque for less than this (practice)
_HIGH_SHARE = 0.85  # of the largest current of the log
_LINK_STAYS = 0.7  # of the link's voltage: a contactor that opens under load empties it within milliseconds
_REACTION_S = 0.2  # a driver does not answer a trip sooner than this (practice)


@dataclass(frozen=True, slots=True)
class Trip:
    """One trip, times in s.

    sound_s : last sample without it; time_s : first sample with it
    overcurrent : whether it is one; name : the fault in words; code : the fault's value, None if inferred
    before_log : it was there at the log's first sample
    plain : the fault is a bare flag; whether it is an overcurrent was judged by the current
    """

    sound_s: float
    time_s: float
    overcurrent: bool
    name: str
    code: float | None
    before_log: bool = False
    plain: bool = False


def find_trips(signals: Signals, vehicle: Vehicle) -> list[Trip]:
    """All trips in order of time.

    Raises MissingPart where neither a fault nor a motor current is logged.
    """
    if "fault" in signals:
        return _from_fault(signals["fault"], signals, vehicle)
    return _from_current(signals["motor_current"], signals, vehicle)


def _from_fault(fault: Part, signals: Signals, vehicle: Vehicle) -> list[Trip]:
    """One trip for each fault that appears; repeated until the next healthy sample, it stays one."""
    healthy = fault.value == 0 if fault.healthy is None else fault.healthy
    over = np.zeros(fault.value.size, dtype=bool) if fault.overcurrent is None else fault.overcurrent
    trips: list[Trip] = []
    latched: set[tuple[float, bool]] = set()
    for index in _changes(fault, healthy, over):
        if healthy[index]:
            latched.clear()
            continue
        code, is_over = float(fault.value[index]), bool(over[index])
        if (code, is_over) in latched or (is_over and any(flag for _, flag in latched)):
            continue  # the same fault repeated, or another bit beside it
        latched.add((code, is_over))
        plain = not (_says_which(vehicle) or over.any() or code in fault.labels)
        trips.append(_trip(fault, index, is_over, plain, signals, vehicle))
    return trips


def _changes(fault: Part, healthy: BoolArray, over: BoolArray) -> list[int]:
    """The samples at which the fault differs from the sample before, the first sample among them."""
    if not fault.value.size:
        return []
    changed = (np.diff(fault.value) != 0) | np.diff(healthy) | np.diff(over)
    return [0, *(np.flatnonzero(changed) + 1).tolist()]


def _trip(fault: Part, index: int, is_over: bool, plain: bool, signals: Signals, vehicle: Vehicle) -> Trip:
    time = float(fault.time_s[index])
    sound = float(fault.time_s[index - 1]) if index else time
    code = float(fault.value[index])
    if plain and index:
        is_over = _current_says_overcurrent(signals, vehicle, time)
    name = fault.labels.get(code) or ("overcurrent" if is_over else fault.label(code))
    return Trip(sound, time, is_over, name, code, before_log=index == 0, plain=plain)


def _says_which(vehicle: Vehicle) -> bool:
    """Whether the vehicle file tells an overcurrent from other faults."""
    mapped = vehicle.signals.get("fault")
    return mapped is not None and (mapped.overcurrent is not None or mapped.overcurrent_bits is not None)


def _current_says_overcurrent(signals: Signals, vehicle: Vehicle, time_s: float) -> bool:
    """Whether the current before a fault passed its limit or surged."""
    current = signals.get("motor_current")
    if current is None:
        return False
    return _passed_limit(current, vehicle, time_s) or surge_before(current, time_s) is not None


def _passed_limit(current: Part, vehicle: Vehicle, time_s: float) -> bool:
    limit, peak = vehicle.limits.motor_current_A, peak_before(current, time_s)
    return limit is not None and peak is not None and peak.amps > limit


def _from_current(current: Part, signals: Signals, vehicle: Vehicle) -> list[Trip]:
    """Where the current surges or passes its limit, then collapses, and nobody asked for that."""
    torque, throttle = signals.get("torque"), signals.get("throttle")
    trips = []
    witnessed = torque is not None or throttle is not None
    for on_s, off_s in collapses(current):
        if not _torque_fell(torque, on_s, off_s):
            continue
        surged = surge_before(current, off_s) is not None
        stayed = _pedal_stayed(throttle, on_s, off_s)
        beyond = _passed_limit(current, vehicle, off_s) and (surged or stayed)
        if beyond or (stayed and (witnessed and surged)) or _let_go(current, signals, on_s, off_s):
            trips.append(Trip(on_s, off_s, True, "overcurrent", None))
    return trips


def unwitnessed(signals: Signals) -> list[tuple[float, float]]:
    """Where the current collapsed and nothing logged says who wanted that: (last seen on, seen off) [s].

    Without a fault and a pedal, a trip at the inverter's limit and a pedal that is lifted at once look alike.
    """
    current = signals.get("motor_current")
    if current is None or "fault" in signals or "throttle" in signals:
        return []
    torque = signals.get("torque")
    return [(on_s, off_s) for on_s, off_s in collapses(current) if _torque_fell(torque, on_s, off_s)]


def _let_go(current: Part, signals: Signals, on_s: float, off_s: float) -> bool:
    """Whether the inverter gave up at its highest current: the pedal stays down unanswered, the link stays up."""
    throttle, link = signals.get("throttle"), signals.get("dc_link_voltage")
    if throttle is None or link is None:
        return False
    amps = np.abs(current.value)
    before = amps[current.between(on_s - _REACTION_S, on_s)]
    after = amps[current.between(off_s + current.period_s, off_s + _UNANSWERED_S)]
    pedal = throttle.value[throttle.between(on_s, off_s + _UNANSWERED_S)]
    volts = np.abs(link.value[link.between(on_s - _REACTION_S, off_s + _UNANSWERED_S)])
    if min(before.size, after.size, pedal.size, volts.size) == 0:
        return False
    high = float(np.median(before)) >= _HIGH_SHARE * float(np.max(amps))
    unanswered = float(np.max(after)) <= _GONE * float(np.median(before)) and float(np.min(pedal)) > _PEDAL_DOWN
    return high and unanswered and float(np.min(volts)) >= _LINK_STAYS * float(np.max(volts))


def _torque_fell(torque: Part | None, on_s: float, off_s: float) -> bool:
    """Whether the torque went with the current; not denied where it is not logged."""
    if torque is None:
        return True
    before = torque.value[torque.between(on_s - _REACTION_S, on_s)]
    after = torque.value[torque.between(off_s + torque.period_s, off_s + torque.period_s + _REACTION_S)]
    if not before.size or not after.size:
        return True
    return float(np.median(np.abs(after))) <= _GONE * float(np.max(np.abs(before)))


def _pedal_stayed(throttle: Part | None, on_s: float, off_s: float) -> bool:
    """Whether the pedal stayed down while the current fell; not denied where it is not logged."""
    if throttle is None:
        return True
    before = throttle.value[throttle.between(on_s - _REACTION_S - throttle.period_s, on_s)]
    after = throttle.value[throttle.between(on_s, off_s + _REACTION_S / 2.0)]
    if not before.size or not after.size:
        return True
    return float(before[-1]) > _PEDAL_DOWN and float(np.min(after)) >= _PEDAL_KEPT * float(before[-1])
