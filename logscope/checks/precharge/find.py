"""Find every precharge attempt from the link voltage itself, helped by relay and contactor states.

A flag can lag by a message period and more, or be missing; the pack voltage may wake late or be unmapped.
So a rise of the voltage is what makes an attempt, and the flags only say which rises to trust, and where
an attempt was made although nothing rose.
"""

from __future__ import annotations

import numpy as np

from logscope.checks.link import AWAKE_SHARE, LOWEST_FULL_V, PACK_MISMATCH, Link, link_full
from logscope.checks.precharge.flags import (
    DISCONNECTED_BELOW,
    FLAG_LAG_S,
    LEAST_RISE,
    NoRise,
    first_on_s,
    with_flags,
    without_rise,
)
from logscope.checks.precharge.rises import Attempt, as_attempt, onset_of, parted, rises_of
from logscope.findings import BoolArray, FloatArray
from logscope.signals import Part, Signals

QUIET_BEFORE_S = 0.5  # a hot restart without flags must follow this long a quiet link
# Of the full voltage: noise at 0 V, where a sensor ends, looks smaller than it is; no restart is hotter than this.
_LEAST_VOUCHED = 0.01
_LEAST_JUMP = 6.0  # times the noise of a reading: two of them differ by more once in 10 000 times


def find_attempts(signals: Signals, link: Link) -> tuple[list[Attempt], list[NoRise]]:
    """Every attempt of the capture in order of time, and every flag that no rise followed."""
    if link.full_v is None or link.part.value.size < 2:
        return [], without_rise(signals, link, [])
    least = max(LEAST_RISE * link.full_v, 8 * link.noise_v, 2 * link.step_v)
    disconnected = _disconnected(signals, link)
    attempts: list[Attempt] = []
    for low, high, fall in rises_of(link.part.value, least):
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
        if any(onset <= attempt.top and attempt.onset <= high for attempt in known):
            continue  # found by its voltage, its state too late to be taken for the same
        found.append(with_flags(signals, link, as_attempt(link, onset, fall - 1, low, fall, more=False)))
    return found


def _disconnected(signals: Signals, link: Link) -> BoolArray:
    """For each sample of the link, whether it was apart from the pack as far as the log tells."""
    time_s, volts = link.part.time_s, link.part.value
    contactor = signals.get("main_contactor")
    if contactor is not None and contactor.on is not None and contactor.time_s.size:
        return ~_held(contactor, contactor.on, time_s)
    pack = signals.get("battery_voltage")
    if pack is not None and pack.value.size and pack.value.max() >= LOWEST_FULL_V:
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
    edge_s = first_on_s(signals, "precharge_relay", begin_s - FLAG_LAG_S, time_s[attempt.top] + FLAG_LAG_S)
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
