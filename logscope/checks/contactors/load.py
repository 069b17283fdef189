"""Openings under load: the current at the opening, and what the link shows of it.

Current and state reach the log at different times, so that a current which ends about when the contactor opens may have
ended just before. The link decides: whatever still draws (or feeds) while the contactor opens takes its charge from the
capacitor alone, which at 50 A and 1 mF is 50 V a millisecond. So the link also shows an opening of which no state is
logged, and one of which the motor's current alone is: that flows as well while the windings discharge an opened link,
which then goes down to a safe voltage; what a load has drained stops where the load stops.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logscope.checks.contactors.drop import load_part, measured_current
from logscope.checks.contactors.switching_history import SwitchingHistory, current_between, load_level, make_finding
from logscope.checks.contactors.text import loaded_words, perhaps_loaded_words
from logscope.curves.discharge import Readings, fit_discharge
from logscope.findings import Event, Finding, Measured, Severity
from logscope.observations.dc_link.link import PACK_MISMATCH, Link, pack_highest_at
from logscope.observations.dc_link.openings import HELD_SHARE, Opening
from logscope.physics.discharge import SAFE_V
from logscope.signals import Part

# Of the fall, enough to carry it back to the opening; less where a discharge stops or changes within it.
_SEEN_AFTER_S = (2.0, 1.0, 0.5)
_STOOD_S = 2.0  # before an opening that the voltages show, in which the link's level is read
# A load drains the link in some 10 ms, and a sensor with a filter shows that within this time; an active discharge is
# an exponential that goes on as it began, at 0.3 s with a third of the fall in the next such time.
_DRAINED_S = 0.3
_FEWEST = 3  # samples whose median is a level


@dataclass(frozen=True, slots=True)
class Loaded:
    """An opening with current up to it.

    current : of the part `source`; jump_v : how far the link was thrown off by the opening [V], None where not logged
    """

    opening: Opening
    current: Measured
    source: str
    jump_v: float | None


def opened_under_load(history: SwitchingHistory, dropouts: Sequence[Event]) -> list[Finding]:
    """A finding for each opening under load, and one for those that the log cannot tell.

    dropouts : openings that a finding of their own tells already
    """
    current = load_part(history)
    if current is None or not current.value.size:
        return []
    asked = [o for o in history.openings if not any(_same(o, dropout) for dropout in dropouts)]
    loaded = [found for opening in asked if (found := _loaded(history, opening, current)) is not None]
    proven = [one for one in loaded if one.jump_v is not None and one.jump_v != 0.0]
    open_question = [one for one in loaded if one.jump_v is None]
    findings = [_proven(history, one) for one in proven]
    return findings + ([_open(history, open_question, current)] if open_question else [])


def _same(opening: Opening, dropout: Event) -> bool:
    """Whether an opening is that of a dropout, which the link shows from its first reading off the pack."""
    return opening.low_s <= dropout.end_s and dropout.start_s <= max(opening.high_s, opening.start_s)


def _loaded(history: SwitchingHistory, opening: Opening, current: Part) -> Loaded | None:
    """The opening, where a load current flowed in the last sample that may belong to the closed contactor."""
    if not opening.by_state:
        if history.link is None or opening.shown_by != "dc_link_voltage":
            return None
        opening = _since_joined(history, history.link, opening)
    amps = current_between(current, opening.low_s, opening.high_s)
    if amps is None or amps.high is None or amps.high <= load_level(current):
        return None
    of_pack = current.name == "battery_current"
    jump_v = None if history.link is None else _jump(history, history.link, opening)
    if history.link is not None and (jump_v == 0 or (jump_v is not None and jump_v < 0 and not of_pack)):
        jump_v = _drained(history.link, opening)
    return None if jump_v is None and not of_pack else Loaded(opening, amps, current.name, jump_v)


def _since_joined(history: SwitchingHistory, link: Link, opening: Opening) -> Opening:
    """The opening that the voltages show, from the last sample at which the link stood where it had stood before."""
    before = link.part.between(opening.high_s - _STOOD_S, np.nextafter(opening.high_s, -np.inf))
    volts = link.part.value[before]
    if not volts.size:
        return opening
    level_v = float(np.median(volts))
    joined = np.flatnonzero(np.abs(volts - level_v) <= PACK_MISMATCH * level_v + 3 * link.noise_v)
    low_s = float(link.part.time_s[before][joined[-1]])
    return replace(opening, low_s=low_s, level_v=level_v)


def _drained(link: Link, opening: Opening) -> float:
    """How far the link fell at once after the opening, and no farther [V]; 0 where it went on as it began.

    A load that drains it stops at a voltage that it cannot do with; a discharge goes on to a safe one.
    """
    since_s = opening.high_s + _DRAINED_S + 2 * link.part.period_s
    part, lasted_s = link.part, max(since_s - opening.low_s, 2 * _FEWEST * link.part.period_s)
    after = part.value[part.between(since_s, min(opening.end_s, since_s + lasted_s))]
    if opening.level_v is None or after.size < 2 * _FEWEST:
        return 0.0
    stands_v, end_v = float(np.median(after[:_FEWEST])), float(np.median(after[-_FEWEST:]))
    fell_v = opening.level_v - stands_v
    unsure_v = PACK_MISMATCH * opening.level_v + 3 * link.noise_v
    stopped = stands_v - end_v <= HELD_SHARE * fell_v
    return -fell_v if fell_v > unsure_v and stopped and end_v > SAFE_V else 0.0


def _jump(history: SwitchingHistory, link: Link, opening: Opening) -> float | None:
    """How far the link was thrown off its level by the opening [V]; 0 where it was not.

    Upwards by its highest reading, which no curve carried back could tell. Downwards by its fall, carried back to the
    opening: an active discharge falls fast too, but from the level before; a link that a load has drained does not.
    """
    inside = link.part.between(opening.start_s, min(opening.end_s, opening.start_s + _SEEN_AFTER_S[0]))
    volts = link.part.value[inside]
    if opening.level_v is None or not volts.size:
        return None
    about = link.part.between(opening.low_s, min(opening.end_s, opening.start_s + _SEEN_AFTER_S[0]))
    highest_v = float(link.part.value[about].max())
    pack_v = pack_highest_at(history.signals, (opening.low_s + opening.high_s) / 2)
    unsure_v = PACK_MISMATCH * opening.level_v + 3 * link.noise_v  # the pack recovers from its sag by less than that
    joined_v = max(opening.level_v + 2 * unsure_v, 0.0 if pack_v is None else (1 + PACK_MISMATCH) * pack_v)
    if highest_v > joined_v:
        return highest_v - opening.level_v
    carried_v = _carried_back(link, opening)
    high_v = float(np.median(volts[:_FEWEST])) if carried_v is None else carried_v
    high_v = max(high_v, float(volts.max()) - 3 * link.noise_v)  # alone it never rises: it was at least as high
    return high_v - opening.level_v if opening.level_v - high_v > unsure_v else 0.0


def _carried_back(link: Link, opening: Opening) -> float | None:
    """The fall after an opening, carried back to the earliest moment of it [V]; None where no curve fits it."""
    for seen_s in _SEEN_AFTER_S:
        inside = link.part.between(opening.start_s, min(opening.end_s, opening.start_s + seen_s))
        readings = Readings(link.step_v, link.noise_v)
        fit = fit_discharge(link.part.time_s[inside], link.part.value[inside], readings)
        if fit is not None and not fit.misfit:
            return float(fit.voltage(np.array([opening.low_s]))[0])
    return None


def _proven(history: SwitchingHistory, one: Loaded) -> Finding:
    opening, amps, jump_v = one.opening, one.current, one.jump_v or 0.0
    assert amps.value is not None
    assert amps.high is not None
    within_s = opening.high_s - opening.low_s
    words = loaded_words(opening.shown_by, one.source, amps.value, amps.low or 0.0, amps.high, within_s, jump_v)
    return make_finding(
        history,
        "opened_under_load",
        Severity.WARNING,
        words,
        events=(Event(opening.low_s, opening.high_s),),
        measured={**measured_current(one.source, amps), "link_jump_V": Measured(jump_v, "V")},
        leading=opening.shown_by,
    )


def _open(history: SwitchingHistory, unclear: list[Loaded], current: Part) -> Finding:
    worst = max(one.current.high or 0.0 for one in unclear)
    return make_finding(
        history,
        "undetermined",
        Severity.INFO,
        perhaps_loaded_words(len(unclear), worst, current.period_s),
        events=tuple(Event(one.opening.low_s, one.opening.high_s) for one in unclear),
        measured={"current_A": Measured(None, "A", min(one.current.low or 0.0 for one in unclear), worst)},
    )
