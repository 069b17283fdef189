"""Dropouts that the link's voltage tells: it falls away from the pack, or is lifted off it, and comes back."""

from __future__ import annotations

from math import ceil

import numpy as np
from scipy.ndimage import minimum_filter1d

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.contactors.drop import BEFORE_S, DROPOUT_S, Drop, current_before, is_load, load_part
from logscope.checks.contactors.switching_history import CONTACTORS, SwitchingHistory
from logscope.observations.dc_link.flags import DISCONNECTED_BELOW, FLAG_LAG_S
from logscope.observations.dc_link.link import LIFT_SHARE, PACK_MISMATCH, Link, pack_highest_at, pack_lowest
from logscope.observations.dc_link.openings import state_lag_s

# No sag that the pack's own readings around it do not show reaches a quarter of the voltage.
_DROP_SHARE = 0.25
_WATCHED_S = 0.5  # after a link is back at its pack's level, or longer
# A link that is braked into is up in a millisecond or so; a sensor with a filter, and a slow message, show it later.
_LEAP_S, _LEAP_SAMPLES = 0.1, 2
# Of the readings of a connected link: where its pack is not logged, what it has stood at no lift takes it to, for a
# link that sagged with its pack comes back to there. Dropouts last too short to count in it.
_USUAL_TOP = 0.9


def falls(history: SwitchingHistory) -> list[Drop]:
    """The link falls away from the pack while current flows, and returns within the time of a dropout."""
    link = history.link
    if link is None or link.full_v is None or load_part(history) is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    least, joined_from = _thresholds(history, link)
    apart = volts < least - 3 * link.noise_v
    joined = volts > joined_from - 3 * link.noise_v
    found = []
    for k in np.flatnonzero(apart[1:] & ~apart[:-1]) + 1:
        before = _just_before(time_s, int(k))
        if apart[before].any() or not joined[before].any():
            continue
        back = np.flatnonzero(joined[k:])
        if not back.size:
            continue
        start_s, end_s = float(time_s[k]), float(time_s[k + back[0]])
        current = current_before(history, start_s)
        if end_s - start_s > DROPOUT_S or current is None or not is_load(history, current):
            continue
        if precharged(history, start_s, end_s) or stays_open(history, start_s, end_s):
            continue
        found.append(Drop(start_s, end_s, "dc_link_voltage", current, *_range(volts[k : k + back[0]])))
    return found


def _thresholds(history: SwitchingHistory, link: Link) -> tuple[FloatArray, FloatArray]:
    """At each sample of the link: below which voltage it is surely apart, and from which on it stands with the pack."""
    time_s, full = link.part.time_s, link.full_v or np.inf
    lowest = pack_lowest(history.signals, time_s)
    if lowest is None:
        level = np.full(time_s.size, full)
        return level * DISCONNECTED_BELOW, level * (1 - _DROP_SHARE)
    lowest = np.where(np.isfinite(lowest), lowest, full)
    return lowest * (1 - _DROP_SHARE), lowest * (1 - PACK_MISMATCH)


def lifts(history: SwitchingHistory) -> list[Drop]:
    """The link leaps above what the pack can stand at, and comes back: braked into while a contactor was open."""
    link = history.link
    if link is None or link.full_v is None or load_part(history) is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    found: list[Drop] = []
    reach = max(_LEAP_SAMPLES, ceil(_LEAP_S / link.part.spacing_s)) if link.part.spacing_s > 0 else _LEAP_SAMPLES
    connected_v = DISCONNECTED_BELOW * link.full_v
    connected_volts = volts[volts > connected_v]
    usual_v = float(np.quantile(connected_volts, _USUAL_TOP)) if connected_volts.size else np.inf
    for k in np.flatnonzero(_leaps(volts, connected_v, reach)).tolist():
        if found and time_s[k] <= found[-1].end_s:
            continue
        before = volts[_just_before(time_s, k - reach)] if k > reach else volts[:0]
        if not before.size:
            continue
        start_s = float(time_s[k])
        highest = pack_highest_at(history.signals, start_s) or max(float(np.median(before)), usual_v)
        joined = (1 + PACK_MISMATCH) * highest + 3 * link.noise_v
        connected = np.all((before > (1 - PACK_MISMATCH) * np.median(before)) & (before <= joined))
        back = np.flatnonzero(volts[k : np.searchsorted(time_s, start_s + DROPOUT_S, side="right")] <= joined)
        if not connected or volts[k] <= (1 + LIFT_SHARE) * highest or not back.size:
            continue
        start_s = float(time_s[k - reach + int(np.argmax(volts[k - reach : k + 1] > joined))])
        end_s, current = float(time_s[k + back[0]]), current_before(history, start_s)
        if current is None or not is_load(history, current) or stays_open(history, start_s, end_s):
            continue
        if stays_with_pack(history, k + int(back[0]), end_s - start_s, highest) and not precharged(
            history, start_s, end_s
        ):
            low_v, high_v = _range(volts[k : k + back[0]])
            found.append(Drop(start_s, end_s, "dc_link_voltage", current, low_v, high_v, lifted=True))
    return found


def stays_with_pack(history: SwitchingHistory, back: int, away_s: float, highest_v: float) -> bool:
    """Whether the link, back at its pack's level, stays there: one that was left to itself falls through and on.

    It is watched for as long as it was away: alone it came from far above within that time, and would be far below.
    """
    assert history.link is not None
    part = history.link.part
    end_s = part.time_s[back] + max(away_s, _WATCHED_S)
    if end_s > part.time_s[-1]:
        return False  # the log ends before it shows
    volts = part.value[back : int(np.searchsorted(part.time_s, end_s, side="right"))]
    return bool(np.min(volts) > (1 - _DROP_SHARE) * highest_v - 3 * history.link.noise_v) and not _falls_on(
        volts, highest_v
    )


def _falls_on(volts: FloatArray, highest_v: float) -> bool:
    """Whether a link leaves its pack's level downwards and only ever falls, rather than sagging and coming back."""
    thirds = np.array_split(volts, 3) if volts.size >= 3 else [volts]
    middles = [float(np.median(third)) for third in thirds]
    return middles[-1] < (1 - PACK_MISMATCH) * highest_v and bool(np.all(np.diff(middles) < 0))


def stays_open(history: SwitchingHistory, start_s: float, end_s: float) -> bool:
    """Whether a contactor's state says open when the link is back: then nothing dropped out and closed again.

    A state that never says closed is that of the wrong signal, and says nothing.
    """
    for name in CONTACTORS:
        part = history.signals.get(name)
        if name not in history.switched or part is None or part.on is None or not part.on.any():
            continue
        shown = int(np.searchsorted(part.time_s, end_s + state_lag_s(part) + part.period_s, side="right")) - 1
        if shown >= 0 and not part.on[shown]:
            return True
    return False


def precharged(history: SwitchingHistory, start_s: float, end_s: float) -> bool:
    """Whether the precharge relay closed meanwhile: then it was a restart."""
    switched = history.switched.get("precharge_relay", [])
    return any(s.on and start_s - FLAG_LAG_S <= s.time_s <= end_s + FLAG_LAG_S for s in switched)


def _just_before(time_s: FloatArray, k: int) -> slice:
    """The samples in the half second before one. They are counted, for several may bear one stamp."""
    return slice(min(int(np.searchsorted(time_s, time_s[k] - BEFORE_S)), k), k)


def _leaps(volts: FloatArray, connected_v: float, reach: int) -> BoolArray:
    """Whether each sample lies far above one of the few before it, of a link that stood at its pack's voltage.

    reach : how many samples before it count
    """
    low = minimum_filter1d(volts, reach + 1, mode="nearest", origin=reach // 2)
    return np.asarray((low > connected_v) & (volts > (1 + LIFT_SHARE) * low))


def _range(volts: FloatArray) -> tuple[float, float]:
    return float(volts.min()), float(volts.max())
