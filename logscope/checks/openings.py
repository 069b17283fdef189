"""Find each moment at which the link was taken from the pack: by the contactor states, or by the voltages alone.

Shared by the checks of discharge and of contactors. A state may lag by `FLAG_LAG_S` and by a message period, so that an
opening is known between two times only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.link import AWAKE_SHARE, PACK_MISMATCH, Link, pack_voltage
from logscope.checks.precharge.find import QUIET_BEFORE_S
from logscope.checks.precharge.flags import DISCONNECTED_BELOW, FLAG_LAG_S, LEAST_RISE
from logscope.checks.precharge.rises import Attempt
from logscope.findings import FloatArray
from logscope.signals import Part, Signals

# From the end of the coil's current to open contacts (common practice, no published source).
OPENING_TRAVEL_S = 0.05
# A current below this is that of the vehicle's auxiliaries, not of driving (common practice, no published source).
LEAST_LOAD_A = 5.0
_LEVEL_S = 0.5  # before an opening, whose median is the level it starts from


@dataclass(frozen=True, slots=True)
class Opening:
    """The link taken from the pack.

    low_s, high_s : between which two times it happened
    start_s, end_s : between which two times the link is surely apart: until it is charged again, or the log ends
    told_by : the part that shows it ('dc_link_voltage' where no state does), '' where the log begins with an open path
    level_v : the link just before [V], None where the log does not show it; level_spread_v : it may be off by this
    restarted : whether the link was charged again, rather than the log ended
    """

    low_s: float
    high_s: float
    start_s: float
    end_s: float
    told_by: str
    level_v: float | None
    restarted: bool
    level_spread_v: float = 0.0

    @property
    def by_state(self) -> bool:
        """Whether a contactor state shows it."""
        return self.told_by not in ("", "dc_link_voltage")


@dataclass(frozen=True, slots=True)
class Switch:
    """A state that changed. It is known to have changed between low_s and high_s; time_s is when the log says so."""

    part: str
    on: bool
    low_s: float
    time_s: float

    @property
    def high_s(self) -> float:
        """The latest moment [s]; a contactor told to open takes its time."""
        return self.time_s if self.on else self.time_s + OPENING_TRAVEL_S


def switches(part: Part | None) -> list[Switch]:
    """Every change of a state, in order of time."""
    if part is None or part.on is None:
        return []
    at = np.flatnonzero(part.on[1:] != part.on[:-1]) + 1
    return [
        Switch(part.name, bool(part.on[k]), float(part.time_s[k - 1]) - FLAG_LAG_S, float(part.time_s[k])) for k in at
    ]


def find_openings(signals: Signals, link: Link, attempts: list[Attempt]) -> list[Opening]:
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
        for opened, closed in path_stretches(signals)
        if opened is not None
    ]


def path_stretches(signals: Signals) -> list[tuple[Switch | None, Switch | None]]:
    """Stretches in which the states say that no path joins pack and link: (switch that opened it, that closed it).

    The path is main contactor or precharge relay, and the negative contactor where it is logged. A stretch that the
    log begins or ends in has None there; those behind a precharge that never reached the contactor are left out.
    """
    names = ("main_contactor", "precharge_relay", "negative_contactor")
    events = sorted((s for name in names for s in switches(signals.get(name))), key=lambda s: s.time_s)
    state = {name: _first_state(signals, name) for name in names}

    def main_path() -> bool:
        return state["main_contactor"] is not False and state["negative_contactor"] is not False

    def any_path() -> bool:
        positive = bool(state["main_contactor"]) or bool(state["precharge_relay"]) or state["main_contactor"] is None
        return positive and state["negative_contactor"] is not False

    found: list[tuple[Switch | None, Switch | None]] = []
    opened: Switch | None = None
    apart, driven = not any_path(), main_path()
    counts = apart
    for switch in events:
        state[switch.part] = switch.on
        driven = driven or main_path()
        if apart and any_path():
            if counts:
                found.append((opened, switch))
            apart, driven = False, main_path()
        elif not apart and not any_path():
            apart, opened, counts, driven = True, switch, driven, False
    if apart and counts:
        found.append((opened, None))
    return found


def _first_state(signals: Signals, name: str) -> bool | None:
    part = signals.get(name)
    return bool(part.on[0]) if part is not None and part.on is not None and part.on.size else None


def _by_states(signals: Signals, link: Link, attempts: list[Attempt]) -> list[Opening]:
    time_s = link.part.time_s
    found = []
    for opened, closed in path_stretches(signals):
        low_s = opened.low_s if opened else float(time_s[0])
        high_s = opened.high_s if opened else float(time_s[0])
        start_s = high_s + 2 * link.part.period_s if opened else high_s  # the reading itself is a sample late
        end_s, restarted = _until(link, attempts, start_s, closed.low_s if closed else np.inf)
        level = _level(link, low_s) if opened else None
        if end_s > start_s:
            found.append(Opening(low_s, high_s, start_s, end_s, opened.part if opened else "", level, restarted))
    return found


def _until(link: Link, attempts: list[Attempt], start_s: float, closed_s: float) -> tuple[float, bool]:
    """When the link is charged again, or its last sample; and whether it was."""
    time_s = link.part.time_s
    onsets = [float(time_s[a.onset]) - FLAG_LAG_S for a in attempts if time_s[a.onset] > start_s]
    again_s = min([*onsets, closed_s])
    return (again_s, True) if again_s < time_s[-1] else (float(time_s[-1]), False)


def _level(link: Link, before_s: float) -> float | None:
    inside = link.part.between(before_s - _LEVEL_S, before_s)
    volts = link.part.value[inside]
    return float(np.median(volts)) if volts.size else None


def _by_voltages(signals: Signals, link: Link, attempts: list[Attempt]) -> list[Opening]:
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
        if end_s - start_s < QUIET_BEFORE_S or _driven(signals, start_s, end_s):
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


def _driven(signals: Signals, start_s: float, end_s: float) -> bool:
    """Whether the pack delivers current all the while: then the link is not apart from it."""
    current = signals.get("battery_current")
    if current is None:
        return False
    amps = current.value[current.between(start_s, end_s)]
    return bool(amps.size and float(np.median(np.abs(amps))) > LEAST_LOAD_A)
