"""All that is wrong with a motor speed: what the shaft cannot do, zero while it turns, and leaving other readings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logscope.arrays import IndexArray
from logscope.observations.motor_speed.departures import Departure, departures
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedAnalysis, analyse_speed
from logscope.observations.motor_speed.lost import LostSpeed, lost_speeds
from logscope.observations.motor_speed.other_readings import other_speeds
from logscope.signals import Signals
from logscope.vehicle import Vehicle


@dataclass(frozen=True, slots=True, eq=False)
class WrongSpeed:
    """What is wrong with a motor speed.

    study : its disturbances, without those that belong to a restart
    lost : times at zero while the shaft turned, the undecided ones among them; departures : from other readings
    """

    study: SpeedAnalysis
    lost: tuple[LostSpeed, ...]
    departures: tuple[Departure, ...]

    @property
    def lasting(self) -> tuple[tuple[float, float], ...]:
        """The stretches in which the reading is lost or apart from others, or may be [s]; no brief disturbances."""
        return self._seconds(self._rows())

    @property
    def spans(self) -> tuple[tuple[float, float], ...]:
        """The stretches in which the reading is wrong, or may be: from the last sound sample to the next [s]."""
        return self._seconds([*self._rows(), *((each.before, each.after) for each in self.study.disturbances)])

    def _rows(self) -> list[tuple[int, int]]:
        time = self.study.speed.time_s
        until = [time.size - 1 if each.after is None else each.after for each in self.lost]
        rows = [(each.before, end) for each, end in zip(self.lost, until, strict=True)]
        return rows + [(each.first, each.last) for each in self.departures if each.witness.on_shaft]

    def _seconds(self, rows: list[tuple[int, int]]) -> tuple[tuple[float, float], ...]:
        time = self.study.speed.time_s
        return tuple((float(time[a]), float(time[b])) for a, b in sorted(rows))


def wrong_speed(signals: Signals, vehicle: Vehicle) -> WrongSpeed | None:
    """Judge `motor_speed` by itself and by its company; None where too few samples show anything.

    Raises MissingPart where no signal plays motor_speed.
    """
    speed = signals["motor_speed"]
    study = analyse_speed(speed, vehicle, signals.get("torque"), signals.get("vehicle_speed"))
    if study is None:
        return None
    speed = study.speed  # its stamps are spread where they come in bursts
    lost = lost_speeds(signals, speed, study.model, vehicle)
    found = tuple(each for each in lost if each.device or not any(_meet(each, d) for d in study.disturbances))
    kept = tuple(each for each in study.disturbances if not any(_meet(lost, each) for lost in found))
    apart = [
        each
        for each in departures(speed, study.model, other_speeds(signals, speed, study.model))
        if not any(each.first <= (lost.after or speed.time_s.size) and lost.before <= each.last for lost in found)
    ]
    steps, steps_lost = (_outside(each, [lost for lost in found if lost.device]) for each in (study.steps, study.lost))
    return WrongSpeed(replace(study, disturbances=kept, steps=steps, lost=steps_lost), found, tuple(_once(apart)))


def _outside(steps: IndexArray, restarts: list[LostSpeed]) -> IndexArray:
    """Steps that do not belong to a device's restart, which follows from a trip and leads to none."""
    own = np.zeros(steps.size, dtype=bool)
    for each in restarts:
        own |= (steps > each.before) & (steps <= (each.last + 1 if each.after is None else each.after))
    return steps[~own]


def _meet(lost: LostSpeed, other: Disturbance) -> bool:
    after = other.after if lost.after is None else lost.after
    return lost.before <= other.after and other.before <= after


def _once(apart: list[Departure]) -> list[Departure]:
    """Each stretch by its surest witness alone."""
    kept: list[Departure] = []
    for each in apart:
        if not any(each.first <= other.last and other.first <= each.last for other in kept):
            kept.append(each)
    return kept
