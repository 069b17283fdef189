"""The time constant with which the current falls at constant voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.checks.charging.amounts import find_load
from logscope.curves.reading_error import wider_by_correlation
from logscope.observations.charging.phases import Step
from logscope.observations.charging.sessions import Session
from logscope.physics.charging import taper_current_a, taper_time_constant_s
from logscope.signals import Signals
from logscope.statistics.distributions import student_quantile
from logscope.statistics.robust import NORMAL_95

_BLOCKS, _LEAST_BLOCKS = 60, 8  # means over blocks: noise and repeated readings are then one scatter
_LEAST_FALL = 0.10  # of the current, below which the fall says little of its pace
_UNKNOWNS = 3  # start, time constant, and what it falls towards
_KNOWN_TO = 0.35  # of the value: wider limits give no time constant
_SCALE_SHARE = 0.008  # of the current: standard deviation of the difference of two meters of 1 % each (practice)
_ZERO_SHARE = 0.3  # of what a meter may read at rest: standard deviation of the difference of two at zero (practice)
_SINGULAR = 1e6  # condition of the slopes: their squares then have no digits left to invert
_AFTER_S = 3.0  # the change to constant voltage itself, and the lag of the messages


@dataclass(frozen=True, slots=True)
class Taper:
    """Time constant with 95 % limits [s]; current at the beginning [A], what it falls towards [A], and from when [s].

    single : whether one exponential that falls to the load describes it; else the limits span what was found
    by_battery : whether a load beside the battery is taken off, as the battery's own current shows it
    """

    value_s: float
    low_s: float
    high_s: float
    start_a: float
    towards_a: float
    start_s: float
    end_s: float
    single: bool
    by_battery: bool


def find_taper(session: Session, signals: Signals) -> Taper | None:
    """The fit, or None where there is no taper, or it leaves the time constant open.

    The current falls to what else hangs on the charger. Where the battery's current is logged, that is known but for
    the zero errors of the meters; else it is fitted without knowing anything of it, which widens the limits.
    """
    phase = session.phase(Step.VOLTAGE)
    if phase is None or phase.end_a > (1.0 - _LEAST_FALL) * phase.start_a or session.missing_s > 0.1 * phase.lasted_s:
        return None
    keep = (session.time_s >= phase.start_s + min(_AFTER_S, 0.1 * phase.lasted_s)) & (session.time_s <= phase.end_s)
    blocks = _block_means(session.time_s[keep], session.amps[keep])
    if blocks is None:
        return None
    time_s, amps = blocks
    load = find_load(session, signals) if session.current.of_charger else None
    known_a = 0.0 if load is None or load.value is None else load.value
    error_a = 0.0 if load is None or load.high is None else (load.high - known_a)
    guess_s = taper_time_constant_s(phase.start_a, phase.end_a, phase.lasted_s)
    by_battery = load is not None or not session.current.of_charger
    zero_a = float(np.hypot(_ZERO_SHARE * session.least_a, _SCALE_SHARE * float(amps.mean())))
    free = _fit(time_s, amps, guess_s)
    found, single = free, True
    if by_battery:
        found = _fit(time_s, amps, guess_s, known_a, float(np.hypot(error_a / NORMAL_95, zero_a)))
    if found is None:
        return None
    value, low, high, towards = found
    if by_battery and free is not None and not (free[1] <= high and low <= free[2]):
        single, low, high = False, min(low, free[1]), max(high, free[2])
    if value <= 0 or low <= 0 or high - low > 2 * _KNOWN_TO * value:
        return None
    start_a = float(amps[0])
    return Taper(value, low, high, start_a, towards, float(time_s[0]), phase.end_s, single, by_battery)


def _block_means(time_s: FloatArray, amps: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    if time_s.size < _LEAST_BLOCKS:
        return None
    block = np.minimum((np.arange(time_s.size) * min(_BLOCKS, time_s.size)) // time_s.size, _BLOCKS - 1)
    count = np.bincount(block)
    return np.bincount(block, time_s) / count, np.bincount(block, amps) / count


def _fit(
    time_s: FloatArray, amps: FloatArray, guess_s: float, known_a: float = 0.0, known_to_a: float = np.inf
) -> tuple[float, float, float, float] | None:
    """Time constant, its limits [s], and what the current falls towards [A], known to a standard deviation or not.

    Least squares on the logarithm of the time constant. Neighbouring residuals that are alike show that the blocks are
    not independent: the error grows as that of an autoregressive series of first order does.
    """
    if time_s.size < _UNKNOWNS + 3 or float(amps[0]) <= known_a:
        return None
    since_s, noise_a = time_s - time_s[0], float(np.std(np.diff(amps))) / float(np.sqrt(2.0))
    at = np.array([float(amps[0]) - known_a, float(np.log(guess_s)), known_a])

    def apart(p: FloatArray) -> FloatArray:
        left = p[2] + taper_current_a(float(p[0]), float(np.exp(p[1])), since_s) - amps
        return np.asarray(np.append(left, (p[2] - known_a) * noise_a / known_to_a))

    for _ in range(2):  # what is known weighs by the noise, which the first fit shows
        found = least_squares(apart, at, x_scale=[1.0, 0.1, 1.0])
        at, left = found.x, found.fun[:-1]
        freedom = time_s.size - _UNKNOWNS
        spread = float(np.sqrt(np.sum(left**2) / freedom))
        noise_a = spread * wider_by_correlation(left)
    if np.linalg.cond(found.jac) > _SINGULAR:  # a straight line: any constant fits that is long enough
        return None
    covariance = np.linalg.inv(found.jac.T @ found.jac) * noise_a**2
    reach = student_quantile(0.975, freedom) * float(np.sqrt(float(covariance[1, 1])))
    if not np.isfinite(reach) or reach > 3.0:
        return None
    log_s = float(at[1])
    return float(np.exp(log_s)), float(np.exp(log_s - reach)), float(np.exp(log_s + reach)), float(at[2])
