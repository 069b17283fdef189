"""Find each moment at which the link was taken from the pack: by the contactor states, or by the voltages alone.

Shared by the checks of discharge and of contactors. A state may lag (`state_lag_s`) beyond its message period, so that
an opening is known between two times only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from typing import NamedTuple

import numpy as np

from logscope.arrays import FloatArray
from logscope.observations.dc_link.attempts import QUIET_BEFORE_S, Attempts
from logscope.observations.dc_link.flags import DISCONNECTED_BELOW, FLAG_LAG_S, LEAST_RISE, drawn_from
from logscope.observations.dc_link.link import AWAKE_SHARE, PACK_MISMATCH, Link, pack_voltage
from logscope.signals import Part, Signals

# From the end of the coil's current to open contacts (common practice, no published source).
OPENING_TRAVEL_S = 0.05
_LEVEL_S = 0.5  # before an opening, whose median is the level it starts from
# A first reading later than this after an opening does not show it: what happened between is not known.
_UNLOGGED_S, _UNLOGGED_PERIODS = 0.5, 5.0
# A link that falls at less than a fifth of what its bleeder, or its own fall later, asks for is held by something.
HELD_SHARE = 0.2
_LEAST_EACH = 5  # samples on both sides of a contactor's opening, to compare the falls there


@dataclass(frozen=True, slots=True)
class Opening:
    """The link taken from the pack.

    low_s, high_s : between which two times it happened
    start_s, end_s : between which two times the link is surely apart: until it is charged again, or the log ends
    shown_by : the part that shows it ('dc_link_voltage' where no state does), '' where the log begins with an open path
    level_v : the link just before [V], None where the log does not show it; level_spread_v : it may be off by this
    restarted : whether the link was charged again, rather than the log ended
    unlogged_s : how long after the opening the link's first reading comes, where it is not logged about it; low_s and
        high_s are then that reading's time
    held_until : the contactor at whose opening, in the end, the link falls; until then another one held it. '' if none
    """

    low_s: float
    high_s: float
    start_s: float
    end_s: float
    shown_by: str
    level_v: float | None
    restarted: bool
    level_spread_v: float = 0.0
    unlogged_s: float = 0.0
    held_until: str = ""

    @property
    def by_state(self) -> bool:
        """Whether a contactor state shows it."""
        return self.shown_by not in ("", "dc_link_voltage")


@dataclass(frozen=True, slots=True)
class Switch:
    """A state that changed. It is known to have changed between low_s and high_s; time_s is when the log says so."""

    part: str
    on: bool
    low_s: float
    time_s: float

    @property
    def high_s(self) -> float:
        """The latest moment [s]; a contactor commanded to open takes its time."""
        return self.time_s if self.on else self.time_s + OPENING_TRAVEL_S


def switches(part: Part | None) -> list[Switch]:
    """Every change of a state, in order of time."""
    if part is None or part.on is None:
        return []
    at = np.flatnonzero(part.on[1:] != part.on[:-1]) + 1
    lag_s = state_lag_s(part)
    return [Switch(part.name, bool(part.on[k]), float(part.time_s[k - 1]) - lag_s, float(part.time_s[k])) for k in at]


def state_lag_s(part: Part) -> float:
    """How late a state may be, beyond the time since its last message: controllers send what they knew a period ago."""
    return max(FLAG_LAG_S, part.period_s) if part.has_period else FLAG_LAG_S


def find_openings(signals: Signals, link: Link, attempts: Attempts) -> list[Opening]:
    """Every opening of the capture in order of time."""
    if link.part.time_s.size < 2:
        return []
    contactors = [signals.get(name) for name in ("main_contactor", "negative_contactor")]
    if any(part is not None and part.on is not None and part.time_s.size for part in contactors):
        return _by_states(signals, link, attempts)
    return _by_voltages(signals, link, attempts)


def openings_without_link(signals: Signals) -> list[Opening]:
    """The openings that the states tell, where the link's voltage is not logged."""
    return [
        Opening(
            opened.low_s,
            opened.high_s,
            opened.high_s,
            closed.low_s if closed else signals.end_s,
            opened.part,
            None,
            closed is not None,
        )
        for opened, closed, _ in path_stretches(signals)
        if opened is not None
    ]


class Stretch(NamedTuple):
    """A stretch in which the states say that no path joins pack and link.

    opened : the switch that opened the path; closed : the one that closed it; None where the log begins or ends in it
    later : further contactors that open meanwhile
    """

    opened: Switch | None
    closed: Switch | None
    later: tuple[Switch, ...]


def path_stretches(signals: Signals) -> list[Stretch]:
    """Every stretch in which the states say that no path joins pack and link, in order of time.

    The path is main contactor or precharge relay, and the negative contactor where it is logged. Those after a
    precharge that never reached the contactor are left out.
    """
    names = ("main_contactor", "precharge_relay", "negative_contactor")
    events = sorted((s for name in names for s in switches(signals.get(name))), key=lambda s: s.time_s)
    state = {name: _first_state(signals, name) for name in names}

    def main_path() -> bool:
        return state["main_contactor"] is not False and state["negative_contactor"] is not False

    def any_path() -> bool:
        positive = bool(state["main_contactor"]) or bool(state["precharge_relay"]) or state["main_contactor"] is None
        return positive and state["negative_contactor"] is not False

    found: list[Stretch] = []
    opened: Switch | None = None
    later: list[Switch] = []
    apart, driven = not any_path(), main_path()
    counts = apart
    for _, together in groupby(events, key=lambda s: s.time_s):
        switched = list(together)  # in one message, which may hold several states: nothing lies between them
        for switch in switched:
            state[switch.part] = switch.on
        driven = driven or main_path()
        if apart and any_path():
            if counts:
                found.append(Stretch(opened, switched[0], tuple(later)))
            apart, driven = False, main_path()
        elif not apart and not any_path():
            off = [switch for switch in switched if not switch.on]
            apart, opened, later, counts, driven = True, off[0], off[1:], driven, False
        elif apart:
            later += [switch for switch in switched if not switch.on and switch.part != "precharge_relay"]
    if apart and counts:
        found.append(Stretch(opened, None, tuple(later)))
    return found


def _first_state(signals: Signals, name: str) -> bool | None:
    part = signals.get(name)
    return bool(part.on[0]) if part is not None and part.on is not None and part.on.size else None


def _by_states(signals: Signals, link: Link, attempts: Attempts) -> list[Opening]:
    found = []
    for stretch in path_stretches(signals):
        opening = _by_state(link, attempts, stretch)
        if opening.end_s > opening.start_s:
            found += _where_it_parts(link, opening, stretch.later)
    return found


def _by_state(link: Link, attempts: Attempts, stretch: Stretch) -> Opening:
    time_s, opened = link.part.time_s, stretch.opened
    closed_s = stretch.closed.low_s if stretch.closed else np.inf
    settling_s = 2 * link.part.period_s  # the reading itself is a sample late
    if opened is None:
        first_s = float(time_s[0])
        end_s, restarted = _until(link, attempts, first_s, closed_s)
        return Opening(first_s, first_s, first_s, end_s, "", None, restarted)
    start_s = opened.high_s + settling_s
    after = int(np.searchsorted(time_s, start_s))
    first_s = float(time_s[min(after, time_s.size - 1)])
    if first_s - opened.high_s > max(_UNLOGGED_PERIODS * link.part.period_s, _UNLOGGED_S):
        end_s, restarted = _until(link, attempts, first_s, closed_s)
        unlogged_s = first_s - opened.high_s
        return Opening(first_s, first_s, first_s, end_s, opened.part, None, restarted, unlogged_s=unlogged_s)
    end_s, restarted = _until(link, attempts, start_s, closed_s)
    return Opening(opened.low_s, opened.high_s, start_s, end_s, opened.part, _level(link, opened.low_s), restarted)


def _where_it_parts(link: Link, opening: Opening, later: tuple[Switch, ...]) -> list[Opening]:
    """The opening as it is, or in two where the link falls only once another contactor opens as well."""
    for switch in later:
        start_s = switch.high_s + 2 * link.part.period_s
        held = replace(opening, end_s=switch.low_s, restarted=False, held_until=switch.part)
        if opening.start_s < held.end_s and start_s < opening.end_s:
            parted = replace(opening, low_s=switch.low_s, high_s=switch.high_s, start_s=start_s, shown_by=switch.part)
            parted = replace(parted, level_v=_level(link, switch.low_s), unlogged_s=0.0)
            if _falls_only_then(link, held, parted):
                return [held, parted]
    return [opening]


def _falls_only_then(link: Link, held: Opening, parted: Opening) -> bool:
    """Whether the link stood before, where as it falls afterwards it would have fallen clearly."""
    before, after = (link.part.between(one.start_s, one.end_s) for one in (held, parted))
    if before.stop - before.start < _LEAST_EACH or after.stop - after.start < _LEAST_EACH:
        return False
    lasted_s = held.end_s - held.start_s
    after = link.part.between(parted.start_s, min(parted.end_s, parted.start_s + lasted_s))
    fell_before, fell_after = _fall(link, before), _fall(link, after)
    seen_s = link.part.time_s[after.stop - 1] - link.part.time_s[after.start]
    doubt_v = 3 * link.noise_v + link.step_v
    if seen_s <= 0 or fell_after <= doubt_v:
        return False
    return bool(HELD_SHARE * fell_after > max(fell_before, 0.0) + HELD_SHARE * doubt_v)


def _fall(link: Link, inside: slice) -> float:
    """How far the link falls within some samples [V]."""
    volts = link.part.value[inside]
    return float(np.median(volts[:5]) - np.median(volts[-5:]))


def _until(link: Link, attempts: Attempts, start_s: float, closed_s: float) -> tuple[float, bool]:
    """When the link is charged again, or its last sample; and whether it was."""
    time_s = link.part.time_s
    onsets = [onset - FLAG_LAG_S for onset in map(attempts.onset_s, attempts.found) if onset > start_s]
    again_s = min([*onsets, closed_s])
    return (again_s, True) if again_s < time_s[-1] else (float(time_s[-1]), False)


def _level(link: Link, before_s: float) -> float | None:
    inside = link.part.between(before_s - _LEVEL_S, before_s)
    volts = link.part.value[inside]
    return float(np.median(volts)) if volts.size else None


def _by_voltages(signals: Signals, link: Link, attempts: Attempts) -> list[Opening]:
    """Where the link leaves the pack, or falls too deep for any sag, with no current drawn from the pack."""
    time_s = link.part.time_s
    known = _known_pack(signals, link)
    threshold = known * (1 - PACK_MISMATCH) if known is not None else DISCONNECTED_BELOW * (link.full_v or np.inf)
    apart = link.part.value < threshold - 3 * link.noise_v
    joined = link.part.value > threshold + 3 * link.noise_v  # between the two, noise decides
    found = []
    for k in (np.flatnonzero(apart[1:] & ~apart[:-1]) + 1).tolist():
        start_s = float(time_s[k])
        before = link.part.between(start_s - QUIET_BEFORE_S, np.nextafter(start_s, -np.inf))
        if before.stop == before.start or apart[before].any():
            continue
        end_s, restarted = _until(link, attempts, start_s, np.inf)
        back = np.flatnonzero(joined[k:])
        if back.size and float(time_s[k + back[0]]) < end_s:
            end_s, restarted = float(time_s[k + back[0] - 1]), True
        end_s, restarted = _before_rise(link, start_s, end_s, restarted)
        if end_s - start_s < QUIET_BEFORE_S or drawn_from(signals, start_s, end_s):
            continue
        low, level_v, spread_v = _before(link, known, k, int(np.searchsorted(time_s, end_s)))
        low_s = float(time_s[low])
        after_s = float(time_s[min(k + 1, time_s.size - 1)])  # the first one was chosen for being low
        found.append(Opening(low_s, start_s, after_s, end_s, "dc_link_voltage", level_v, restarted, spread_v))
    return found


def _before_rise(link: Link, start_s: float, end_s: float, restarted: bool) -> tuple[float, bool]:
    """The end of a fall, where the voltage rises again before `end_s`; a hot restart need not count as an attempt."""
    inside = link.part.between(start_s, end_s)
    volts = link.part.value[inside]
    risen = np.flatnonzero(volts - np.minimum.accumulate(volts) > 8 * link.noise_v + 2 * link.step_v)
    if not risen.size:
        return end_s, restarted
    lowest = inside.start + int(np.argmin(volts[: risen[0]]))
    return float(link.part.time_s[lowest]) - FLAG_LAG_S, True


def _known_pack(signals: Signals, link: Link) -> FloatArray | None:
    """The awake pack's voltage at each sample of the link [V]; None where it is not known."""
    pack = signals.get("battery_voltage")
    if pack is None or pack_voltage(signals, -np.inf, np.inf) is None:
        return None
    awake = pack.value > AWAKE_SHARE * float(pack.value.max())
    return np.asarray(np.interp(link.part.time_s, pack.time_s[awake], pack.value[awake]))


def _before(link: Link, known: FloatArray | None, first: int, end: int) -> tuple[int, float, float]:
    """The first sample from which on the link may have been opened, its level then [V], and its doubt [V].

    With the pack known the level is the unloaded pack's behind the opening, as the link's own sensor reads it: that one
    is off by what it was off before, load or not. Without, it is the highest that the link had before it fell, as far
    back as it only fell, and the pack may have sagged or recovered unseen.
    """
    volts = link.part.value
    if known is not None:
        away = volts[:first] - known[:first]
        left = np.flatnonzero(away < -PACK_MISMATCH * known[:first] - 6 * link.noise_v)
        begun = int(left[-1]) + 1 if left.size else 0
        low, high = np.quantile(away[begun:], [0.01, 0.99]) if begun < first else (0.0, 0.0)
        return begun, float(np.median(known[first:end]) + (low + high) / 2), float(high - low) / 2
    peak, begun = float(volts[first]), first
    while begun > 0 and peak - volts[begun - 1] <= LEAST_RISE * peak + 4 * link.noise_v + link.step_v:
        begun -= 1
        peak = max(peak, float(volts[begun]))
    return begun, peak, PACK_MISMATCH * peak
