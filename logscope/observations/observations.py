"""What the checks share of a capture: each observation is made once a run, when the first check asks for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar, cast

from logscope.bus.record import BusRecord
from logscope.observations.charging.sessions import Session, find_sessions
from logscope.observations.dc_link.attempts import Attempts, find_attempts
from logscope.observations.dc_link.link import Link, describe_link
from logscope.observations.dc_link.openings import Opening, find_openings, openings_without_link
from logscope.observations.motor_speed.analysis import WrongSpeed, wrong_speed
from logscope.observations.trips.events import Trip, find_trips
from logscope.signals import Signals
from logscope.vehicle import Vehicle

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Made:
    """An observation, and the parts in doubt that it would have used."""

    value: object
    missed: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """The observations of one capture. Each property raises MissingPart where the part it cannot do without is missing.

    signals : as the one who asks sees them: what an observation would have used, had it not been in doubt, is noted
        there as if the check had asked for it
    frames : the traffic of the buses; None for signals that come from no log
    """

    signals: Signals
    vehicle: Vehicle
    frames: BusRecord | None = None
    _made: dict[str, _Made] = field(default_factory=dict, repr=False)

    def seen_through(self, signals: Signals) -> Observations:
        """The same observations for another check, which has `signals` that note what it asks for."""
        return Observations(signals, self.vehicle, self.frames, self._made)

    @property
    def link(self) -> Link:
        """The voltage of the DC link as logged, with its noise and rounding, and the pack's voltage."""
        return self._once("link", lambda now: describe_link(now.signals, now.vehicle.limits.battery_min_V))

    @property
    def attempts(self) -> Attempts:
        """Every rise of the link that is a precharge attempt, and every closed relay that no rise followed."""
        return self._once("attempts", lambda now: find_attempts(now.signals, now.link))

    @property
    def openings(self) -> tuple[Opening, ...]:
        """Every moment at which the link was taken from the pack; by the states alone where it is not logged."""
        return self._once("openings", _openings)

    @property
    def speed(self) -> WrongSpeed | None:
        """What is wrong with the motor speed; None where it has too few samples to show anything."""
        return self._once("speed", lambda now: wrong_speed(now.signals, now.vehicle))

    @property
    def trips(self) -> tuple[Trip, ...]:
        """Every trip of the inverter in order of time."""
        return self._once("trips", lambda now: tuple(find_trips(now.signals.unbunched(), now.vehicle)))

    @property
    def charges(self) -> tuple[Session, ...]:
        """Every charging session in order of time."""
        return self._once("charges", lambda now: find_sessions(now.signals))

    def _once(self, name: str, make: Callable[[Observations], T]) -> T:
        if name not in self._made:
            watched = self.signals.watched()
            try:
                value = make(self.seen_through(watched))
            finally:
                self.signals.note_missed(watched.missed)
            self._made[name] = _Made(value, tuple(watched.missed))
        made = self._made[name]
        self.signals.note_missed(made.missed)
        return cast(T, made.value)


def _openings(now: Observations) -> tuple[Opening, ...]:
    if "dc_link_voltage" not in now.signals:
        return tuple(openings_without_link(now.signals))
    return tuple(find_openings(now.signals, now.link, now.attempts))
