"""Contactors that drop out and come back: by their state, or by a link that falls away from the pack and returns."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from logscope.checks.contactors.chatter import chatter_groups
from logscope.checks.contactors.drop import DROPOUT_S, Drop, current_before, is_load, load_part, measured_current
from logscope.checks.contactors.drop_after_current import after_current
from logscope.checks.contactors.drop_by_voltage import falls, lifts
from logscope.checks.contactors.switching_history import CONTACTORS, SwitchingHistory, make_finding
from logscope.checks.contactors.text import dropout_words
from logscope.findings import Event, Finding, Measured, Severity
from logscope.observations.dc_link.flags import FLAG_LAG_S
from logscope.observations.dc_link.link import Link
from logscope.observations.dc_link.openings import Switch


def dropout(history: SwitchingHistory) -> list[Finding]:
    """One finding for each part that drops out and comes back."""
    drops = [drop for name in CONTACTORS for drop in _by_state(history, name)]
    for drop in [*falls(history), *lifts(history), *after_current(history)]:
        if not any(
            drop.start_s - FLAG_LAG_S <= d.end_s + FLAG_LAG_S and d.start_s - 2 * FLAG_LAG_S <= drop.end_s
            for d in drops
        ):
            drops.append(drop)
    shown_by = list(dict.fromkeys(drop.shown_by for drop in drops))
    return [_finding(history, [drop for drop in drops if drop.shown_by == by]) for by in shown_by]


def _by_state(history: SwitchingHistory, name: str) -> list[Drop]:
    """The state opens and closes again sooner than a key could, and no precharge lies between."""
    changes = history.switched.get(name, [])
    chattering = {switch.time_s for group in chatter_groups(changes) for switch in group}
    found = []
    for off, on in pairwise(changes):
        if off.on or _path_open_s(history, off, on) > DROPOUT_S or _precharged(history, off, on):
            continue
        current = current_before(history, off.low_s)
        loaded = current is not None and is_load(history, current)
        if {off.time_s, on.time_s} <= chattering and not loaded:
            continue  # a contactor that chatters while it closes
        if not loaded and "precharge_relay" not in history.switched:
            continue  # a restart whose precharge is not logged would look the same
        found.append(Drop(off.time_s, on.time_s, name, current, *_range(history.link, off.low_s, on.time_s)))
    return found


def _path_open_s(history: SwitchingHistory, off: Switch, on: Switch) -> float:
    """For how long the path to the pack was open at most [s]: with the other contactor, where that opens with this one.

    A key that is turned off and on opens both and closes both, each a little before or after the other; how long it was
    off is the time from the first opening to the last closing.
    """
    low_s, high_s = off.low_s, on.time_s
    for name in CONTACTORS:
        for opened, closed in pairwise(history.switched.get(name, [])):
            if not opened.on and opened.low_s <= off.time_s and on.low_s <= closed.time_s:
                low_s, high_s = min(low_s, opened.low_s), max(high_s, closed.time_s)
    return high_s - low_s


def _precharged(history: SwitchingHistory, off: Switch, on: Switch) -> bool:
    """Whether the link was precharged before the path to the pack was whole again; so it is at a quick restart."""
    whole_s = max(_closes_s(history.switched[name], on.time_s) for name in CONTACTORS if name in history.switched)
    return any(
        s.on and off.low_s <= s.time_s <= whole_s + FLAG_LAG_S for s in history.switched.get("precharge_relay", [])
    )


def _closes_s(changes: list[Switch], at_s: float) -> float:
    """When a contactor that is open at a time closes again [s], infinite if never; the time itself if it is closed."""
    before = [s for s in changes if s.time_s <= at_s]
    is_on = before[-1].on if before else not (changes and changes[0].on)
    return at_s if is_on else min((s.time_s for s in changes if s.on and s.time_s > at_s), default=np.inf)


def _range(link: Link | None, start_s: float, end_s: float) -> tuple[float | None, float | None]:
    """The lowest and highest link voltage between two times [V]."""
    volts = np.empty(0) if link is None else link.part.value[link.part.between(start_s, end_s)]
    return (float(volts.min()), float(volts.max())) if volts.size else (None, None)


def _finding(history: SwitchingHistory, drops: list[Drop]) -> Finding:
    currents = [drop.current for drop in drops if drop.current is not None]
    loaded = [c for c in currents if is_load(history, c)]
    worst = max(currents, key=lambda c: c.high or 0.0) if currents else Measured(None, "A")
    longest = max(drop.end_s - drop.start_s for drop in drops)
    part = load_part(history)
    source = "battery_current" if part is None else part.name
    lows = [drop.low_v for drop in drops if drop.low_v is not None]
    highs = [drop.high_v for drop in drops if drop.high_v is not None]
    low_v, high_v = min(lows, default=None), max(highs, default=None)
    words = dropout_words(
        drops[0].shown_by,
        len(drops),
        longest,
        worst.high if loaded else None,
        source,
        low_v,
        high_v,
        lifted=any(drop.lifted for drop in drops),
    )
    return make_finding(
        history,
        "dropout",
        Severity.DANGER,
        words,
        events=tuple(Event(drop.start_s, drop.end_s) for drop in drops),
        measured={
            **measured_current(source, worst),
            "count": Measured(float(len(drops)), "1"),
            "longest_s": Measured(longest, "s"),
            "link_low_V": Measured(low_v, "V"),
            "link_high_V": Measured(high_v, "V"),
        },
        leading=drops[0].shown_by,
    )
