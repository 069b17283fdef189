"""Find every precharge attempt from the link voltage itself, helped by relay and contactor states.

A flag can lag by a message period and more, or be missing; the pack voltage may wake late or be unmapped.
So a rise of the voltage is what makes an attempt, and the flags only say which rises to trust, and where
an attempt was made although nothing rose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from logscope.findings import BoolArray, FloatArray
from logscope.signals import Part, Signals
from logscope.statistics.robust import NORMAL_95, noise_floor

# A rise of less than 5 % of the full voltage is left to noise, sag and regeneration, unless a flag vouches for it.
LEAST_RISE = 0.05
# With no flag and no pack voltage, a link under 60 % of the full voltage is taken as disconnected: packs do
# not sag that deep under load (common practice, no published source).
DISCONNECTED_BELOW = 0.6
# With the pack voltage known, connected terminals read alike; 5 % covers two sensors and a sag between their samples.
PACK_MISMATCH = 0.05
# A relay state may reach the log this much later than the voltage shows it (10 Hz messages, common practice).
FLAG_LAG_S = 0.15
AWAKE_SHARE = 0.3  # a pack voltage below this share of its own maximum is that of a controller not yet awake
QUIET_BEFORE_S = 0.5  # a hot restart without flags must follow this long a quiet link
# Of the full voltage: noise at 0 V, where a sensor ends, looks smaller than it is; no restart is hotter than this.
_LEAST_VOUCHED = 0.01
_LEAST_JUMP = 6.0  # times the noise of a reading: two of them differ by more once in 10 000 times
_FLAT_SHARE = 0.05  # of the rise: a level that wanders by no more than this has not begun to rise
_REST_SAMPLES = 50  # before the rise, whose median is the level it starts from
_PAUSE_SAMPLES = 5  # samples without a rise that part two attempts
_PAUSE_S = 0.1
_LEVELS_FOR_STEP = 10  # fewer levels lie apart because the voltage jumped, not because the reading is coarse
_SPLIT_SHARE = 0.1  # a rise behind a pause is an attempt of its own from this share of the whole on
_LOWEST_FULL_V = 20.0  # below this nothing that deserves the name high voltage was ever on the link


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt. Indices are into the samples of the link voltage.

    onset : the last sample before the rise; top : the first sample at the highest level of the rise
    end : the last sample before the voltage falls, rises anew, or the log ends
    onset_seen : whether the log shows the voltage before the rise
    ended_by : 'fall', 'pause' (another attempt follows), 'log end' or 'level'
    relay_s, relay_end_s, contactor_s : when the flags first show relay on, relay off, contactor on, if mapped
    contactor_after_s : the last sample that shows the contactor off before that
    stayed_open : whether the main contactor's state says open all the while, and the attempt ended within the log
    saws : how often the voltage fell and rose again behind the first rise, as under a load that starts and stops
    """

    onset: int
    top: int
    end: int
    onset_seen: bool
    ended_by: str
    relay_s: float | None = None
    relay_end_s: float | None = None
    contactor_s: float | None = None
    contactor_after_s: float | None = None
    stayed_open: bool = False
    saws: int = 0


@dataclass(frozen=True, slots=True)
class NoRise:
    """A relay (or contactor) that closed while the voltage stayed where it was."""

    start_s: float
    end_s: float
    by: str


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """The link voltage with what is known of its readings.

    step_v : rounding step; noise_v : standard deviation of a reading, rounding included
    random_v : the same before rounding; jitter_s : standard deviation of a stamp about the grid of the period
    full_v : the pack's voltage as far as the log tells, None if it never does
    floor_v : 0 where the readings end there, as of a number without sign; else minus infinity
    """

    part: Part
    step_v: float
    noise_v: float
    random_v: float
    jitter_s: float
    full_v: float | None
    floor_v: float


def describe_link(signals: Signals, battery_min_v: float | None) -> Link:
    """Step, noise and full voltage of the logged link voltage."""
    part = signals["dc_link_voltage"]
    step = observed_step(part)
    noise = random = jitter = 0.0
    if part.value.size > 2:
        noise, random = noise_floor(part.value), noise_floor(part.value, quantum=step)
        jitter = noise_floor(part.time_s)
    noise = max(noise, step / np.sqrt(12), 1e-6)
    full = pack_voltage(signals, -np.inf, np.inf)
    if full is None and part.value.size:
        top = float(np.quantile(part.value, 0.995))
        full = top if top >= _LOWEST_FULL_V else battery_min_v
    floor = 0.0 if part.value.size and float(part.value.min()) == 0.0 else -np.inf
    return Link(part, step, noise, random, jitter, full, floor)


def observed_step(part: Part) -> float:
    """The rounding step of the readings: the definition's, or a coarser one that all readings keep to."""
    levels = np.unique(part.value)
    told = part.step or 0.0
    if levels.size < _LEVELS_FOR_STEP:
        return told
    least = float(np.diff(levels).min())
    multiples = (levels - levels[0]) / least
    keeps = bool(np.all(np.abs(multiples - np.round(multiples)) < 1e-3)) if least > 0 else False
    return max(told, least) if keeps else told


class PackLevel(NamedTuple):
    """The pack's voltage over some time [V], and how far off it may be: half the width of its 95 % limits [V]."""

    volts: float
    within_v: float


def pack_level(signals: Signals, start_s: float, end_s: float) -> PackLevel | None:
    """Median of the awake pack voltage between two times; None where it is not known there.

    Its error is that of a median of normal noise, √(π/2) of the mean's, and what rounding alike for all leaves.
    """
    pack = signals.get("battery_voltage")
    if pack is None or not pack.value.size:
        return None
    awake = pack.value > AWAKE_SHARE * float(pack.value.max())
    inside = awake & (pack.time_s >= start_s) & (pack.time_s <= end_s)
    if not inside.any() or pack.value.max() < _LOWEST_FULL_V:
        return None
    scatter = noise_floor(pack.value) if pack.value.size > 2 else 0.0
    error = np.sqrt(np.pi / 2) * scatter / np.sqrt(np.count_nonzero(inside))
    return PackLevel(float(np.median(pack.value[inside])), float(NORMAL_95 * error + observed_step(pack) / 2))


def pack_voltage(signals: Signals, start_s: float, end_s: float) -> float | None:
    """The same, the voltage alone [V]."""
    level = pack_level(signals, start_s, end_s)
    return level.volts if level else None


def find_attempts(signals: Signals, link: Link) -> tuple[list[Attempt], list[NoRise]]:
    """Every attempt of the capture in order of time, and every flag that no rise followed."""
    if link.full_v is None or link.part.value.size < 2:
        return [], _without_rise(signals, link, [])
    least = max(LEAST_RISE * link.full_v, 8 * link.noise_v, 2 * link.step_v)
    disconnected = _disconnected(signals, link)
    attempts: list[Attempt] = []
    for low, high, fall in _rises(link.part.value, least):
        for attempt in _parted(link, low, high, fall, least):
            if _believable(signals, link, attempt, disconnected):
                attempts.append(_with_flags(signals, link, attempt))
    attempts += _vouched(signals, link, attempts)
    attempts.sort(key=lambda attempt: attempt.onset)
    return attempts, _without_rise(signals, link, attempts)


def _vouched(signals: Signals, link: Link, known: list[Attempt]) -> list[Attempt]:
    """Rises too small for an attempt of their own, as in a hot restart, that a relay state vouches for."""
    relay, time_s, volts = signals.get("precharge_relay"), link.part.time_s, link.part.value
    if relay is None or relay.on is None:
        return []
    least = max(8 * link.noise_v, 2 * link.step_v, _LEAST_VOUCHED * link_full(link))
    taken = {attempt.relay_s for attempt in known}
    found = []
    for index in np.flatnonzero(relay.on[1:] & ~relay.on[:-1]) + 1:
        start_s = float(relay.time_s[index])
        off = np.flatnonzero(~relay.on[index:])
        end_s = float(relay.time_s[index + off[0]]) if off.size else float(time_s[-1])
        inside = link.part.between(start_s - FLAG_LAG_S - relay.period_s, end_s + FLAG_LAG_S)
        if start_s in taken or inside.stop - inside.start < 3:
            continue
        high = inside.start + int(np.argmax(volts[inside]))
        low = inside.start + int(np.argmin(volts[inside.start : high + 1]))
        if volts[high] - volts[low] < least:
            continue
        falls = np.flatnonzero(volts[high:] < volts[high] - least)
        fall = high + int(falls[0]) if falls.size else volts.size
        onset = _onset(volts, low, high, 3 * link.noise_v + link.step_v)
        if any(onset <= attempt.top and attempt.onset <= high for attempt in known):
            continue  # found by its voltage, its state too late to be taken for the same
        found.append(_with_flags(signals, link, _attempt(link, onset, fall - 1, low, fall, more=False)))
    return found


def _rises(volts: FloatArray, least: float) -> list[tuple[int, int, int]]:
    """Legs of the voltage that rise by at least `least` between turning points as large.

    Each as (index of the low, index of the high, index where the fall behind it is confirmed or n).
    """
    turns = _turning_points(volts)
    legs: list[tuple[int, int, int]] = []
    low = high = int(turns[0])
    rising = False
    for index in turns[1:]:
        value = volts[index]
        if rising:
            if value > volts[high]:
                high = int(index)
            elif volts[high] - value >= least:
                legs.append((low, high, int(index)))
                low, rising = int(index), False
        elif value <= volts[low]:
            low = int(index)
        elif value - volts[low] >= least:
            high, rising = int(index), True
    if rising:
        legs.append((low, high, volts.size))
    return legs


def _turning_points(volts: FloatArray) -> np.ndarray:
    """Indices where the voltage turns, the ends, and both ends of every level: all that `_rises` must see."""
    change = np.sign(np.diff(volts))
    inner = np.flatnonzero(change[1:] != change[:-1]) + 1
    return np.concatenate([[0], inner, [volts.size - 1]])


def _parted(link: Link, low: int, high: int, fall: int, least: float) -> list[Attempt]:
    """One rise as one attempt, or as several where it pauses and then goes on gradually."""
    time_s, volts = link.part.time_s, link.part.value
    level = 3 * link.noise_v + link.step_v
    onset = _onset(volts, low, high, level)
    pieces: list[tuple[int, int]] = []
    start = onset
    for first, last in _pauses(time_s, volts, onset, high, level):
        behind = volts[high] - volts[last]
        jump = last + 2 <= high and volts[last + 2] - volts[last] >= 0.9 * behind
        if volts[first] - volts[start] < least or behind < max(least, _SPLIT_SHARE * link_full(link)) or jump:
            continue
        if not _quickens(volts, first, last, high, level):
            continue
        pieces.append((start, last))
        start = last
    pieces.append((start, fall - 1))
    return [_attempt(link, first, last, low, fall, more=last != fall - 1) for first, last in pieces]


def _onset(volts: FloatArray, low: int, high: int, level: float) -> int:
    """The last sample before the rise: judged by the median of what came before, not by the lowest."""
    rise = volts[high] - volts[low]
    over = np.flatnonzero(volts[low : high + 1] > volts[low] + max(level, _FLAT_SHARE * rise))
    begun = low + int(over[0]) if over.size else high
    rest = volts[max(low, begun - _REST_SAMPLES) : max(begun, low + 1)]
    calm = np.flatnonzero(volts[low : high + 1] <= np.median(rest) + level)
    return low + int(calm[-1]) if calm.size else low


def _quickens(volts: FloatArray, first: int, last: int, high: int, level: float) -> bool:
    """Whether the voltage rises faster right behind a stretch than in it; the tail of a curve only ever slows down.

    A new attempt is steepest where it begins; a step further on is a contactor that closes.
    """
    ahead = _PAUSE_SAMPLES
    within = volts[first + ahead : last + 1] - volts[first : last + 1 - ahead]
    until = min(high, last + 3 * ahead)
    behind = volts[last + ahead : until + 1] - volts[last : until + 1 - ahead]
    return bool(behind.size and behind.max() > 3 * max(float(within.max()), level))


def link_full(link: Link) -> float:
    """The full voltage [V], which is known wherever attempts are looked for."""
    assert link.full_v is not None
    return link.full_v


def _attempt(link: Link, onset: int, end: int, low: int, fall: int, *, more: bool) -> Attempt:
    volts = link.part.value
    level = 3 * link.noise_v + link.step_v
    stretch = volts[onset : end + 1]
    peak = float(stretch.max())
    top = onset + int(np.argmax(stretch >= peak - level))
    if not more and fall < volts.size:  # the fall begins where the voltage last stood at its height
        end = onset + int(np.flatnonzero(stretch >= peak - level)[-1])
    ended_by = "pause" if more else "fall" if fall < volts.size else "level"
    settled_s = link.part.time_s[end] - link.part.time_s[top]
    if ended_by == "level" and settled_s < 3 * link.part.period_s:
        ended_by = "log end"
    return Attempt(onset, top, end, onset_seen=onset > 0 or low > 0, ended_by=ended_by)


def _pauses(time_s: FloatArray, volts: FloatArray, onset: int, high: int, level: float) -> list[tuple[int, int]]:
    """Stretches between onset and high in which the voltage does not rise: (first, last) sample each."""
    if high - onset < _PAUSE_SAMPLES + 2:
        return []
    piece = volts[onset : high + 1]
    ahead = _PAUSE_SAMPLES
    flat = np.flatnonzero(piece[ahead:] - piece[:-ahead] <= level)
    if not flat.size:
        return []
    groups = np.split(flat, np.flatnonzero(np.diff(flat) > 1) + 1)
    found = [(onset + int(g[0]), onset + int(g[-1]) + ahead) for g in groups]
    return [(a, b) for a, b in found if time_s[b] - time_s[a] >= _PAUSE_S]


def _disconnected(signals: Signals, link: Link) -> BoolArray:
    """For each sample of the link, whether it was apart from the pack as far as the log tells."""
    time_s, volts = link.part.time_s, link.part.value
    contactor = signals.get("main_contactor")
    if contactor is not None and contactor.on is not None and contactor.time_s.size:
        return ~_held(contactor, contactor.on, time_s)
    pack = signals.get("battery_voltage")
    if pack is not None and pack.value.size and pack.value.max() >= _LOWEST_FULL_V:
        at = np.clip(np.searchsorted(pack.time_s, time_s, side="right") - 1, 0, pack.value.size - 1)
        held = pack.value[at]
        awake = held > AWAKE_SHARE * pack.value.max()
        known = np.where(awake, held, link_full(link))
        return np.asarray(volts < known * (1 - PACK_MISMATCH) - 3 * link.noise_v)
    return np.asarray(volts < DISCONNECTED_BELOW * link_full(link))


def _held(part: Part, state: BoolArray, time_s: FloatArray) -> BoolArray:
    """A state as last reported at each time; its first value before that."""
    at = np.clip(np.searchsorted(part.time_s, time_s, side="right") - 1, 0, state.size - 1)
    return np.asarray(state[at])


def _believable(signals: Signals, link: Link, attempt: Attempt, disconnected: BoolArray) -> bool:
    """Whether a rise is that of a link being charged, and not of a pack that recovers from load."""
    time_s, volts = link.part.time_s, link.part.value
    begin_s = time_s[attempt.onset]
    edge_s = _edge(signals, "precharge_relay", begin_s - FLAG_LAG_S, time_s[attempt.top] + FLAG_LAG_S)
    if edge_s is not None:  # far behind the beginning of the rise, it vouches for the end of it only
        return bool(disconnected[attempt.onset]) or edge_s - begin_s <= 3 * FLAG_LAG_S
    before = slice(int(np.searchsorted(time_s, begin_s - FLAG_LAG_S)), attempt.onset + 1)
    apart = bool(disconnected[before].all())
    if "main_contactor" in signals:
        return apart
    if apart and volts[attempt.onset] < DISCONNECTED_BELOW * link_full(link):
        return True
    quiet = slice(int(np.searchsorted(time_s, begin_s - QUIET_BEFORE_S)), attempt.onset + 1)
    lasted = begin_s - time_s[quiet.start] >= 0.8 * QUIET_BEFORE_S
    falling = np.all(np.diff(volts[quiet]) <= _LEAST_JUMP * link.noise_v) and np.ptp(
        volts[quiet]
    ) < LEAST_RISE * link_full(link)
    rises_to_full = volts[attempt.top] > volts[attempt.onset] + LEAST_RISE * link_full(link)
    known_apart = apart if "battery_voltage" in signals else True
    return bool(lasted and falling and rises_to_full and known_apart)


def _edge(signals: Signals, name: str, start_s: float, end_s: float) -> float | None:
    """The first time between two times at which a state turns on; None where it does not or is not mapped."""
    part = signals.get(name)
    if part is None or part.on is None:
        return None
    rises = np.flatnonzero(part.on[1:] & ~part.on[:-1]) + 1
    inside = rises[(part.time_s[rises] >= start_s) & (part.time_s[rises] <= end_s)]
    return float(part.time_s[inside[0]]) if inside.size else None


def _with_flags(signals: Signals, link: Link, attempt: Attempt) -> Attempt:
    """The attempt with the moments that the flags show. A flag may lag, so none of them is required."""
    time_s = link.part.time_s
    begin_s, end_s = float(time_s[attempt.onset]), float(time_s[attempt.end])
    relay_s = _edge(signals, "precharge_relay", begin_s - 3 * FLAG_LAG_S, float(time_s[attempt.top]) + FLAG_LAG_S)
    relay = signals.get("precharge_relay")
    relay_end_s = None
    if relay_s is not None and relay is not None and relay.on is not None:
        off = np.flatnonzero(~relay.on & (relay.time_s > relay_s))
        relay_end_s = float(relay.time_s[off[0]]) if off.size else None
    contactor_s = _edge(signals, "main_contactor", begin_s - FLAG_LAG_S, end_s + FLAG_LAG_S)
    after_s = None
    contactor = signals.get("main_contactor")
    if contactor_s is not None and contactor is not None:
        after_s = float(contactor.time_s[int(np.searchsorted(contactor.time_s, contactor_s)) - 1])
    ended = attempt.ended_by != "log end" or relay_end_s is not None
    return replace(
        attempt,
        relay_s=relay_s,
        relay_end_s=relay_end_s,
        contactor_s=contactor_s,
        contactor_after_s=after_s,
        stayed_open=ended and _open_throughout(signals, begin_s, end_s),
    )


def _without_rise(signals: Signals, link: Link, attempts: list[Attempt]) -> list[NoRise]:
    """Relay closings with the link voltage logged all the while and no rise to show for them."""
    relay = signals.get("precharge_relay") or signals.get("main_contactor")
    if relay is None or relay.on is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    taken = [a.relay_s if relay.name == "precharge_relay" else a.contactor_s for a in attempts]
    found = []
    for index in np.flatnonzero(relay.on[1:] & ~relay.on[:-1]) + 1:
        start_s = float(relay.time_s[index])
        off = np.flatnonzero(~relay.on[index:])
        end_s = float(relay.time_s[index + off[0]]) if off.size else float(relay.time_s[-1])
        seen = (time_s >= start_s - FLAG_LAG_S) & (time_s <= end_s + FLAG_LAG_S)
        if start_s in taken or np.count_nonzero(seen) < 3:
            continue
        stays = volts[seen].max() - volts[seen][0] < max(LEAST_RISE * (link.full_v or _LOWEST_FULL_V), 3 * link.noise_v)
        surely_apart = _open_throughout(signals, start_s, end_s)
        below = 1 - PACK_MISMATCH if surely_apart else DISCONNECTED_BELOW
        low = link.full_v is None or volts[seen].max() < below * link.full_v
        if stays and low:
            found.append(NoRise(start_s, end_s, relay.name))
    return found


def _open_throughout(signals: Signals, start_s: float, end_s: float) -> bool:
    """Whether the main contactor's state says open all the while."""
    contactor = signals.get("main_contactor")
    if contactor is None or contactor.on is None:
        return False
    states = contactor.on[contactor.between(start_s - contactor.period_s, end_s + FLAG_LAG_S)]
    return bool(states.size and not states.any())
