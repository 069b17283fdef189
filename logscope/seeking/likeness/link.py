"""The DC-link voltage: it rises like a precharge, stays, and follows the pack.

The rise is one exponential, or two poles alike where a sensor's filter comes after the resistor and the capacitor: V(t)
= V₁ − (V₁ − V₀)·e^(−u) or ·(1 + u)·e^(−u), u = (t − t₀)/τ. Whether the curve comes by chance is seen on the same
changes in another order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray

_LONGEST_RISE_S = 4.0  # precharges take 0.1 to 3 s (common practice, no published source)
_SHORTEST_RISE_S = 0.01
_SPANS_S = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0)  # in which a rise may gain nine tenths of its height
_SETTLED_S = 3.0  # after the rise, in which the voltage stays
_LEAST_STEPS = 20  # counts: what is coarser shows no curve
_LEAST_POINTS = 3  # on the curve, between 5 and 97 % of the rise
_MISFIT = 0.05  # of the step, at which half of the score is lost
_LOOSE = 0.06  # by which the voltage may leave its level in the first seconds
_HELD = 0.25  # of the step, within which it stays while it is up: a sagging pack takes a tenth


@dataclass(frozen=True, slots=True)
class Precharge:
    """The rise of a field that may be a link's voltage, in raw values.

    start_s, end_s : from its begin to where 95 % are passed; tau_s : of the curve that fits
    low, high : the levels before and after; misfit : root mean square off the curve as a share of the step
    score : 0 to 1
    """

    start_s: float
    end_s: float
    tau_s: float
    low: float
    high: float
    misfit: float
    score: float


def precharge_of(time_s: FloatArray, raw: FloatArray, near_s: float | None = None) -> Precharge | None:
    """The rise of a field that looks most like a precharge, or None.

    near_s : a moment at which it must begin, within 2 s
    """
    if raw.size < 20 or np.ptp(raw) < _LEAST_STEPS:
        return None
    gains = [_gains(time_s, raw, span) for span in _SPANS_S]
    if near_s is not None:
        far = np.abs(time_s - near_s) > 2.0
        gains = [np.where(far, -np.inf, gain) for gain in gains]
    best: Precharge | None = None
    for _ in range(3):  # the largest rises; the first may be a pack's monitor that wakes
        largest = float(np.max(gains[-1]))
        if not largest > 0.1 * np.ptp(raw):
            break
        span, gain = next((s, g) for s, g in zip(_SPANS_S, gains, strict=True) if np.max(g) >= 0.9 * largest)
        at = float(time_s[int(np.argmax(gain))])
        found = _rise(time_s, raw, at, span)
        if found is not None and (best is None or found.score > best.score):
            best = found
        for gain in gains:
            gain[np.abs(time_s - at) < _LONGEST_RISE_S] = -np.inf
    return best


def _gains(time_s: FloatArray, raw: FloatArray, span_s: float) -> FloatArray:
    """By how much the value is higher so much later."""
    later = np.minimum(np.searchsorted(time_s, time_s + span_s), raw.size - 1)
    return np.asarray(raw[later] - raw)


def _rise(time_s: FloatArray, raw: FloatArray, at_s: float, span_s: float) -> Precharge | None:
    """The rise that gains most of its height within so long after a moment."""
    stop = at_s + 2 * span_s
    before = raw[(time_s >= at_s - max(span_s, 0.3)) & (time_s <= at_s)]
    after = raw[(time_s > stop) & (time_s <= stop + _SETTLED_S)]
    if before.size < 2 or after.size < 3:
        return None
    low, high = float(np.median(before)), float(np.median(after))
    step = high - low
    if step < _LEAST_STEPS:
        return None
    inside = np.flatnonzero((time_s >= at_s - max(span_s, 0.3)) & (time_s <= stop + _SETTLED_S))
    share = (raw[inside] - low) / step
    above = np.flatnonzero(share < 0.95)
    first_high = int(above[-1]) + 1 if above.size else 0
    under = np.flatnonzero(share[:first_high] < 0.05)
    last_low = int(under[-1]) if under.size else 0
    if first_high >= inside.size or first_high <= last_low:
        return None
    curve = slice(last_low, min(first_high + 3, inside.size))
    times, shares = time_s[inside[curve]], share[curve]
    middle = np.unique(shares[(shares > 0.05) & (shares < 0.97)])
    tau, origin, misfit = _fitted(times, shares)
    duration = float(times[-1] - times[0])
    if tau is None or not _SHORTEST_RISE_S <= duration <= _LONGEST_RISE_S + 1.0:
        return None
    loose = float(np.quantile(np.abs(share[first_high:] - 1.0), 0.9))
    restless = float(np.quantile(np.abs(before - low), 0.9)) / step
    up = _while_up(time_s, raw, time_s[inside[first_high]], low, step)
    falls = float(np.mean(np.diff(shares) < -0.02)) if shares.size > 1 else 0.0
    parts = (
        1.0 / (1.0 + (misfit / _MISFIT) ** 2),
        1.0 / (1.0 + (loose / _LOOSE) ** 2),
        1.0 / (1.0 + (restless / _LOOSE) ** 2),
        up,
        1.0 - falls,
        min(1.0, middle.size / _LEAST_POINTS),
    )
    end = float(time_s[inside[min(first_high + 1, inside.size - 1)]])
    return Precharge(float(max(origin, times[0])), end, float(tau), low, high, misfit, float(np.prod(parts)))


def _while_up(time_s: FloatArray, raw: FloatArray, from_s: float, low: float, step: float) -> float:
    """The share of samples near the level, from the rise until the voltage falls away for good."""
    late = time_s >= from_s
    share = (raw[late] - low) / step
    gone = np.flatnonzero(share > 1 - _HELD)
    if not gone.size:
        return 0.0
    share = share[: int(gone[-1]) + 1]
    return float(np.mean(np.abs(share - 1.0) <= _HELD))


def _fitted(time_s: FloatArray, share: FloatArray) -> tuple[float | None, float, float]:
    """Time constant, begin, and misfit of the better of the two curves."""
    inner = (share > 0.02) & (share < 0.985)
    if np.count_nonzero(inner) < 2:
        return None, 0.0, 1.0
    best: tuple[float | None, float, float] = (None, 0.0, 1.0)
    left = 1.0 - share[inner]
    for poles, u in ((1, -np.log(left)), (2, np.interp(-np.log(left), _TWO_POLES[1], _TWO_POLES[0]))):
        weight = left * u if poles == 2 else left  # how a voltage answers to a change of u
        if np.ptp(u) == 0 or not weight.any():
            continue
        slope, begin = np.polyfit(time_s[inner], u, 1, w=np.maximum(weight, 1e-6))
        if slope <= 0:
            continue
        along = np.maximum(slope * time_s + begin, 0.0)
        curve = 1.0 - np.exp(-along) * (1.0 if poles == 1 else 1.0 + along)
        misfit = float(np.sqrt(np.mean((curve - share) ** 2)))
        if misfit < best[2]:
            best = (1.0 / slope, -begin / slope, misfit)
    return best


_U = np.linspace(0.0, 12.0, 1200)
_TWO_POLES = (_U, _U - np.log1p(_U))  # u, and −ln of what is left of the step


def shuffled(time_s: FloatArray, raw: FloatArray, rise: Precharge, rng: np.random.Generator) -> float:
    """The score of the same field where the changes during the rise come in another order."""
    start = int(np.searchsorted(time_s, rise.start_s - 0.5))
    stop = int(np.searchsorted(time_s, rise.end_s + 0.5))
    changes = np.diff(raw[start:stop])
    mixed = raw.copy()
    mixed[start + 1 : stop] = raw[start] + np.cumsum(rng.permutation(changes))
    found = precharge_of(time_s, mixed, rise.start_s)
    return 0.0 if found is None else found.score
