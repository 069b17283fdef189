"""What the pedal's tracks say: rest, noise, dead band, places that are jumped over, disagreement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter, minimum_filter1d

from logscope.arrays import BoolArray, FloatArray
from logscope.findings import Measured
from logscope.signals import Part, Signals
from logscope.statistics.robust import NORMAL_95, mad_scale, noise_floor
from logscope.statistics.sampling import between_samples, stretches, unbunched_s, zero_order_hold

REST_BAND = 2.0  # % of travel about the rest level that still is rest (common practice, no published source)
_LEVEL_S, _LEVEL_ROWS = 0.3, 9  # the level is a median over so long, and so many samples at least: a foot is slower
_LEAST_ROWS = 100  # at rest, or in motion, to judge by
_NOISE_KNOWN = 1.4  # standard deviations of a noise floor from n readings, times √n (own simulation, normal noise)
_PLACES, _PLACE_ROWS = 6, 3  # places of REST_BAND that the pedal visited, each with a median of more than one reading
_ASKED_SHARE = 0.02  # of the largest torque asked, from which on something is asked
JUMP_PERCENT = 3.0  # of travel: a smaller gap is not felt (common practice, no published source)
_JUMPS = 5  # passes over the same place without a reading in it
# So many moves in one direction on each side of it, by more than noise makes, among so many readings, show the pace.
_MOVES, _APART_NOISES, _NEAR = 2, 3.0, 100
APART_PERCENT, APART_S = 5.0, 0.1  # two tracks further apart for longer are a fault (common practice, no source)


@dataclass(frozen=True, slots=True)
class Rest:
    """The level at rest and the scatter there, rounding included, with 95 % limits [%]; rows that it was read off."""

    level: float
    noise: float
    noise_low: float
    noise_high: float
    drift: float
    rows: int


def find_rest(throttle: Part) -> Rest | None:
    """None where the pedal is never let go long enough."""
    if not throttle.has_period:
        return None
    resting = throttle.value[_at_rest(throttle)]
    if resting.size < _LEAST_ROWS or np.ptp(throttle.value) < 5 * REST_BAND:
        return None
    level, drift, rows = float(np.median(resting)), float(mad_scale(resting)), int(resting.size)
    step = throttle.step or 0.0
    if not np.ptp(resting):  # noise that never leaves a step of the reading is smaller than that
        return Rest(level, 0.0, 0.0, step, drift, rows)
    noise = float(np.nan_to_num(noise_floor(resting, quantum=step)))
    reach = NORMAL_95 * _NOISE_KNOWN * noise / rows**0.5
    return Rest(level, noise, max(noise - reach, 0.0), noise + reach, drift, rows)


def _at_rest(throttle: Part) -> BoolArray:
    """Which samples are at rest: by the level about them, not by their own value, which would cut off its noise."""
    rows = max(_LEVEL_ROWS, round(_LEVEL_S / throttle.period_s)) | 1
    level = median_filter(throttle.value, rows, mode="nearest")
    still = level <= float(np.quantile(level, 0.02)) + REST_BAND
    return np.asarray(minimum_filter1d(still.astype(np.uint8), rows, mode="nearest") > 0)


def find_dead_band(throttle: Part, rest: Rest, signals: Signals) -> Measured | None:
    """Travel from rest before torque is asked for [%]: between the last reading without and the first with; median."""
    asked = next((signals[n] for n in ("torque_target", "motor_current_target", "torque") if n in signals), None)
    if asked is None or not asked.has_period:
        return None
    wish = asked.held_at(throttle.time_s)
    wanted = np.nan_to_num(wish) > _ASKED_SHARE * float(np.max(np.abs(asked.value)))
    begins = np.flatnonzero(wanted[1:] & ~wanted[:-1] & (throttle.value[:-1] < rest.level + 10 * REST_BAND)) + 1
    begins = begins[throttle.value[begins] > throttle.value[begins - 1] - 3 * rest.noise - 0.1]
    late = max(1, round((asked.period_s + throttle.period_s) / throttle.period_s))
    if begins.size < 3:
        return None
    # Of two messages with one stamp either may be the older: the pedal is then as far as its next reading at most.
    unordered = np.isin(throttle.time_s[begins], asked.time_s)
    high = throttle.value[np.minimum(begins + unordered, throttle.value.size - 1)] - rest.level
    low = throttle.value[np.maximum(begins - late, 0)] - rest.level
    middle = (np.median(high) + np.median(low)) / 2
    return Measured(float(middle), "%", max(float(np.median(low)), 0.0), float(np.median(high)))


def find_jump(throttle: Part, rest: Rest) -> tuple[float, float, tuple[float, ...]] | None:
    """A stretch of travel that the reading always jumps over: from, to [%], and when; None where there is none.

    The pedal must have passed it often, and stood or moved so slowly on both sides that a reading within was due.
    """
    value, rounded = throttle.value, np.round(throttle.value, 1)
    levels = np.unique(rounded[value > rest.level + REST_BAND])
    if levels.size < 20:
        return None
    gap = np.diff(levels)
    at = int(np.argmax(gap))
    low, high = float(levels[at]), float(levels[at + 1])
    if gap[at] < JUMP_PERCENT:
        return None
    before, after = rounded[:-1], rounded[1:]  # as the levels are: a reading may lie a digit within their edge
    over = np.flatnonzero((before <= low) & (after >= high) | (before >= high) & (after <= low))
    apart = max(_APART_NOISES * rest.noise, throttle.step or 0.0)
    slow = [k for k in over if _due_within(value, int(k), gap[at], apart)]
    if len(slow) < _JUMPS or len(slow) < 0.5 * over.size:
        return None
    return low, high, tuple(float(throttle.time_s[k]) for k in slow)


def _due_within(value: FloatArray, at: int, gap: float, apart: float) -> bool:
    """Whether the pedal came to a gap and left it so slowly that readings within were due.

    One that stood on either side may have crossed it between two readings at any pace.
    """
    before, after = (
        _differing(value[max(at - _NEAR, 0) : at + 1][::-1], apart),
        _differing(value[at + 1 :][:_NEAR], apart),
    )
    moves = np.concatenate([-np.diff(before), np.diff(after)]) * np.sign(value[at + 1] - value[at])
    return moves.size == 2 * _MOVES and bool(np.all((moves > 0) & (moves < gap / 3)))


def _differing(values: FloatArray, apart: float) -> FloatArray:
    """The first readings that each differ from the one before, as many as show _MOVES."""
    kept = [values[0]]
    for value in values:
        if abs(value - kept[-1]) > apart and len(kept) <= _MOVES:
            kept.append(value)
    return np.array(kept)


def find_disagreement(first: Part, second: Part) -> tuple[list[tuple[float, float]], float, float]:
    """Where two tracks part: (from, until) [s], the worst difference [% of travel], and the usual one.

    The second track may have a slope and offset of its own; what it usually is for a given first is learnt. How far
    the pedal moves within a message period of each is allowed for.
    """
    first_s, second_s = unbunched_s(first.time_s), unbunched_s(second.time_s)
    other = between_samples(second_s, second.value, first_s)
    seen = np.isfinite(other)
    time_s, x, y = first_s[seen], first.value[seen], other[seen]
    if x.size < _LEAST_ROWS or np.ptp(x) < 5 * REST_BAND:
        return [], 0.0, float("nan")
    slope = _slope(x, y)
    if slope is None:
        return [], 0.0, float("nan")
    left = y - slope * x
    away = np.abs(left - np.median(left)) / max(abs(slope), 0.1)
    pace = _pace(time_s, x, first.spacing_s)
    moving = np.maximum.reduce([pace, np.roll(pace, 1), np.roll(pace, -1)])
    room = APART_PERCENT + moving * (first.period_s + second.period_s)
    a, b = stretches(away > room, time_s, APART_S)
    spans = [
        (float(time_s[i]), float(time_s[j])) for i, j in zip(a, b, strict=True) if time_s[j] - time_s[i] >= APART_S
    ]
    inside = np.zeros(x.size, bool)
    for since, until in spans:
        inside |= (time_s >= since) & (time_s <= until)
    worst = float(away[inside].max()) if spans else 0.0
    return spans, worst, float(np.median(away))


def _slope(x: FloatArray, y: FloatArray) -> float | None:
    """The second track's slope over the first's, from their usual pairs at each place of the travel.

    By places, not by readings: a foot that keeps still for most of the log says nothing of the slope, and a fault that
    lasts has few places. None where too little of the travel was visited.
    """
    place = np.floor(x / REST_BAND).astype(int)
    visited = [each for each in np.unique(place) if np.count_nonzero(place == each) >= _PLACE_ROWS]
    if len(visited) < _PLACES:
        return None
    usual = np.array([(np.median(x[place == each]), np.median(y[place == each])) for each in visited])
    across, up = (usual[:, None, k] - usual[None, :, k] for k in (0, 1))
    return float(np.median(up[across > 0] / across[across > 0]))  # of all pairs of places: Theil and Sen's slope


def _pace(time_s: FloatArray, x: FloatArray, spacing_s: float) -> FloatArray:
    """How fast the pedal moves at each sample [% of travel per s], shape (n,).

    Samples that share a stamp, or come in a burst, were still measured one after the other.
    """
    before, after = np.maximum(np.arange(x.size) - 1, 0), np.minimum(np.arange(x.size) + 1, x.size - 1)
    elapsed_s = np.maximum(time_s[after] - time_s[before], (after - before) * spacing_s)
    return np.asarray(np.abs(x[after] - x[before]) / elapsed_s)


def find_both(throttle: Part, brake: Part, rest: Rest) -> list[tuple[float, float]]:
    """When the pedal is pressed and the brake reported at once, (from, until) [s]."""
    on = zero_order_hold(
        brake.time_s, np.asarray(brake.on if brake.on is not None else brake.value > 0, float), throttle.time_s
    )
    both = (np.nan_to_num(on) > 0.5) & (throttle.value > rest.level + 2.5 * REST_BAND)
    a, b = stretches(both, throttle.time_s, 0.2)
    spans = ((float(throttle.time_s[i]), float(throttle.time_s[j])) for i, j in zip(a, b, strict=True))
    return [span for span in spans if span[1] - span[0] >= 0.2]
