"""Whether the rate of disturbances depends on more than current and speed: on the pedal, or on the link's voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.encoder.disturbance_rate import CLUSTER_BINS, Stretches
from logscope.observations.motor_speed.disturbances import SpeedStudy
from logscope.signals import Signals
from logscope.statistics.count_regression import fit_dispersed, hac_variance_ratio, profile_limits
from logscope.statistics.rates import Estimate

_UNITS = {"throttle": (10.0, "%"), "dc_link_voltage": (10.0, "V")}  # the factor is given for so much more
_STALE_S = 1.0  # a value older than this says nothing about the moment
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


def companions(study: SpeedStudy, signals: Signals, driven: Stretches) -> tuple[Companion, ...]:
    """Each part that is logged, and changes by itself, with its factor at the same current and speed."""
    found = []
    for name, (unit, symbol) in _UNITS.items():
        part = signals.get(name)
        if part is None:
            continue
        value = part.held_at(study.speed.time_s, _STALE_S)
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
