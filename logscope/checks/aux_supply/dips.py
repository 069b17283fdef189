"""Dips of the 12 V side by what switched on just before, and the lowest while contactor coils pulled in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, IndexArray
from logscope.checks.aux_supply.side import Side
from logscope.findings import Measured
from logscope.observations.dc_link.openings import Switch, switches
from logscope.parts import part_name
from logscope.signals import Part, Signals
from logscope.statistics.sampling import stretch_numbers

COILS = ("precharge_relay", "main_contactor", "negative_contactor")
_OTHERS = ("coolant_pump", "coolant_fan")
DIP_S = 0.5  # a coil pulls in within 50 ms and an inrush fades within 0.3 s (practice)
_BEFORE_S, _LEAST_BEFORE = 1.5, 3
_NOISES, _STEPS, _LEAST_V = 4.0, 2.0, 0.05  # what a dip must exceed to be one
SEES_S = 0.25  # readings further apart miss most dips


@dataclass(frozen=True, slots=True)
class Dip:
    """What switched on together; between when and when [s]; by how much the level fell and to what [V]."""

    what: tuple[str, ...]
    coil: bool
    since_s: float
    until_s: float
    drop_V: float
    low_V: float


@dataclass(frozen=True, slots=True)
class Switched:
    """All dips of the same loads: how many switchings were seen, how many of them dipped, the median drop, lowest."""

    what: str
    seen: int
    dipped: int
    drop: Measured
    low_V: float


def visible_drop(side: Side) -> float:
    """The smallest dip that is one [V]."""
    return max(_NOISES * side.noise_V, _STEPS * side.step_V, _LEAST_V)


def states(signals: Signals) -> Iterator[tuple[str, Part]]:
    """Everything whose switching is logged, by its name; a signal that plays two parts once, as the load it is."""
    seen: set[str] = set()
    for load in signals.loads:
        if load.switch is not None and load.switch.on is not None:
            seen.add(load.switch.source)
            yield load.name, load.switch
    for name in (*COILS, *_OTHERS):
        part = signals.get(name)
        if part is not None and part.on is not None and part.source not in seen:
            seen.add(part.source)
            yield part_name(name), part


def switched_on(signals: Signals) -> list[tuple[str, Switch]]:
    """Every switching on, by name, in order of time."""
    found = [(name, each) for name, part in states(signals) for each in switches(part) if each.on]
    return sorted(found, key=lambda each: each[1].low_s)


def after_switching(side: Side, signals: Signals, for_s: float) -> BoolArray:
    """The rows within some time after anything switched, on or off, shape (n,)."""
    about = np.zeros(side.time_s.size, dtype=bool)
    for _, part in states(signals):
        for each in switches(part):
            since, until = np.searchsorted(side.time_s, [each.low_s, each.time_s + for_s])
            about[since:until] = True
    return about


def find_dips(side: Side, signals: Signals) -> list[Dip]:
    """Each switching on with readings before and after it, those that share their moments as one."""
    groups: list[list[tuple[str, Switch]]] = []
    for name, switch in switched_on(signals):
        if groups and switch.low_s <= max(each.time_s for _, each in groups[-1]) + DIP_S:
            groups[-1].append((name, switch))
        else:
            groups.append([(name, switch)])
    number = stretch_numbers(side.time_s)
    return [dip for group in groups if (dip := _dip(side, group, number)) is not None]


def _dip(side: Side, group: list[tuple[str, Switch]], number: IndexArray) -> Dip | None:
    since_s = min(each.low_s for _, each in group)
    until_s = max(each.time_s for _, each in group) + DIP_S
    first, begin = np.searchsorted(side.time_s, [since_s - _BEFORE_S, since_s])
    end = int(np.searchsorted(side.time_s, until_s, side="right"))
    if begin - first < _LEAST_BEFORE or end <= begin or number[first] != number[end - 1]:
        return None
    low = float(side.volts[begin:end].min())
    coil = any(each.part in COILS for _, each in group)
    names = tuple(dict.fromkeys(name for name, _ in group))
    return Dip(names, coil, since_s, until_s, float(np.median(side.volts[first:begin])) - low, low)


def by_what(dips: list[Dip], side: Side) -> list[Switched]:
    """The dips gathered by what switched, the deepest first."""
    gathered: dict[tuple[str, ...], list[Dip]] = {}
    for dip in dips:
        gathered.setdefault(tuple(sorted(dip.what)), []).append(dip)
    found = []
    for names, each in gathered.items():
        drops = np.array([dip.drop_V for dip in each])
        visible = drops > visible_drop(side)
        if visible.any():
            drop = float(np.median(drops[visible]))
            least = drop - 2.0 * side.noise_V - side.step_V / 2  # between readings it may have been deeper
            measured = Measured(drop, "V", max(least, 0.0), None)
            name = " + ".join(names)
            found.append(Switched(name, drops.size, int(visible.sum()), measured, min(dip.low_V for dip in each)))
    return sorted(found, key=lambda each: -(each.drop.value or 0.0))
