"""Dropouts that show once the current has ended, also through a filter that leaves of a collapse but a dent.

When a load ends, the link of a closed contactor goes back towards its pack; when braking ends, likewise. A link that
goes the other way, below where it stood under load or above where it stood while braked into, is apart from its pack:
the inverter lived on the capacitor for as long as that lasted, and let go of the current because of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.contactors.drop import BEFORE_S, DROPOUT_S, Drop, current_before, is_load, load_part
from logscope.checks.contactors.drop_by_voltage import precharged, stays_open, stays_with_pack
from logscope.checks.contactors.switching_history import SwitchingHistory, load_level
from logscope.observations.dc_link.flags import DISCONNECTED_BELOW
from logscope.observations.dc_link.link import PACK_MISMATCH, Link, pack_highest, pack_lowest
from logscope.signals import Part

# How long after the current's end the link may take to show it: its sensor is 0.1 s slow at most (measured on real
# vehicles), and its message two periods late.
_SHOWS_S, _SHOWS_PERIODS = 0.3, 2.0
# And how long before the last reading of the current: an inverter lives on the capacitor for some 10 ms, and its
# current may be read, sent or stamped later than the link by a message of 10 Hz (common practice, no published source).
_LEADS_S = 0.1
# With no pack voltage beside it, the link alone has to show that it is apart: by as much as two sensors that are each
# off by what `PACK_MISMATCH` allows.
_ALONE_SHARE = 2 * PACK_MISMATCH
_LOADED = (0.02, 0.98)  # of the readings of a connected link: how far load and braking move it; dropouts are shorter
_BACK = 0.25  # of the way off: a link that has come back so near has been joined again
# An opened link that a bleeder takes down passes its pack's level as evenly as it came to it: watched for three times
# as long it lies clearly below.
_WATCHED_TIMES = 3.0


class _End(NamedTuple):
    """The end of a load current: its last sample that flows, and the first that does not [s]; the part that it is."""

    flowed_s: float
    gone_s: float
    current: str


def after_current(history: SwitchingHistory) -> list[Drop]:
    """The link moves away from its pack as the current ends, and returns within the time of a dropout."""
    link = history.link
    if link is None or link.full_v is None or load_part(history) is None or link.part.time_s.size < 2:
        return []
    found: list[Drop] = []
    for end in sorted(
        {end for name in ("battery_current", "motor_current") for end in _ends(history.signals.get(name))}
    ):
        if found and end.flowed_s <= found[-1].end_s:
            continue
        found += [drop for sign in (-1.0, 1.0) if (drop := _moved_off(history, link, end, sign)) is not None][:1]
    return found


def _ends(current: Part | None) -> Iterator[_End]:
    """Each moment at which a load current ends."""
    if current is None or current.value.size < 2:
        return
    loaded = np.abs(current.value) > load_level(current)
    for k in np.flatnonzero(loaded[:-1] & ~loaded[1:]).tolist():
        yield _End(float(current.time_s[k]), float(current.time_s[k + 1]), current.name)


def _watched_from_s(current: Part, end: _End) -> float:
    """Since when the link may show what ended the current [s].

    Before the last sample of the current only where that had not grown: the link had stood under as much already.
    """
    since_s = end.flowed_s - _LEADS_S
    earlier = np.abs(current.value[current.between(since_s - BEFORE_S - current.period_s, since_s)])
    later = np.abs(current.value[current.between(since_s, end.flowed_s)])
    steady = earlier.size > 0 and later.max() <= earlier.max() + load_level(current)
    return since_s if steady else end.flowed_s


def _moved_off(history: SwitchingHistory, link: Link, end: _End, sign: float) -> Drop | None:
    """The dropout about an end of the current, of a link that falls (sign −1) or rises (+1) off its pack."""
    time_s, volts = link.part.time_s, link.part.value
    since_s = _watched_from_s(history.signals[end.current], end)
    before = volts[link.part.between(since_s - BEFORE_S - link.part.period_s, since_s)]
    if not before.size or before.min() < DISCONNECTED_BELOW * (link.full_v or np.inf):
        return None
    level_v = float(before.max() if sign > 0 else before.min())
    until_s = end.gone_s + _SHOWS_S + _SHOWS_PERIODS * link.part.period_s
    inside = link.part.between(np.nextafter(since_s, np.inf), until_s)
    off_v = sign * (volts[inside] - level_v)
    if not off_v.size:
        return None
    off = (off_v > _least_off(history, link, level_v)) & _off_pack(history, time_s[inside], volts[inside], sign)
    if not off.any():
        return None
    first, most = inside.start + int(np.argmax(off)), float(off_v.max())
    farthest = inside.start + int(np.argmax(off_v))
    last = int(np.searchsorted(time_s, time_s[first] + DROPOUT_S, side="right"))
    back = np.flatnonzero(sign * (volts[farthest:last] - level_v) <= _BACK * most)
    if not back.size:
        return None
    returned = farthest + int(back[0])
    start_s, end_s = float(time_s[first]), float(time_s[returned])
    current = current_before(history, end.flowed_s)
    if current is None or not is_load(history, current):
        return None
    if precharged(history, start_s, end_s) or stays_open(history, start_s, end_s):
        return None
    if sign > 0 and not stays_with_pack(history, returned, _WATCHED_TIMES * (end_s - start_s), level_v):
        return None
    away = volts[first:returned]
    lifted = sign > 0
    return Drop(start_s, end_s, "dc_link_voltage", current, float(away.min()), float(away.max()), lifted=lifted)


def _least_off(history: SwitchingHistory, link: Link, level_v: float) -> float:
    """How far off its level a link is surely apart [V]: farther than load and braking take it in the whole log."""
    share = PACK_MISMATCH if "battery_voltage" in history.signals else _ALONE_SHARE
    connected = link.part.value[link.part.value > DISCONNECTED_BELOW * (link.full_v or np.inf)]
    low, high = np.quantile(connected, _LOADED)
    return max(share * level_v, float(high - low)) + 3 * link.noise_v


def _off_pack(history: SwitchingHistory, time_s: FloatArray, volts: FloatArray, sign: float) -> BoolArray:
    """Whether each reading lies beyond what the pack read about it; everywhere, where the pack is not logged."""
    about = (pack_highest if sign > 0 else pack_lowest)(history.signals, time_s)
    if about is None:
        return np.ones(time_s.size, dtype=np.bool_)
    known = np.where(np.isfinite(about), about, volts)
    return np.asarray(sign * (volts - known) > PACK_MISMATCH * known)
