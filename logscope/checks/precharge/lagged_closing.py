"""Where the contactor closed, seen through a sensing lag: the reading does not step but settles to the pack's voltage.

With the link at its own voltage L and the reading S behind it, the contactor takes L to the pack's voltage Vp at once,
and S follows with the lag λ: S(t) = Vp − (Vp − S(tc))·exp(−(t − tc)/λ). Curve and settling are fitted together. A relay
that drops out leaves the same trace, with L held where it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.checks.precharge.breakpoint import BREAK_MISFIT, BREAK_NOISE
from logscope.curves.behind_lag import LONGEST_LAG_S
from logscope.physics.rc import (
    settled_fraction,
    settled_fraction_averaged,
    settled_fraction_three_pole,
    settled_fraction_two_pole,
)
from logscope.statistics.information import covariance_of

_STARTS = 8  # moments of closing that the search starts from: the misfit has a minimum near each kink
_SURELY = 2.0  # standard deviations: within these of the closing, samples may lie on either side of it
_MOST_DOUBT = 0.5  # of the lag: a settling that cannot be placed better than that is too small to bend the curve
_LOG_CONSTANTS = (-12.0, 7.0)  # 6 µs to 18 minutes: beyond, the search has lost its way
_THIRD = 0.3  # of the shorter constant: where the search for a third one starts
_LEAST_CURVE = 6  # samples before the closing that a curve of two constants needs


@dataclass(frozen=True, slots=True)
class Settling:
    """The contactor closed between start_s and end_s.

    curve_end_s : up to when the samples make the curve [s]; level_v : where the reading settles [V]; link_v : the
    link's own voltage just before [V], latest_v : the same if the closing was as late as it may have been
    visible : whether the settling stands out of the noise
    by_faster : whether the reading settles with the faster of the curve's two constants, which is then its lag; None
        where either explains it
    """

    start_s: float
    end_s: float
    curve_end_s: float
    level_v: float
    link_v: float
    latest_v: float
    visible: bool
    by_faster: bool | None


class Start(NamedTuple):
    """Where the search begins: onset [s] and the two constants of an S-shaped curve, slower first [s]."""

    onset_s: float
    slower_s: float
    faster_s: float


def find_settling(
    time_s: FloatArray, volts: FloatArray, start: Start, noise_v: float, reported: tuple[float, float] | None
) -> Settling | None:
    """The closing that explains a rise and the level behind it; None where the curve alone does as well.

    time_s, volts : the rise and the level behind it, shape (n,)
    reported : between which times a contactor state says that it closed [s]; then there is one, however small
    """
    if time_s.size < _LEAST_CURVE + 4:
        return None
    low, high = (float(time_s[_LEAST_CURVE]), float(time_s[-3])) if reported is None else reported
    low = max(low, float(time_s[_LEAST_CURVE]))
    if low >= high:
        return None
    best = None
    bests: dict[bool, Any] = {}  # by whether the lag is the faster constant
    both = (start.slower_s, start.faster_s)
    # Whatever settles more slowly than a sensing can is the link itself, whose curve bends there for other reasons.
    orders = [(link_s, lag_s) for link_s, lag_s in (both, both[::-1]) if lag_s <= LONGEST_LAG_S]
    for first, second in orders:
        slowest = np.log(LONGEST_LAG_S) + 1e-9
        for closed_s in np.linspace(low, high, _STARTS + 2)[1:-1]:
            begin = np.array([start.onset_s, np.log(first), np.log(second), closed_s])
            reach = np.array([10 * first + 10 * second, 3.0, 3.0, np.inf])
            found = least_squares(
                lambda free: _residuals(free, time_s, volts)[0],
                begin,
                bounds=(
                    np.append((begin - reach)[:3], low),
                    np.array([*(begin + reach)[:2], min(begin[2] + reach[2], slowest), high]),
                ),
                x_scale=np.array([first / 10, 0.1, 0.1, first / 10]),
                max_nfev=40,
            )
            if _falls_to_level(found.x, time_s, volts, noise_v):
                continue
            ordered = bool(found.x[2] < found.x[1])
            if ordered not in bests or found.cost < bests[ordered].cost:
                bests[ordered] = found
            if best is None or found.cost < best.cost:
                best = found
    if best is None:
        return None
    if len(bests) < len(orders):
        ((known, found),) = bests.items()
        bests[not known] = _other_order(found.x, time_s, volts, (low, high))
    three_pole, averaged = _unbroken(start.onset_s, both, time_s, volts)
    freedom = max(time_s.size - 7, 1)
    spread = max(noise_v**2, 2 * best.cost / freedom)
    by_lags, by_average = (alone - 2 * best.cost < BREAK_MISFIT * spread for alone in (three_pole, averaged))
    visible = not (by_lags or by_average)
    if not visible and (reported is None or not by_lags):  # an average makes the same bend as a closing, and needs none
        return None
    levels = _residuals(best.x, time_s, volts)[1]
    curvature = best.jac.T @ best.jac / spread
    variance = float(covariance_of(curvature)[3, 3])
    onset_s, closed_s = float(best.x[0]), float(best.x[3])
    tau, lag = float(np.exp(best.x[1])), float(np.exp(best.x[2]))
    doubt = _SURELY * float(np.sqrt(variance))
    if not visible and doubt > _MOST_DOUBT * lag:
        return None
    period_s = float(np.median(np.diff(time_s)))  # a short lag is over within it, and leaves it open where in it
    at_s = np.array([closed_s, closed_s + max(doubt, period_s)])
    link_v, latest_v = levels[0] + (levels[1] - levels[0]) * settled_fraction(at_s - onset_s, tau)
    return Settling(
        start_s=max(closed_s - doubt, low) if visible else low,  # where none shows, only the state says when
        end_s=min(closed_s + doubt, high) if visible else high,
        curve_end_s=closed_s - min(doubt, _MOST_DOUBT * lag),
        level_v=float(levels[2]),
        link_v=float(link_v),
        latest_v=float(latest_v),
        visible=visible,
        by_faster=lag < tau if visible and _tells(bests, len(orders), time_s, volts, noise_v, spread) else None,
    )


def _other_order(free: FloatArray, time_s: FloatArray, volts: FloatArray, closes_s: tuple[float, float]) -> Any:
    """The best curve whose lag is the slower constant where that of the best one is the faster, or the reverse.

    free : of the best one, whose constants change their places; closes_s : between which times it closes [s]
    """
    middle = float(free[1] + free[2]) / 2
    slower, faster = (middle, max(np.log(LONGEST_LAG_S), middle) + 1e-9), (_LOG_CONSTANTS[0], middle)
    tau, lag = (faster, slower) if free[2] < free[1] else ((middle, _LOG_CONSTANTS[1]), faster)
    bounds = np.array([(-np.inf, np.inf), tau, lag, closes_s]).T
    begin = np.clip([free[0], free[2], free[1], free[3]], bounds[0] + 1e-9, bounds[1] - 1e-9)
    scale = np.array([float(np.exp(middle)) / 10, 0.1, 0.1, float(np.exp(middle)) / 10])
    return least_squares(
        lambda one: _residuals(one, time_s, volts)[0], begin, bounds=bounds, x_scale=scale, max_nfev=60
    )


def _falls_to_level(free: FloatArray, time_s: FloatArray, volts: FloatArray, noise_v: float) -> bool:
    """Whether the link would be above the level when it is joined to it: no pack takes the charge back so fast.

    A moving average ends with such a kink.
    """
    start_v, end_v, level_v = _residuals(free, time_s, volts)[1]
    link_v = start_v + (end_v - start_v) * settled_fraction(np.array(free[3] - free[0]), float(np.exp(free[1])))
    return bool(link_v > level_v + BREAK_NOISE * noise_v)


def _tells(
    bests: dict[bool, Any], orders: int, time_s: FloatArray, volts: FloatArray, noise_v: float, spread: float
) -> bool:
    """Whether the settling shows which constant is the lag: with either there was something left, and one fits.

    orders : how many of the two constants a sensing may have; with one there is nothing to choose
    """
    left = [abs(_left(found.x, time_s, volts)) for found in bests.values()]
    if orders == 1:
        return bool(min(left) >= BREAK_NOISE * noise_v)
    if len(bests) < 2:
        return False
    apart = 2 * abs(bests[True].cost - bests[False].cost)
    return bool(min(left) >= BREAK_NOISE * noise_v and apart >= BREAK_MISFIT * spread)


def _left(free: FloatArray, time_s: FloatArray, volts: FloatArray) -> float:
    """From the reading at the closing to the level where it settles [V]."""
    start_v, end_v, level_v = _residuals(free, time_s, volts)[1]
    elapsed = np.array(free[3] - free[0])
    reading = start_v + (end_v - start_v) * settled_fraction_two_pole(elapsed, np.exp(free[1]), np.exp(free[2]))
    return float(level_v - reading)


def _unbroken(
    onset_s: float, constants: tuple[float, float], time_s: FloatArray, volts: FloatArray
) -> tuple[float, float]:
    """Squared misfits [V²] of the best curves without a closing: of three poles, and behind a moving average.

    What a second filter would make, and the kink with which an average ends.
    """
    shorter, longer = min(constants), max(constants)
    third = (shorter, longer, _THIRD * shorter)
    averages = [(link_s, 2 * (shorter + longer - link_s)) for link_s in constants]
    return (
        _misfit(settled_fraction_three_pole, onset_s, third, time_s, volts),
        min(_misfit(settled_fraction_averaged, onset_s, start, time_s, volts) for start in averages),
    )


def _misfit(
    settled: Callable[..., FloatArray],
    onset_s: float,
    constants: tuple[float, ...],
    time_s: FloatArray,
    volts: FloatArray,
) -> float:
    """Squared misfit [V²] of the best curve of a shape. constants : of the shape, where the search starts [s]"""

    def misfit(free: FloatArray) -> FloatArray:
        fraction = settled(time_s - free[0], *np.exp(np.clip(free[1:], *_LOG_CONSTANTS)))
        basis = np.column_stack([1 - fraction, fraction])
        return np.asarray(basis @ np.linalg.lstsq(basis, volts, rcond=None)[0] - volts)

    start = np.array([onset_s, *np.log(constants)])
    scale = [min(constants) / 10, *([0.1] * len(constants))]
    return 2 * float(least_squares(misfit, start, x_scale=scale, max_nfev=60).cost)


def _residuals(free: FloatArray, time_s: FloatArray, volts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Deviations [V] of the best curve with these shape parameters, and its levels: start, end, and behind the closing.

    For given onset, constants and moment of closing the levels follow by linear regression.
    """
    onset_s, tau, lag, closed_s = free[0], np.exp(free[1]), np.exp(free[2]), free[3]
    before = np.minimum(time_s, closed_s) - onset_s
    fraction = settled_fraction_two_pole(before, tau, lag)
    left = np.where(time_s > closed_s, np.exp(-np.maximum(time_s - closed_s, 0.0) / lag), 1.0)
    basis = np.column_stack([(1 - fraction) * left, fraction * left, 1 - left])
    levels = np.linalg.lstsq(basis, volts, rcond=None)[0]
    return basis @ levels - volts, levels
