"""A loop that swings by itself: where, how fast, and whether it grows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from logscope.checks.current_control.loop import BANDS, Loop
from logscope.findings import FloatArray, Measured
from logscope.physics.second_order import damping_of
from logscope.statistics.oscillation import LOBE_BINS, WINDOW, Swings, find_swings
from logscope.statistics.ringing import Ring, fit_ring
from logscope.statistics.sampling import last_sample

_FITTED_AT_MOST = 12  # episodes
_WINDOWS_FITTED = 4  # of each
_ALIKE = 1.5  # times the scatter of the calmest of them: by chance alone, 64 samples never scatter so much more
_SAME = 0.1  # of the frequency, within which the target swings along
_NORMAL_95 = 1.96
# A window's peak passes at 25 times the noise: with a Hann window of 64, and its greatest loss between two bins, that
# is an amplitude of 1.8 standard deviations.
SEEN_NOISES = 1.8


@dataclass(frozen=True, slots=True, eq=False)
class Swinging:
    """Episodes as (from, until) [s]; frequency, amplitude and damping; share of the windows of each speed band [%].

    rpm, size : speed and amplitude of each window that swings; with_target : whether the target swings along
    """

    events: tuple[tuple[float, float], ...]
    frequency: Measured
    amplitude: Measured
    damping: Measured
    by_band: dict[str, float]
    rpm: FloatArray
    size: FloatArray
    with_target: bool


def find_swinging(loop: Loop) -> tuple[Swinging | None, Swings]:
    """The loop's swings, None where there are none, and what was searched."""
    time_s = loop.measured.time_s
    swings = find_swings(time_s, loop.error, loop.measured.step or 0.0)
    if not swings.episodes:
        return None, swings
    last = np.minimum(swings.first + WINDOW - 1, time_s.size - 1)
    events = tuple((float(time_s[swings.first[e.start]]), float(time_s[last[e.stop - 1]])) for e in swings.episodes)
    rings = [ring for e in swings.episodes[:_FITTED_AT_MOST] if (ring := _ring(loop, swings, e)) is not None]
    middle = time_s[swings.first + WINDOW // 2]
    size = swings.amplitude
    reach = float(stats.t(max(size.size - 1, 1)).ppf(0.975)) * float(size.std(ddof=1)) / np.sqrt(size.size / 2)
    amplitude = Measured(
        float(np.median(size)), loop.unit, float(np.median(size) - reach), float(np.median(size) + reach)
    )
    frequency = float(np.median(swings.frequency_hz))
    found = Swinging(
        events,
        _pooled([(r.frequency_hz, r.frequency_error) for r in rings], "Hz") if rings else Measured(frequency, "Hz"),
        amplitude,
        _damping(rings),
        _by_band(loop, swings, middle),
        loop.rpm(middle),
        size,
        _target_swings(loop, frequency),
    )
    return found, swings


def _ring(loop: Loop, swings: Swings, episode: slice) -> Ring | None:
    """The swing as a ring, from one of the strongest windows of an episode that holds no step of the target beside it.

    That of the middle frequency: in one of them the swing may only begin, or end.
    """
    by_size = episode.start + np.argsort(-swings.amplitude[episode])[:_WINDOWS_FITTED]
    rings = [ring for at in by_size if (ring := _ring_at(loop, swings, int(at))) is not None]
    least = min((ring.scatter for ring in rings), default=0.0)
    alike = sorted((ring for ring in rings if ring.scatter <= _ALIKE * least), key=lambda ring: ring.frequency_hz)
    return alike[len(alike) // 2] if alike else None


def _ring_at(loop: Loop, swings: Swings, at: int) -> Ring | None:
    rows = slice(int(swings.first[at]), int(swings.first[at]) + WINDOW)
    time_s, guess = loop.measured.time_s[rows], float(swings.frequency_hz[at])
    lobe = LOBE_BINS / float(time_s[-1] - time_s[0])  # a swing further off would have its peak elsewhere
    highest = min(guess + lobe, 0.5 * (WINDOW - 1) / float(time_s[-1] - time_s[0]))  # beyond it the same ring again
    ring = fit_ring(time_s, loop.error[rows], max(guess - lobe, lobe), highest, 1)
    return ring if ring is not None and abs(ring.frequency_hz - guess) <= lobe else None


def _pooled(pairs: list[tuple[float, float]], unit: str) -> Measured:
    value, error = np.array(pairs).T
    weight = 1.0 / np.maximum(error, 1e-9) ** 2
    mean = float(np.sum(weight * value) / weight.sum())
    sure = 1.0 / float(np.sqrt(weight.sum()))
    if value.size >= 2:
        sure *= float(np.sqrt(max(1.0, np.sum(weight * (value - mean) ** 2) / (value.size - 1))))
    return Measured(mean, unit, mean - _NORMAL_95 * sure, mean + _NORMAL_95 * sure)


def _damping(rings: list[Ring]) -> Measured:
    if not rings:
        return Measured(None, "1")
    per_hz = [(damping_of(r.decay_per_s, r.frequency_hz), r.decay_error / (2 * np.pi * r.frequency_hz)) for r in rings]
    return _pooled(per_hz, "1")


def _by_band(loop: Loop, swings: Swings, middle_s: FloatArray) -> dict[str, float]:
    """Share of the time in each third of the speed range during which it swings [%]; empty without a speed."""
    whole = loop.band(loop.measured.time_s[:: WINDOW // 2])
    own = loop.band(middle_s)
    counts = {name: (int(np.sum(own == k)), int(np.sum(whole == k))) for k, name in enumerate(BANDS)}
    return {name: 100.0 * min(part / all_, 1.0) for name, (part, all_) in counts.items() if all_}


def _target_swings(loop: Loop, frequency: float) -> bool:
    target = last_sample(loop.target.time_s, loop.target.value, loop.measured.time_s)
    own = find_swings(loop.measured.time_s, np.nan_to_num(target), loop.target.step or 0.0).frequency_hz
    return bool(own.size and np.any(np.abs(own - frequency) < _SAME * frequency))
