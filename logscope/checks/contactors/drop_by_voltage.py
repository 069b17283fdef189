"""Dropouts that the link's voltage tells: it falls away from the pack, or is lifted off it, and comes back."""

from __future__ import annotations

import numpy as np

from logscope.checks.contactors.drop import BEFORE_S, DROPOUT_S, Drop, current_before, is_load, load_part
from logscope.checks.contactors.story import Story
from logscope.checks.link import AWAKE_SHARE, PACK_MISMATCH, Link, pack_voltage
from logscope.checks.precharge.flags import DISCONNECTED_BELOW, FLAG_LAG_S
from logscope.findings import BoolArray, FloatArray

# No sag that the pack's own readings around it do not show reaches a quarter of the voltage.
_DROP_SHARE = 0.25
# No braking lifts a pack by so much: at 100 A, 15 % of 350 V would be half an ohm within. A link alone, braked into by
# as much, rises by that in a millisecond or two.
_LIFT_SHARE = 0.15
_LEAP_SAMPLES = 2  # it may be half way up in one
_PACK_PERIODS = 1.5  # a pack reading may be older than the link's by this many of its periods


def falls(story: Story) -> list[Drop]:
    """The link falls away from the pack while current flows, and returns within the time of a dropout."""
    link = story.link
    if link is None or link.full_v is None or load_part(story) is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    least, joined_from = _thresholds(story, link)
    apart = volts < least - 3 * link.noise_v
    joined = volts > joined_from - 3 * link.noise_v
    found = []
    for k in np.flatnonzero(apart[1:] & ~apart[:-1]) + 1:
        before = link.part.between(float(time_s[k]) - BEFORE_S, float(time_s[k - 1]))
        if apart[before].any() or not joined[before].any():
            continue
        back = np.flatnonzero(joined[k:])
        if not back.size:
            continue
        start_s, end_s = float(time_s[k]), float(time_s[k + back[0]])
        current = current_before(story, start_s)
        if end_s - start_s > DROPOUT_S or current is None or not is_load(story, current):
            continue
        if _precharged(story, start_s, end_s):
            continue
        found.append(Drop(start_s, end_s, "dc_link_voltage", current, *_range(volts[k : k + back[0]])))
    return found


def _thresholds(story: Story, link: Link) -> tuple[FloatArray, FloatArray]:
    """At each sample of the link: below which voltage it is surely apart, and from which on it stands with the pack."""
    time_s, full = link.part.time_s, link.full_v or np.inf
    pack = story.signals.get("battery_voltage")
    if pack is None or pack_voltage(story.signals, -np.inf, np.inf) is None:
        level = np.full(time_s.size, full)
        return level * DISCONNECTED_BELOW, level * (1 - _DROP_SHARE)
    awake = pack.value > AWAKE_SHARE * float(pack.value.max())
    at, value = pack.time_s[awake], pack.value[awake]
    reach = _PACK_PERIODS * pack.period_s + FLAG_LAG_S
    first = np.searchsorted(at, time_s - reach)
    last = np.maximum(np.searchsorted(at, time_s + reach, side="right"), first + 1)
    first = np.minimum(first, at.size - 1)
    widest = int((last - first).max())
    lowest = np.min([value[np.minimum(first + k, np.minimum(last - 1, at.size - 1))] for k in range(widest)], axis=0)
    return lowest * (1 - _DROP_SHARE), lowest * (1 - PACK_MISMATCH)


def lifts(story: Story) -> list[Drop]:
    """The link leaps above what the pack can stand at, and comes back: braked into while a contactor was open."""
    link = story.link
    if link is None or link.full_v is None or load_part(story) is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    found: list[Drop] = []
    for k in np.flatnonzero(_leaps(volts, DISCONNECTED_BELOW * link.full_v)):
        if found and time_s[k] <= found[-1].end_s:
            continue
        start_s = float(time_s[k])
        before = volts[link.part.between(start_s - BEFORE_S, start_s)][:-_LEAP_SAMPLES]
        if not before.size:
            continue
        highest = _pack_highest(story, start_s) or float(np.median(before))
        joined = (1 + PACK_MISMATCH) * highest + 3 * link.noise_v
        connected = np.all((before > (1 - PACK_MISMATCH) * np.median(before)) & (before <= joined))
        back = np.flatnonzero(volts[k : np.searchsorted(time_s, start_s + DROPOUT_S, side="right")] <= joined)
        if not connected or volts[k] <= (1 + _LIFT_SHARE) * highest or not back.size:
            continue
        end_s, current = float(time_s[k + back[0]]), current_before(story, start_s)
        with_pack = volts[k + back[0]] > (1 - _DROP_SHARE) * highest  # else the link was drained: nothing closed again
        loaded = current is not None and is_load(story, current)
        if with_pack and loaded and not _precharged(story, start_s, end_s):
            low_v, high_v = _range(volts[k : k + back[0]])
            found.append(Drop(start_s, end_s, "dc_link_voltage", current, low_v, high_v, lifted=True))
    return found


def _precharged(story: Story, start_s: float, end_s: float) -> bool:
    """Whether the precharge relay closed meanwhile: then it was a restart."""
    switched = story.switched.get("precharge_relay", [])
    return any(s.on and start_s - FLAG_LAG_S <= s.time_s <= end_s + FLAG_LAG_S for s in switched)


def _leaps(volts: FloatArray, connected_v: float) -> BoolArray:
    """Whether each sample lies far above one of the few before it, of a link that stood at its pack's voltage."""
    low = np.min([np.roll(volts, k) for k in range(1, _LEAP_SAMPLES + 1)], axis=0)
    low[:_LEAP_SAMPLES] = np.inf
    return np.asarray((low > connected_v) & (volts > (1 + _LIFT_SHARE) * low))


def _pack_highest(story: Story, at_s: float) -> float | None:
    """The highest awake pack voltage about a time [V]; None where it is not logged there."""
    pack = story.signals.get("battery_voltage")
    if pack is None or pack_voltage(story.signals, -np.inf, np.inf) is None:
        return None
    reach = _PACK_PERIODS * pack.period_s + FLAG_LAG_S
    around = pack.value[pack.between(at_s - reach, at_s + reach)]
    return float(around.max()) if around.size and around.max() > AWAKE_SHARE * float(pack.value.max()) else None


def _range(volts: FloatArray) -> tuple[float, float]:
    return float(volts.min()), float(volts.max())
