"""A motor speed that falls to zero while the shaft turns on: a device that restarts, or a reading lost for long.

Such a fall may be gentle, for it passes the device's own filter; so no single step gives it away. In gear, tyres bound
how fast the shaft can stop; a free rotor needs torque to do it. What a fall beyond both was is decided by its company:
other readings of the shaft, the device's other values, its silence, and how the reading comes back.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from scipy.ndimage import maximum_filter1d

from logscope.arrays import BoolArray, FloatArray
from logscope.observations.motor_speed.envelope import LIGHT_ROTOR_SLEW
from logscope.observations.motor_speed.model import SpeedModel
from logscope.observations.motor_speed.other_readings import OtherSpeed, other_speeds
from logscope.parts import part_name
from logscope.physics.motion import free_spin_slew
from logscope.signals import Part, Signals
from logscope.statistics.episodes import runs_of_equal
from logscope.vehicle import Vehicle

_EDGE_S = 1.0  # a filter of some 0.2 s has settled to 2 % by then; what takes longer, tyres can do from 2,900 rpm
_LOW_SHARE = 0.02  # of the highest speed: the end of a filter's fall
_HIGH_SHARE = 0.9  # of the highest reading beside it: where a fall begins and a rise ends
_BEGINS_SHARE = 0.3  # of the speed before a silence: within one new value a filter may have risen so far
_LEAST_RPM = 300.0  # slower, a clutch, a gear or a kerb stops a shaft as fast (practice)
_SLOWEST_SWING_HZ = 2.0  # of a driveline (practice)
_HALF_SWING_S = 0.5 / _SLOWEST_SWING_HZ
_TURNS_SHARE = 0.2  # of the speed before the fall: a witness above it says that the shaft turns
_TORQUE_MARGIN = 1.6  # 20 % on the inertia, and a torque that may be larger between two samples
_MEAN_OVER = 33  # moments that a mean of a step between samples is taken over
_LOCKED_S = 1.0  # wheels locked by the brake for longer than this would be a skid (practice)
_SILENT_S, _SILENT_PERIODS = 0.25, 5.0  # no sample for longer than both: the device sends nothing
_GENTLE_UPDATES = 3  # new values that a fall or rise takes: a contact that opens or closes takes one or two
_BESIDE_S = 0.5  # between the fall and what else the device does (messages at 2 Hz and faster)
_DEVICE_STEADY = ("inverter_temperature", "motor_temperature", "dc_link_voltage", "aux_voltage")


@dataclass(frozen=True, slots=True)
class LostSpeed:
    """One time at zero that the shaft did not stand; indices into the samples of the speed.

    before : last sample at speed; first, last : at zero; after : first sample at speed again, None if it never is
    from_rpm : the speed before; fall_s : from there to the first sample at zero
    shown : what shows that the shaft turned, in words; empty where nothing logged can decide it
    device : whether the device's silence, or its other values, show that it stopped
    restart : whether the device restarted: it stopped, or the reading fell and rose as its filter does
    """

    before: int
    first: int
    last: int
    after: int | None
    from_rpm: float
    fall_s: float
    shown: tuple[str, ...]
    device: bool
    restart: bool


def lost_speeds(signals: Signals, speed: Part, model: SpeedModel, vehicle: Vehicle) -> tuple[LostSpeed, ...]:
    """Every time at zero that begins, after a gap or faster than tyres allow, from a speed; in order of time."""
    time, size = speed.time_s, np.abs(speed.value)
    low = max(model.zero_rpm, model.standstill_rpm / 2.0, _LOW_SHARE * float(size.max()))
    at_zero = (size <= low) | _starts_again(time, size, model)
    starts, ends = runs_of_equal(at_zero)
    starts, ends = starts[at_zero[starts]], ends[at_zero[starts]]
    span = 2 * max(1, round(_EDGE_S / model.update_s)) + 1
    near = maximum_filter1d(size, span)[starts] > max(_LEAST_RPM, 3.0 * low)
    witnesses = other_speeds(signals, speed, model) if near.any() else ()
    look = _Look(signals, speed, size, model, vehicle, low, witnesses)
    found = (
        _judge(look, int(first), int(last)) for first, last in zip(starts[near], ends[near], strict=True) if first > 0
    )
    return tuple(each for each in found if each is not None)


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What every fall is judged by."""

    signals: Signals
    speed: Part
    size: FloatArray
    model: SpeedModel
    vehicle: Vehicle
    low: float
    witnesses: tuple[OtherSpeed, ...]


def _starts_again(time: FloatArray, size: FloatArray, model: SpeedModel) -> BoolArray:
    """Samples after a silence that read far less than before it: a filter that has begun to rise from zero."""
    silent = np.diff(time) > max(_SILENT_S, _SILENT_PERIODS * model.update_s)
    return np.append(False, silent & (size[1:] < _BEGINS_SHARE * size[:-1]))


def _judge(look: _Look, first: int, last: int) -> LostSpeed | None:
    time, size = look.speed.time_s, look.size
    before, after = _edge(look, first, -1), _edge(look, last, +1)
    if before is None:
        return None
    from_rpm = float(size[before])
    fast = _beyond_tyres(look, before, first)
    silent = _silent(look, before, last + 1)
    if not fast and not silent:
        return None
    if time[last] - time[first] < _HALF_SWING_S and from_rpm < _full_slew(look) / (2.0 * pi * _SLOWEST_SWING_HZ):
        return None  # half shafts that were wound up swing the rotor as far when the torque goes
    rises = after is not None and _beyond_tyres(look, last, after)
    shown: list[str] = []
    turning = _turning(look, before, first, last, silent=bool(silent))
    if turning:
        shown.append(turning)
    if fast and silent:
        shown.append(silent)
    emptied = _emptied(look, float(time[first]), min(float(time[last]), float(time[first]) + _BESIDE_S))
    if emptied:
        shown.append(emptied)
    device = bool(emptied or (fast and silent))
    braked = _by_torque(look, before, first) if fast else None
    driven = _by_torque(look, last, after) if rises and after is not None else None
    if driven is False and (braked is False or silent):
        both = "it leaves its speed and comes back from zero" if braked is False else "it starts again from zero"
        shown.append(f"{both} faster than tyres allow, without the torque that it takes")
        device |= bool(silent)
    if not shown and (braked or not fast):
        return None  # a free rotor that its motor brakes, or a pause in the log in which the vehicle may have stopped
    slowly = first - before >= _GENTLE_UPDATES * look.model.repeat
    slowly |= rises and after is not None and after - last >= _GENTLE_UPDATES * look.model.repeat
    fall_s = float(time[first] - time[before])
    return LostSpeed(before, first, last, after, from_rpm, fall_s, tuple(shown), device, device or (slowly and rises))


def _moment_s(look: _Look) -> float:
    """How far off a stamp may be [s]: new values come in this time, or bunched on a grid."""
    elapsed = np.diff(look.speed.time_s[:10_000])
    return max(look.model.update_s, float(np.quantile(elapsed, 0.9)))


def _edge(look: _Look, at: int, way: int) -> int | None:
    """The sample next to a time at zero that stands at speed: where the fall began or the rise ended.

    Within `_EDGE_S`, or, where no sample is there, the first one beyond the gap.
    """
    time, size = look.speed.time_s, look.size
    beside = at + way
    if not 0 <= beside < time.size:
        return None
    edge_s = max(_EDGE_S, abs(float(time[beside] - time[at])))
    if way < 0:
        window = slice(int(np.searchsorted(time, time[at] - edge_s)), at)
    else:
        window = slice(at + 1, int(np.searchsorted(time, time[at] + edge_s, side="right")))
    there = size[window]
    if not there.size or there.max() < max(_LEAST_RPM, 3.0 * look.low):
        return None
    high = np.flatnonzero(there >= _HIGH_SHARE * there.max())
    return window.start + int(high[-1] if way < 0 else high[0])


def _beyond_tyres(look: _Look, one: int, other: int) -> bool:
    """Whether the speed moves from one sample to another faster than tyres allow."""
    taken_s = float(look.speed.time_s[other] - look.speed.time_s[one]) + _moment_s(look)
    moved = abs(float(look.size[other] - look.size[one]))
    return moved > look.model.in_gear_rpm_per_s * taken_s + look.model.in_gear.slack


def _by_torque(look: _Look, one: int, other: int) -> bool | None:
    """Whether the motor gave the torque to turn its own rotor so fast; None where no torque or current is logged."""
    time, motor = look.speed.time_s, look.vehicle.motor
    since_s, until_s = float(time[one]), float(time[other])
    taken_s = until_s - since_s + _moment_s(look)
    moved = float(look.size[other] - look.size[one])
    turns = float(np.sign(look.speed.value[one if moved < 0 else other]))
    torque, current = look.signals.get("torque"), look.signals.get("motor_current")
    share = None
    if torque is not None:
        largest = motor.max_torque_Nm or float(np.max(np.abs(torque.value)))
        share = _mean(torque, np.maximum(torque.value * turns * np.sign(moved), 0.0), since_s, until_s, largest)
    if share is None and current is not None:
        largest = max(look.vehicle.limits.motor_current_A or 0.0, float(np.max(np.abs(current.value))))
        share = _mean(current, np.abs(current.value), since_s, until_s, largest)
    if share is None:
        return None
    slew = look.model.in_gear_rpm_per_s + _TORQUE_MARGIN * _full_slew(look) * share
    return abs(moved) <= slew * taken_s + look.model.reach.slack


def _full_slew(look: _Look) -> float:
    """How fast full torque turns the bare rotor up or down [rpm/s]."""
    motor = look.vehicle.motor
    if motor.max_torque_Nm and motor.rotor_inertia_kgm2:
        return free_spin_slew(motor.max_torque_Nm, motor.rotor_inertia_kgm2)
    return LIGHT_ROTOR_SLEW


def _mean(part: Part, value: FloatArray, since_s: float, until_s: float, largest: float) -> float | None:
    """The highest that the mean of a part can have been, as a share; None where no sample is near enough to tell.

    Between samples the value may step at once after the one, or just before the other.
    """
    at = np.linspace(since_s, max(until_s, since_s + 1e-3), _MEAN_OVER)
    index = np.searchsorted(part.time_s, at, side="right")
    before, behind = np.clip(index - 1, 0, part.time_s.size - 1), np.clip(index, 0, part.time_s.size - 1)
    near_s = max(_BESIDE_S, _SILENT_PERIODS * part.period_s)
    if np.any(np.minimum(np.abs(at - part.time_s[before]), np.abs(part.time_s[behind] - at)) > near_s):
        return None
    return float(max(value[before].mean(), value[behind].mean())) / max(largest, 1e-9)


def _turning(look: _Look, before: int, first: int, last: int, *, silent: bool) -> str:
    """Which other reading says that the shaft turns while the speed reads zero, in words; empty if none does."""
    time, from_rpm = look.speed.time_s, float(look.size[before])
    for other in look.witnesses:
        inside = slice(first, last + 1)
        turns: BoolArray = other.known[inside] & (other.rpm[inside] > max(_TURNS_SHARE * from_rpm, 3.0 * look.low))
        if not turns.any():
            continue
        at_s = time[inside][turns]
        if silent:
            at_s = np.append(time[before], at_s)
        if not other.on_shaft and not _wheels_turn(look, at_s):
            continue
        rpm = float(np.max(other.rpm[inside][turns]))
        return f"{other.words} still says {rpm:.0f} rpm"
    return ""


def _wheels_turn(look: _Look, at_s: FloatArray) -> bool:
    """Whether the road speed speaks for the shaft, too: for longer than wheels lock, or with the brake up."""
    if float(at_s[-1] - at_s[0]) >= _LOCKED_S:
        return True
    brake = look.signals.get("brake")
    if brake is None or brake.on is None:
        return False
    window = brake.between(float(at_s[0]) - _BESIDE_S, float(at_s[-1]))
    return window.stop > window.start and not bool(brake.on[window].any())


def _silent(look: _Look, before: int, until: int) -> str:
    """That the speed was not sent for a while about the fall, though other messages came; empty if it was."""
    time = look.speed.time_s
    stretch = time[before : min(until, time.size - 1) + 1]
    elapsed = np.diff(stretch)
    if not elapsed.size or float(elapsed.max()) <= max(_SILENT_S, _SILENT_PERIODS * _moment_s(look)):
        return ""
    at = int(np.argmax(elapsed))
    since_s, until_s = float(stretch[at]), float(stretch[at + 1])
    own = look.speed.source.split(".")[0]
    others = [part for part in look.signals.parts.values() if part.source.split(".")[0] != own]
    inside_s = (until_s - since_s) / 4.0
    if not any((window := p.between(since_s + inside_s, until_s - inside_s)).stop > window.start for p in others):
        return ""
    return f"its message is missing for {until_s - since_s:.2g} s while others continue"


def _emptied(look: _Look, since_s: float, until_s: float) -> str:
    """Which values of the device that cannot be zero fall to exactly zero with it, in words; empty if none does."""
    fell = []
    for name in _DEVICE_STEADY:
        part = look.signals.get(name)
        if part is None:
            continue
        earlier = part.value[part.between(since_s - 4.0 * _BESIDE_S, since_s - _BESIDE_S)]
        inside = part.value[part.between(since_s - _BESIDE_S, until_s)]
        if earlier.size and inside.size and np.all(earlier != 0.0) and bool(np.any(inside == 0.0)):
            fell.append(part_name(name))
    return f"{' and '.join(fell)} {'read' if len(fell) > 1 else 'reads'} zero with it" if fell else ""
