"""Openings under load: the current at the opening, and what the link shows of it.

Current and state reach the log at different times, so that a current which ends about when the contactor opens may have
ended just before. The link decides: whatever still draws (or feeds) while the contactor opens takes its charge from the
capacitor alone, which at 50 A and 1 mF is 50 V a millisecond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.checks.contactors.switching_history import SwitchingHistory, current_between, load_level, make_finding
from logscope.checks.contactors.text import loaded_words, perhaps_loaded_words
from logscope.curves.discharge import Readings, fit_discharge
from logscope.findings import Event, Finding, Measured, Severity
from logscope.observations.dc_link.link import PACK_MISMATCH, Link, pack_highest_at
from logscope.observations.dc_link.openings import Opening
from logscope.signals import Part

_SEEN_AFTER_S = 2.0  # of the fall, enough to carry it back to the opening


@dataclass(frozen=True, slots=True)
class Loaded:
    """An opening with current up to it. jump_v : how far the link was thrown off by it [V], None where not logged."""

    opening: Opening
    current: Measured
    jump_v: float | None


def opened_under_load(history: SwitchingHistory, dropouts: Sequence[Event]) -> list[Finding]:
    """A finding for each opening under load, and one for those that the log cannot tell.

    dropouts : openings that a finding of their own tells already
    """
    current = history.signals.get("battery_current")
    if current is None or not current.value.size:
        return []
    asked = [o for o in history.openings if not any(o.low_s <= d.end_s and d.start_s <= o.high_s for d in dropouts)]
    loaded = [found for opening in asked if (found := _loaded(history, opening, current)) is not None]
    proven = [one for one in loaded if one.jump_v is not None and one.jump_v != 0.0]
    open_question = [one for one in loaded if one.jump_v is None]
    findings = [_proven(history, one) for one in proven]
    return findings + ([_open(history, open_question, current)] if open_question else [])


def _loaded(history: SwitchingHistory, opening: Opening, current: Part) -> Loaded | None:
    """The opening, where a load current flowed in the last sample that may belong to the closed contactor."""
    if not opening.by_state:
        return None
    amps = current_between(current, opening.low_s, opening.high_s)
    if amps is None or amps.high is None or amps.high <= load_level(current):
        return None
    jump_v = _jump(history, history.link, opening) if history.link is not None else None
    return Loaded(opening, amps, jump_v)


def _jump(history: SwitchingHistory, link: Link, opening: Opening) -> float | None:
    """How far the link was thrown off its level by the opening [V]; 0 where it was not.

    Upwards by its highest reading, which no curve carried back could tell. Downwards by its fall, carried back to the
    opening: an active discharge falls fast too, but from the level before; a link that a load has drained does not.
    """
    inside = link.part.between(opening.start_s, min(opening.end_s, opening.start_s + _SEEN_AFTER_S))
    time_s, volts = link.part.time_s[inside], link.part.value[inside]
    if opening.level_v is None or not volts.size:
        return None
    about = link.part.between(opening.low_s, min(opening.end_s, opening.start_s + _SEEN_AFTER_S))
    highest_v = float(link.part.value[about].max())
    pack_v = pack_highest_at(history.signals, (opening.low_s + opening.high_s) / 2)
    unsure_v = PACK_MISMATCH * opening.level_v + 3 * link.noise_v  # the pack recovers from its sag by less than that
    joined_v = max(opening.level_v + 2 * unsure_v, 0.0 if pack_v is None else (1 + PACK_MISMATCH) * pack_v)
    if highest_v > joined_v:
        return highest_v - opening.level_v
    fit = fit_discharge(time_s, volts, Readings(link.step_v, link.noise_v))
    carried = fit is not None and not fit.misfit
    high_v = float(fit.voltage(np.array([opening.low_s]))[0]) if fit and carried else float(np.median(volts[:3]))
    return high_v - opening.level_v if opening.level_v - high_v > unsure_v else 0.0


def _proven(history: SwitchingHistory, one: Loaded) -> Finding:
    opening, amps, jump_v = one.opening, one.current, one.jump_v or 0.0
    assert amps.value is not None
    assert amps.high is not None
    within_s = opening.high_s - opening.low_s
    words = loaded_words(opening.shown_by, amps.value, amps.low or 0.0, amps.high, within_s, jump_v)
    return make_finding(
        history,
        "opened_under_load",
        Severity.WARNING,
        words,
        events=(Event(opening.low_s, opening.high_s),),
        measured={"current_A": amps, "link_jump_V": Measured(jump_v, "V")},
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
