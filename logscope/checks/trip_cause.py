"""What led to an overcurrent trip: the order of speed disturbance, current surge and trip.

Each moment is known only to lie between two samples: the last without it and the first with it. The
lead of one over another is known to no better than the two spans together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.checks.current_surge import Surge, collapse_before
from logscope.checks.speed_disturbance import SpeedStudy
from logscope.checks.trip_events import Trip
from logscope.findings import Measured
from logscope.signals import Part

LEAD_S = 0.100  # current follows a wrong speed within milliseconds; regulators and messages add some tens
ORDER_NEEDED_S = 0.100  # sampling that leaves the order open by this much or more shows no cause
WANTED_PERIOD_S = 0.010  # sampling at which a lead of some tens of ms can be told
NO_LEAD = Measured(None, "s")


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that set in after `sound_s` and was seen at `seen_s` [s]."""

    sound_s: float
    seen_s: float


@dataclass(frozen=True, slots=True)
class Cause:
    """The cause's name, why in words, the disturbance before the surge and its lead, where there is one."""

    name: str
    why: str
    disturbance: Moment | None = None
    lead: Measured = NO_LEAD

    @property
    def certain(self) -> bool:
        """Whether the sampling itself proves that the disturbance came first."""
        return self.lead.low is not None and self.lead.low >= 0


def judge(trip: Trip, surge: Surge | None, current: Part | None, study: SpeedStudy | None) -> Cause:
    """The cause of an overcurrent trip, as far as speed, current and their sampling show it."""
    if study is None:
        return Cause("undetermined", "Without a logged motor speed the encoder cannot be judged.")
    event, what = _sharpest(trip, surge, current)
    moment = first_disturbance(study, event)
    open_s = study.model.update_s + (event.seen_s - event.sound_s)
    if open_s > ORDER_NEEDED_S:
        return _too_coarse(study, event, what, moment, open_s)
    if moment is None:
        return Cause("undetermined", _nothing_seen(study, what))
    lead = lead_of(moment, event)
    cause = Cause("encoder", "", moment, lead)
    order = (
        "That order is certain from the sampling. The inverter turns a wrong speed into a wrong frequency "
        "or angle, and the current follows."
        if cause.certain
        else "The sampling leaves open which of the two came first. A wrong speed, which the inverter turns "
        "into a wrong frequency or angle, is the likelier cause; but a fault in the power circuit may also "
        "have disturbed the speed reading."
    )
    seen = f"A disturbance of the motor speed that no shaft could follow was seen {_in_words(lead, what)}."
    return replace(cause, why=f"{seen} {order}")


def _sharpest(trip: Trip, surge: Surge | None, current: Part | None) -> tuple[Moment, str]:
    """The moment that a disturbance has to come before, and its name: surge, else collapse, else fault."""
    if surge is not None:
        return Moment(surge.sound_s, surge.onset_s), "the current surge"
    fell = None if current is None else collapse_before(current, trip.time_s)
    if fell is not None and fell[1] - fell[0] < trip.time_s - trip.sound_s:
        return Moment(*fell), "the current's collapse"
    return Moment(trip.sound_s, trip.time_s), "the trip"


def first_disturbance(study: SpeedStudy, event: Moment) -> Moment | None:
    """The first impossible step of the speed that may lie within `LEAD_S` before an event."""
    time = study.speed.time_s
    steps = np.sort(np.concatenate((study.steps, study.lost)))
    sound, seen = time[steps - 1], time[steps]
    fits = (sound < event.seen_s) & (event.sound_s - seen <= LEAD_S)
    if not fits.any():
        return None
    index = int(np.argmax(fits))
    return Moment(float(sound[index]), float(seen[index]))


def lead_of(moment: Moment, event: Moment) -> Measured:
    """How long the one came before the other [s], with the limits that the sampling sets."""
    return Measured(event.seen_s - moment.seen_s, "s", event.sound_s - moment.seen_s, event.seen_s - moment.sound_s)


def _too_coarse(study: SpeedStudy, event: Moment, what: str, moment: Moment | None, open_s: float) -> Cause:
    known_s = event.seen_s - event.sound_s
    if moment is None:
        question = "Whether a disturbance of the motor speed"
    else:
        question = "A disturbance of the motor speed lies near it, but which of the two"
    return Cause(
        "undetermined",
        f"{question} came first cannot be told from this log: the speed has a new value every "
        f"{study.model.update_s * 1e3:.3g} ms and {what} is known to {known_s * 1e3:.3g} ms, which leaves "
        f"the order open by {open_s * 1e3:.3g} ms, while a current follows a wrong speed within "
        f"{LEAD_S * 1e3:.0f} ms. Record motor speed and motor current every {WANTED_PERIOD_S * 1e3:.0f} ms "
        "or faster.",
        moment,
        NO_LEAD if moment is None else lead_of(moment, event),
    )


def _nothing_seen(study: SpeedStudy, what: str) -> str:
    return (
        f"No disturbance of the motor speed was seen within {LEAD_S * 1e3:.0f} ms before {what}; one of "
        f"less than {study.model.smallest_seen_rpm:,.0f} rpm, or between two samples "
        f"{study.model.update_s * 1e3:.3g} ms apart, would not show."
    )


def _in_words(lead: Measured, what: str) -> str:
    value, low, high = (1e3 * (each or 0.0) for each in (lead.value, lead.low, lead.high))
    side = "before" if value >= 0 else "after"
    return f"{abs(value):.0f} ms {side} {what} (by the sampling, between {low:.0f} and {high:.0f} ms before)"
