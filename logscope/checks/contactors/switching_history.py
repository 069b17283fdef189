"""What all questions about contactors share: their switchings, the link, the openings, and how findings are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logscope.checks.assemble import assemble
from logscope.checks.wording import Words
from logscope.findings import Event, Evidence, Finding, Mark, Measured, Severity
from logscope.observations.dc_link.attempts import Attempts
from logscope.observations.dc_link.flags import LEAST_LOAD_A
from logscope.observations.dc_link.link import Link, observed_step
from logscope.observations.dc_link.openings import Opening, Switch, switches
from logscope.observations.observations import Observations
from logscope.signals import Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.vehicle import Vehicle

CONTACTORS = ("main_contactor", "negative_contactor")
SWITCHED = ("precharge_relay", *CONTACTORS)
_SHOWN = (*CONTACTORS, "precharge_relay", "dc_link_voltage", "battery_voltage", "battery_current")
_MOVING_SAMPLES = 2  # before an opening, which tell how fast the current was changing
_NOISE_TIMES = 5.0  # a current below this many times its noise is none


@dataclass(frozen=True, slots=True, eq=False)
class SwitchingHistory:
    """The switchings of a capture. link, attempts : None where its voltage is not logged."""

    signals: Signals
    vehicle: Vehicle
    link: Link | None
    attempts: Attempts | None
    openings: tuple[Opening, ...]
    switched: Mapping[str, list[Switch]]

    @property
    def has_states(self) -> bool:
        """Whether a contactor's state is logged."""
        return any(name in self.switched for name in CONTACTORS)


def switching_history(signals: Signals, observations: Observations, vehicle: Vehicle) -> SwitchingHistory:
    """Gather what the questions need."""
    switched = {name: switches(signals.get(name)) for name in SWITCHED if _is_state(signals.get(name))}
    logged = "dc_link_voltage" in signals
    link, attempts = (observations.link, observations.attempts) if logged else (None, None)
    return SwitchingHistory(signals, vehicle, link, attempts, observations.openings, switched)


def _is_state(part: Part | None) -> bool:
    return part is not None and part.on is not None and part.on.size > 1


def load_level(current: Part) -> float:
    """The current from which on the pack is loaded, beyond noise and auxiliaries [A]."""
    noise = noise_floor(current.value) if current.value.size > 2 else 0.0
    return max(LEAST_LOAD_A, _NOISE_TIMES * noise, 2 * observed_step(current))


def current_between(current: Part, start_s: float, end_s: float) -> Measured | None:
    """Magnitude of a current between two times [A]: the last sample before them, and the range up to the next one.

    A current that was on the move may have gone on as it went from sample to sample before. None where the log holds
    no sample before.
    """
    first = int(np.searchsorted(current.time_s, start_s, side="right")) - 1
    last = int(np.searchsorted(current.time_s, end_s))
    if first < 0:
        return None
    amps = np.abs(current.value[first : last + 1])
    before = np.abs(current.value[max(first - _MOVING_SAMPLES, 0) : first + 1])
    moved = float(np.abs(np.diff(before)).max()) if before.size > 1 else 0.0
    return Measured(float(amps[0]), "A", max(float(amps.min()) - moved, 0.0), float(amps.max()) + moved)


def make_finding(
    history: SwitchingHistory,
    outcome: str,
    severity: Severity,
    words: Words,
    *,
    events: tuple[Event, ...],
    measured: Mapping[str, Measured],
    leading: str | None = None,
) -> Finding:
    """A finding of this check, with its episodes marked."""
    shown = tuple(name for name in _SHOWN if name in history.signals)
    if leading is not None and leading in shown:
        shown = (leading, *(name for name in shown if name != leading))
    marks = tuple(Mark(event.start_s, outcome.replace("_", " ")) for event in events[:1])
    return assemble(
        f"contactor.{outcome}",
        severity,
        words,
        [(event.start_s, event.end_s) for event in events],
        measured,
        shown,
        shown,
        Evidence(marks=marks),
    )
