"""The order of events before a trip: each is known only to lie between two samples.

That is the last sample without it and the first with it. The lead of one event over another is known to no
better than the two spans together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.findings import Measured
from logscope.observations.motor_speed.disturbances import SpeedAnalysis
from logscope.observations.trips.events import Trip
from logscope.observations.trips.surge import Surge, collapse_before
from logscope.signals import Part

LEAD_S = 0.100  # current follows a wrong speed within milliseconds; regulators and messages add some tens
NO_LEAD = Measured(None, "s")


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that set in after `sound_s` and was seen at `seen_s` [s]."""

    sound_s: float
    seen_s: float

    @property
    def known_to_s(self) -> float:
        """How far apart the two samples are [s]."""
        return self.seen_s - self.sound_s


def sharpest(trip: Trip, surge: Surge | None, current: Part | None) -> tuple[Moment, str]:
    """The moment that a cause has to come before, and its name: surge, else collapse, else fault."""
    if surge is not None:
        return Moment(surge.sound_s, surge.onset_s), "the current surge"
    fell = None if current is None else collapse_before(current, trip.time_s)
    if fell is not None and fell[1] - fell[0] < trip.time_s - trip.sound_s:
        return Moment(*fell), "the current's collapse"
    return Moment(trip.sound_s, trip.time_s), "the trip"


def first_disturbance(study: SpeedAnalysis, event: Moment, off_s: float = 0.0) -> Moment | None:
    """The first impossible step of the speed that may lie within `LEAD_S` before an event.

    off_s : by how much the stamps of the speed may be wrong
    """
    time = study.speed.time_s
    steps = np.sort(np.concatenate((study.steps, study.lost)))
    sound, seen = time[steps - 1], time[steps]
    fits = (sound - off_s < event.seen_s) & (event.sound_s - seen - off_s <= LEAD_S)
    if not fits.any():
        return None
    index = int(np.argmax(fits))
    return Moment(float(sound[index]), float(seen[index]))


def lead_of(moment: Moment, event: Moment) -> Measured:
    """How long the one came before the other [s], with the limits that the sampling sets."""
    return Measured(event.seen_s - moment.seen_s, "s", event.sound_s - moment.seen_s, event.seen_s - moment.sound_s)
