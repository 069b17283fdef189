"""A swing that goes on: found window by window in the spectrum of a signal that should be noise only."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import median_filter

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.statistics.robust import MAD_TO_SIGMA
from logscope.statistics.sampling import typical_period_s

WINDOW = 64  # samples: long enough to lift a swing of three times the noise by 70, short enough for brief episodes
_LONGEST_WINDOW_S = 1.6  # where samples are so far apart that one lasts longer, half of it must do
# Driveline on its mounts and tyres rings from there on (common practice, no published source), a loop faster.
SLOWEST_HZ = 2.0
_LEAST_CYCLES = 6  # in a window: what swings slower is the driver's or the road's
# Of the noise's mean power. White noise passes 25 in one of 10¹¹ bins; the median that the noise is read off adds to
# that, and two windows in a row must pass: under one false alarm in 10 h at 10 ms.
_RATIO = 25.0
# Half a window gathers half as much: a swing of three times the noise, between two bins, must still pass. Three windows
# in a row did so by chance in none of 60 h of white noise at 50 ms (own simulation).
_RATIO_SHORT = 15.0
_PURE = 0.5  # of the power, in the peak: a transient spreads over the whole spectrum
_MAYBE = 0.15  # with less of it in the peak no samples that are left out make it pure
_FILLINGS = 3  # rounds; more change nothing (own simulation)
# Of a window: where more does not fit to the sine there is none; where more is in doubt the target moves all the time.
_FILLED_AT_MOST, _DOUBTFUL_AT_MOST = 0.25, 0.5
# Deviations beyond this are spikes, as a step of the target leaves them, and are cut off; a sine reaches a quarter.
_SPIKE_SCATTERS = 4.0
_DOUBTFUL_SCATTERS = 2.0  # the same beside a step of the target; noise passes it in one sample of 22
_FIRST_BIN = 3  # from which on mean and slope, which are taken off, leave the spectrum as it is
LOBE_BINS = 2  # on each side, of the Hann window's main lobe
_STEADY = 0.6  # of the window before: a ring after a step dies away faster than that, window by window
_LEAST_WINDOWS = 3  # in a row, half overlapping: twice the window's length…
SHORTEST_WINDOWS = 2.5  # …wherever a swing begins; a slow one, in means of 2, 4, 8 … samples, so many turns at most
SHORTEST_TURNS = 30
_BLIND_AT_MOST = 2  # windows between two that swing: one step of the target spoils two


@dataclass(frozen=True, slots=True, eq=False)
class Swings:
    """Windows in which the signal swings, shape (n,): first sample, frequency [Hz] and amplitude; episodes as slices.

    samples : how many each window spans, more where the swing is slow
    noise : standard deviation that the swings stand out of, median over all windows
    windows : how many were judged, of `window` samples each
    lowest_hz : the slowest swing that was searched for
    """

    first: IndexArray
    samples: IndexArray
    frequency_hz: FloatArray
    amplitude: FloatArray
    episodes: tuple[slice, ...]
    noise: float
    windows: int
    window: int
    lowest_hz: float


def find_swings(
    time_s: FloatArray,
    value: FloatArray,
    step: float = 0.0,
    slowest_hz: float = SLOWEST_HZ,
    doubtful: BoolArray | None = None,
) -> Swings:
    """Swings from `slowest_hz` up to half the sampling rate, whatever that rate is.

    Windows of a fixed number of samples hold too few turns of a slow swing: those are searched for again in means of 2,
    4, 8 … samples, and reported where no finer search has found them.

    time_s, value : shape (n,), evenly sampled but for gaps; step : rounding step of the value
    doubtful : where an answer to something else may stand, shape (n,); nowhere if not given
    """
    window = _window(time_s)
    found, scale = find_swings_at(time_s, value, step, window, doubtful), 1
    lowest_hz, value = found.lowest_hz, without_spikes(time_s, value, doubtful)
    while lowest_hz > slowest_hz:
        scale *= 2
        slower = find_swings_at(_means(time_s, scale), _means(value, scale), step / scale**0.5, window)
        if not slower.windows:
            break
        found = _joined(found, slower, scale, 1.2 * lowest_hz)
        lowest_hz = slower.lowest_hz
    return replace(found, lowest_hz=lowest_hz)


def _window(time_s: FloatArray) -> int:
    """Samples of a window of the finest search."""
    return WINDOW // 2 if typical_period_s(time_s) * WINDOW > _LONGEST_WINDOW_S else WINDOW


def without_spikes(time_s: FloatArray, value: FloatArray, doubtful: BoolArray | None = None) -> FloatArray:
    """The value with a straight line over its spikes, shape (n,), before means of several samples spread them out.

    What an answer to a step of the target leaves is tens of times as high as a swing, and outweighs it in a mean of
    eight samples still. Where such an answer may stand less is enough to be one.
    """
    window = _window(time_s)
    if value.size < window:
        return value
    away = np.abs(value - median_filter(value, window, mode="nearest"))
    scatters = _SPIKE_SCATTERS if doubtful is None else np.where(doubtful, _DOUBTFUL_SCATTERS, _SPIKE_SCATTERS)
    sound = away <= scatters * MAD_TO_SIGMA * median_filter(away, window, mode="nearest")
    at = np.arange(value.size)
    return np.interp(at, at[sound], value[sound]) if sound.any() else value


def _means(value: FloatArray, scale: int) -> FloatArray:
    """Means of so many samples each."""
    whole = value.size // scale * scale
    return np.asarray(value[:whole].reshape(-1, scale).mean(axis=1))


def _joined(found: Swings, slower: Swings, scale: int, highest_hz: float) -> Swings:
    """The swings with the slower ones, but for those that overlap with found ones or are too fast for their scale."""
    taken = [(found.first[e.start], found.first[e.stop - 1] + found.samples[e.stop - 1]) for e in found.episodes]
    kept = []
    for episode in slower.episodes:
        begin, end = slower.first[episode.start] * scale, (slower.first[episode.stop - 1] + slower.window) * scale
        apart = all(end <= start or begin >= stop for start, stop in taken)
        if apart and float(np.median(slower.frequency_hz[episode])) <= highest_hz:
            kept.append(np.arange(episode.start, episode.stop))
    rows = np.concatenate(kept) if kept else np.empty(0, np.intp)
    sizes = [e.stop - e.start for e in found.episodes] + [k.size for k in kept]
    place = np.cumsum([0, *sizes])
    return replace(
        found,
        first=np.concatenate([found.first, slower.first[rows] * scale]),
        samples=np.concatenate([found.samples, slower.samples[rows] * scale]),
        frequency_hz=np.concatenate([found.frequency_hz, slower.frequency_hz[rows]]),
        amplitude=np.concatenate([found.amplitude, slower.amplitude[rows]]),
        episodes=tuple(slice(int(a), int(b)) for a, b in pairwise(place)),
    )


def find_swings_at(
    time_s: FloatArray, value: FloatArray, step: float, window: int, doubtful: BoolArray | None = None
) -> Swings:
    """Episodes of at least three windows in a row at one frequency that do not die away.

    Windows with a spike in them, as a step of the target leaves it, need not swing: an episode goes on after them. Two
    windows of it at least follow one another, since what rings after each step dies away from one to the next.

    Spectra of half-overlapping Hann windows (P. D. Welch, IEEE Trans. Audio Electroacoust. 15, 1967) without mean and
    slope. The noise is read off each window's own median bin.

    time_s, value : shape (n,), evenly sampled but for gaps; step : rounding step of the value; window : samples
    doubtful : where an answer to something else may stand, shape (n,); nowhere if not given
    """
    period_s = typical_period_s(time_s)
    none = np.empty(0, np.intp)
    if value.size < window * 2 or not np.isfinite(period_s):
        return Swings(none, none, np.empty(0), np.empty(0), (), float("nan"), 0, window, float("nan"))
    first = np.arange(0, value.size - window + 1, window // 2)
    first = first[time_s[first + window - 1] - time_s[first] < 1.2 * (window - 1) * period_s]
    inside = first[:, None] + np.arange(window)
    unsound = np.zeros(value.size, bool) if doubtful is None else doubtful
    spectra, blind, missing = _spectra(value[inside], unsound[inside], step)
    power, peak, lobe, mean, gain = spectra.power, spectra.peak, spectra.lobe, spectra.noise, spectra.gain
    amplitude = np.sqrt(2.0 * lobe / (gain * window / 2.0))
    at = np.arange(peak.size)
    near = _lobe(peak, power.shape[1])
    ratio = _RATIO if window >= WINDOW else _RATIO_SHORT
    # Samples of the sine itself raise its peak and thin out the noise beside it.
    swings = (power[at, peak] * (1.0 - missing) ** 3 > ratio * np.maximum(mean, 1e-30)) & (
        lobe > _PURE * power[:, 1:].sum(axis=1)
    )
    episodes = _episodes(first, window // 2, swings, blind, peak, amplitude)
    kept = np.concatenate(episodes) if episodes else none
    place = np.cumsum([0, *(e.size for e in episodes)])
    centre = np.sum(power[at[:, None], near] * near, axis=1) / np.maximum(lobe, 1e-300)
    return Swings(
        first[kept],
        np.full(kept.size, window),
        centre[kept] / (window * period_s),
        amplitude[kept],
        tuple(slice(int(a), int(b)) for a, b in pairwise(place)),
        float(np.sqrt(np.median(mean) / gain)) if mean.size else float("nan"),
        int(first.size),
        window,
        _LEAST_CYCLES / (window * period_s),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Spectra:
    """Power of each window, shape (n, bins), its highest bin, the power about that, and of the noise in a bin."""

    power: FloatArray
    peak: IndexArray
    lobe: FloatArray
    noise: FloatArray
    gain: float


def _spectra(rows: FloatArray, doubtful: BoolArray, step: float) -> tuple[_Spectra, BoolArray, FloatArray]:
    """Spectra of windows, shape (n, window) each; which of them hold a spike; the share of their samples left out.

    Where one line may stand out, what is in doubt and does not fit to its sine gives its place to that: a sample twice
    as high as the swing outweighs it in the spectrum of a short window.
    """
    middle = np.median(rows, axis=1, keepdims=True)
    room = _SPIKE_SCATTERS * MAD_TO_SIGMA * np.median(np.abs(rows - middle), axis=1, keepdims=True)
    blind = np.any(np.abs(rows - middle) > room, axis=1)
    clipped = np.clip(rows, middle - room, middle + room)
    spectra, filled = _spectra_of(clipped, step), np.zeros(rows.shape, bool)
    purity = spectra.lobe / np.maximum(spectra.power[:, 1:].sum(axis=1), 1e-300)
    maybe = np.flatnonzero((purity > _MAYBE) & doubtful.any(axis=1) & (doubtful.mean(axis=1) <= _DOUBTFUL_AT_MOST))
    if maybe.size:
        clipped[maybe], filled[maybe] = _filled(clipped[maybe], doubtful[maybe], step)
        spectra = _spectra_of(clipped, step)
    return spectra, blind, filled.mean(axis=1)


def _spectra_of(rows: FloatArray, step: float) -> _Spectra:
    taper = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(rows.shape[1]) / rows.shape[1])  # Hann's
    ramp = np.arange(rows.shape[1]) - (rows.shape[1] - 1) / 2
    rows = rows - rows.mean(axis=1, keepdims=True)
    rows -= (rows @ ramp / np.sum(ramp**2))[:, None] * ramp
    power = np.abs(np.fft.rfft(rows * taper, axis=1)) ** 2
    gain = float(np.sum(taper**2))
    peak = np.argmax(power[:, _LEAST_CYCLES:-1], axis=1) + _LEAST_CYCLES
    lobe = power[np.arange(peak.size)[:, None], _lobe(peak, power.shape[1])].sum(axis=1)
    return _Spectra(power, peak, lobe, np.maximum(_beside(power, peak), step**2 / 12.0 * gain), gain)


def _lobe(peak: IndexArray, bins: int) -> IndexArray:
    """The bins of each peak's main lobe, shape (n, 2·LOBE_BINS + 1)."""
    return np.asarray(np.clip(peak[:, None] + np.arange(-LOBE_BINS, LOBE_BINS + 1), 0, bins - 1))


def _filled(rows: FloatArray, doubtful: BoolArray, step: float) -> tuple[FloatArray, BoolArray]:
    """Rows with their sine where a sample in doubt does not fit to it, and where; as they are where too many do not.

    Fitted and filled in turn (A. P. Dempster, N. M. Laird and D. B. Rubin, J. R. Stat. Soc. B 39, 1977).
    """
    now, beyond = rows, doubtful
    for _ in range(_FILLINGS):
        sine = _sine(now, rows, ~beyond, step)
        left = np.abs(rows - sine)
        scatter = MAD_TO_SIGMA * np.median(left, axis=1, keepdims=True)
        beyond = doubtful & (left > _DOUBTFUL_SCATTERS * np.maximum(scatter, step / np.sqrt(12.0)))
        now = np.where(beyond, sine, rows)
    few = (beyond.mean(axis=1) <= _FILLED_AT_MOST)[:, None]
    return np.where(few, now, rows), few & beyond


def _sine(now: FloatArray, rows: FloatArray, sound: BoolArray, step: float) -> FloatArray:
    """Mean, slope and the sine at the highest line of `now`, least squares over the sound samples of `rows`."""
    spectra = _spectra_of(now, step)
    near = _lobe(spectra.peak, spectra.power.shape[1])
    weight = np.take_along_axis(spectra.power, near, axis=1)
    bins = np.sum(weight * near, axis=1) / np.maximum(weight.sum(axis=1), 1e-300)
    at = np.arange(rows.shape[1]) / rows.shape[1]
    angle = 2 * np.pi * bins[:, None] * at
    columns = np.stack([np.ones(angle.shape), np.broadcast_to(at - 0.5, angle.shape), np.cos(angle), np.sin(angle)], 2)
    own = columns * sound[:, :, None]
    gram = np.einsum("nik,nil->nkl", own, columns) + 1e-9 * np.eye(4)
    level = np.einsum("nik,ni->nk", own, rows)
    return np.asarray(np.einsum("nik,nk->ni", columns, np.linalg.solve(gram, level[:, :, None])[:, :, 0]))


def _beside(power: FloatArray, peak: IndexArray) -> FloatArray:
    """Mean power of the noise in each window, by the median of the bins outside the peak's lobe.

    In a short window the lobe would be a third of all bins, and the median among all not the noise's.
    """
    bins = np.arange(power.shape[1])
    own = (np.abs(bins - peak[:, None]) <= LOBE_BINS) | (bins < _FIRST_BIN) | (bins == bins[-1])
    return np.asarray(np.nanmedian(np.where(own, np.nan, power), axis=1) / np.log(2.0))


def _episodes(
    first: IndexArray, hop: int, swings: BoolArray, blind: BoolArray, peak: IndexArray, amplitude: FloatArray
) -> list[IndexArray]:
    """The windows of each episode."""
    at = np.flatnonzero(swings)
    if at.size < _LEAST_WINDOWS:
        return []
    here, then = at[:-1], at[1:]
    apart = then - here
    blinded = np.cumsum(blind)
    joined = (
        (apart <= _BLIND_AT_MOST + 1)
        & (blinded[then - 1] - blinded[here] == apart - 1)
        & (first[then] - first[here] == apart * hop)
        & (np.abs(peak[then] - peak[here]) <= LOBE_BINS)
        & (amplitude[then] >= _STEADY**apart * amplitude[here])
    )
    runs = np.split(at, np.flatnonzero(~joined) + 1)
    return [run for run in runs if run.size >= _LEAST_WINDOWS and np.any(np.diff(run) == 1)]
