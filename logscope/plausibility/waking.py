"""Readings of a controller that wakes: zeros or defaults that it sends before it has measured anything.

They stand where a message begins, or begins again after a silence, and end with a step that the quantity cannot
make. A capacitor cannot lose its charge and have it back within a few samples, nor be charged in one step to a level
that is not the battery's; a battery's terminals do not step without current; a shaft cannot reach its speed at once.
What could have happened, a link charged past its resistor, a shorted supply, stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, nan

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.plausibility.possible import SHAFT_SPEEDS, TEMPERATURES, possible
from logscope.signals import Part, Signals
from logscope.statistics.sampling import begins
from logscope.vehicle import Vehicle

LINKS = ("dc_link_voltage", "dc_link_voltage_second")

_EVENTFUL = 0.01  # of a message's readings: one that begins anew more often is sent on events, not silent in between
_NEAR_ZERO = 0.05  # of the level that follows: a first reading that the filter already lifts off zero counts as one
_NEAR_ZERO_V = 5.0  # and so many volts, of a link that has not much left
_LONGEST_S = 1.0  # a controller that measures at all does so within a second of its first message (practice)
_LONGEST_PLATEAU_S = 60.0  # a battery's controller may send a default until its cells have been read (practice)
_FEWEST_SAMPLES = 3  # of a slow message these may stand for more than a second
_STEADY_SAMPLES, _STEADY_S = 5, 0.25  # a level that so many samples and so long hold is one, not a curve's pause
_STEADY = 0.03  # of the level
_SAME = 0.05  # of the level: noise, rounding and some decay
_DEEPEST_SAG = 0.6  # of its voltage: no battery sags so deep under load (common practice, no published source)
_BESIDE_PACK = 0.10  # of the battery's voltage: a link that so far from it stands is not joined to it
_LOWEST_LEVEL_V = 20.0  # below it a link counts as discharged, and steps are of no consequence
_LOWEST_DIP_V = 2 * _NEAR_ZERO_V  # but what falls to nothing and is back bends a precharge that begins from there
_LOWEST_LEVEL_RPM = 300.0
_LOWEST_LEVEL_KM_H = 10.0
_SAME_SPEED = 0.20  # of the speed: what a second of driving changes
_LOWEST_SUPPLY_V = 6.0  # a controller that is awake is fed with more (ISO 16750-2: 6 V while the engine cranks)
_ROUNDING = 3.0  # steps
_PLATEAUS = 3
_TEMPERATURE_SAMPLES = 50
_HEATED_S = 10.0  # nothing heats by _STEP_K in so short a time but a junction, which does not start at a default
_IDLE_A = 5.0
_OLD_S = 3.0  # a slow controller repeats so long what it knew before it slept (practice)
_MAY_LEAP = frozenset({"inverter_temperature"})  # a junction's estimate
_STEP_K = 10.0  # a temperature's default stands at least so far from what follows
_PACK_STEP = 0.10  # of its voltage; a battery sags that far only under current
_SHORT_DIP_S, _DIP_SAMPLES = 0.15, 3  # two messages at 10 Hz, and what they come late
_MIN_CAPACITANCE_F = 100e-6  # of a traction inverter's link (common practice, no published source)
_CURRENT_SHARE = 0.2  # of the current that would have emptied the link: with less it was not emptied
_CURRENT_AGE_S = 1.0
_STATE_AROUND_S = 0.3  # states come at 10 Hz and up to a period late
_FEWEST_STATES = 2  # messages about a moment: one may be a slip
_FASTEST_DISCHARGE_S = 0.3  # in which an active discharge, up to 5 s in UN R100, leaves a link at most half charged


def waking_samples(signals: Signals, vehicle: Vehicle) -> Mapping[str, BoolArray]:
    """For every part with readings of a waking controller, which of its samples they are, shape (n,)."""
    found: dict[str, BoolArray] = {}
    for name, part in signals.parts.items():
        judged = _JUDGED.get(name)
        if judged is None or part.time_s.size < 2:
            continue
        waking = np.zeros(part.time_s.size, np.bool_)
        starts = begins(part.time_s)
        if starts.size > 1 + _EVENTFUL * part.time_s.size:
            starts = starts[:1]
        for first, past in zip(starts.tolist(), [*starts[1:].tolist(), part.time_s.size], strict=True):
            waking[first : judged(_Start(part, first, past), signals, vehicle)] = True
        if name in LINKS or name == "battery_voltage":
            for first, past in _dips(part):
                waking[first:past] |= _no_true_dip(part, first, past, signals, vehicle)
        if waking.any():
            found[name] = waking
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Start:
    """A stretch of a part that follows the log's start or a silence: samples first … past − 1."""

    part: Part
    first: int
    past: int

    @property
    def before(self) -> float:
        """The last reading before the silence; NaN at the log's start."""
        return float(self.part.value[self.first - 1]) if self.first else nan

    def zeros(self, beside: float = 0.0) -> int:
        """How many first readings are next to nothing: below `beside`, or a small share of the reading after them.

        0 where that does not set them apart from what follows.
        """
        time_s, value = self.part.time_s, np.abs(self.part.value)
        until = int(np.searchsorted(time_s, time_s[self.first] + _LONGEST_S, side="right"))
        window = value[self.first : min(max(until, self.first + _FEWEST_SAMPLES) + 1, self.past)]
        above = window > max(_NEAR_ZERO * window.max(), beside)
        lead = int(above.argmax())
        return lead if lead and window[:lead].max() <= max(_NEAR_ZERO * window[lead], beside) else 0

    def steady(self, at: int) -> bool:
        """Whether the reading at a sample is a level that lasts."""
        time_s, value = self.part.time_s, self.part.value
        past = max(int(np.searchsorted(time_s, time_s[at] + _STEADY_S, side="right")), at + _STEADY_SAMPLES)
        if past > self.past:
            return False
        slack = _STEADY * abs(value[at]) + _ROUNDING * (self.part.step or 0.0)
        return bool(np.all(np.abs(value[at:past] - value[at]) <= slack))


def _link(start: _Start, signals: Signals, vehicle: Vehicle) -> int:
    """The first sample of a link voltage that is a reading."""
    part, first = start.part, start.first
    awake = first + start.zeros(_NEAR_ZERO_V)
    if awake == first or part.value[awake] < _LOWEST_LEVEL_V:
        return first
    level, at_s = float(part.value[awake]), float(part.time_s[awake])
    pack = _pack_near(signals, at_s)
    if pack is not None and abs(level - pack) > _BESIDE_PACK * pack and start.steady(awake):
        return awake
    if first and _same(part, start.before, level):
        before_s = float(part.time_s[first - 1])
        if _apart(part, start.before, before_s, at_s, signals) or at_s - part.time_s[first - 1] < _FASTEST_DISCHARGE_S:
            return awake
    shown = _other_link(part, float(part.time_s[first]), at_s, signals)
    if shown is not None and shown >= (1.0 - _BESIDE_PACK) * level:
        return awake
    return awake if _path_open(signals, float(part.time_s[awake - 1]), at_s) else first


def _battery(start: _Start, signals: Signals, vehicle: Vehicle) -> int:
    """The first sample of a battery voltage that is a reading: after the last step up from a level that never moved."""
    part, first = start.part, start.first
    until = int(np.searchsorted(part.time_s, part.time_s[first] + _LONGEST_PLATEAU_S, side="right"))
    value = part.value[first : min(until + 1, start.past)]
    ends = np.flatnonzero(np.diff(value))
    awake, begin = 0, 0
    for end in ends[:_PLATEAUS].tolist():
        low, high = float(value[end]), float(value[end + 1])
        zero = abs(low) <= _NEAR_ZERO * high
        if high < _LOWEST_LEVEL_V or low > (1.0 - _PACK_STEP) * high or not (zero or end > begin):
            break
        awake = begin = end + 1
    return first + awake


def _speed(start: _Start, signals: Signals, vehicle: Vehicle) -> int:
    """The first sample of a speed that is a reading."""
    part, first = start.part, start.first
    awake = first + start.zeros()
    lowest = _LOWEST_LEVEL_KM_H if part.name == "vehicle_speed" else _LOWEST_LEVEL_RPM
    if awake == first or abs(part.value[awake]) < lowest:
        return first
    jump = abs(float(part.value[awake] - part.value[awake - 1]))
    fastest = possible(part.name, vehicle).per_s
    unable = fastest is not None and jump > fastest * float(part.time_s[awake] - part.time_s[awake - 1])
    silent_s = float(part.time_s[awake] - part.time_s[first - 1]) if first else inf
    resumed = silent_s <= _LONGEST_S and _same(part, start.before, float(part.value[awake]), _SAME_SPEED)
    lasts = awake + 1 < start.past and _same(part, float(part.value[awake]), float(part.value[awake + 1]), _SAME_SPEED)
    return awake if lasts and (unable or resumed) else first


def _temperature(start: _Start, signals: Signals, vehicle: Vehicle) -> int:
    """The first sample of a temperature that is a reading: after a zero, its lowest value or an old one, and a step."""
    part, first = start.part, start.first
    value = part.value[first : min(first + _TEMPERATURE_SAMPLES, start.past)]
    encoding = part.encoding
    lowest = encoding.lowest * encoding.scale + encoding.offset if encoding is not None else 0.0
    changed = np.flatnonzero(value != value[0])
    if not changed.size:
        return first
    awake = int(changed[0])
    default = value[0] == 0.0 or abs(value[0] - lowest) < (part.step or 0.0) / 2
    old = part.name not in _MAY_LEAP and part.time_s[first + awake - 1] - part.time_s[first] <= _OLD_S
    if not (default or old):
        return first
    slow = float(part.time_s[first + awake] - part.time_s[first + awake - 1]) <= _HEATED_S
    return first + awake if slow and abs(value[awake] - value[0]) >= _STEP_K else first


def _supply(start: _Start, signals: Signals, vehicle: Vehicle) -> int:
    """The first sample of the 12 V supply that is a reading: what sends it is fed by it."""
    awake = start.first + start.zeros()
    return awake if start.part.value[awake] >= _LOWEST_SUPPLY_V else start.first


_JUDGED = {
    **dict.fromkeys(LINKS, _link),
    "battery_voltage": _battery,
    **dict.fromkeys((*SHAFT_SPEEDS, "vehicle_speed"), _speed),
    **dict.fromkeys(TEMPERATURES, _temperature),
    "aux_voltage": _supply,
}


def _dips(part: Part) -> list[tuple[int, int]]:
    """Short falls of a voltage to nothing and back to where it was: first sample, and the one after the last."""
    value, time_s = part.value, part.time_s
    nothing = np.maximum(_NEAR_ZERO * value, _NEAR_ZERO_V)
    least = _LOWEST_DIP_V if part.name in LINKS else _LOWEST_LEVEL_V
    falls = np.flatnonzero((value[1:] <= nothing[:-1]) & (value[:-1] >= least)) + 1
    found = []
    for first in falls.tolist():
        level = float(value[first - 1])
        back = np.flatnonzero(value[first : first + _DIP_SAMPLES + 1] > nothing[first - 1])
        if back.size:
            past = first + int(back[0])
            if time_s[past] - time_s[first - 1] <= _LONGEST_S and _same(part, level, float(value[past])):
                found.append((first, past))
    return found


def _no_true_dip(part: Part, first: int, past: int, signals: Signals, vehicle: Vehicle) -> bool:
    """Whether the voltage cannot have been gone: another reading of it stayed, or nothing took and gave the charge.

    A link by itself loses its charge to its own discharge alone, which is never so fast, however long it reads nothing;
    but what a load holds down while the precharge relay is closed may fall as fast once that opens. Joined to the
    battery it may be gone for a while: only the shortest dips are judged there.
    """
    level, before_s, after_s = float(part.value[first - 1]), float(part.time_s[first - 1]), float(part.time_s[past])
    short = part.time_s[past - 1] - part.time_s[first] <= _SHORT_DIP_S
    if not short and part.name not in LINKS:
        return False
    shown = _other_link(part, before_s, after_s, signals)
    if shown is not None:
        return shown > (1.0 - _BESIDE_PACK) * level
    fall_s = float(part.time_s[first]) - before_s
    alone = part.name in LINKS and fall_s <= _FASTEST_DISCHARGE_S and not _relay_closed(signals, before_s)
    if alone and _apart(part, level, before_s, after_s, signals):
        return True
    if part.name in LINKS and _path_open(signals, float(part.time_s[past - 1]), after_s):
        return True
    if not short:
        return False
    current = _held(signals, "battery_current", before_s)
    if part.name == "battery_voltage":
        return current is not None and abs(current) <= _IDLE_A
    stated = vehicle.precharge.capacitance_uF
    capacitance = _MIN_CAPACITANCE_F if stated is None else stated * 1e-6
    emptying_A = capacitance * level / max(fall_s, 1e-6)
    return current is not None and abs(current) < _CURRENT_SHARE * emptying_A


def _same(part: Part, one: float, other: float, within: float = _SAME) -> bool:
    return abs(one - other) <= within * abs(one) + _ROUNDING * (part.step or 0.0)


def _pack_near(signals: Signals, at_s: float) -> float | None:
    """The battery's voltage nearest to a moment [V]; None where it is not logged or not there yet."""
    part = signals.get("battery_voltage")
    if part is None or not part.time_s.size:
        return None
    awake = part.value > _LOWEST_LEVEL_V
    time_s, value = part.time_s[awake], part.value[awake]
    if not time_s.size:
        return None
    nearest = int(np.abs(time_s - at_s).argmin())
    return float(value[nearest])


def _apart(part: Part, level: float, from_s: float, until_s: float, signals: Signals) -> bool:
    """Whether a link at that level was not joined to the battery: far from its voltage, or by what the states say.

    Without either it is one that stands far below its own level at another time, for a moment only. States are only
    believed where the link reads more at some other time, for one that always says “open” is dead.
    """
    pack = _pack_near(signals, from_s)
    if pack is not None:
        return abs(level - pack) > _BESIDE_PACK * pack
    states = [signals.parts[name] for name in ("main_contactor", "precharge_relay") if name in signals.parts]
    if not states:
        return until_s - from_s <= _FASTEST_DISCHARGE_S and level < _DEEPEST_SAG * _lasting_high(part.value)
    if level >= (1.0 - _BESIDE_PACK) * float(part.value.max()):
        return False
    for state in states:
        seen = state.between(from_s - _STATE_AROUND_S, until_s + _STATE_AROUND_S)
        if state.on is None or seen.stop - seen.start < _FEWEST_STATES or np.any(state.on[seen]):
            return False
    return True


def _lasting_high(value: FloatArray) -> float:
    """The highest level that a few readings reach, so that a single stray one makes none."""
    few = min(_STEADY_SAMPLES, value.size)
    return float(np.partition(value, -few)[-few])


def _path_open(signals: Signals, from_s: float, until_s: float) -> bool:
    """Whether the states say that no path joined link and battery: then nothing charged the link meanwhile.

    The negative contactor alone opens the path; on the other side the relay and the main contactor have to be open. A
    state that never says closed is dead, and is not believed.
    """

    def is_open(name: str) -> bool:
        state = signals.get(name)
        if state is None or state.on is None or not state.on.any():
            return False
        seen = state.between(from_s - _STATE_AROUND_S, until_s + _STATE_AROUND_S)
        return seen.stop - seen.start >= _FEWEST_STATES and not state.on[seen].any()

    return is_open("negative_contactor") or (is_open("main_contactor") and is_open("precharge_relay"))


def _relay_closed(signals: Signals, at_s: float) -> bool:
    """Whether the precharge relay's state says closed at a moment; not where it is not logged."""
    relay = signals.get("precharge_relay")
    if relay is None or relay.on is None:
        return False
    seen = relay.between(-inf, at_s)
    return bool(seen.stop and relay.on[seen.stop - 1])


def _other_link(part: Part, from_s: float, until_s: float, signals: Signals) -> float | None:
    """The lowest that another device read of the same voltage meanwhile [V]; None where none did."""
    lows = []
    for name in LINKS:
        other = signals.get(name)
        if name != part.name and other is not None:
            seen = other.value[other.between(from_s, until_s)]
            if seen.size:
                lows.append(float(seen.min()))
    return max(lows) if lows else None


def _held(signals: Signals, name: str, at_s: float) -> float | None:
    """The last reading of a part at a moment; None where there is none that is new enough."""
    part = signals.get(name)
    if part is None:
        return None
    reading = float(part.held_at(np.array([at_s]), _CURRENT_AGE_S)[0])
    return None if np.isnan(reading) else reading
