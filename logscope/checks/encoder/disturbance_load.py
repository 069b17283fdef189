"""Whether speed disturbances follow the motor current, as interference does, or the turning of the shaft.

With ten or more disturbances their rate is fitted to current and speed together (`disturbance_rate`). With
fewer, rates above and below the median current of the running motor are compared exactly, once per minute
and once per turn. A fault that follows the shaft angle may rise with current per minute, when current and
speed rise together, but not per turn as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from logscope.arrays import BoolArray, FloatArray
from logscope.checks.encoder.disturbance_chart import CurrentBin, current_bins
from logscope.checks.encoder.disturbance_rate import CLUSTER_BINS, RateLaw, Stretches, rate_law, stretches
from logscope.findings import Measured
from logscope.observations.motor_speed.disturbances import Disturbance, SpeedAnalysis
from logscope.signals import Signals
from logscope.statistics.count_regression import fit_dispersed, hac_variance_ratio, profile_limits
from logscope.statistics.rates import Estimate, poisson_rate, rate_ratio

_UNITS = {"throttle": (10.0, "%"), "dc_link_voltage": (10.0, "V")}  # the factor is given for so much more
_COMPANION_STALE_S = 1.0  # a value older than this says nothing about the moment
_LEAST_SPREAD = 0.5  # of the unit above, standard deviation beyond what current and speed explain
_LEAST_KNOWN = 0.9  # of the driving: with less of it known, the rest may be what matters


@dataclass(frozen=True, slots=True)
class Companion:
    """A part beside current and speed, and the factor on the rate for each `per` of it more, 95 % limits."""

    name: str
    per: str
    factor: Estimate

    @property
    def matters(self) -> bool:
        """Whether the limits leave out that it does not matter."""
        return self.factor.low > 1.0 or self.factor.high < 1.0


def companions(study: SpeedAnalysis, signals: Signals, driven: Stretches) -> tuple[Companion, ...]:
    """Each part that is logged, and changes by itself, with its factor at the same current and speed."""
    found = []
    for name, (unit, symbol) in _UNITS.items():
        part = signals.get(name)
        if part is None:
            continue
        value = part.held_at(study.speed.time_s, _COMPANION_STALE_S)
        known = np.isfinite(value)
        if float(np.sum(driven.weight_s, where=known)) < _LEAST_KNOWN * float(np.sum(driven.weight_s)):
            continue
        beside, base = driven.mean(np.where(known, value, 0.0)) / unit, driven.base
        own = beside - base @ np.linalg.lstsq(base, beside, rcond=None)[0]
        if float(np.std(own)) < _LEAST_SPREAD:
            continue
        covariates = np.column_stack([base, own])
        try:
            fit = fit_dispersed(driven.counts, driven.exposure_s, covariates)
        except ValueError:
            continue
        last = covariates.shape[1] - 1
        lasts = hac_variance_ratio(driven.counts, driven.exposure_s, covariates, fit, CLUSTER_BINS)
        limits = profile_limits(driven.counts, driven.exposure_s, covariates, fit, last, lasts[last])
        found.append(Companion(name, f"{unit:g} {symbol}", fit.factor(last, *limits)))
    return tuple(found)


_LEAST_CONTRAST_A = 30.0  # means nearer than this say nothing about a change over 100 A
_PER_A = 100.0
_STALE_S = 1.0  # a current older than this says nothing about the moment


@dataclass(frozen=True, slots=True)
class LoadRelation:
    """Disturbances above and below the median current. Currents in A, times in min.

    per_100_amps : factor on the rate per minute for each 100 A more: by the law, else through both means
    electrical : more under current, at the same speed or per turn, too, beyond the 95 % limits
    law : the fitted law, None with too few disturbances; bins : the driving and the disturbances by current
    companions : what else was looked at beside the law
    """

    split: float
    low_mean: float
    high_mean: float
    low_count: int
    high_count: int
    low_min: float
    high_min: float
    per_100_amps: Estimate
    electrical: bool
    law: RateLaw | None = None
    bins: tuple[CurrentBin, ...] = ()
    companions: tuple[Companion, ...] = ()

    @property
    def mechanical(self) -> bool:
        """Whether the rate rises with the shaft's turning and shows no rise with current."""
        if self.law is None or self.law.power is None or self.electrical:
            return False
        return self.law.power.low > 0.0 and self.law.current.low <= 1.0

    def measured(self) -> Measured:
        """The factor with its limits; no value where no disturbance fell below the median current."""
        value, low, high = self.per_100_amps.value, self.per_100_amps.low, self.per_100_amps.high
        bounded = isfinite(high)
        return Measured(value if bounded else None, "", low, high if bounded else None)


def running_rate(study: SpeedAnalysis, disturbances: tuple[Disturbance, ...]) -> Measured:
    """Disturbances of the running motor per minute of running, with 95 % limits.

    Where all of them, or the whole log, are at rest: all of them per minute of the log.
    """
    model = study.model
    count = sum(bool(model.running[each.before]) for each in disturbances)
    if model.running_s and (count or not disturbances):
        rate = poisson_rate(count, model.running_s / 60.0)
    else:
        rate = poisson_rate(len(disturbances), float(np.sum(model.exposure_s)) / 60.0)
    return Measured(rate.value, "1/min", rate.low, rate.high)


def load_relation(study: SpeedAnalysis, signals: Signals) -> LoadRelation | None:
    """Relate the disturbances to |motor current|; None where the log holds no contrast of currents."""
    current = signals.get("motor_current")
    if current is None or not current.time_s.size or not study.disturbances:
        return None
    held = np.abs(current.held_at(study.speed.time_s, _STALE_S))
    amps, known = np.nan_to_num(held), np.isfinite(held) & study.model.running
    if not known.any():
        return None
    split = float(np.median(amps[known]))
    above = known & _upper_half(amps, split, known)
    below = known & ~above
    at = np.array([each.before for each in study.disturbances])
    high_count, low_count = int(np.count_nonzero(above[at])), int(np.count_nonzero(below[at]))
    exposure = study.model.exposure_s
    high_s, low_s = float(np.sum(exposure, where=above)), float(np.sum(exposure, where=below))
    if high_count + low_count == 0 or min(high_s, low_s) <= 0:
        return None
    high_mean = float(np.sum(amps * exposure, where=above)) / high_s
    low_mean = float(np.sum(amps * exposure, where=below)) / low_s
    if high_mean - low_mean < _LEAST_CONTRAST_A:
        return None
    driven = stretches(study, amps, known, study.disturbances)
    law = None if driven is None else rate_law(driven)
    per_time = rate_ratio(high_count, high_s, low_count, low_s)
    turns = exposure * np.abs(study.speed.value)
    per_turn = rate_ratio(high_count, float(np.sum(turns, where=above)), low_count, float(np.sum(turns, where=below)))
    return LoadRelation(
        split,
        low_mean,
        high_mean,
        low_count,
        high_count,
        low_s / 60.0,
        high_s / 60.0,
        law.current if law is not None else _raised(per_time, _PER_A / (high_mean - low_mean)),
        electrical=law.current.low > 1.0 if law is not None else per_time.low > 1.0 and per_turn.low > 1.0,
        law=law,
        bins=current_bins(amps, known, exposure, at),
        companions=() if driven is None else companions(study, signals, driven),
    )


def _upper_half(amps: FloatArray, split: float, known: BoolArray) -> BoolArray:
    """Currents above the median; those at it go where they make the halves more alike."""
    over, from_on = amps > split, amps >= split
    missing = [abs(2 * np.count_nonzero(each & known) - np.count_nonzero(known)) for each in (over, from_on)]
    return over if missing[0] <= missing[1] else from_on


def _raised(ratio: Estimate, power: float) -> Estimate:
    raised = [each**power if isfinite(each) else inf for each in (ratio.value, ratio.low, ratio.high)]
    return Estimate(raised[0], raised[1], raised[2], ratio.p_value)
