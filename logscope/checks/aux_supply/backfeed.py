"""Loads that stay fed after their switch has opened, by their own current or voltage.

What looks alike: a pump that runs on by design, a switch signal that is a request and not the relay, a relay that
sticks, a current sensor with an offset, a message that repeats an old value. So a load counts as fed only where it
takes much of what it takes when it is on; one that ends by itself each time is a run-on; and a current that never
changed again in the log may be an old value.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.aux_supply.dips import states
from logscope.checks.aux_supply.side import spans_of
from logscope.findings import Measured
from logscope.signals import Load, Part, Signals
from logscope.statistics.robust import noise_floor
from logscope.statistics.sampling import gap_threshold_s, zero_order_hold

_FED_SHARE = 0.3  # of what it has when it is on: a leak or an offset is less (practice)
_LEAST_A, _LEAST_V = 0.5, 4.0
_NOISES, _STEPS = 5.0, 3.0
_RUNS_DOWN_S = 3.0  # a motor's current ends with the switch, its voltage while it runs down (practice)
_LEAST_FED_S = 1.0  # shorter is a filter, or two messages out of phase
_LASTS_S = 30.0  # pumps run on for seconds; what is still fed after so long is no short run-on (practice)
_SEEN_S = 5.0  # that it must be seen to follow another switch
_LEAST_OFF_S, _LEAST_ROWS = 1.0, 3
_FOLLOWS = 0.9  # of the time with its switch open, in which it is fed with the other's switch and only then
_ALIKE = 0.01  # of the time: switches that follow it as well as that may each be the one


@dataclass(frozen=True, slots=True)
class Fed:
    """A load that was fed while its switch was open.

    by : "current" or "voltage"; spans : [s]; level, share : what it had then, and of what it has when it is on
    through : what else was switched on whenever it was fed, and only then; empty where nothing was
    ends : how many of the spans ended by themselves; changes : whether its reading changed after it opened
    off_s : for how long its switch was seen open
    by_own : whether it is fed with its own switch closed and the others open as well; None where that is not seen
    """

    load: str
    by: str
    part: Part
    switch: Part
    spans: tuple[tuple[float, float], ...]
    level: Measured
    share: float
    through: tuple[str, ...]
    ends: int
    changes: bool
    off_s: float
    by_own: bool | None

    @property
    def exchanged(self) -> bool:
        """Whether it follows another switch alone, and never its own: the mapping, and no second path."""
        return bool(self.through) and self.by_own is False

    @property
    def longest_s(self) -> float:
        """The longest stretch [s]."""
        return max(until - since for since, until in self.spans)

    @property
    def runs_on(self) -> bool:
        """Whether it merely ends later than its switch, by itself, each time."""
        return not self.through and self.ends == len(self.spans) and self.longest_s < _LASTS_S

    @property
    def sure(self) -> bool:
        """Whether it was surely fed: for long, and not by a reading that may be an old one."""
        total_s = sum(until - since for since, until in self.spans)
        return (
            self.changes
            and not self.runs_on
            and not self.exchanged
            and total_s >= (_SEEN_S if self.through else _LASTS_S)
        )


def find_fed(signals: Signals) -> list[Fed]:
    """Every load that is fed with its switch open."""
    found = []
    for load in signals.loads:
        for by, part in (("current", load.current), ("voltage", load.voltage)):
            fed = _fed(load, by, part, signals) if part is not None and load.switch is not None else None
            if fed is not None:
                found.append(fed)
                break
    return found


def _fed(load: Load, by: str, part: Part, signals: Signals) -> Fed | None:
    switch = load.switch
    if switch is None or switch.on is None:
        return None
    on, off = _where(part, switch, by)
    if on.sum() < _LEAST_ROWS or off.sum() < _LEAST_ROWS:
        return None
    noise = float(np.nan_to_num(noise_floor(part.value)))
    usual = float(np.median(np.abs(part.value[on])))
    floor = _LEAST_A if by == "current" else _LEAST_V
    least = max(floor, _FED_SHARE * usual, _NOISES * noise, _STEPS * (part.step or 0.0))
    if usual < least:
        return None  # it does nothing when it is on either
    fed = off & (np.abs(part.value) > least)
    spans = [s for s in spans_of(fed, part.time_s, gap_threshold_s(part.time_s)) if s[1] - s[0] >= _LEAST_FED_S]
    if not spans:
        return None
    fed &= np.any([(part.time_s >= since) & (part.time_s <= until) for since, until in spans], axis=0)
    level = np.abs(part.value[fed])
    reach = max(float(np.ptp(np.quantile(level, [0.025, 0.975]))) / 2, (part.step or 0.0) / 2)
    value = float(np.median(level))
    ends = sum(1 for _, until in spans if _ends(part, off, fed, until))
    opened = int(np.flatnonzero(off)[0])
    through = _followed(load, part, off, fed, signals)
    return Fed(
        load.name,
        by,
        part,
        switch,
        tuple(spans),
        Measured(value, part.unit, value - reach, value + reach),
        value / usual,
        through,
        ends,
        bool(np.any(part.value[opened:] != part.value[opened])),
        float(np.count_nonzero(off) * part.spacing_s),
        _by_its_own(part, on, least, through, signals),
    )


def _where(part: Part, switch: Part, by: str) -> tuple[BoolArray, BoolArray]:
    """The rows of a reading with the switch surely closed, and surely open for as long as it takes to show."""
    assert switch.on is not None
    longest_s = gap_threshold_s(switch.time_s)
    state = zero_order_hold(switch.time_s, switch.on.astype(np.float64), part.time_s, longest_s)
    lag_s = 2.0 * (switch.spacing_s + part.spacing_s)
    settle_s = lag_s + (_RUNS_DOWN_S if by == "voltage" else 0.0)
    at = np.flatnonzero(switch.on[1:] != switch.on[:-1]) + 1
    on, off = state == 1.0, state == 0.0
    for k in at:
        changed_s = float(switch.time_s[k])
        near = (part.time_s >= float(switch.time_s[k - 1]) - lag_s) & (part.time_s <= changed_s + settle_s)
        on, off = on & ~near, off & ~near
    return on, off


def _ends(part: Part, off: BoolArray, fed: BoolArray, until_s: float) -> bool:
    """Whether it ended by itself: its switch was still open, and the log went on."""
    after = int(np.searchsorted(part.time_s, until_s, side="right"))
    return after < off.size and bool(off[after]) and not fed[after]


def _followed(load: Load, part: Part, off: BoolArray, fed: BoolArray, signals: Signals) -> tuple[str, ...]:
    """With which switches it is fed, and without which it is not, both seen often enough; the best and its equals."""
    shares: dict[str, float] = {}
    assert load.switch is not None
    for name, other in states(signals):
        if other.source == load.switch.source:
            continue
        sure_on, sure_off = _where(part, other, "current")
        with_it, without = off & sure_on, off & sure_off
        if min(with_it.sum(), without.sum()) * part.spacing_s >= _LEAST_OFF_S:
            shares[name] = min(float(np.mean(fed[with_it])), float(np.mean(~fed[without])))
    best = max(shares.values(), default=0.0)
    return tuple(name for name, share in shares.items() if share > _FOLLOWS and share > best - _ALIKE)


def _by_its_own(part: Part, on: BoolArray, least: float, through: tuple[str, ...], signals: Signals) -> bool | None:
    """Whether a load takes much with its own switch closed and the others open; None where that is too short."""
    alone = on.copy()
    for name, other in states(signals):
        if name in through:
            alone &= _where(part, other, "current")[1]
    if alone.sum() * part.spacing_s < _LEAST_OFF_S:
        return None
    return bool(np.mean(np.abs(part.value[alone]) > least) > 1 - _FOLLOWS)


@dataclass(frozen=True, slots=True)
class Together:
    """Two switches that were never seen apart: how often they switched."""

    first: str
    second: str
    count: int
    spans: tuple[tuple[float, float], ...]


_LEAST_TOGETHER = 4  # switchings of either: fewer may be one key cycle
_APART_PERIODS = 2.0


def always_together(signals: Signals) -> list[Together]:
    """Loads whose switches always change together, within what their messages resolve."""
    edges = [(load.name, load.switch, _edges(load.switch)) for load in signals.loads if load.switch is not None]
    found = []
    for k, (name, part, changes) in enumerate(edges):
        for other_name, other, others in edges[k + 1 :]:
            if part.source == other.source or changes.size != others.size or changes.size < _LEAST_TOGETHER:
                continue
            apart_s = _APART_PERIODS * max(part.spacing_s, other.spacing_s)
            if np.all(np.abs(np.abs(changes) - np.abs(others)) <= apart_s) and np.all(changes * others > 0):
                spans = tuple((float(abs(at)), float(abs(at))) for at in changes)
                found.append(Together(name, other_name, int(changes.size), spans))
    return found


def _edges(part: Part) -> FloatArray:
    """Times of the changes of a state [s], negative where it goes off."""
    if part.on is None:
        return np.empty(0)
    at = np.flatnonzero(part.on[1:] != part.on[:-1]) + 1
    return np.where(part.on[at], part.time_s[at], -part.time_s[at])


def loads_with_reading(signals: Signals) -> Iterator[Load]:
    """Loads whose switch and reading are both logged: only these can show back-feed."""
    return (load for load in signals.loads if load.switch is not None and (load.current or load.voltage) is not None)
