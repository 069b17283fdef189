"""The time constant with which the current falls at constant voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import least_squares

from logscope.arrays import FloatArray
from logscope.checks.charging.amounts import find_load
from logscope.observations.charging.phases import Step
from logscope.observations.charging.sessions import Session
from logscope.physics.charging import taper_current_a, taper_time_constant_s
from logscope.signals import Signals

_BLOCKS, _LEAST_BLOCKS = 60, 8  # means over blocks: noise and repeated readings are then one scatter
_LEAST_FALL = 0.10  # of the current, below which the fall says little of its pace
_KNOWN_TO = 0.35  # of the value: wider limits give no time constant
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

    The current falls to what else hangs on the charger. Where the battery's current is logged, that is known and taken
    off; else it is fitted as well, which widens the limits.
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
    free = _fit(time_s, amps, guess_s, None)
    fixed = _fit(time_s, amps, guess_s, known_a)
    if by_battery and fixed is not None:
        value, low, high, towards = fixed
        moved = [_fit(time_s, amps, guess_s, known_a + by) for by in (-error_a, error_a)]
        by_load = max((abs(each[0] - value) for each in moved if each is not None), default=0.0)
        half = float(np.hypot((high - low) / 2, by_load))
        low, high = value - half, value + half
        single = free is None or (free[1] <= high and low <= free[2])
        if not single and free is not None:
            low, high = min(low, free[1]), max(high, free[2])
    elif free is not None:
        (value, low, high, towards), single = free, True
    else:
        return None
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
    time_s: FloatArray, amps: FloatArray, guess_s: float, towards_a: float | None
) -> tuple[float, float, float, float] | None:
    """Time constant, its limits [s], and what the current falls towards [A], fitted where `towards_a` is None.

    Least squares on the logarithm of the time constant. Neighbouring residuals that are alike show that the blocks are
    not independent: the error grows as that of an autoregressive series of first order does.
    """
    since_s = time_s - time_s[0]
    size = 2 if towards_a is not None else 3
    if time_s.size < size + 3:
        return None

    def apart(p: FloatArray) -> FloatArray:
        rest = p[2] if towards_a is None else towards_a
        return np.asarray(rest + taper_current_a(float(p[0]), float(np.exp(p[1])), since_s) - amps)

    first = [float(amps[0]) - (towards_a or 0.0), float(np.log(guess_s))] + ([0.0] if towards_a is None else [])
    if first[0] <= 0:
        return None
    found = least_squares(apart, first, x_scale=[1.0, 0.1, 1.0][:size])
    freedom = time_s.size - size
    variance = float(np.sum(found.fun**2)) / freedom
    try:
        covariance = np.linalg.inv(found.jac.T @ found.jac) * variance
    except np.linalg.LinAlgError:
        return None
    alike = float(np.corrcoef(found.fun[:-1], found.fun[1:])[0, 1]) if variance > 0 else 0.0
    alike = max(alike - 1.0 / np.sqrt(time_s.size), 0.0)  # chance alone makes neighbours alike by so much
    error = float(np.sqrt(max(float(covariance[1, 1]), 0.0) * (1 + alike) / max(1 - alike, 0.05)))
    reach = float(stats.t(freedom).ppf(0.975)) * error
    if not np.isfinite(reach) or reach > 3.0:
        return None
    log_s = float(found.x[1])
    rest = float(found.x[2]) if towards_a is None else towards_a
    low, high = float(np.exp(log_s - reach)), float(np.exp(log_s + reach))
    return float(np.exp(log_s)), low, high, rest
