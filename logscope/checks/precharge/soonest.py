"""Upper bounds of a link's time constant from how soon its readings came near the pack's voltage.

They need no fitted curve, so stamps on a grid, unknown sensing and a curve of no known shape leave them true.
"""

from __future__ import annotations

import numpy as np

from logscope.arrays import FloatArray
from logscope.checks.precharge.compare import step_constant_bound
from logscope.checks.precharge.measure import Measurement
from logscope.observations.dc_link.flags import FLAG_LAG_S
from logscope.observations.dc_link.link import Link

_NOT_ABOVE_NOISES = 3.0  # and a step: a level is not known better from one reading
_MOST_READINGS = 300  # that are compared with one another, spread over all


def soonest_bound(link: Link, m: Measurement, closes_at: float = 1.0, older_s: float = 0.0) -> float | None:
    """Upper bound of the time constant [s] from how soon the reading came near its end.

    A reading follows the link, whatever its sensing, and never leads it: when it is so near to its end, the link is at
    least as near. Of all samples of the rise the one that says most is taken.

    closes_at : from which fraction of the pack on a contactor may have brought the link up at once; None where that may
        have been all of the rise
    older_s : by how much more the reading before the rise may be older than the one near its end
    """
    attempt, top_v = m.attempt, m.top_v
    rise = slice(attempt.onset, attempt.top + 1)
    volts, time_s = link.part.value[rise], link.part.time_s[rise]
    least = max(_not_above(link), (1 - closes_at) * top_v)
    if least >= top_v - volts[0]:
        return None
    missing = np.maximum(top_v - volts, least)
    near = missing < top_v - volts[0]
    # Timestamps of one burst, or on a coarse grid, may stand together although their readings are apart.
    # Readings that are put back onto their own beat may share one of its places, and are a beat apart all the same.
    crowded_s = max(link.part.period_s - float(np.diff(time_s).min()), 0.0)
    taken_s = time_s[near] - time_s[0] + max(m.unsure_between_s, crowded_s) + older_s
    return float(min(step_constant_bound(top_v - volts[0], *each) for each in zip(missing[near], taken_s, strict=True)))


def bound_before_closing(link: Link, m: Measurement) -> float | None:
    """Upper bound of R·C [s] from the readings taken while the contactor was open; None where nothing shows that."""
    attempt = m.attempt
    if attempt.contactor_after_s is None or m.pack is None or m.pack_by_link or not np.isfinite(m.highest_v):
        return None
    until_s = attempt.contactor_after_s - FLAG_LAG_S - m.unsure_s
    part = link.part
    inside = slice(attempt.onset, int(np.searchsorted(part.time_s, until_s, side="right")))
    missing_v = m.highest_v - part.value[inside]
    unsure_s = m.unsure_s + part.period_s  # a reading may be older than its stamp by as much as a new one takes to come
    return bound_of_pairs(part.time_s[inside], missing_v, _not_above(link), unsure_s)


def bound_of_pairs(time_s: FloatArray, missing_v: FloatArray, room_v: float, unsure_s: float) -> float | None:
    """Upper bound of R·C [s] from any two readings of a link that charges through a resistor; None where none rises.

    Let V be the pack's voltage and v the link's. The link charges with at most (V − v)/R, less what loads take, so
    ln(V − v) falls by at most 1/(R·C) each second. A reading through sensing lags is a mean of what the link was
    before, with weights that sum to 1: V less the reading is the same mean of terms that fall no faster, so neither
    does it. Sensing and loads therefore only raise the bound.

    time_s : stamps, shape (n,); missing_v : by how much each reading is below the pack's voltage at most [V]
    room_v : by how much a reading may be off [V]; unsure_s : by how much the time between two may be [s]
    """
    thin = np.unique(np.linspace(0, time_s.size - 1, _MOST_READINGS).astype(int)) if time_s.size else slice(0)
    time_s, missing_v = time_s[thin], missing_v[thin]
    later, earlier = np.tril_indices(time_s.size, -1)
    before_v, after_v = missing_v[earlier] - room_v, missing_v[later] + room_v
    risen = (before_v > after_v) & (after_v > 0)
    if not risen.any():
        return None
    taken_s = (time_s[later] - time_s[earlier])[risen] + unsure_s
    return float(np.min(taken_s / np.log(before_v[risen] / after_v[risen])))


def _not_above(link: Link) -> float:
    return _NOT_ABOVE_NOISES * link.noise_v + link.step_v
