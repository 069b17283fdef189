"""Signs before an overcurrent trip: what can be seen to lead to it, not to, or cannot be told.

Each sign looks at the moments before one event: the surge of the current, or, where none was sampled, its
collapse or the fault. A sign that the sampling could have missed is neither seen nor absent: it is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from logscope.checks.current_surge import Surge
from logscope.checks.speed_disturbance import SpeedStudy
from logscope.checks.trip_order import LEAD_S, Moment, first_disturbance
from logscope.findings import BoolArray, FloatArray
from logscope.signals import Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.swings import turning_points

FINE_S = 0.025  # sampled more coarsely than this, what takes some tens of ms may hide between samples
ORDER_KNOWN_S = 0.030  # a step of the demand and a surge that are told apart: three times a current loop's answer
ORDER_NEEDED_S = 0.100  # sampling that leaves the order open by more shows no disturbance to be the first
_COMMAND_S = 0.25  # a demand that leads to a trip is answered by the current within this (practice)
_COMMAND_SHARE = 0.2  # of the largest demand: less is the driver's foot at rest and the regulator's work
_COMMAND_SAMPLED_S = 0.050  # a pedal step lasts far longer than its surge
_OFF_S, _OFF_SHARE = 0.1, 0.02  # a bridge that was off so long, with no more than noise and rounding
_PEDAL_STEP = 20.0  # % of pedal travel
_LINK_SHARE = 0.15  # of the link's voltage: a pack's own sag at full power stays below (practice)
_LINK_S = 0.2  # before the event
_SWINGS_S = 0.6  # a loop that loses its damping grows within some tenths of a second (practice)
_SWING_SHARE = 0.10  # of the largest current: less is noise, ripple, and what a driveline's judder asks for
_LAST_SWING_S = 0.2  # an oscillation that leads to a trip goes on until then
_GROWS_BY_LESS = 3.0  # from one swing to the next: what rises by more was not only the swing's growth (own arithmetic)
_SWINGS_NEEDED = 4  # there and back, twice
_STEADY_S = 0.10  # how long the current must have been level before the trip
_LIMIT_ACTS_S = 1.0  # what trips later is a thermal limit, and called by another name (practice)
_LEVEL_SHARE = 0.05  # of itself: a level current moves no more than this
_HIGH_SHARE = 0.85  # of the largest current of the log, or of the stated limit
_SLOW_S = 0.015  # a fault in the power circuit fills a leakage inductance within a few ms (own arithmetic)
_BLOCKED_S = 0.002  # a bridge is blocked so soon after its limit is passed (practice)
# Of the limit: a machine's inductance and the regulator let the current pass by less before the bridge is blocked; it
# takes a short circuit, or a bridge that blocks late, to pass by more (practice).
_FAR_PAST_LIMIT = 1.5
_NOISE_Z = 6.0  # standard deviations of noise, which no difference of two samples reaches
_COMMANDS = ("throttle", "torque_target", "motor_current_target")


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign. `seen` is None where the log cannot tell, and `words` then say why.

    name : 'speed', 'command', 'swings', 'link', 'level', 'slow' or 'far'
    words : what was seen, or that it was not, or why it cannot be told
    moment : when it set in, where it was seen
    """

    name: str
    seen: bool | None
    words: str
    moment: Moment | None = None


def signs(
    event: Moment, surge: Surge | None, signals: Signals, study: SpeedStudy | None, limit_A: float | None
) -> tuple[Sign, ...]:
    """All signs before an event, in the order in which the causes are told."""
    current = signals.get("motor_current")
    return (
        _speed(study, event),
        _command(signals, event),
        _swings(current, event, event.seen_s if surge is None else surge.peak_s),
        _link(signals, event),
        _level(current, surge, event, limit_A),
        _slow(current, surge),
        _far(current, surge, limit_A),
    )


def _speed(study: SpeedStudy | None, event: Moment) -> Sign:
    if study is None:
        return Sign("speed", None, "without a logged motor speed the encoder cannot be judged")
    open_s = study.model.update_s + event.known_to_s
    moment = first_disturbance(study, event)
    apart = f"the motor speed has a new value every {study.model.update_s * 1e3:.3g} ms"
    if open_s > ORDER_NEEDED_S:
        return Sign("speed", None, f"{apart}, which leaves open by {open_s * 1e3:.3g} ms what came first", moment)
    if moment is not None and _may_be_its_effect(study, moment, event):
        return Sign("speed", None, "the speed changes as much as the surge itself may have turned the rotor", moment)
    if moment is not None:
        return Sign("speed", True, "a disturbance of the motor speed that no shaft could follow", moment)
    if study.model.update_s > FINE_S:
        return Sign("speed", None, f"{apart}, and a disturbance may hide in between")
    unseen = (
        f"no disturbance of the motor speed within {LEAD_S * 1e3:.0f} ms before; one of less than "
        f"{study.model.smallest_seen_rpm:,.0f} rpm, or between two samples, would not show"
    )
    return Sign("speed", False, unseen)


def _may_be_its_effect(study: SpeedStudy, moment: Moment, event: Moment) -> bool:
    """Whether a change of speed need not come before the surge, and is no more than a motor can do."""
    if event.sound_s >= moment.seen_s:
        return False
    index = int(np.searchsorted(study.speed.time_s, moment.seen_s))
    moved = abs(float(study.speed.value[index] - study.speed.value[index - 1]))
    return moved <= float(study.model.reach.limit[index - 1])


def _command(signals: Signals, event: Moment) -> Sign:
    """A step of the pedal or of the torque asked for; the current's target only where neither is logged."""
    if event.known_to_s > ORDER_KNOWN_S:
        return Sign("command", None, "how soon the current followed a demand lies between its samples")
    if _switched_on(signals.get("motor_current_target") or signals.get("motor_current"), event):
        return Sign("command", None, "the inverter had only just switched on, which is a step of its own")
    known = [part for name in _COMMANDS[:2] if (part := signals.get(name)) is not None]
    known = known or [part for part in [signals.get(_COMMANDS[2])] if part is not None]
    known = [part for part in known if part.period_s <= _COMMAND_SAMPLED_S]
    if not known:
        return Sign("command", None, "neither pedal nor target is logged every 50 ms or faster")
    for part in known:
        moment = _rise(part, event)
        if moment is not None:
            return Sign("command", True, f"a step of the {part.name.replace('_', ' ')}", moment)
    return Sign("command", False, "no step of pedal or target before it")


def _switched_on(part: Part | None, event: Moment) -> bool:
    """Whether the bridge was off shortly before: no current, or none asked for, and that for a while."""
    if part is None or part.period_s > FINE_S:
        return False
    amps = np.abs(part.value[part.between(event.sound_s - _COMMAND_S - _OFF_S, event.sound_s)])
    off = amps <= _OFF_SHARE * float(np.max(np.abs(part.value)))
    return bool(off.size) and float(np.count_nonzero(off)) * part.period_s >= _OFF_S


def _rise(part: Part, event: Moment) -> Moment | None:
    """When a demand steps up shortly before an event; a later fall with the trip does not matter."""
    window = part.between(event.sound_s - _COMMAND_S - part.period_s, event.seen_s)
    time, value = part.time_s[window], np.abs(part.value[window])
    if value.size < 2:
        return None
    needed = _PEDAL_STEP if part.name == "throttle" else _COMMAND_SHARE * float(np.max(np.abs(part.value)))
    least = np.minimum.accumulate(value)
    risen = np.flatnonzero(value - least > needed)
    if not risen.size:
        return None
    start = int(np.flatnonzero(value[: risen[0] + 1] <= least[risen[0]])[-1])
    return Moment(float(time[start]), float(time[start + 1]))


def _swings(current: Part | None, event: Moment, until_s: float) -> Sign:
    if current is None:
        return Sign("swings", None, "no motor current is logged")
    if current.period_s > FINE_S:
        return Sign("swings", None, f"a current sampled every {current.period_s * 1e3:.3g} ms shows no oscillation")
    window = current.between(event.sound_s - _SWINGS_S, until_s)
    time, amps = current.time_s[window], np.abs(current.value[window])
    least = max(_SWING_SHARE * float(np.max(np.abs(current.value))), _scatter(current, event))
    turns = turning_points(amps, least)
    going_on = bool(turns) and until_s - float(time[turns[-1]]) <= _LAST_SWING_S
    sizes = np.abs(np.diff(amps[turns]))
    if len(turns) < _SWINGS_NEEDED or not going_on:
        return Sign("swings", False, "no oscillation of the current before it")
    if abs(amps[-1] - amps[turns[-1]]) > _GROWS_BY_LESS * float(np.max(sizes)):
        return Sign("swings", False, "no oscillation of the current that grows into it")
    first = max(turns[0], 1)
    moment = Moment(float(time[first - 1]), float(time[first]))
    words = f"the current swings {len(turns)} times by up to {np.max(sizes):.0f} A"
    return Sign("swings", True, words, moment)


def _scatter(current: Part, event: Moment) -> float:
    """What noise and rounding alone may add to a difference of two samples [A]."""
    quiet = current.value[current.between(event.sound_s - 3.0, event.sound_s - _SWINGS_S)]
    noise = float(np.nan_to_num(noise_floor(quiet))) if quiet.size else 0.0
    return _NOISE_Z * sqrt(2.0) * noise + 2.0 * (current.step or 0.0)


def _link(signals: Signals, event: Moment) -> Sign:
    for name in ("main_contactor", "negative_contactor"):
        opened = _opened(signals.get(name), event)
        if opened is not None:
            return Sign("link", True, f"the {name.replace('_', ' ')} opens under load", opened)
    link = signals.get("dc_link_voltage")
    if link is None:
        return Sign("link", None, "no DC-link voltage is logged")
    if link.period_s > FINE_S:
        return Sign("link", None, f"the DC-link voltage is sampled only every {link.period_s * 1e3:.3g} ms")
    window = link.between(event.sound_s - _LINK_S, event.seen_s)
    time, volts = link.time_s[window], link.value[window]
    if volts.size < 2:
        return Sign("link", None, "the DC-link voltage was not sampled before it")
    off = np.flatnonzero(np.abs(volts - volts[0]) > _LINK_SHARE * max(abs(float(volts[0])), 1.0))
    if not off.size:
        return Sign("link", False, "the DC-link voltage held")
    at = int(off[0])
    moved = f"the DC-link voltage goes from {volts[0]:.0f} to {volts[at]:.0f} V"
    return Sign("link", True, moved, Moment(float(time[at - 1]), float(time[at])))


def _opened(contactor: Part | None, event: Moment) -> Moment | None:
    if contactor is None or contactor.on is None:
        return None
    window = contactor.between(event.sound_s - _LINK_S - contactor.period_s, event.seen_s)
    on: BoolArray = contactor.on[window]
    falls = np.flatnonzero(on[:-1] & ~on[1:])
    if not falls.size:
        return None
    time: FloatArray = contactor.time_s[window]
    return Moment(float(time[falls[0]]), float(time[falls[0] + 1]))


def _level(current: Part | None, surge: Surge | None, event: Moment, limit_A: float | None) -> Sign:
    """Whether the current was level and high until the trip, with no surge."""
    if current is None:
        return Sign("level", None, "no motor current is logged")
    if surge is not None:
        return Sign("level", False, "the current surged")
    if current.period_s > FINE_S:
        apart = f"{current.period_s * 1e3:.3g} ms"
        return Sign("level", None, f"a current sampled every {apart} may have surged in between")
    amps = np.abs(current.value[current.between(event.sound_s - _STEADY_S, event.sound_s)])
    amps = amps[:-1] if amps.size and amps[-1] < np.min(amps[:-1], initial=np.inf) else amps  # half way down
    if amps.size < 3:
        return Sign("level", None, "the current was not sampled before it")
    high = _HIGH_SHARE * min(limit_A or np.inf, float(np.max(np.abs(current.value))))
    scatter = max(_LEVEL_SHARE * float(np.median(amps)), _scatter(current, event))
    if float(np.ptp(amps)) > scatter or float(np.min(amps)) < high:
        return Sign("level", False, "the current was not level at its highest")
    words = f"the current stood level at {np.median(amps):.0f} A, as high as it ever is"
    stood_s = _stood_s(current, float(np.median(amps)) - scatter, event)
    if stood_s > _LIMIT_ACTS_S:
        return Sign("level", False, f"{words}, but for {stood_s:.1f} s already: a limit on the current acts sooner")
    return Sign("level", True, words)


def _stood_s(current: Part, least_A: float, event: Moment) -> float:
    """How long the current had not been below a value when an event came [s]."""
    window = current.between(current.time_s[0], event.sound_s)
    below = np.flatnonzero(np.abs(current.value[window]) < least_A)
    before = below[below < window.stop - window.start - 1]  # the last sample may be half way down
    since_s = float(current.time_s[window][before[-1]]) if before.size else float(current.time_s[0])
    return event.sound_s - since_s


def _slow(current: Part | None, surge: Surge | None) -> Sign:
    """Whether the surge took some tens of ms, as what a regulator does; a short circuit takes a few."""
    if surge is None or current is None:
        return Sign("slow", None, "no surge was sampled")
    rise_s = surge.peak_s - surge.sound_s
    if rise_s >= _SLOW_S + current.period_s:
        return Sign("slow", True, f"the current took {rise_s * 1e3:.0f} ms to its peak")
    if current.period_s > _SLOW_S:
        return Sign("slow", None, "how fast the current rose lies between its samples")
    return Sign("slow", False, "the current did not take its time")


def _far(current: Part | None, surge: Surge | None, limit_A: float | None) -> Sign:
    """Whether the current shot far past its limit before the bridge was blocked; a lower peak may be unsampled."""
    if surge is None or current is None or limit_A is None:
        return Sign("far", None, "how far the current passed its limit was not sampled")
    if surge.peak > _FAR_PAST_LIMIT * limit_A:
        words = f"the current reached {surge.peak:.0f} A, {surge.peak / limit_A:.1f} times its limit of {limit_A:.0f} A"
        return Sign("far", True, words)
    if current.period_s > _BLOCKED_S:
        return Sign("far", None, "how far the current passed its limit lies between its samples")
    return Sign("far", False, "the current did not shoot far past its limit")
