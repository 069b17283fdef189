"""Where the contactor closed, seen in the voltage alone: the curve breaks off and a level begins.

A contactor flag may lag, or not exist. The step at closing can be a few volts, too small for a threshold on
single samples, yet left in the fit it would bend the time constant. So the curve and the level behind it
are compared with one unbroken curve, by least squares, for every place where the break could be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logscope.arrays import FloatArray
from logscope.physics.rc import settled_fraction, settled_fraction_two_pole

# Improvement of the misfit, in units of the noise variance, from which a break is taken as real. Two more
# parameters give 2 by chance on average and 30 in one of a million; stamps that jitter call for the margin.
BREAK_MISFIT = 30.0
BREAK_NOISE = 4.0  # and the step itself must stand out of the noise by this factor
# From here on a break is likelier than not (two parameters, some hundred samples: Schwarz's criterion gives 10).
# It is no proof that a contactor closed, but the samples behind it are better kept out of the fit.
DOUBT_MISFIT = 10.0
_LEAST_CURVE = 4  # samples before a break that make a curve
_LEAST_LEVEL = 2  # samples behind a break that make a level
# Points of the grid an axis, and at each finer look around the best: the valley of the misfit is narrow and aslant.
_GRIDS = (25, 13, 9, 9, 9)
_REACH = 1.5  # grid spacings to either side that the next look covers
_AT_ONCE = 1 << 17  # values of shapes × samples that are worked on at a time: about a megabyte each array
_LAG_SHARES = (0.0, 0.35, 0.7, 0.98)  # lag as a share of the slower constant: a grid over the S-shapes


@dataclass(frozen=True, slots=True)
class Break:
    """The curve's last sample (index), the step from there to the level behind it [V], and that level [V].

    visible : whether the step stands out of the noise
    """

    last: int
    step_v: float
    level_v: float
    visible: bool


def find_break(
    time_s: FloatArray, volts: FloatArray, noise_v: float, reported: tuple[float, float] | None = None
) -> Break | None:
    """The place where a charging curve breaks off into a higher level, or None where one curve explains all.

    time_s, volts : a rise and the level behind it, shape (n,); noise_v : standard deviation of a reading [V]
    reported : between which times a contactor state says that it closed [s]. Then there is a break, however
        small, and the likeliest place in there is returned.
    """
    count = time_s.size
    if count < _LEAST_CURVE + _LEAST_LEVEL:
        return None
    length = float(time_s[-1] - time_s[0])
    period = length / (count - 1)
    if period <= 0:
        return None
    rising = np.flatnonzero(volts > volts[0] + 0.5 * (volts.max() - volts[0]))
    onset = (float(time_s[0]), float(time_s[max(int(rising[0]), 1)]))
    log_tau = (float(np.log(period / 5)), float(np.log(3 * length)))
    behind = _level_misfit(volts)
    places = np.arange(_LEAST_CURVE - 1, count - _LEAST_LEVEL)
    if reported is not None:
        places = places[(time_s[places + 1] >= reported[0]) & (time_s[places] <= reported[1])]
        if not places.size:
            return None
    best = [_Best()] * 2  # of the curves without a break, and with one
    ranges = [(onset, log_tau)] * 2
    for count_a_side in _GRIDS:
        seen = [
            _best_of(time_s, volts, behind, places, *(np.linspace(*ends, count_a_side) for ends in axes))
            for axes in dict.fromkeys(ranges)
        ]
        for which in (0, 1):
            best[which] = min(best[which], seen[min(which, len(seen) - 1)][which])
        ranges = [
            (_narrow(onsets, at.onset_s, count_a_side), _narrow(constants, at.log_tau, count_a_side))
            for (onsets, constants), at in zip(ranges, best, strict=True)
        ]
    unbroken, broken, place = best[0].misfit, best[1].misfit, best[1].place
    spread = max(noise_v**2, broken / max(count - 6, 1))
    level = float(np.mean(volts[place + 1 :]))
    step = level - float(volts[place])
    visible = unbroken - broken >= BREAK_MISFIT * spread and step >= BREAK_NOISE * np.sqrt(spread)
    doubtful = unbroken - broken >= DOUBT_MISFIT * spread
    return Break(place, step, level, bool(visible)) if visible or doubtful or reported is not None else None


def _narrow(old: tuple[float, float], around: float, count: int) -> tuple[float, float]:
    half = _REACH * (old[1] - old[0]) / (count - 1)
    return around - half, around + half


def _level_misfit(volts: FloatArray) -> FloatArray:
    """Squared misfit of a constant level to volts[k:], for each k; shape (n,)."""
    reverse = volts[::-1] - volts[-1]
    many = np.arange(1, volts.size + 1)
    return np.maximum(np.cumsum(reverse**2) - np.cumsum(reverse) ** 2 / many, 0.0)[::-1]


class _Best(NamedTuple):
    """The least squared misfit [V²], the onset [s] and log time constant that give it, and the curve's last sample."""

    misfit: float = np.inf
    onset_s: float = 0.0
    log_tau: float = 0.0
    place: int = 0


def _best_of(
    time_s: FloatArray,
    volts: FloatArray,
    behind: FloatArray,
    places: NDArray[np.intp],
    onsets: FloatArray,
    log_constants: FloatArray,
) -> tuple[_Best, _Best]:
    """The best unbroken curve of a grid of shapes, and the best that breaks off at one of the places.

    behind : squared misfit of a level to volts[k:], for each k
    """
    grid = np.stack([axis.ravel() for axis in np.meshgrid(onsets, log_constants, np.array(_LAG_SHARES), indexing="ij")])
    whole = parted = _Best()
    at_once = max(_AT_ONCE // volts.size, 1)
    for start in range(0, grid.shape[1], at_once):
        onset, log_tau, share = grid[:, start : start + at_once]
        misfit = _curve_misfit(time_s, volts, onset, np.exp(log_tau), share)
        row = int(np.argmin(misfit[:, -1]))
        whole = min(whole, _Best(float(misfit[row, -1]), float(onset[row]), float(log_tau[row]), volts.size - 1))
        with_level = misfit[:, places] + behind[places + 1]
        row, column = divmod(int(np.argmin(with_level)), places.size)
        least = float(with_level[row, column])
        parted = min(parted, _Best(least, float(onset[row]), float(log_tau[row]), int(places[column])))
    return whole, parted


def _curve_misfit(
    time_s: FloatArray, volts: FloatArray, onset: FloatArray, tau_s: FloatArray, share: FloatArray
) -> FloatArray:
    """Squared misfit of the best curve to volts[: k + 1], for each of the shapes and each k; shape (shapes, n).

    onset, tau_s, share : of each shape; share is the lag as a share of tau
    For a given shape the two levels follow by linear regression, and running sums give it for every k at once.
    """
    tau = tau_s[:, None]
    elapsed = time_s[None, :] - onset[:, None]
    lag = np.maximum(share[:, None], 0.01) * tau
    shape = np.where(share[:, None] > 0, settled_fraction_two_pole(elapsed, tau, lag), settled_fraction(elapsed, tau))
    value = (volts - volts[0])[None, :]
    many = np.arange(1, volts.size + 1)[None, :]
    sum_s, sum_v = np.cumsum(shape, axis=1), np.cumsum(value, axis=1)
    var_s = np.cumsum(shape**2, axis=1) - sum_s**2 / many
    var_v = np.cumsum(value**2, axis=1) - sum_v**2 / many
    both = np.cumsum(shape * value, axis=1) - sum_s * sum_v / many
    explained = np.where(var_s > 1e-9, both**2 / np.maximum(var_s, 1e-9), 0.0)
    misfit: FloatArray = np.maximum(var_v - np.where(both > 0, explained, 0.0), 0.0)
    return misfit
