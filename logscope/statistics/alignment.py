"""Offset and drift between two clocks, from one quantity that was logged on both.

Coarse: the normalised cross-correlation of both signals' changes over a second, at every offset that leaves enough
overlap. Its peak counts if chance would hardly reach it: the correlation of unrelated signals scatters by their own
memory (Bartlett, J. R. Statist. Soc. Suppl. 8, 1946), and as many independent offsets were tried as the search holds.
Fine: in each window of the overlap the offset with the least squares between the signals, refined below a sample by a
parabola through the three best; a weighted line through the windows is offset and drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import fftconvolve

from logscope.arrays import FloatArray
from logscope.statistics.distributions import normal_tail
from logscope.statistics.trend import Trend, weighted_trend

CHANGE_S = 1.0  # over which a change is taken: drivers and vehicles change within seconds
LEAST_OVERLAP_S = 30.0  # shorter, and two pulls away look alike
LEAST_CORRELATION = 0.9  # of changes: the same quantity in two logs differs by noise and rounding only
CHANCE = 1e-4  # that unrelated logs correlate as well
MOST_DRIFT = 2e-3  # crystals differ by some 100 ppm, the oscillators inside controllers by a per mille (practice)
_STEP_S = 0.05  # of the coarse search
_LONGEST_GAP_S = 1.0  # between samples: across a longer one nothing is known
_WINDOWS, _SHORTEST_S, _LONGEST_S = 12, 8.0, 60.0
_LEAST_WINDOWS = 3  # a line needs a point to spare
_LEAST_SAMPLES = 20  # in a window
_SEARCH_S = 0.6  # around the coarse offset: half a change
_WINDOW_CORRELATION = (
    0.95  # of values in a window, at least: where the signal hardly moves, noise dominates, and it gives no time
)
_MOST_SCATTER = 0.5  # of the coarser period: windows that scatter more do not follow one clock


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the second clock stands to the first: first = second + offset + drift · (second − middle).

    offset_s : at `middle_s` of the second clock, with 95 % limits; drift : as a fraction, with 95 % limits
    residual_s : weighted standard deviation of the windows around the line; windows : how many of them
    correlation : of the changes at the best offset; overlap_s : length of the stretch seen by both
    """

    middle_s: float
    offset_s: float
    offset_low_s: float
    offset_high_s: float
    drift: float
    drift_low: float
    drift_high: float
    residual_s: float
    windows: int
    correlation: float
    overlap_s: float


@dataclass(frozen=True, slots=True)
class NotAligned:
    """Why two signals do not determine the offset of the clocks."""

    reason: str


def align_clocks(
    first_s: FloatArray, first: FloatArray, second_s: FloatArray, second: FloatArray
) -> Alignment | NotAligned:
    """Find offset and drift.

    first_s, second_s : times that never fall [s], each on its own clock; first, second : one quantity up to scale
        and level, in any units
    """
    coarse = _coarse(first_s, first, second_s, second)
    if isinstance(coarse, NotAligned):
        return coarse
    offset_s, correlation, overlap_s = coarse
    middles, offsets, deviations = _windows(first_s, first, second_s, second, offset_s)
    if middles.size < _LEAST_WINDOWS:
        return NotAligned("the signals in both logs change too little to determine the offset")
    line = weighted_trend(middles, offsets, deviations)
    if line is None:
        return NotAligned("the usable stretches lie too close together to determine the drift")
    left = offsets - line.at(middles)
    weight = 1.0 / deviations**2
    residual = float(np.sqrt(np.sum(weight * left**2) / weight.sum() * middles.size / (middles.size - 2)))
    period = max(float(np.median(np.diff(times))) for times in (first_s, second_s))
    if residual > _MOST_SCATTER * period:
        return NotAligned(
            f"its offset scatters by {1000 * residual:.0f} ms from stretch to stretch, more than samples "
            f"{1000 * period:.0f} ms apart explain"
        )
    if abs(line.slope) > MOST_DRIFT:
        return NotAligned(f"the clocks would have to differ by {100 * line.slope:.2f} %, which is impossible")
    return _alignment(line, residual, middles.size, correlation, overlap_s)


def _alignment(line: Trend, residual: float, windows: int, correlation: float, overlap_s: float) -> Alignment:
    return Alignment(
        middle_s=line.centre,
        offset_s=line.level,
        offset_low_s=line.level_low,
        offset_high_s=line.level_high,
        drift=line.slope,
        drift_low=line.low,
        drift_high=line.high,
        residual_s=residual,
        windows=windows,
        correlation=correlation,
        overlap_s=overlap_s,
    )


def normalised_correlation(
    first: FloatArray, first_known: FloatArray, second: FloatArray, second_known: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Correlation of two evenly sampled signals around zero at every lag, and how many samples it rests on.

    *_known : 1 where a sample counts, 0 where it does not; signals are 0 there. Lags run from −(m − 1) to n − 1, a
    lag of k laying the second's sample 0 on the first's sample k; both results have shape (n + m − 1,).
    """
    flipped, flipped_known = second[::-1], second_known[::-1]
    product = fftconvolve(first, flipped)
    own = fftconvolve(first**2, flipped_known)
    other = fftconvolve(first_known, flipped**2)
    count = np.rint(fftconvolve(first_known, flipped_known))
    floor = 1e-9 * max(float(own.max(initial=0.0)) * float(other.max(initial=0.0)), 1e-300)
    power = own * other
    good = power > floor
    return np.where(good, product / np.sqrt(np.where(good, power, 1.0)), 0.0), count


def _coarse(
    first_s: FloatArray, first: FloatArray, second_s: FloatArray, second: FloatArray
) -> tuple[float, float, float] | NotAligned:
    """Offset [s], correlation there, and overlap [s]."""
    if min(first_s.size, second_s.size) < _LEAST_SAMPLES:
        return NotAligned("one of the logs holds only a few samples of it")
    changes, known = zip(*(_changes(*signal) for signal in ((first_s, first), (second_s, second))), strict=True)
    correlation, count = normalised_correlation(changes[0], known[0], changes[1], known[1])
    enough = count * _STEP_S >= LEAST_OVERLAP_S
    if not enough.any():
        return NotAligned(f"the logs are too short for an overlap of {LEAST_OVERLAP_S:.0f} s")
    best = int(np.argmax(np.where(enough, correlation, -1.0)))
    peak, samples = float(correlation[best]), float(count[best])
    memory = _shared_memory(changes[0], changes[1])
    tried = max(float(np.count_nonzero(enough)) / memory, 1.0)
    if peak < LEAST_CORRELATION:
        return NotAligned(f"its changes agree by no more than {100 * max(peak, 0.0):.0f} % at any offset")
    z = float(np.arctanh(min(peak, 1.0 - 1e-12)) * np.sqrt(max(samples / memory - 3.0, 0.0)))
    if tried * normal_tail(z) > CHANCE:
        return NotAligned("too few changes are in both logs to exclude agreement by chance")
    lag = best - (changes[1].size - 1)
    return float(first_s[0] - second_s[0]) + lag * _STEP_S, peak, samples * _STEP_S


def _changes(time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Changes over CHANGE_S every _STEP_S from the first sample on, and where they are known."""
    at = np.arange(time_s[0], time_s[-1], _STEP_S)
    held = np.searchsorted(time_s, at, side="right") - 1
    gap = np.append(np.diff(time_s), np.inf)[held]
    even = np.interp(at, time_s, value)
    reach = round(CHANGE_S / 2.0 / _STEP_S)
    change, known = np.zeros(at.size), np.zeros(at.size)
    if at.size > 2 * reach:
        sure = np.cumsum(np.append(0.0, gap > _LONGEST_GAP_S))
        inside = slice(reach, at.size - reach)
        known[inside] = (sure[2 * reach + 1 :] - sure[: -2 * reach - 1]) == 0
        change[inside] = (even[2 * reach :] - even[: -2 * reach]) * known[inside]
    return change, known


def _shared_memory(first: FloatArray, second: FloatArray) -> float:
    """How many samples count as one for a correlation of both: Bartlett's sum of the products of autocorrelations."""
    own = []
    size = min(first.size, second.size)
    for signal in (first, second):
        whole = fftconvolve(signal, signal[::-1])[signal.size - 1 :]
        own.append(whole[:size] / max(float(whole[0]), 1e-300))
    return max(1.0, float(1.0 + 2.0 * np.sum(own[0][1:] * own[1][1:])))


def _windows(
    first_s: FloatArray, first: FloatArray, second_s: FloatArray, second: FloatArray, offset_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middle [s, second clock], offset [s] and its standard deviation, for each window that determines it."""
    start = max(second_s[0], first_s[0] - offset_s)
    end = min(second_s[-1], first_s[-1] - offset_s)
    width = float(np.clip((end - start) / _WINDOWS, _SHORTEST_S, _LONGEST_S))
    search = _SEARCH_S + MOST_DRIFT * (end - start) / 2.0
    alike = _on_scale_of_second(first_s, first, second_s, second, offset_s)
    found = []
    for begin in np.arange(start + search, end - search - width / 2.0, width):
        inside = slice(*np.searchsorted(second_s, [begin, min(begin + width, end - search)]))
        one = _window(first_s, alike, second_s[inside], second[inside], offset_s, search)
        if one is not None:
            found.append((float(np.mean(second_s[inside])), *one))
    rows = np.array(found, dtype=np.float64).reshape(-1, 3)
    return rows[:, 0], rows[:, 1], rows[:, 2]


def _on_scale_of_second(
    first_s: FloatArray, first: FloatArray, second_s: FloatArray, second: FloatArray, offset_s: float
) -> FloatArray:
    """The first signal with the scale and level of the second, from the whole overlap.

    Not window by window: a coasting speed falls by an exponential, which a free scale and level shift at will.
    """
    inside = (second_s + offset_s >= first_s[0]) & (second_s + offset_s <= first_s[-1])
    there = np.interp(second_s[inside] + offset_s, first_s, first)
    scale, level = np.polyfit(there, second[inside], 1)
    return np.asarray(scale * first + level)


def _window(
    first_s: FloatArray, first: FloatArray, time_s: FloatArray, value: FloatArray, offset_s: float, search_s: float
) -> tuple[float, float] | None:
    """The best offset of one window and its standard deviation; None where it has none."""
    if value.size < _LEAST_SAMPLES or not np.ptp(value) > 0:
        return None
    step = float(np.median(np.diff(first_s)))
    lags = np.arange(-search_s, search_s + step, step)
    shifted = np.interp(time_s[np.newaxis, :] + offset_s + lags[:, np.newaxis], first_s, first)
    left = np.sum((shifted - value) ** 2, axis=1)
    best = int(np.argmin(left))
    explained = 1.0 - left[best] / float(np.sum((value - value.mean()) ** 2))
    if explained < _WINDOW_CORRELATION**2 or not 0 < best < lags.size - 1:
        return None
    below, at, above = left[best - 1 : best + 2]
    bend = below - 2.0 * at + above
    if not bend > 0:
        return None
    lag = lags[best] + 0.5 * step * (below - above) / bend
    least = at - (below - above) ** 2 / (8.0 * bend)  # between the lags that were tried
    # Least squares: the variance of a shift is twice that of the residuals over the curvature of their sum of squares.
    deviation = step * float(np.sqrt(2.0 * max(least, 1e-12) / value.size / bend))
    return float(offset_s + lag), deviation
