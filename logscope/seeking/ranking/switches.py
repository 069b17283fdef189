"""States in the order of how well they flip at the moments of a precharge."""

from __future__ import annotations

import numpy as np

from logscope.seeking.hits import Hit
from logscope.seeking.likeness.link_cycles import LinkCycle, link_cycles
from logscope.seeking.likeness.switches import REPORT_S, Moment, fits, flips_of
from logscope.seeking.ranking.outcome import Ranked, with_rates
from logscope.seeking.search import Search

_FALL_SHOWS_S = 0.1  # by which the begin of a fall is uncertain


_HANDS_OVER_S = 0.3  # from a link that is up to the contactor, and as long again to the relay (common practice)


_BIT_OF_A_FIELD = 0.97


def by_moments(search: Search, part: str) -> Ranked:
    """Rank states by their flips around a precharge."""
    link = search.link
    if link is None:
        return [], ["No DC-link voltage is known or found, so that the moments of relay and contactors are unknown."]
    moments = [moment for cycle in link_cycles(*link[0]) for moment in _moments_of(part, cycle, search.end_s)]
    if not moments:
        return [], ["The DC-link voltage shows no precharge, so that the moments are unknown."]
    hits, chance = [], np.zeros(0)
    single = set(search.searched.candidates)
    listed = ", ".join(f"{'on' if m.on else 'off'} at {m.early_s:.2f} to {m.late_s:.2f} s" for m in moments[:4])
    for candidate in search.flags:
        time_s, raw = candidate.samples()
        fit = fits(time_s, raw > 0, moments)
        if fit is None:
            continue
        chance = np.maximum(chance, fit.chance) if chance.size else fit.chance
        seen = flips_of(time_s, (raw > 0) == fit.on_is_high)
        flips = ", ".join(f"{'on' if on else 'off'} {at:.3f} s" for on, at in zip(seen.on, seen.after_s, strict=True))
        reasons = (f"flips: {flips}", f"expected: {listed}")
        at = tuple(seen.after_s.tolist())
        # A bit of a longer field is a state only where nothing else is.
        score = fit.score * (1.0 if candidate in single else _BIT_OF_A_FIELD)
        hits.append(Hit(part, candidate, score, 1.0, reasons=reasons, moments=at, on_is_high=fit.on_is_high))
    return with_rates(hits, chance), [f"The moments are those of {link[1]}."]


def _moments_of(part: str, cycle: LinkCycle, end_s: float) -> list[Moment]:
    """What a switch must do around one precharge."""
    falls = cycle.falls_s < end_s - 1.0
    opens = [Moment(False, cycle.falls_s - _FALL_SHOWS_S, cycle.falls_s + REPORT_S)] if falls else []
    rises = Moment(True, cycle.rises_s - REPORT_S, cycle.rises_s)
    if part == "precharge_relay":
        return [rises, Moment(False, cycle.up_s, cycle.up_s + 2 * _HANDS_OVER_S)]
    if part == "negative_contactor":
        return [Moment(True, cycle.rises_s - 1.0, cycle.rises_s), *opens]
    return [Moment(True, cycle.nearly_up_s, cycle.up_s + _HANDS_OVER_S), *opens]
