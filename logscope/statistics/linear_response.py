"""What the moves of one signal do not explain of another: the rest beside a linear response of any shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_toeplitz

from logscope.arrays import FloatArray, IndexArray
from logscope.statistics.robust import MAD_TO_SIGMA

_FOLDS = 4  # the response that is taken off a quarter of all moves comes from the other three
# Of the energy of the moves that a response is applied to, in those that it comes from: from much smaller ones it would
# bring their noise along, several times enlarged.
_LEAST_ENERGY = 0.25
_USUAL_COEFFICIENT = (
    0.1  # of a unit move, in one sample of a response: what is above it is believed from clear moves only
)
# Two messages are sampled at moments of their own: within a period, evenly, is a standard deviation of 0.29 periods.
_STAMP_PERIODS = 0.3
_UNLIKE = 0.1  # of a response, by which one may differ from the next: no loop is quite linear (practice)
_SHORTEST = 8  # lags of a response that is over at once: the last three are its end
_END = 4  # in the last quarter of its lags a response has come to its end
_RINGS_ON = 0.15  # of a response's most: one that still swings by more at its end is a swing of its own
_FOLDED_NOISES = 3.0  # a magnitude this near to zero may lie on its other side
_STEEP = 0.1  # of the most that stamps leave open: what is above it tells little of the response
_ROUNDS = 4  # of the fit without what is not known; more change nothing that matters (own simulation)


@dataclass(frozen=True, slots=True, eq=False)
class Unexplained:
    """A signal without its response to another, shape (n,), and what is left of that response in it.

    shifted, unlike : what one standard deviation of the stamps, and of how alike the responses are, leaves, shape (n,)
    """

    value: FloatArray
    shifted: FloatArray
    unlike: FloatArray


def unexplained(value: FloatArray, driver: FloatArray, lags: int, noise: float, *, folds: bool = False) -> Unexplained:
    """A signal without its linear response to the moves of another, whatever shape that has.

    The response is least squares over `lags` samples after each move (the normal equations are of Toeplitz form; L.
    Ljung, System Identification, 2nd ed., section 10.1, from memory), and a share of the level. It comes from other
    moves than those that it is taken off, so that nothing is explained by itself: what comes by chance after one move
    stays. Where no other moves are as large, or the response does not come to an end, nothing is taken off. In its
    steep part a response is not known to better than the stamps: what is left there counts for as much less. One that
    is over after a few samples is taken where that leaves less: in the lags after its end a longer one brings along
    only what else happened after the moves that it comes from.

    value, driver : evenly sampled, shape (n,); noise : standard deviation of one value at most
    folds : value and driver together are a magnitude, which says nothing where the response leads through zero
    """
    left = value - np.median(value)
    moves = np.diff(driver, prepend=driver[:1])
    energy = np.cumsum(moves**2)
    lags = min(lags, value.size // 2)
    rest = Unexplained(left.copy(), np.zeros(left.size), np.zeros(left.size))
    if lags < 1 or not energy[-1]:
        return rest
    fold = np.minimum((_FOLDS * (energy - moves**2 / 2) / energy[-1]).astype(np.int64), _FOLDS - 1)
    whole, on = _by_folds(left, driver, fold, lags, noise, folds)
    if on:
        return rest
    short = whole if lags <= _SHORTEST else _by_folds(left, driver, fold, _SHORTEST, noise, folds)[0]
    return short if float(short.value @ short.value) < float(whole.value @ whole.value) else whole


def _by_folds(
    left: FloatArray, driver: FloatArray, fold: IndexArray, lags: int, noise: float, folds: bool
) -> tuple[Unexplained, bool]:
    """Each part of the value without the response that the moves of the others show; whether most of them ring on."""
    moves = np.diff(driver, prepend=driver[:1])
    rest, on = Unexplained(left.copy(), np.zeros(left.size), np.zeros(left.size)), []
    for own in (fold == k for k in range(_FOLDS)):
        others = np.where(own, 0.0, moves)
        if float(others @ others) > _LEAST_ENERGY * float(moves[own] @ moves[own]) > 0.0:
            found, rings_on = _without_response(left, driver, others, lags, noise, folds)
            on.append(rings_on)
            for part, new in ((rest.value, found.value), (rest.shifted, found.shifted), (rest.unlike, found.unlike)):
                part[own] = new[own]
    return rest, 2 * sum(on) > len(on)


def _without_response(
    value: FloatArray, driver: FloatArray, others: FloatArray, lags: int, noise: float, folds: bool
) -> tuple[Unexplained, bool]:
    """The value without the response to all moves that some of them show, fitted without what the stamps leave open.

    Beside it whether the response still swings at its end.
    """
    level = driver - driver[0]
    moves = np.diff(level, prepend=0.0)
    size = 2 ** int(np.ceil(np.log2(value.size + lags)))
    every, some = np.fft.rfft(moves, size), np.conj(np.fft.rfft(others, size))
    among = np.fft.irfft(every * some, size)
    column, row = among[:lags].copy(), np.concatenate((among[:1], among[:-lags:-1]))
    ridge = max((noise / _USUAL_COEFFICIENT) ** 2, 1e-9 * float(moves @ moves))
    column[0] += ridge
    believed, found, response, end = value, Unexplained(value, value, value), np.zeros(lags), 0.0
    gone = np.concatenate((np.zeros(lags), level[:-lags]))  # the level of moves whose response has come to its end
    for _ in range(_ROUNDS):
        after = np.fft.irfft(np.fft.rfft(believed - end * gone, size) * some, size)[:lags]
        response = solve_toeplitz((column, row), after)
        end = float(np.mean(response[-(lags // _END + 1) :]))
        explained = np.fft.irfft(every * np.fft.rfft(response, size), size)[: value.size] + end * gone
        shifted, unlike = _STAMP_PERIODS * np.gradient(explained), _UNLIKE * explained
        room = np.hypot(shifted, unlike)
        quiet = np.abs(value - explained)[room <= np.median(room)]
        noise = min(noise, max(MAD_TO_SIGMA * float(np.median(quiet)), 1e-12))
        known = max(noise, _STEEP * float(room.max()))
        weight = known**2 / (known**2 + room**2)
        if folds:
            weight = np.where(driver + explained < _FOLDED_NOISES * noise + room, 0.0, weight)
        found = Unexplained((value - explained) * weight, shifted * weight, unlike * weight)
        believed = explained + found.value
    tail = np.abs(response[-(lags // _END + 1) :] - end)
    return found, bool(tail.max() > _RINGS_ON * np.abs(response).max())
