"""Contactors that drop out and come back: by their state, or by a link that falls away from the pack and returns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from logscope.checks.contactors.chatter import chatter_groups
from logscope.checks.contactors.story import CONTACTORS, Story, current_between, load_level, make_finding
from logscope.checks.contactors.words import dropout_words
from logscope.checks.link import AWAKE_SHARE, PACK_MISMATCH, Link, pack_voltage
from logscope.checks.openings import Switch
from logscope.checks.precharge.flags import DISCONNECTED_BELOW, FLAG_LAG_S
from logscope.findings import Event, Finding, FloatArray, Measured, Severity
from logscope.signals import Part

# A key turned off and on takes longer, precharge included (common practice, no published source).
DROPOUT_S = 2.0
# No sag that the pack's own readings around it do not show reaches a quarter of the voltage.
DROP_SHARE = 0.25
_BEFORE_S = 0.5  # in which current must flow, and the link stand with the pack
_PACK_PERIODS = 1.5  # a pack reading may be older than the link's by this many of its periods


@dataclass(frozen=True, slots=True)
class _Drop:
    """One dropout. low_v : the lowest link voltage in it, None where not logged."""

    start_s: float
    end_s: float
    told_by: str
    current: Measured | None
    low_v: float | None


def dropout(story: Story) -> list[Finding]:
    """One finding for each part that drops out and comes back."""
    drops = [drop for name in CONTACTORS for drop in _by_state(story, name)]
    for drop in _by_voltage(story):
        if not any(
            drop.start_s - FLAG_LAG_S <= d.end_s + FLAG_LAG_S and d.start_s - 2 * FLAG_LAG_S <= drop.end_s
            for d in drops
        ):
            drops.append(drop)
    told_by = list(dict.fromkeys(drop.told_by for drop in drops))
    return [_finding(story, [drop for drop in drops if drop.told_by == by]) for by in told_by]


def _by_state(story: Story, name: str) -> list[_Drop]:
    """The state opens and closes again sooner than a key could, and no precharge lies between."""
    changes = story.switched.get(name, [])
    chattering = {switch.time_s for group in chatter_groups(changes) for switch in group}
    found = []
    for off, on in pairwise(changes):
        if off.on or on.time_s - off.low_s > DROPOUT_S or _precharged(story, off, on):
            continue
        current = _current_before(story, off.low_s)
        loaded = current is not None and _is_load(story, current)
        if {off.time_s, on.time_s} <= chattering and not loaded:
            continue  # a contactor that chatters while it closes
        if not loaded and "precharge_relay" not in story.switched:
            continue  # a restart whose precharge is not logged would look the same
        found.append(_Drop(off.time_s, on.time_s, name, current, _lowest(story.link, off.low_s, on.time_s)))
    return found


def _precharged(story: Story, off: Switch, on: Switch) -> bool:
    """Whether the link was precharged before the path to the pack was whole again; so it is at a quick restart."""
    whole_s = max(_closes_s(story.switched[name], on.time_s) for name in CONTACTORS if name in story.switched)
    return any(
        s.on and off.low_s <= s.time_s <= whole_s + FLAG_LAG_S for s in story.switched.get("precharge_relay", [])
    )


def _closes_s(changes: list[Switch], at_s: float) -> float:
    """When a contactor that is open at a time closes again [s], infinite if never; the time itself if it is closed."""
    before = [s for s in changes if s.time_s <= at_s]
    is_on = before[-1].on if before else not (changes and changes[0].on)
    return at_s if is_on else min((s.time_s for s in changes if s.on and s.time_s > at_s), default=np.inf)


def _lowest(link: Link | None, start_s: float, end_s: float) -> float | None:
    if link is None:
        return None
    volts = link.part.value[link.part.between(start_s, end_s)]
    return float(volts.min()) if volts.size else None


def _load_part(story: Story) -> Part | None:
    """The current that tells a load: the pack's, or else the motor's."""
    return story.signals.get("battery_current") or story.signals.get("motor_current")


def _current_before(story: Story, at_s: float) -> Measured | None:
    """The range of the current's magnitude just before a time [A]; its largest sample as value, for it ends there."""
    part = _load_part(story)
    if part is None:
        return None
    around = current_between(part, at_s - _BEFORE_S - part.period_s, at_s)
    seen = np.abs(part.value[part.between(at_s - _BEFORE_S - part.period_s, at_s)])
    return None if around is None or not seen.size else replace(around, value=float(seen.max()), low=float(seen.min()))


def _is_load(story: Story, current: Measured) -> bool:
    part = _load_part(story)
    return part is not None and (current.high or 0.0) > load_level(part)


def _by_voltage(story: Story) -> list[_Drop]:
    """The link falls away from the pack while current flows, and returns within the time of a dropout."""
    link = story.link
    if link is None or link.full_v is None or _load_part(story) is None:
        return []
    time_s, volts = link.part.time_s, link.part.value
    least, joined_from = _thresholds(story, link)
    apart = volts < least - 3 * link.noise_v
    joined = volts > joined_from - 3 * link.noise_v
    found = []
    for k in np.flatnonzero(apart[1:] & ~apart[:-1]) + 1:
        before = link.part.between(float(time_s[k]) - _BEFORE_S, float(time_s[k - 1]))
        if apart[before].any() or not joined[before].any():
            continue
        back = np.flatnonzero(joined[k:])
        if not back.size:
            continue
        start_s, end_s = float(time_s[k]), float(time_s[k + back[0]])
        current = _current_before(story, start_s)
        if end_s - start_s > DROPOUT_S or current is None or not _is_load(story, current):
            continue
        if any(
            s.on and start_s - FLAG_LAG_S <= s.time_s <= end_s + FLAG_LAG_S
            for s in story.switched.get("precharge_relay", [])
        ):
            continue
        found.append(_Drop(start_s, end_s, "dc_link_voltage", current, float(volts[k : k + back[0]].min())))
    return found


def _thresholds(story: Story, link: Link) -> tuple[FloatArray, FloatArray]:
    """At each sample of the link: below which voltage it is surely apart, and from which on it stands with the pack."""
    time_s, full = link.part.time_s, link.full_v or np.inf
    pack = story.signals.get("battery_voltage")
    if pack is None or pack_voltage(story.signals, -np.inf, np.inf) is None:
        level = np.full(time_s.size, full)
        return level * DISCONNECTED_BELOW, level * (1 - DROP_SHARE)
    awake = pack.value > AWAKE_SHARE * float(pack.value.max())
    at, value = pack.time_s[awake], pack.value[awake]
    reach = _PACK_PERIODS * pack.period_s + FLAG_LAG_S
    first = np.searchsorted(at, time_s - reach)
    last = np.maximum(np.searchsorted(at, time_s + reach, side="right"), first + 1)
    first = np.minimum(first, at.size - 1)
    widest = int((last - first).max())
    lowest = np.min([value[np.minimum(first + k, np.minimum(last - 1, at.size - 1))] for k in range(widest)], axis=0)
    return lowest * (1 - DROP_SHARE), lowest * (1 - PACK_MISMATCH)


def _finding(story: Story, drops: list[_Drop]) -> Finding:
    currents = [drop.current for drop in drops if drop.current is not None]
    loaded = [c for c in currents if _is_load(story, c)]
    worst = max(currents, key=lambda c: c.high or 0.0) if currents else Measured(None, "A")
    longest = max(drop.end_s - drop.start_s for drop in drops)
    part = _load_part(story)
    source = "pack current" if part is not None and part.name == "battery_current" else "motor current"
    lows = [drop.low_v for drop in drops if drop.low_v is not None]
    low_v = min(lows) if lows else None
    words = dropout_words(drops[0].told_by, len(drops), longest, worst.high if loaded else None, source, low_v)
    return make_finding(
        story,
        "dropout",
        Severity.DANGER,
        words,
        events=tuple(Event(drop.start_s, drop.end_s) for drop in drops),
        measured={
            "current_A": worst,
            "count": Measured(float(len(drops)), "1"),
            "longest_s": Measured(longest, "s"),
            "link_low_V": Measured(low_v, "V"),
        },
        leading=drops[0].told_by,
    )
