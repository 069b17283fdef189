"""How a charge ended: full, cut by the log, or stopped, and then by what came first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from logscope.checks.charging.margins import Margin
from logscope.observations.charging.phases import Step
from logscope.observations.charging.sessions import Session
from logscope.signals import Part, Signals
from logscope.statistics.sampling import gap_threshold_s, zero_order_hold
from logscope.vehicle import Vehicle

_END_ROOM = (
    1.05  # of the stated end current, by which two sound meters differ, beside what they read at rest (practice)
)
_TAPERED = (
    0.5  # of the current that was held: without a stated end current, this much taper is a full battery (practice)
)
# A stop follows its cause by the periods of the messages, and a charger's own delay: timeouts of lost messages are a
# second or a few, a ramp down as much (common practice, no published source).
_FOLLOWS_S = 6.0
_WITHDRAWN = 0.05  # of the request before: below, it is withdrawn
_LOST = 0.05  # of the input power before: below, the supply is gone
_BESIDE_A = 3.0  # what a converter and heaters take from the charger's output beside the battery: 1 kW (practice)
_OVERDUE_PERIODS = 2.5  # since the last request: two were due, which no jitter explains
_NEAR_CELL_V, _NEAR_VOLTS_SHARE, _NEAR_K = 0.005, 0.002, 0.5  # to a limit, where a monitor stops (practice)
# A charger at rest draws some watts: no more than this of its power, and nothing at all without mains (practice).
_OWN_SHARE, _NOTHING, _IDLES_S, _LEAST_IDLE = 0.1, 0.25, 10.0, 3
_TAKES_SHARE, _LEAST_READINGS = 0.1, 5  # of the charger's current, below which a battery is not charged by it
_END_READINGS = 4.0  # of the battery's current, over which its noise is averaged
_SHOW_WHY = ("charger_current_target", "charger_input_power", "charger_fault", "fault")
_BEFORE_S = 3.0  # the end, over which a limit counts as reached


class Outcome(StrEnum):
    """How it ended."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Ending:
    """How it ended.

    cause : of a stop: limit, temperature, plug, supply, request, communication, fault, undetermined; None otherwise
    order : what happened about the end, (name, from, until) [s], in order of time
    limit : the limit that was reached; end_a : the current just before [A]
    why_open : why it cannot be determined
    """

    outcome: Outcome
    cause: str | None
    order: tuple[tuple[str, float, float], ...]
    limit: Margin | None
    end_a: float | None
    why_open: str = ""


def find_ending(
    session: Session, signals: Signals, vehicle: Vehicle, margins: list[Margin], old_s: float | None = None
) -> Ending:
    """Judge the end of a session. old_s : since when the charger's current is a repeated reading."""
    if not session.phases:
        return Ending(Outcome.OPEN, None, (), None, None, f"readings that show current: only {session.amps.size}")
    last = session.phases[-1]
    if takes_nothing(session, signals):
        why = "the charger reports current, and none flows into the battery: a load, an old reading, or another signal"
        return Ending(Outcome.OPEN, None, (), None, last.end_a, why)
    if old_s is not None:
        why = f"the charger's current repeats one reading from {old_s:.0f} s on, while the battery's current changes"
        return Ending(Outcome.OPEN, None, (), None, last.end_a, why)
    full = _is_full(session, signals, vehicle)
    stated = vehicle.charging.end_current_A
    newest_a = min(last.end_a, float(session.amps[-1]))
    if session.ends_cut and full and stated is not None and newest_a <= _END_ROOM * stated:
        return Ending(Outcome.COMPLETE, None, (), None, last.end_a)  # logged to the end current, and no further
    if session.ends_cut:
        return Ending(Outcome.OPEN, None, (), None, last.end_a, "the log ends while it charges")
    if session.vanished and not _battery_shows_the_end(session, signals):
        why = "the message with its current ends while it charges"
        return Ending(Outcome.OPEN, None, (), None, last.end_a, why)
    if full:
        return Ending(Outcome.COMPLETE, None, (), None, last.end_a)
    order = tuple(sorted(_events(session, signals), key=lambda event: (event[1] + event[2]) / 2))
    limit = _reached(session, signals, margins)
    if limit is None and _cause(order, limit) == "request" and _may_be_full(session, signals, vehicle):
        why = (
            "the request was withdrawn above the end current stated: full, if another load, whose current is not "
            "logged, takes the difference"
        )
        return Ending(Outcome.OPEN, None, (), None, last.end_a, why)
    if limit is None and not order and not any(name in signals for name in _SHOW_WHY):
        why = "neither request, input power nor a fault of the charger is logged, which would show why it ended"
        return Ending(Outcome.OPEN, None, (), None, last.end_a, why)
    return Ending(Outcome.STOPPED, _cause(order, limit), order, limit, last.end_a)


def takes_nothing(session: Session, signals: Signals) -> bool:
    """Whether the battery's current contradicts the charger's: a load, an old reading, or another signal."""
    battery = signals.get("battery_current")
    if battery is None or not session.current.of_charger:
        return False
    inward = -battery.value[battery.between(session.start_s, session.end_s)]
    level = float(np.median(session.amps))
    return inward.size >= _LEAST_READINGS and float(np.median(inward)) < min(_TAKES_SHARE * level, session.on_a)


def _is_full(session: Session, signals: Signals, vehicle: Vehicle) -> bool:
    """Whether the current had tapered to where the battery counts as full."""
    flat = session.phase(Step.VOLTAGE)
    if flat is None:
        return False
    stated = vehicle.charging.end_current_A
    battery = signals.get("battery_current")
    end_a = flat.end_a
    if battery is not None:
        before_s = max(_BEFORE_S, _END_READINGS * float(np.nan_to_num(battery.spacing_s)))
        own = -battery.value[battery.between(flat.end_s - before_s, flat.end_s)]
        into_a = float(np.median(own)) if own.size else 0.0
        end_a = min(end_a, into_a) if into_a > 0 else end_a
    if stated is not None:
        return end_a <= _END_ROOM * stated + session.least_a
    top = max(phase.start_a for phase in session.phases if phase.step is not Step.RISE)
    return end_a <= _TAPERED * top


def _may_be_full(session: Session, signals: Signals, vehicle: Vehicle) -> bool:
    """Whether a monitor that knows more than the log may have found the battery full: its own current is not logged."""
    stated, end_a = vehicle.charging.end_current_A, float(session.amps[-1])
    near = stated is not None and end_a <= _END_ROOM * stated + session.least_a + _BESIDE_A
    tapers = session.phase(Step.VOLTAGE) is not None
    return (tapers or near) and session.current.of_charger and "battery_current" not in signals


def _battery_shows_the_end(session: Session, signals: Signals) -> bool:
    """Whether the battery's current says that charging ended when the charger's message did."""
    battery = signals.get("battery_current")
    if battery is None or not session.current.of_charger:
        return False
    part = session.current.part
    wait_s = max(float(np.nan_to_num(gap_threshold_s(part.time_s))), float(np.nan_to_num(part.spacing_s)))
    after = -battery.value[battery.between(session.end_s, session.end_s + wait_s + _BEFORE_S)]
    return after.size >= 2 and float(after.min()) < session.on_a


def _cause(order: tuple[tuple[str, float, float], ...], limit: Margin | None) -> str:
    """A limit or a temperature that was reached is what the others follow from; else what came first beyond doubt."""
    if limit is not None and not any(name in ("plug", "supply") for name, _, _ in order):
        return "temperature" if limit.unit == "°C" else "limit"
    for name, _, until_s in order:
        others = [since_s for other, since_s, _ in order if other != name]
        if all(until_s <= since_s for since_s in others):
            return name
    # a plug that is out takes supply and request with it, whatever the order in which messages show it
    names = [name for name, _, _ in order]
    return next(
        (name for name in ("plug", "communication") if name in names), names[0] if len(names) == 1 else "undetermined"
    )


def _events(session: Session, signals: Signals) -> list[tuple[str, float, float]]:
    """What happened about the end and may have led to it: name, and between which moments."""
    end_s, wait_s = session.end_s, _FOLLOWS_S
    after_s = end_s + max(2.0 * float(np.nan_to_num(session.current.part.spacing_s)), 0.2)
    found = []
    for name in ("charge_plug", "charge_lock"):
        state = signals.get(name)
        if state is not None and state.on is not None and (span := _falls(state, state.on, end_s - wait_s, after_s)):
            found.append(("plug", *span))
            break
    target = signals.get("charger_current_target")
    if target is not None:
        found += _request(target, end_s, wait_s, after_s, session.start_s, signals.end_s)
    power = signals.get("charger_input_power")
    if power is not None:
        found += _supply(power, session, wait_s, after_s)
    for name in ("charger_fault", "fault"):
        fault = signals.get(name)
        healthy = None if fault is None else fault.healthy
        if fault is not None and healthy is not None and (span := _falls(fault, healthy, end_s - wait_s, after_s)):
            found.append(("fault", *span))
            break
    return found


def _falls(part: Part, on: np.ndarray, since_s: float, until_s: float) -> tuple[float, float] | None:
    """Between which two readings a state goes off in a stretch; None where it does not."""
    at = np.flatnonzero(on[:-1] & ~on[1:])
    at = at[(part.time_s[at + 1] >= since_s) & (part.time_s[at] <= until_s)]
    if not at.size:
        return None
    return float(part.time_s[at[0]]), float(part.time_s[at[0] + 1])


def _request(
    target: Part, end_s: float, wait_s: float, after_s: float, start_s: float, log_end_s: float
) -> list[tuple[str, float, float]]:
    """A request that is withdrawn, or no longer sent."""
    rows = target.between(start_s, end_s)
    before = target.value[rows]
    if not before.size or float(before.max()) <= 0.0:
        return []
    asks = target.value > _WITHDRAWN * float(before.max())
    if span := _falls(target, asks, end_s - wait_s, after_s):
        return [("request", *span)]
    silent_s = float(target.time_s[target.time_s <= after_s][-1])
    upcoming = target.time_s[target.time_s > silent_s]
    resumes_s = float(upcoming[0]) if upcoming.size else np.inf
    # a request that never comes again is lost from its last message on, not after a gap alone
    apart_s = gap_threshold_s(target.time_s) if upcoming.size else _OVERDUE_PERIODS * target.spacing_s
    quiet = silent_s < end_s - apart_s and resumes_s > end_s and log_end_s > end_s
    if quiet and end_s - wait_s <= silent_s:
        return [("communication", silent_s, silent_s + float(apart_s))]
    return []


def _supply(power: Part, session: Session, wait_s: float, after_s: float) -> list[tuple[str, float, float]]:
    """An input power that is gone before the current is: switching off itself takes it to the charger's own needs.

    What tells the two apart is the order, or that even what the charger needs by itself is no longer drawn.
    """
    end_s = session.end_s
    rows = power.between(session.start_s, end_s - wait_s / 3)
    before = power.value[rows]
    if before.size < 2:
        return []
    usual = float(np.median(before))
    fed = power.value > _LOST * usual
    span = _falls(power, fed, end_s - wait_s, after_s + float(np.nan_to_num(power.spacing_s)))
    if span is None:
        return []
    earlier = span[1] <= end_s - float(np.nan_to_num(session.current.part.spacing_s))
    # what it draws by itself: the readings before, at which it gave no current
    part = session.current.part
    gives = zero_order_hold(part.time_s, part.value, power.time_s) > session.on_a
    idle = power.value[(power.time_s < session.start_s) & ~gives]
    own = float(np.median(idle)) if idle.size else 0.0
    later = power.value[power.between(span[1], span[1] + _IDLES_S)]
    known = 0.0 < own < _OWN_SHARE * usual and later.size >= _LEAST_IDLE
    nothing = known and float(later.max()) < _NOTHING * own
    return [("supply", *span)] if earlier or nothing else []


def _reached(session: Session, signals: Signals, margins: list[Margin]) -> Margin | None:
    """The limit of pack or cells that was reached when it stopped."""
    near = {"cell_voltage_highest": _NEAR_CELL_V, "battery_temperature_highest": _NEAR_K}
    for margin in margins:
        part = signals.get(margin.part)
        if part is None or not margin.upper or margin.unit == "A" or margin.part == "charger_voltage":
            continue
        wait_s = max(_BEFORE_S, 2.0 * float(np.nan_to_num(part.spacing_s)))
        own = part.value[part.between(session.end_s - wait_s, session.end_s)]
        room = near.get(margin.part, _NEAR_VOLTS_SHARE * margin.limit)
        if own.size and float(np.median(own[-3:])) >= margin.limit - room:
            return margin
    return None
