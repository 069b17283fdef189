"""Find the stretches of charging current, and what the log holds of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.observations.charging.current import ChargingCurrent, charging_current, spread_in_time
from logscope.observations.charging.phases import Phase, Step, find_phases
from logscope.physics.cell import is_one_cell
from logscope.signals import Part, Signals
from logscope.statistics.episodes import join_neighbours
from logscope.statistics.sampling import missing_s

# Below this a charger may be off: meters of chargers read a few tenths of an ampere at rest; what gives a few amperes
# at the most, or charges a single cell, is measured as much more finely (common practice, no published source).
LEAST_A = 0.5
_SMALL_A, _SMALL_SHARE = 5.0, 0.01
_CLEARLY = 1.5  # times that, which a charge must reach beside another one: a taper that ends hovers about it
_NOISES = 5.0
_STEPS = 2.5
_PAUSE_S = 3.0  # a shorter pause is a lost reading or a controller that hesitates, not another charge (practice)
_EDGE_S, _EDGE_PERIODS = 1.0, 3.0  # a charge that begins or ends so near the log's own edge is cut by it
LEAST_SAMPLES = 5  # fewer show no phase


@dataclass(frozen=True, slots=True, eq=False)
class Session:
    """One stretch of charging current.

    start_s, end_s : first and last reading above `on_a`; each may be a sample period further out
    current : positive while it charges; voltage : of the charger's output, else of the battery; None where not logged
    first, last : rows of `current`, both included
    starts_cut, ends_cut : the log begins, or ends, while it charges; vanished : the current's message ends, the log
        does not
    missing_s : of it, in gaps
    on_a : the current above which it charges [A]; least_a : what its meter may read at rest [A]
    phases : in order of time; empty where there are too few samples
    """

    start_s: float
    end_s: float
    current: ChargingCurrent
    voltage: Part | None
    first: int
    last: int
    on_a: float
    least_a: float
    starts_cut: bool
    ends_cut: bool
    vanished: bool
    missing_s: float
    phases: tuple[Phase, ...]

    @property
    def period_s(self) -> float:
        """Time between two new readings of the current [s]."""
        return self.current.part.period_s

    @property
    def time_s(self) -> FloatArray:
        """The stamps of its readings, shape (n,)."""
        return self.current.part.time_s[self.first : self.last + 1]

    @property
    def amps(self) -> FloatArray:
        """Its readings [A], shape (n,)."""
        return self.current.part.value[self.first : self.last + 1]

    def phase(self, step: Step) -> Phase | None:
        """The phase of that name; None where the log shows none."""
        return next((phase for phase in self.phases if phase.step is step), None)


def find_sessions(signals: Signals) -> tuple[Session, ...]:
    """Every charging session in order of time. Raises MissingPart where no current shows charging."""
    charger = signals.get("charger_current")
    if charger is not None and not (charger.value > LEAST_A).any() and not _of_one_cell(signals):
        return ()  # before the work that only a charge is worth
    signals = spread_in_time(signals)
    current = charging_current(signals)
    part = current.part
    least_a = rest_reading(float(part.value.max(initial=0.0)))
    on_a = max(least_a, _NOISES * current.noise_a, _STEPS * (part.step or 0.0))
    index = np.flatnonzero(part.value > on_a)
    if not index.size:
        return ()
    pause_s = max(_PAUSE_S, _EDGE_PERIODS * float(np.nan_to_num(part.spacing_s)))
    # a hole in the log without a reading below is bridged: nothing says that the charge ended in it
    first, last = join_neighbours((np.diff(part.time_s[index]) <= pause_s) | (np.diff(index) == 1))
    spans = [(int(index[a]), int(index[b])) for a, b in zip(first, last, strict=True)]
    clear = [(a, b) for a, b in spans if float(part.value[a : b + 1].max()) >= _CLEARLY * on_a]
    return tuple(_session(signals, current, least_a, on_a, a, b) for a, b in clear or spans)


def _of_one_cell(signals: Signals) -> bool:
    """Whether a single cell is charged, of whose currents a few tenths of an ampere may be the highest."""
    voltage = signals.get("charger_voltage") or signals.get("battery_voltage")
    return voltage is not None and is_one_cell(float(voltage.value.max(initial=0.0)))


def rest_reading(highest_a: float) -> float:
    """What the meter of a charger may read at rest [A], by the highest current that it gives [A]."""
    return LEAST_A if highest_a >= _SMALL_A else min(LEAST_A, _SMALL_SHARE * highest_a)


def _session(signals: Signals, current: ChargingCurrent, least_a: float, on_a: float, first: int, last: int) -> Session:
    part = current.part
    start_s, end_s = float(part.time_s[first]), float(part.time_s[last])
    edge_s = max(_EDGE_S, _EDGE_PERIODS * float(np.nan_to_num(part.spacing_s)))
    ends_there = last == part.time_s.size - 1
    ends_cut = ends_there and signals.end_s - end_s <= edge_s
    voltage = signals.get("charger_voltage") or signals.get("battery_voltage")
    rows = slice(first, last + 1)
    phases: tuple[Phase, ...] = ()
    if last - first + 1 >= LEAST_SAMPLES:
        phases = find_phases(part.time_s[rows], part.value[rows], current.noise_a, voltage)
    return Session(
        start_s,
        end_s,
        current,
        voltage,
        first,
        last,
        on_a,
        least_a,
        starts_cut=first == 0 and start_s - signals.start_s <= edge_s,
        ends_cut=ends_cut,
        vanished=ends_there and not ends_cut,
        missing_s=missing_s(part.time_s, start_s, end_s),
        phases=phases,
    )
