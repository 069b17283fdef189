"""Whether speed disturbances follow the motor current, as interference does, or the turning of the shaft.

Rates are compared above and below the median current of the running motor, once per minute and once
per turn. A fault that follows the shaft angle may rise with current per minute, when current and speed
rise together, but not per turn as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from logscope.checks.speed_disturbance import Disturbance, SpeedStudy
from logscope.findings import BoolArray, FloatArray, Measured
from logscope.signals import Part
from logscope.statistics.rates import Estimate, poisson_rate, rate_ratio

_LEAST_CONTRAST_A = 30.0  # means nearer than this say nothing about a change over 100 A
_PER_A = 100.0
_STALE_S = 1.0  # a current older than this says nothing about the moment


@dataclass(frozen=True, slots=True)
class LoadRelation:
    """Disturbances above and below the median current. Currents in A, times in min.

    per_100_amps : factor on the rate per minute for each 100 A more, by a log-linear law through both means
    electrical : more under current, per minute and per turn, beyond the 95 % limits
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

    def measured(self) -> Measured:
        """The factor with its limits; no value where no disturbance fell below the median current."""
        value, low, high = self.per_100_amps.value, self.per_100_amps.low, self.per_100_amps.high
        return Measured(value if isfinite(value) else None, "", low, high if isfinite(high) else None)


def running_rate(study: SpeedStudy, disturbances: tuple[Disturbance, ...]) -> Measured:
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


def load_relation(study: SpeedStudy, current: Part | None) -> LoadRelation | None:
    """Relate the disturbances to |motor current|; None where the log holds no contrast of currents."""
    if current is None or not current.time_s.size or not study.disturbances:
        return None
    amps, known = _held(current, study.speed.time_s)
    known &= study.model.running
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
        _raised(per_time, _PER_A / (high_mean - low_mean)),
        electrical=per_time.low > 1.0 and per_turn.low > 1.0,
    )


def _upper_half(amps: FloatArray, split: float, known: BoolArray) -> BoolArray:
    """Currents above the median; those at it go where they make the halves more alike."""
    over, from_on = amps > split, amps >= split
    missing = [abs(2 * np.count_nonzero(each & known) - np.count_nonzero(known)) for each in (over, from_on)]
    return over if missing[0] <= missing[1] else from_on


def _held(current: Part, at_s: FloatArray) -> tuple[FloatArray, BoolArray]:
    """|current| as last known at each time, and whether it was known and fresh."""
    index = np.searchsorted(current.time_s, at_s, side="right") - 1
    held = np.maximum(index, 0)
    return np.abs(current.value[held]), (index >= 0) & (at_s - current.time_s[held] <= _STALE_S)


def _raised(ratio: Estimate, power: float) -> Estimate:
    raised = [each**power if isfinite(each) else inf for each in (ratio.value, ratio.low, ratio.high)]
    return Estimate(raised[0], raised[1], raised[2], ratio.p_value)
