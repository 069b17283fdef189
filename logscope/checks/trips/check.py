"""The trip check: each trip of the inverter, the moments before it, and what led to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.trips.cause import Cause, judge
from logscope.checks.trips.near import near_trips
from logscope.checks.trips.order import NO_LEAD
from logscope.checks.trips.pattern import pattern
from logscope.checks.trips.text import next_step, retries_in_words, title
from logscope.checks.wording import Words, number, times
from logscope.findings import Event, Evidence, Finding, Level, Mark, Measured, Severity
from logscope.observations.motor_speed.analysis import WrongSpeed
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.observations import Observations
from logscope.observations.trips.events import Trip, unwitnessed
from logscope.observations.trips.retries import gather
from logscope.observations.trips.surge import Peak, Surge, peak_before, surge_before
from logscope.signals import Part, Signals
from logscope.vehicle import Vehicle

_CHARTED = (
    "motor_current",
    "motor_speed",
    "motor_current_target",
    "torque",
    "throttle",
    "dc_link_voltage",
    "fault",
)
_MARKS = {
    "speed": "speed disturbance",
    "command": "demand steps up",
    "swings": "current begins to swing",
    "link": "link voltage departs",
    "level": "current level",
    "slow": "current rises",
}
_NORMAL_95 = 1.96  # standard deviations
_SHOWN_S, _SHOWN_SAMPLES = 1.0, 15  # before a trip, the longer of the two is charted
_NEXT_STEP_OTHER = "Look the fault up in the inverter's manual. See in the chart what changed before it."
_NEXT_STEP_BEFORE = "Start the log before switching the inverter on, so that the moment of the fault is logged."


def trips(signals: Signals, observations: Observations, vehicle: Vehicle) -> list[Finding]:
    """One finding for each trip, one for what trips have in common, one for surges that came near the limit.

    Raises MissingPart where neither a fault nor a motor current is logged.
    """
    signals, found = signals.unbunched(), observations.trips
    near = near_trips(signals, vehicle, found)
    wrong = observations.speed if "motor_speed" in signals else None
    if not found:
        doubtful = unwitnessed(signals)
        return [_undetermined(doubtful, signals) if doubtful else _none(signals, wrong), *near]
    study = None if wrong is None else wrong.study
    each = [_gathered(group, _finding(group[0], signals, vehicle, study)) for group in gather(found)]
    return [*each, *pattern(each, signals), *near]


def _gathered(trips: Sequence[Trip], first: Finding) -> Finding:
    """The finding on the first of several trips that are one event, with the list of all."""
    if len(trips) == 1:
        return first
    last_s = trips[-1].time_s
    events = (Event(first.start_s, first.end_s), *(Event(trip.sound_s, trip.time_s) for trip in trips[1:]))
    said = retries_in_words(len(trips), last_s - trips[0].time_s, trips[0].name)
    return replace(
        first,
        end_s=last_s,
        title=f"{first.title}; {len(trips)} times in {last_s - trips[0].time_s:.0f} s",
        explanation=f"{said} {first.explanation}",
        measured={**first.measured, "count": Measured(float(len(trips)), "")},
        events=events,
    )


def _undetermined(collapsed: Sequence[tuple[float, float]], signals: Signals) -> Finding:
    current = signals["motor_current"]
    before = [float(abs(amps)) for amps in current.held_at(np.array([on_s for on_s, _ in collapsed]))]
    return assemble(
        "trip.undetermined",
        Severity.INFO,
        Words(
            f"Motor current: collapsed {times(len(collapsed))}, from up to {number(max(before))} A; a trip cannot be "
            "excluded",
            "Neither a fault nor the pedal is logged. An inverter that trips at its limit, and a pedal that is lifted "
            "quickly, look alike.",
            "Log the inverter's fault signal and the pedal, and repeat the drive.",
            hands_near_hv=False,
        ),
        collapsed,
        {"count": Measured(float(len(collapsed)), "1"), "current_before_A": Measured(max(before), "A")},
        _parts(signals),
        signals,
    )


def _none(signals: Signals, wrong: WrongSpeed | None) -> Finding:
    """No trip; where no fault signal is logged, only none by overcurrent, for another one leaves no sure sign."""
    restarts = sum(1 for each in wrong.lost if each.restart and each.shown) if wrong is not None else 0
    logged = signals.get("fault") is not None
    by = "The fault signal shows none" if logged else "The motor current shows no surge and collapse"
    doubt = "" if logged else " A trip at low current, or between two samples, is not seen without a fault signal."
    title = "Inverter: no trip" if logged else "Inverter: no overcurrent trip seen, without a fault signal"
    next_step = "Nothing to do." if logged else "Log the inverter's fault signal before relying on this."
    if restarts:
        title = f"Inverter: {'no fault, but ' if logged else ''}{restarts} restart{'s' * (restarts != 1)} at speed"
        next_step = "See the finding on restarts, under motor speed."
    return assemble(
        "trip.none",
        Severity.GOOD if logged and not restarts else Severity.INFO,
        Words(
            title, f"{by}, from {signals.start_s:.1f} to {signals.end_s:.1f} s.{doubt}", next_step, hands_near_hv=False
        ),
        [(signals.start_s, signals.end_s)],
        {},
        _parts(signals),
        signals,
    )


def _finding(trip: Trip, signals: Signals, vehicle: Vehicle, study: SpeedAnalysis | None) -> Finding:
    if trip.before_log:
        return _set_before(trip, signals)
    current = signals.get("motor_current")
    peak = None if current is None else peak_before(current, trip.time_s)
    if not trip.overcurrent:
        return _other(trip, signals, vehicle, peak)
    surge = None if current is None else surge_before(current, trip.time_s)
    cause = judge(trip, surge, signals, study, vehicle.limits.motor_current_A)
    marks = _marks(trip, surge, cause)
    return assemble(
        "trip.overcurrent",
        Severity.DANGER,
        Words(
            title(trip.code is None, cause),
            f"{_current_in_words(surge, peak)} {cause.why}",
            next_step(cause),
            method=f"{_how_known(trip, signals)} {cause.method}",
        ),
        [(marks[0].time_s, marks[-1].time_s)],
        {
            "peak_current_A": _measured(peak),
            "lead_time_s": cause.lead,
            "current_before_A": Measured(None if surge is None else surge.before, "A"),
            "cause_likelihood": Measured(cause.likelihood, ""),
            **_code(trip),
        },
        _parts(signals),
        signals,
        evidence=Evidence(marks=marks, levels=_levels(signals, vehicle), window=_window(trip, current)),
        cause=cause.name,
    )


def _other(trip: Trip, signals: Signals, vehicle: Vehicle, peak: Peak | None) -> Finding:
    why = _why_no_overcurrent(trip, signals)
    return assemble(
        "trip.other",
        Severity.DANGER,
        Words(
            f"Trip: {_fault_in_words(trip)}",
            why or _how_known(trip, signals),
            _NEXT_STEP_OTHER,
            method=_how_known(trip, signals) if why else "",
        ),
        [(trip.time_s, trip.time_s)],
        {
            "peak_current_A": _measured(peak),
            **_code(trip),
        },
        _parts(signals),
        signals,
        evidence=Evidence(
            marks=(Mark(trip.time_s, "trip"),),
            levels=_levels(signals, vehicle),
            window=_window(trip, signals.get("motor_current")),
        ),
    )


def _window(trip: Trip, current: Part | None) -> tuple[float, float]:
    """What the chart shows: what led to the trip and what followed, in enough samples to see the order."""
    unit = max(_SHOWN_S, _SHOWN_SAMPLES * (current.period_s if current is not None else 0.0))
    return trip.time_s - unit, trip.time_s + unit / 3


def _why_no_overcurrent(trip: Trip, signals: Signals) -> str:
    if not trip.plain:
        return ""
    current = signals.get("motor_current")
    if current is None:
        return "The fault has no name, and no motor current is logged to decide it."
    return (
        f"The fault has no name. The current before it, sampled every {current.period_s * 1e3:.3g} ms, shows neither "
        "a surge nor a value beyond its limit."
    )


def _set_before(trip: Trip, signals: Signals) -> Finding:
    return assemble(
        "trip.overcurrent" if trip.overcurrent else "trip.other",
        Severity.DANGER,
        Words(
            f"Trip set before the log began: {_fault_in_words(trip)}",
            "The first sample already shows the fault. What led to it is not logged.",
            _NEXT_STEP_BEFORE,
        ),
        [(trip.time_s, trip.time_s)],
        {"peak_current_A": Measured(None, "A"), "lead_time_s": NO_LEAD, **_code(trip)},
        _parts(signals),
        signals,
        cause="undetermined" if trip.overcurrent else None,
    )


def _fault_in_words(trip: Trip) -> str:
    return trip.name if trip.code is None or trip.name != f"{trip.code:g}" else f"fault {trip.name}"


def _how_known(trip: Trip, signals: Signals) -> str:
    if trip.code is not None:
        between = f"between {trip.sound_s:.3f} and {trip.time_s:.3f} s"
        return f"The inverter's fault “{trip.name}” appears {between}."
    witnesses = [
        words
        for part, words in (("torque", "the torque fell with it"), ("throttle", "the pedal stayed down"))
        if part in signals
    ]
    return (
        "No fault is logged. A trip is inferred: the current collapsed to zero after a surge, from above its limit, or "
        f"from its highest value against the pedal{''.join(f'; {each}' for each in witnesses)}."
    )


def _current_in_words(surge: Surge | None, peak: Peak | None) -> str:
    if peak is None:
        return "The motor current before it is not logged."
    if surge is None:
        return f"The current reached {peak.amps:.0f} A; the sampling shows no surge."
    return (
        f"The current rose from {surge.before:.0f} A at {surge.sound_s:.3f} s to {surge.peak:.0f} A at "
        f"{surge.peak_s:.3f} s or higher."
    )


def _measured(peak: Peak | None) -> Measured:
    return Measured(None, "A") if peak is None else peak.measured


def _code(trip: Trip) -> dict[str, Measured]:
    return {} if trip.code is None else {"fault_code": Measured(trip.code, "")}


def _marks(trip: Trip, surge: Surge | None, cause: Cause) -> tuple[Mark, ...]:
    """What happened, in order of time."""
    marks = [Mark(trip.time_s, "trip")]
    if surge is not None:
        marks.append(Mark(surge.onset_s, "surge sets in"))
    if cause.sign is not None and cause.sign.moment is not None:
        marks.append(Mark(cause.sign.moment.seen_s, _MARKS[cause.sign.name]))
    return tuple(sorted(marks, key=lambda mark: mark.time_s))


def _levels(signals: Signals, vehicle: Vehicle) -> tuple[Level, ...]:
    limit = vehicle.limits.motor_current_A
    if limit is None or "motor_current" not in signals:
        return ()
    return (Level(limit, "limit", "motor_current"),)


def _parts(signals: Signals) -> tuple[str, ...]:
    return tuple(part for part in _CHARTED if part in signals)
