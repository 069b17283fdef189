"""Signs before an overcurrent trip: what can be seen to lead to it, not to, or cannot be determined.

Each sign looks at the moments before one event: the surge of the current, or, where none was sampled, its
collapse or the fault. A sign that the sampling could have missed is neither seen nor absent: it is unknown.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.trips.current_signs import far, goes_on, level, slow, swings
from logscope.checks.trips.order import LEAD_S, Moment, first_disturbance
from logscope.checks.trips.sign import FINE_S, Sign
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.trips.surge import Surge
from logscope.parts import part_name
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_s

ORDER_KNOWN_S = 0.030  # a step of the demand and a surge that are seen apart: three times a current loop's answer
ORDER_NEEDED_S = 0.100  # sampling that leaves the order open by more shows no disturbance to be the first
_COMMAND_S = 0.25  # a demand that leads to a trip is answered by the current within this (practice)
_COMMAND_SHARE = 0.2  # of the largest demand: less is the driver's foot at rest and the regulator's work
_COMMAND_SAMPLED_S = 0.050  # a pedal step lasts far longer than its surge
_OFF_S, _OFF_SHARE = 0.1, 0.02  # a bridge that was off so long, with no more than noise and rounding
_PEDAL_STEP = 20.0  # % of pedal travel
_LINK_SHARE = 0.15  # of the link's voltage: a pack's own sag at full power stays below (practice)
_LINK_S = 0.2  # before the event
_RESTS_ON = {
    "speed": ("motor_speed",),
    "command": ("throttle", "torque_target"),
    "swings": ("motor_current",),
    "link": ("dc_link_voltage",),
    "level": ("motor_current",),
    "slow": ("motor_current",),
}
_LOST_IN_GAP = ("swings", "level")  # what was seen before the gap need not have gone on through it
_COMMANDS = ("throttle", "torque_target", "motor_current_target")


def signs(
    event: Moment,
    surge: Surge | None,
    signals: Signals,
    study: SpeedAnalysis | None,
    limit_A: float | None,
    trip_s: float,
) -> tuple[Sign, ...]:
    """All signs around an event, in the order in which the causes are listed; `trip_s` : when the trip was seen [s]."""
    current = signals.get("motor_current")
    signs = (
        _speed(study, event),
        _command(signals, event),
        swings(current, event, event.seen_s if surge is None else surge.peak_s),
        _link(signals, event),
        level(current, surge, event, limit_A, signals.get("throttle")),
        slow(current, surge),
        far(current, surge, event, limit_A),
        goes_on(current, signals.get("torque"), trip_s),
    )
    return tuple(_unless_missing(sign, event, signals) for sign in signs)


def _unless_missing(sign: Sign, event: Moment, signals: Signals) -> Sign:
    """The sign, or that it cannot be determined where samples are missing shortly before the event."""
    if sign.seen and sign.name not in _LOST_IN_GAP:
        return sign
    for name in _RESTS_ON.get(sign.name, ()):
        part = signals.get(name)
        lost_s = 0.0 if part is None else gap_s(part.time_s, event.sound_s - _COMMAND_S, event.seen_s)
        if lost_s:
            return Sign(sign.name, None, f"{lost_s:.2g} s of the {part_name(name)} are missing before it")
    return sign


def _speed(study: SpeedAnalysis | None, event: Moment) -> Sign:
    if study is None:
        return Sign("speed", None, "without a logged motor speed the encoder cannot be judged")
    open_s = study.model.update_s + event.known_to_s
    moment = first_disturbance(study, event)
    apart = f"the motor speed has a new value every {study.model.update_s * 1e3:.3g} ms"
    if open_s > ORDER_NEEDED_S:
        return Sign("speed", None, f"{apart}, which leaves open by {open_s * 1e3:.3g} ms what came first", moment)
    if moment is not None and _may_be_its_effect(study, moment, event):
        return Sign("speed", None, "the speed changes as much as the surge itself may have turned the rotor", moment)
    off_s = max(study.stamps_off_s, study.model.update_s)  # a message holds a value of up to one update before
    if moment is None and first_disturbance(study, event, off_s) is not None:
        why = ", and its messages come in bursts" if study.stamps_off_s else ""
        words = (
            f"the motor speed is disturbed right after it{why}: its readings are known in time to {off_s * 1e3:.3g} ms"
        )
        return Sign("speed", None, words)
    if moment is not None:
        return Sign("speed", True, "a speed disturbance that no shaft could follow", moment)
    if study.model.update_s > FINE_S:
        return Sign("speed", None, f"{apart}, and a disturbance may hide in between")
    unseen = (
        f"no disturbance of the motor speed within {LEAD_S * 1e3:.0f} ms before; one of less than "
        f"{study.model.smallest_seen_rpm:.0f} rpm, or between two samples, would not show"
    )
    return Sign("speed", False, unseen)


def _may_be_its_effect(study: SpeedAnalysis, moment: Moment, event: Moment) -> bool:
    """Whether a change of speed need not come before the surge, and is no more than a motor can do."""
    if event.sound_s >= moment.seen_s:
        return False
    index = int(np.searchsorted(study.speed.time_s, moment.seen_s))
    moved = abs(float(study.speed.value[index] - study.speed.value[index - 1]))
    return moved <= float(study.model.reach.limit[index - 1])


def _command(signals: Signals, event: Moment) -> Sign:
    """A step of the pedal or of the torque asked for; the current's target only where neither is logged."""
    if event.known_to_s > ORDER_KNOWN_S:
        return Sign("command", None, "how soon the current followed a demand, between its samples")
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
            return Sign("command", True, f"a step of the {part_name(part.name)}", moment)
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


def _link(signals: Signals, event: Moment) -> Sign:
    for name in ("main_contactor", "negative_contactor"):
        opened = _opened(signals.get(name), event)
        if opened is not None:
            return Sign("link", True, f"the {part_name(name)} opens under load", opened)
    link = signals.get("dc_link_voltage")
    if link is None:
        doubted = "dc_link_voltage" in signals.doubtful
        return Sign("link", None, "the DC-link voltage is in doubt" if doubted else "no DC-link voltage is logged")
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
