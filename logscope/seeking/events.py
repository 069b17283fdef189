"""Event mode: fields that change at the moments at which the user switched something, and nowhere else."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logscope.arrays import FloatArray
from logscope.quantities import counted
from logscope.seeking.correlation import false_positive_rate
from logscope.seeking.hits import Hit
from logscope.seeking.search import Search

WITHIN_S = 1.0  # of a moment that a person noted by hand
_TRIES = 200
_LISTED = 20  # moments of a field; more crowd its chart


def at_moments(search: Search, moments_s: Sequence[float], within_s: float = WITHIN_S) -> list[Hit]:
    """The fields and bits in the order of how well their changes fit the moments [s], all noted within so long."""
    moments = np.sort(np.array(moments_s, dtype=np.float64))
    length = search.end_s - search.start_s
    shifts = np.random.default_rng(2).uniform(0.0, length, _TRIES)
    shifts = shifts[np.minimum(shifts, length - shifts) > 2 * within_s]
    chance = np.zeros(shifts.size)
    scored = []
    for candidate in (*search.numbers, *search.flags):
        time_s, raw = candidate.samples()
        at, size = _changes(time_s, raw)
        if not at.size:
            continue
        score = _fits(at, size, moments, within_s)
        for k, shift in enumerate(shifts.tolist()):
            moved = np.mod(at - search.start_s + shift, length) + search.start_s
            chance[k] = max(chance[k], _fits(moved, size, moments, within_s))
        if score > 0:
            near = at[np.min(np.abs(at[:, None] - moments[None]), axis=1) <= within_s]
            scored.append((score, candidate, tuple(near[:_LISTED].tolist()), near.size, at.size))
    scored.sort(key=lambda entry: (-entry[0], entry[1].field.bits))
    return [
        Hit(
            "event",
            candidate,
            score,
            false_positive_rate(score, chance),
            scale_from="Raw value.",
            reasons=(f"{seen} of its {counted(count, 'change')} within {within_s:g} s of the moments",),
            moments=near,
        )
        for score, candidate, near, seen, count in scored
    ]


def _changes(time_s: FloatArray, raw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """When a field changes, and by how much."""
    change = np.abs(np.diff(raw))
    at = np.flatnonzero(change > 0)
    return time_s[at + 1], change[at]


def _fits(at: FloatArray, size: FloatArray, moments: FloatArray, within_s: float) -> float:
    """The share of the moments that have a change, times the share of all changing that is at the moments."""
    first = np.searchsorted(at, moments - within_s) if np.all(at[1:] >= at[:-1]) else None
    if first is None:
        order = np.argsort(at)
        at, size = at[order], size[order]
        first = np.searchsorted(at, moments - within_s)
    last = np.searchsorted(at, moments + within_s, side="right")
    total = np.concatenate(([0.0], np.cumsum(size)))
    sums = total[last] - total[first]
    seen = float(np.mean(sums > 0.25 * np.max(sums))) if np.max(sums) > 0 else 0.0
    return seen * float(min(np.sum(sums) / total[-1], 1.0))
