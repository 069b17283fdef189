"""Find every precharge attempt from the link voltage itself, helped by relay and contactor states.

A flag can lag by a message period and more, or be missing; the pack voltage may wake late or be unmapped.
So a rise of the voltage is what makes an attempt, and the flags only say which rises to trust, and where
an attempt was made although nothing rose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from logscope.arrays import BoolArray, IndexArray
from logscope.curves.timestamps import Timestamps, timestamps_of
from logscope.observations.dc_link.flags import (
    DISCONNECTED_BELOW,
    FLAG_LAG_S,
    LEAST_RISE,
    NoRise,
    drawn_from,
    first_on_s,
    nothing_closes,
    surely_closed,
    with_flags,
    with_swings,
    without_rise,
)
from logscope.observations.dc_link.link import (
    LIFT_SHARE,
    LOWEST_FULL_V,
    PACK_MISMATCH,
    Link,
    link_full,
    pack_highest,
    pack_lowest,
)
from logscope.observations.dc_link.readings import OwnReadings, at_rows, last_of_bursts, own_readings, readings_at
from logscope.observations.dc_link.rises import Attempt, as_attempt, joined_hunting, onset_of, parted, rises_of
from logscope.signals import Signals
from logscope.statistics.sampling import zero_order_hold

QUIET_BEFORE_S = 0.5  # a hot restart without flags must follow this long a quiet link
# Of the full voltage: noise at 0 V, where a sensor ends, looks smaller than it is; no restart is hotter than this.
_LEAST_VOUCHED = 0.01
_LEAST_JUMP = 6.0  # times the noise of a reading: two of them differ by more once in 10 000 times
# Of a link's way down before a hot restart that only its own voltage shows: an exponential that does not come below
# 60 % keeps within a tenth of a straight line, a load leaps down and stands. Fewer samples tell no leap from a curve.
_UNEVEN_SHARE, _WAY_SAMPLES, _WAY_DOWN_S = 0.2, 4, 60.0

# About an attempt: what its curve is fitted to begins and ends no farther out.
_BEFORE_SAMPLES, _AFTER_SAMPLES = 8, 10
# 60 A lift 1 mF by 60 V each millisecond; half way up a sample or two may lie.
_LEAP_S, _LEAP_SAMPLES = 0.05, 2
# Readings on each side of a stray one, such as a default that a controller sends as it boots, and what may be left of
# the rise; an active discharge, up to 5 s in UN R100, leaves a link at most half charged within the time.
_STRAY_SAMPLES, _STRAY_SHARE, _FASTEST_DISCHARGE_S = 2, 0.1, 0.3


class Timing(NamedTuple):
    """What the times of an attempt's readings are worth.

    stamps : how far each is from when the reading was taken; scale_error : by which share, at most, they may tell a
        wrong length
    """

    stamps: Timestamps
    scale_error: float


@dataclass(frozen=True, slots=True, eq=False)
class Attempts:
    """The precharge attempts of a capture in order of time.

    link : the voltage with each reading once and none stale, whose samples the attempts count in, about each attempt
        at the best times known; stamps : what its stamps are worth elsewhere
    found : the attempts, the teeth of a sawing link as one; timing : of each of them
    without_rise : every flag that no rise followed
    """

    link: Link
    stamps: Timestamps
    found: tuple[Attempt, ...]
    timing: tuple[Timing, ...]
    without_rise: tuple[NoRise, ...]

    def onset_s(self, attempt: Attempt) -> float:
        """When an attempt begins [s]."""
        return float(self.link.part.time_s[attempt.onset])

    def top_s(self, attempt: Attempt) -> float:
        """When it first stands at its highest [s]."""
        return float(self.link.part.time_s[attempt.top])


def find_attempts(signals: Signals, logged: Link) -> Attempts:
    """Every attempt of the capture. logged : the link voltage as logged, repeated readings included."""
    own = own_readings(logged)
    rows = last_of_bursts(logged, np.flatnonzero(own.first))
    link = at_rows(logged, rows)
    stamps = timestamps_of(logged.part.time_s, logged.part.spacing_s, own.repeated, link.part.time_s)
    found, no_rise = _rises_and_flags(signals, link)
    found = joined_hunting(link, found)
    until = [*(attempt.onset for attempt in found[1:]), link.part.value.size]
    if found and ("main_contactor" in signals or "battery_voltage" in signals):  # else a pack's own sag looks the same
        apart = _disconnected(signals, link)
        found = [with_swings(signals, link, *each, apart) for each in zip(found, until, strict=True)]
    link, timing = _timed(logged, own, rows, link, found)
    link, found = _once(link, found)
    return Attempts(link, stamps, tuple(found), timing, tuple(no_rise))


def _once(link: Link, found: list[Attempt]) -> tuple[Link, list[Attempt]]:
    """The same without readings that turn out, by the times found for them, to repeat the one before."""
    time_s, volts = link.part.time_s, link.part.value
    new = np.ones(time_s.size, dtype=np.bool_)
    new[1:] = (np.diff(time_s) != 0) | (np.diff(volts) != 0)
    if new.all():
        return link, found
    at = np.cumsum(new) - 1
    moved = [replace(a, onset=int(at[a.onset]), top=int(at[a.top]), end=int(at[a.end])) for a in found]
    return replace(link, part=replace(link.part, time_s=time_s[new], value=volts[new])), moved


def _timed(
    logged: Link, own: OwnReadings, rows: IndexArray, link: Link, found: list[Attempt]
) -> tuple[Link, tuple[Timing, ...]]:
    """The link with the best times known about each attempt, and what they are worth there.

    rows : the samples of the logged link that it has, shape (n,)
    """
    time_s, timing = link.part.time_s.copy(), []
    for attempt in found:
        rise_s = float(link.part.time_s[attempt.top] - link.part.time_s[attempt.onset])
        until = int(np.searchsorted(link.part.time_s, link.part.time_s[attempt.top] + rise_s)) + _AFTER_SAMPLES
        about = slice(max(attempt.onset - _BEFORE_SAMPLES, 0), min(until, attempt.end + 1))
        readings = readings_at(logged, own, rows[about])
        time_s[about] = readings.time_s
        timing.append(Timing(readings.stamps, readings.scale_error))
    return replace(link, part=replace(link.part, time_s=np.maximum.accumulate(time_s))), tuple(timing)


def _rises_and_flags(signals: Signals, link: Link) -> tuple[list[Attempt], list[NoRise]]:
    if link.full_v is None or link.part.value.size < 2:
        return [], without_rise(signals, link, [])
    least = max(LEAST_RISE * link.full_v, 8 * link.noise_v, 2 * link.step_v)
    disconnected = _disconnected(signals, link)
    attempts: list[Attempt] = []
    lifted = _above_pack(signals, link)
    for low, high, fall in rises_of(link.part.value, least):
        high, fall = _up_to_pack(link, lifted, low, high, fall)
        if high <= low:
            continue
        for attempt in parted(link, low, high, fall, least):
            if _believable(signals, link, attempt, disconnected):
                attempts.append(with_flags(signals, link, attempt))
    attempts += _vouched(signals, link, attempts)
    attempts.sort(key=lambda attempt: attempt.onset)
    return attempts, without_rise(signals, link, attempts)


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
        closed_s = first_on_s(signals, "main_contactor", start_s - FLAG_LAG_S, end_s)
        end_s = end_s if closed_s is None else closed_s  # what follows is the pack's own voltage
        inside = link.part.between(start_s - FLAG_LAG_S - relay.period_s, end_s + FLAG_LAG_S)
        if start_s in taken or inside.stop - inside.start < 3:
            continue
        high = inside.start + int(np.argmax(volts[inside]))
        low = inside.start + int(np.argmin(volts[inside.start : high + 1]))
        if volts[high] - volts[low] < least:
            continue
        falls = np.flatnonzero(volts[high:] < volts[high] - least)
        fall = high + int(falls[0]) if falls.size else volts.size
        onset = onset_of(volts, low, high, 3 * link.noise_v + link.step_v)
        if surely_closed(signals, float(time_s[onset])):
            continue
        if any(onset <= attempt.top and attempt.onset <= high for attempt in known):
            continue  # found by its voltage, its state too late to be taken for the same
        found.append(with_flags(signals, link, as_attempt(link, onset, fall - 1, low, fall, more=False)))
    return found


def _disconnected(signals: Signals, link: Link) -> BoolArray:
    """For each sample of the link, whether it was apart from the pack as far as the log tells."""
    time_s, volts = link.part.time_s, link.part.value
    contactor = signals.get("main_contactor")
    if contactor is not None and contactor.on is not None and contactor.time_s.size:
        held = zero_order_hold(contactor.time_s, contactor.on.astype(np.float64), time_s)
        return np.asarray(np.where(np.isnan(held), ~contactor.on[0], held == 0))
    lowest = pack_lowest(signals, time_s)
    if lowest is not None:
        known = np.where(np.isfinite(lowest), lowest, link_full(link))
        return np.asarray(volts < known * (1 - PACK_MISMATCH) - 3 * link.noise_v)
    return np.asarray(volts < DISCONNECTED_BELOW * link_full(link))


def _believable(signals: Signals, link: Link, attempt: Attempt, disconnected: BoolArray) -> bool:
    """Whether a rise is that of a link being charged: not of a pack that recovers, nor of one that is braked into."""
    time_s, volts = link.part.time_s, link.part.value
    begin_s = time_s[attempt.onset]
    if nothing_closes(signals, begin_s, time_s[attempt.top]):
        return False
    edge_s = first_on_s(signals, "precharge_relay", begin_s - FLAG_LAG_S, time_s[attempt.top] + FLAG_LAG_S)
    if edge_s is not None:  # far behind the beginning of the rise, it vouches for the end of it only
        starts_it = edge_s - begin_s <= 3 * FLAG_LAG_S and not surely_closed(signals, begin_s)
        return bool(disconnected[attempt.onset]) or starts_it
    if _gone_at_once(link, attempt) or _back_at_once(link, attempt):
        return False
    before = slice(int(np.searchsorted(time_s, begin_s - FLAG_LAG_S)), attempt.onset + 1)
    apart = bool(disconnected[before].all())
    if "main_contactor" in signals:
        return apart
    if apart and volts[attempt.onset] < DISCONNECTED_BELOW * link_full(link):
        return "battery_voltage" in signals or not _thrown_up(link, attempt)
    return _hot_restart(signals, link, attempt, disconnected)


def _hot_restart(signals: Signals, link: Link, attempt: Attempt, disconnected: BoolArray) -> bool:
    """Whether a small rise, with no state to vouch for it, is that of a link that was apart from its pack for a while.

    A sagging pack rises as well when its load ends. It is distinguished by its own readings, by its current, or else by
    the link's way down: apart, it falls evenly; under load, it leaps down and stands, and comes back in a leap.
    """
    time_s, volts = link.part.time_s, link.part.value
    begin_s = float(time_s[attempt.onset])
    quiet = slice(int(np.searchsorted(time_s, begin_s - QUIET_BEFORE_S)), attempt.onset + 1)
    lasted = begin_s - time_s[quiet.start] >= 0.8 * QUIET_BEFORE_S
    falling = np.all(np.diff(volts[quiet]) <= _LEAST_JUMP * link.noise_v)
    falling &= np.ptp(volts[quiet]) < LEAST_RISE * link_full(link)
    rises_to_full = volts[attempt.top] > volts[attempt.onset] + LEAST_RISE * link_full(link)
    if not (lasted and falling and rises_to_full) or drawn_from(signals, begin_s - QUIET_BEFORE_S, begin_s):
        return False
    if "battery_voltage" in signals:
        return bool(disconnected[quiet].all())
    return _falls_evenly(link, attempt) and _rises_gradually(link, attempt)


def _falls_evenly(link: Link, attempt: Attempt) -> bool:
    """Whether the link came down to where the rise begins evenly, from the highest it stood at before."""
    time_s, volts = link.part.time_s, link.part.value
    since = int(np.searchsorted(time_s, time_s[attempt.onset] - _WAY_DOWN_S))
    top = since + int(np.argmax(volts[since : attempt.onset + 1]))
    fell = float(volts[top] - volts[attempt.onset])
    if fell <= 0:
        return False
    began = top + int(np.flatnonzero(volts[top : attempt.onset + 1] >= volts[top] - _LEAST_JUMP * link.noise_v)[-1])
    way = volts[began : attempt.onset + 1]
    evenly = np.interp(time_s[began : attempt.onset + 1], time_s[[began, attempt.onset]], way[[0, -1]])
    off = float(np.abs(way - evenly).max())
    return bool(way.size > _WAY_SAMPLES and off <= max(_UNEVEN_SHARE * fell, _LEAST_JUMP * link.noise_v))


def _rises_gradually(link: Link, attempt: Attempt) -> bool:
    volts = link.part.value[attempt.onset : attempt.top + 1]
    low, rise = volts[0], volts[-1] - volts[0]
    between = (volts > low + 0.1 * rise) & (volts < low + 0.9 * rise)
    return int(np.count_nonzero(between)) >= _WAY_SAMPLES


def _thrown_up(link: Link, attempt: Attempt) -> bool:
    """Whether the link leaps up from where it stood and falls at once: braked into, for a pack would hold it there."""
    time_s, volts = link.part.time_s, link.part.value
    if volts[attempt.onset] < LOWEST_FULL_V:
        return False
    leapt = time_s[attempt.top] - time_s[attempt.onset] <= max(_LEAP_S, 2 * link.part.period_s)
    after = volts[attempt.top : int(np.searchsorted(time_s, time_s[attempt.top] + QUIET_BEFORE_S, side="right"))]
    return bool(leapt and after.min() < (1 - LEAST_RISE) * volts[attempt.top] - 3 * link.noise_v)


def _gone_at_once(link: Link, attempt: Attempt) -> bool:
    """Whether the link is back where it began within a reading or two, sooner than anything discharges a link."""
    time_s, volts = link.part.time_s, link.part.value
    after = slice(attempt.top + 1, attempt.top + 1 + _STRAY_SAMPLES)
    if attempt.top - attempt.onset > _STRAY_SAMPLES or volts[after].size < _STRAY_SAMPLES:
        return False
    back_s = float(time_s[after][-1] - time_s[attempt.top])
    kept_v = max(_STRAY_SHARE * float(volts[attempt.top] - volts[attempt.onset]), 3 * link.noise_v)
    return back_s < _FASTEST_DISCHARGE_S and float(volts[after][-1] - volts[attempt.onset]) <= kept_v


def _back_at_once(link: Link, attempt: Attempt) -> bool:
    """Whether the link stood as high a reading or two before the rise, and nothing discharges a link so soon."""
    time_s, volts = link.part.time_s, link.part.value
    first = max(attempt.onset - _STRAY_SAMPLES, 0)
    if attempt.top - attempt.onset > _STRAY_SAMPLES or first == attempt.onset:
        return False
    lost_v = float(volts[attempt.top] - volts[first : attempt.onset].max())
    soon = float(time_s[attempt.onset] - time_s[first]) < _FASTEST_DISCHARGE_S
    return soon and lost_v <= max(_STRAY_SHARE * float(volts[attempt.top] - volts[attempt.onset]), 3 * link.noise_v)


def _above_pack(signals: Signals, link: Link) -> BoolArray:
    """For each sample of the link, whether it lies far above its pack, where no resistor brings it but braking does."""
    highest = pack_highest(signals, link.part.time_s)
    if highest is None:
        return np.zeros(link.part.time_s.size, dtype=np.bool_)
    return np.asarray(link.part.value > (1 + LIFT_SHARE) * highest + 3 * link.noise_v)


def _up_to_pack(link: Link, lifted: BoolArray, low: int, high: int, fall: int) -> tuple[int, int]:
    """The high of a rise and where the fall after it is confirmed: before the link is lifted off its pack, if it is."""
    if not lifted[low : high + 1].any():
        return high, fall
    left = low + int(np.argmax(lifted[low : high + 1]))
    before = link.part.value[low : max(left - _LEAP_SAMPLES, low) + 1]
    return low + int(np.argmax(before)), left
