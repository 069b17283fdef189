"""How the rate of disturbances depends on motor current and speed: a regression over short stretches of driving."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import BoolArray, FloatArray, IndexArray
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedAnalysis
from logscope.statistics.count_regression import fit_dispersed, hac_variance_ratio, profile_limits
from logscope.statistics.rates import Estimate

_BIN_S = 0.5  # a stretch over which current and speed may be taken as one value each
CLUSTER_BINS = 20  # a loose plug shakes, and a relay chatters, for less than these 10 s (practice)
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


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Driving cut into short stretches; arrays over those that hold enough of it, shape (m,).

    counts, exposure_s : disturbances and driving time; current : |current| [A]; turning : logarithm of speed/1000 rpm
    bins, used : the stretch of each sample, shape (n,), and which stretches are kept
    weight_s : driving time that each sample stands for, shape (n,)
    """

    counts: FloatArray
    exposure_s: FloatArray
    current: FloatArray
    turning: FloatArray
    bins: IndexArray
    used: BoolArray
    weight_s: FloatArray

    @property
    def base(self) -> FloatArray:
        """The covariates, shape (m, 2 or 3): level, current in 100 A, and, where it changes enough, the speed."""
        columns = [np.ones(self.exposure_s.size), self.current / _PER_A]
        if float(np.std(self.turning)) >= _LEAST_SPREAD_LOG:
            columns.append(self.turning)
        return np.column_stack(columns)

    def mean(self, value: FloatArray) -> FloatArray:
        """The mean of a value at the samples, over each stretch."""
        return np.asarray(np.bincount(self.bins, self.weight_s * value)[self.used] / self.exposure_s)


def stretches(
    study: SpeedAnalysis, amps: FloatArray, known: BoolArray, disturbances: tuple[Disturbance, ...]
) -> Stretches | None:
    """Cut the driving; None where the log holds too few disturbances, or no contrast of currents.

    amps : |motor current| at each sample of the speed [A], shape (n,); known : where it counts, shape (n,)
    """
    time = study.speed.time_s
    weight_s = np.where(known, study.model.exposure_s, 0.0)
    bins = ((time - time[0]) / _BIN_S).astype(np.intp)
    whole: FloatArray = np.bincount(bins, weight_s).astype(np.float64)
    used = whole >= _LEAST_EXPOSURE_S
    at = np.array([each.before for each in disturbances if known[each.before]], dtype=np.intp)
    counts = np.bincount(bins[at], minlength=whole.size)[used].astype(np.float64)
    if counts.sum() < _LEAST_EVENTS:
        return None
    whole = whole[used]
    current = np.bincount(bins, weight_s * amps)[used] / whole
    rpm = np.bincount(bins, weight_s * np.abs(study.speed.value))[used] / whole
    if float(np.std(current)) < _LEAST_SPREAD_A:
        return None
    return Stretches(counts, whole, current, np.log(np.maximum(rpm, 1.0) / _PER_RPM), bins, used, weight_s)


def rate_law(driven: Stretches) -> RateLaw | None:
    """Fit the law; None where the stretches do not determine it."""
    counts, whole, covariates = driven.counts, driven.exposure_s, driven.base
    try:
        fit = fit_dispersed(counts, whole, covariates)
    except ValueError:
        return None
    lasts = hac_variance_ratio(counts, whole, covariates, fit, CLUSTER_BINS)
    power = None
    if covariates.shape[1] > 2:
        low, high = profile_limits(counts, whole, covariates, fit, 2, lasts[2])
        power = Estimate(float(fit.coefficients[2]), low, high)
    amps_drawn = np.linspace(float(driven.current.min()), float(driven.current.max()), _LINE_POINTS)
    rows = np.tile(np.average(covariates, axis=0, weights=whole), (_LINE_POINTS, 1))
    rows[:, 1] = amps_drawn / _PER_A
    rate, rate_low, rate_high = (60.0 * per_s for per_s in fit.widened(lasts).rates(rows))
    factor = fit.factor(1, *profile_limits(counts, whole, covariates, fit, 1, lasts[1]))
    return RateLaw(factor, power, fit.alpha, (amps_drawn, rate, rate_low, rate_high))
