"""Fields in the order of their likeness to a DC-link voltage."""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.seeking.correlation import false_positive_rate
from logscope.seeking.hits import Hit
from logscope.seeking.ranking.outcome import Ranked, usual_scale
from logscope.seeking.search import Search


def by_precharge(search: Search, part: str) -> Ranked:
    """Rank by a rise like a precharge."""
    chance = search.rise_chance
    hits = []
    pack = search.known.get("battery_voltage")
    for candidate, rise in search.rises:
        scale, unit, why = _link_scale(rise.high, pack, rise.end_s)
        reasons = (
            f"rises like a precharge at {rise.start_s:.3f} s, from raw value {rise.low:.0f} to {rise.high:.0f}, "
            f"time constant {1000 * rise.tau_s:.0f} ms, {100 * rise.misfit:.1f} % off the curve",
        )
        rate = false_positive_rate(rise.score, chance)
        moments = (rise.start_s, rise.end_s)
        hits.append(Hit(part, candidate, rise.score, rate, scale, 0.0, unit, why, reasons, moments))
    return hits, [] if hits else ["No field rises and stays up as a DC link does while it is precharged."]


def _link_scale(level: float, pack: tuple[FloatArray, FloatArray] | None, at_s: float) -> tuple[float, str, str]:
    if pack is not None:
        time_s, volts = pack
        there = volts[(time_s >= at_s) & (time_s <= at_s + 3.0)]
        if there.size and np.median(there) > 0:
            why = "Scale: the level after the precharge equals the battery voltage."
            return float(np.median(there)) / level, "V", why
    return usual_scale(level)
