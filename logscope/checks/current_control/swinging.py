"""A loop that swings by itself: where, how fast, and whether it grows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.checks.current_control.loop import BANDS, Loop
from logscope.findings import Measured
from logscope.statistics.distributions import student_quantile
from logscope.statistics.linear_response import Unexplained, unexplained
from logscope.statistics.oscillation import LOBE_BINS, WINDOW, Swings, find_swings, without_spikes
from logscope.statistics.ringing import DampedSinusoid, fit_damped_sinusoid, pooled_sinusoids

_FITTED_AT_MOST = 12  # episodes
_WINDOWS_FITTED = 4  # of each
_ALIKE = 1.5  # times the scatter of the calmest of them: by chance alone, 64 samples never scatter so much more
_RINGS_S = 3.0  # a loop of 2 Hz with a damping ratio of 0.1 has died away to 2 % by then
# What stamps, at most half a period off, and unlike answers leave of an answer to a step is no swing: three standard
# deviations of both, in two windows at least and half of all, for beside a step a swing may drown in that.
_LEFT_TIMES, _LEAST_OUT, _OUT_SHARE = 3.0, 2, 0.5
# Of a swing's amplitude, in the error as it was measured: the answer to a step, which lies over it there, may cancel
# as much of it as it adds.
_THERE = 0.5
_ECHO = 0.5  # of a swing, beside some ten moves of the target: what is left of it in the answer that they show
_SAME = 0.1  # of the frequency, within which the target swings along
# Answers of a damped loop to a target that steps again and again repeat, too, but die away between the steps: from
# the first half of the time between two to the second, a swing that feeds itself keeps its power, one with a damping
# ratio of 0.05 loses two thirds of it in four turns.
_STANDS, _TURNS_BETWEEN, _SAMPLES_COMPARED, _KEPT = 2, 1.0, 8, 0.4
_ANSWERED_PERIODS = 4.0  # an answer that lasts longer has a shape, which several steps show
_EARLIEST = 1.1  # of the time between stamps, since messages come up to a tenth of it too early (practice)
# What a shaft does to its encoder: one off centre errs once a turn, a tilted disc twice (geometry).
_ORDERS = (1, 2)
# The speeds must tell it from a loop's own frequency: the windows, of which most must follow, spread over some lobes.
_FOLLOWING, _FOLLOWED, _APART_LOBES = 0.8, 3, 2.0
_ALIKE_SHARE = 0.5  # of the windows with the shaft's own frequency, from which on it may be the shaft's
_MOVE_NOISES = 3.0  # the answer to a smaller move of the target is no higher than the noise
# A window's peak passes at 25 times the noise: with a Hann window of 64, and its greatest loss between two bins, that
# is an amplitude of 1.8 standard deviations.
_SEEN_NOISES = 1.8


def smallest_seen(searched: Swings) -> float:
    """The amplitude of the smallest swing that the search would have found, in the unit of the signal."""
    return _SEEN_NOISES * float(np.sqrt(WINDOW / searched.window)) * searched.noise


@dataclass(frozen=True, slots=True, eq=False)
class Swinging:
    """Episodes as (from, until) [s]; frequency, amplitude and damping; share of the windows of each speed band [%].

    rpm, size : speed and amplitude of each window that swings; with_target : whether the target swings along
    per_turn : how often a turn of the shaft it swings, None where it does not
    follows_shaft : whether the speed changes meanwhile: at one speed a loop's frequency may be the shaft's by chance
    """

    events: tuple[tuple[float, float], ...]
    frequency: Measured
    amplitude: Measured
    damping: Measured
    by_band: dict[str, float]
    rpm: FloatArray
    size: FloatArray
    with_target: bool
    per_turn: int | None
    follows_shaft: bool


def find_swinging(loop: Loop) -> tuple[Swinging | None, Swings]:
    """The loop's swings, None where there are none, and what was searched."""
    time_s = loop.measured.time_s
    rest, swings = _searched(loop)
    if not swings.episodes:
        return None, swings
    last = np.minimum(swings.first + swings.samples - 1, time_s.size - 1)
    events = tuple((float(time_s[swings.first[e.start]]), float(time_s[last[e.stop - 1]])) for e in swings.episodes)
    calm = without_spikes(time_s, rest, _answering(loop))
    rings = [ring for e in swings.episodes[:_FITTED_AT_MOST] if (ring := _ring(loop, calm, swings, e)) is not None]
    middle = time_s[swings.first + swings.samples // 2]
    size = swings.amplitude
    reach = student_quantile(0.975, max(size.size - 1, 1)) * float(size.std(ddof=1)) / np.sqrt(size.size / 2)
    amplitude = Measured(
        float(np.median(size)), loop.unit, float(np.median(size) - reach), float(np.median(size) + reach)
    )
    frequency = float(np.median(swings.frequency_hz))
    found = Swinging(
        events,
        pooled_sinusoids(rings)[0] if rings else Measured(frequency, "Hz"),
        amplitude,
        pooled_sinusoids(rings)[1] if rings else Measured(None, "1"),
        _by_band(loop, swings, middle),
        loop.rpm(middle),
        size,
        _target_swings(loop, frequency),
        *_per_turn(loop, swings),
    )
    return found, swings


def _per_turn(loop: Loop, swings: Swings) -> tuple[int | None, bool]:
    """How often a turn of the shaft it swings, and whether its frequency follows a speed that changes."""
    time_s, rate_hz = loop.measured.time_s, 1.0 / loop.measured.spacing_s
    rows = [slice(first, first + count) for first, count in zip(swings.first, swings.samples, strict=True)]
    turns_hz = np.array([np.mean(loop.rpm(time_s[row])) for row in rows]) / 60.0
    lobe_hz = rate_hz / swings.samples
    if not np.isfinite(turns_hz).all():
        return None, False
    as_shaft = None
    for order in _ORDERS:
        seen_hz = np.abs((order * turns_hz + rate_hz / 2) % rate_hz - rate_hz / 2)  # as the sampling folds it
        follows = np.abs(swings.frequency_hz - seen_hz) <= lobe_hz
        apart = (
            turns_hz.size >= _FOLLOWED
            and (np.ptp(seen_hz[follows]) if follows.any() else 0.0) >= _APART_LOBES * lobe_hz.max()
        )
        if follows.mean() >= _FOLLOWING and apart:
            return order, True
        if follows.mean() >= _ALIKE_SHARE and as_shaft is None:
            as_shaft = order
    return as_shaft, False


def _ring(loop: Loop, rest: FloatArray, swings: Swings, episode: slice) -> DampedSinusoid | None:
    """The swing as a ring, from one of the strongest windows of an episode that holds no step of the target beside it.

    That of the middle frequency: in one of them the swing may only begin, or end.
    """
    by_size = episode.start + np.argsort(-swings.amplitude[episode])[:_WINDOWS_FITTED]
    rings = [ring for at in by_size if (ring := _ring_at(loop, rest, swings, int(at))) is not None]
    if not rings:
        return None
    least = min(ring.scatter for ring in rings)
    alike = sorted((ring for ring in rings if ring.scatter <= _ALIKE * least), key=lambda ring: ring.frequency_hz)
    return alike[len(alike) // 2]


def _ring_at(loop: Loop, rest: FloatArray, swings: Swings, at: int) -> DampedSinusoid | None:
    rows = slice(int(swings.first[at]), int(swings.first[at]) + int(swings.samples[at]))
    time_s, guess = loop.measured.time_s[rows], float(swings.frequency_hz[at])
    lobe = LOBE_BINS / float(time_s[-1] - time_s[0])  # a swing further off would have its peak elsewhere
    highest = min(
        guess + lobe, 0.5 * (time_s.size - 1) / float(time_s[-1] - time_s[0])
    )  # beyond it the same ring again
    ring = fit_damped_sinusoid(time_s, rest[rows], max(guess - lobe, lobe), highest, 1)
    return ring if ring is not None and abs(ring.frequency_hz - guess) <= lobe else None


def _by_band(loop: Loop, swings: Swings, middle_s: FloatArray) -> dict[str, float]:
    """Share of the time in each third of the speed range during which it swings [%]; empty without a speed."""
    whole = loop.band(loop.measured.time_s[:: swings.window // 2])
    own, halves = loop.band(middle_s), swings.samples / swings.window  # each as so many of the shortest windows
    counts = {name: (float(halves[own == k].sum()), int(np.sum(whole == k))) for k, name in enumerate(BANDS)}
    return {name: 100.0 * min(part / all_, 1.0) for name, (part, all_) in counts.items() if all_}


def _searched(loop: Loop) -> tuple[FloatArray, Swings]:
    """What the moves of the target do not explain of the error, and the swings in it that no step of it set off.

    Where the target itself swings, the error's swing is explained by it and a finding all the same: an outer loop, too,
    may feed it.
    """
    time_s, step = loop.measured.time_s, loop.measured.step or 0.0
    asked = np.nan_to_num(loop.target.held_at(time_s))
    rest = unexplained(
        loop.error, asked, round(_RINGS_S / loop.measured.spacing_s), loop.noise, folds=loop.by_magnitude
    )
    swings = find_swings(time_s, rest.value, step, doubtful=_answering(loop))
    own = [e for e in swings.episodes if _is_in_error(loop, swings, e)]
    kept = [e for e in own if _stands_out(time_s, rest, swings, e) and _lasts(loop, rest.value, swings, e)]
    found = _kept(swings, [e for e in kept if not any(_echoes(swings, e, other) for other in kept)])
    if found.episodes:
        return rest.value, found
    along = find_swings(time_s, asked, loop.target.step or 0.0)
    if not along.episodes:
        return rest.value, found
    both = find_swings(time_s, loop.error, step)
    both = _kept(
        both, [e for e in both.episodes if _swings_along(both, e, along) and _lasts(loop, loop.error, both, e)]
    )
    return (loop.error, both) if both.episodes else (rest.value, found)


def _answering(loop: Loop) -> BoolArray:
    """Where the target has just moved, shape (n,): what stands out there may be the answer."""
    time_s = loop.measured.time_s
    asked = np.nan_to_num(loop.target.held_at(time_s))
    moves = np.flatnonzero(np.abs(np.diff(asked, prepend=asked[:1])) > _MOVE_NOISES * loop.noise)
    begins = np.searchsorted(time_s, _earliest_s(loop, moves))
    ends = np.searchsorted(time_s, time_s[moves] + _ANSWERED_PERIODS * loop.measured.spacing_s, side="right")
    inside = np.zeros(time_s.size + 1)
    np.add.at(inside, begins, 1.0)
    np.add.at(inside, ends, -1.0)
    return np.asarray(np.cumsum(inside)[:-1] > 0)


def _earliest_s(loop: Loop, moves: IndexArray) -> FloatArray:
    """When the target may have moved, before its stamp says so, by the samples that show it moved [s], shape (n,)."""
    time_s, stamps = loop.measured.time_s, loop.target.time_s
    stamped_s = stamps[np.searchsorted(stamps, time_s[moves - 1], side="right")]  # the first that is new there
    apart_s = max(loop.stamps_apart_s, loop.target.period_s) if loop.stamps_apart_s else 0.0
    return np.asarray(stamped_s - _EARLIEST * apart_s)


def _stands_out(time_s: FloatArray, rest: Unexplained, swings: Swings, episode: slice) -> bool:
    """Whether the swing is more than what stamps and unlike answers leave of the answers to the target's steps."""
    out = 0
    for at in range(episode.start, episode.stop):
        rows = slice(int(swings.first[at]), int(swings.first[at] + swings.samples[at]))
        weight = np.hanning(rows.stop - rows.start)[: time_s[rows].size] ** 2
        left = np.sqrt(2.0 * (weight @ (rest.shifted[rows] ** 2 + rest.unlike[rows] ** 2)) / weight.sum())
        out += bool(swings.amplitude[at] > _LEFT_TIMES * left)
    return bool(out >= max(_LEAST_OUT, _OUT_SHARE * (episode.stop - episode.start)))


def _is_in_error(loop: Loop, swings: Swings, episode: slice) -> bool:
    """Whether the error itself swings so, and not only what is left of it beside an answer that does not fit."""
    there = 0
    for at in range(episode.start, episode.stop):
        rows = slice(int(swings.first[at]), int(swings.first[at] + swings.samples[at]))
        time_s, error = loop.measured.time_s[rows], loop.error[rows]
        weight = np.hanning(time_s.size)
        turn = np.exp(-2j * np.pi * float(swings.frequency_hz[at]) * time_s)
        own = 2.0 * abs(weight @ ((error - np.average(error, weights=weight)) * turn)) / weight.sum()
        there += bool(own > _THERE * swings.amplitude[at])
    return bool(there >= _OUT_SHARE * (episode.stop - episode.start))


def _echoes(swings: Swings, episode: slice, other: slice) -> bool:
    """Whether a swing may be what one at the same frequency, far larger, left in the answers that were taken off."""
    (one, own), (louder, size) = (
        (float(np.median(swings.frequency_hz[e])), float(np.median(swings.amplitude[e]))) for e in (episode, other)
    )
    return bool(own < _ECHO * size and abs(one - louder) < _SAME * louder)


def _swings_along(swings: Swings, episode: slice, target: Swings) -> bool:
    """Whether the target swings at the same frequency during an episode."""
    begin, end = _samples(swings, episode)
    frequency = float(np.median(swings.frequency_hz[episode]))
    near = np.abs(target.frequency_hz - frequency) < _SAME * frequency
    return bool(np.any(near & (target.first < end) & (target.first + target.samples > begin)))


def _samples(swings: Swings, episode: slice) -> tuple[int, int]:
    """First sample of an episode, and the one after its last."""
    last = episode.stop - 1
    return int(swings.first[episode.start]), int(swings.first[last] + swings.samples[last])


def _kept(swings: Swings, kept: list[slice]) -> Swings:
    """The swings with some of their episodes only."""
    rows = np.concatenate([np.arange(e.start, e.stop) for e in kept]) if kept else np.empty(0, np.intp)
    place = np.cumsum([0, *(e.stop - e.start for e in kept)])
    return replace(
        swings,
        first=swings.first[rows],
        samples=swings.samples[rows],
        frequency_hz=swings.frequency_hz[rows],
        amplitude=swings.amplitude[rows],
        episodes=tuple(slice(int(a), int(b)) for a, b in pairwise(place)),
    )


def _lasts(loop: Loop, rest: FloatArray, swings: Swings, episode: slice) -> bool:
    """Whether the swing is as strong late after each move of the target as soon after it."""
    begin, end = _samples(swings, episode)
    time_s, error = loop.measured.time_s[begin:end], rest[begin:end]
    asked = np.nan_to_num(loop.target.held_at(loop.measured.time_s))
    amplitude = float(np.median(swings.amplitude[episode]))
    moves = loop.measured.time_s[1:][np.abs(np.diff(asked)) > amplitude]
    after = np.searchsorted(moves, time_s, side="right")
    if np.unique(after).size < _STANDS:
        return True
    known = (after > 0) & (after < moves.size)
    if not known.any():
        return True
    since = time_s[known] - moves[after[known] - 1]
    whole = moves[after[known]] - moves[after[known] - 1]
    turn_s = 1.0 / float(np.median(swings.frequency_hz[episode]))
    between = whole > _TURNS_BETWEEN * turn_s  # in a shorter time nothing dies away
    power = (error[known] - np.median(error[known])) ** 2
    between &= ~_answering(loop)[begin:end][known]
    early, late = between & (since < whole / 2), between & (since >= whole / 2)
    if min(np.count_nonzero(early), np.count_nonzero(late)) < _SAMPLES_COMPARED:
        return True
    return bool(power[late].mean() > _KEPT * power[early].mean())


def _target_swings(loop: Loop, frequency: float) -> bool:
    target = loop.target.held_at(loop.measured.time_s)
    own = find_swings(loop.measured.time_s, np.nan_to_num(target), loop.target.step or 0.0).frequency_hz
    return bool(own.size and np.any(np.abs(own - frequency) < _SAME * frequency))
