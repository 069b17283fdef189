"""How the rate of disturbances depends on motor current and speed: a regression over short stretches of driving."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.speed_disturbance import Disturbance, SpeedStudy
from logscope.findings import BoolArray, FloatArray
from logscope.statistics.count_regression import fit_dispersed, profile_limits
from logscope.statistics.rates import Estimate

_BIN_S = 0.5  # a stretch over which current and speed may be taken as one value each
_LEAST_EXPOSURE_S = 0.05  # of a stretch: less holds a few samples only
_LEAST_EVENTS = 10  # fewer carry no regression: one event in each of its rates and ten to a covariate (practice)
_LEAST_SPREAD_A = 15.0  # standard deviation of the current: less says nothing about a change over 100 A
_LEAST_SPREAD_LOG = 0.2  # standard deviation of the logarithm of speed, some 20 %
_LINE_POINTS = 50
_PER_A, _PER_RPM = 100.0, 1000.0


@dataclass(frozen=True, slots=True)
class RateLaw:
    """rate ∝ factor^(|current|/100 A) · speed^power, each with 95 % limits.

    current : factor on the rate for each 100 A more, at the same speed
    power : exponent of the speed, 1 for what comes once a turn; None where the speed hardly changed
    dispersion : 0 for Poisson; above it the disturbances come in clusters, which the limits allow for
    line : the law at the mean speed, to draw: current [A], rate [1/min] and its 95 % limits, each of shape (m,)
    """

    current: Estimate
    power: Estimate | None
    dispersion: float
    line: tuple[FloatArray, FloatArray, FloatArray, FloatArray]


def rate_law(
    study: SpeedStudy, amps: FloatArray, known: BoolArray, disturbances: tuple[Disturbance, ...]
) -> RateLaw | None:
    """Fit the law; None where the log holds too few disturbances, or no contrast of currents.

    amps : |motor current| at each sample of the speed [A], shape (n,); known : where it counts, shape (n,)
    """
    time = study.speed.time_s
    exposure = np.where(known, study.model.exposure_s, 0.0)
    bins = ((time - time[0]) / _BIN_S).astype(np.intp)
    whole: FloatArray = np.bincount(bins, exposure).astype(np.float64)
    used = whole >= _LEAST_EXPOSURE_S
    at = np.array([each.before for each in disturbances if known[each.before]], dtype=np.intp)
    counts = np.bincount(bins[at], minlength=whole.size)[used].astype(np.float64)
    if counts.sum() < _LEAST_EVENTS:
        return None
    whole = whole[used]
    current = np.bincount(bins, exposure * amps)[used] / whole
    turning = np.log(np.maximum(np.bincount(bins, exposure * np.abs(study.speed.value))[used] / whole, 1.0) / _PER_RPM)
    if float(np.std(current)) < _LEAST_SPREAD_A:
        return None
    columns = [np.ones(whole.size), current / _PER_A]
    with_speed = float(np.std(turning)) >= _LEAST_SPREAD_LOG
    covariates = np.column_stack([*columns, turning] if with_speed else columns)
    try:
        fit = fit_dispersed(counts, whole, covariates)
    except ValueError:
        return None
    power = None
    if with_speed:
        low, high = profile_limits(counts, whole, covariates, fit, 2)
        power = Estimate(float(fit.coefficients[2]), low, high)
    amps_drawn = np.linspace(float(current.min()), float(current.max()), _LINE_POINTS)
    rows = np.tile(np.average(covariates, axis=0, weights=whole), (_LINE_POINTS, 1))
    rows[:, 1] = amps_drawn / _PER_A
    rate, rate_low, rate_high = (60.0 * per_s for per_s in fit.rates(rows))
    factor = fit.factor(1, *profile_limits(counts, whole, covariates, fit, 1))
    return RateLaw(factor, power, fit.alpha, (amps_drawn, rate, rate_low, rate_high))
