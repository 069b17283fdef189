"""How well a charging curve explains the readings: noise, rounding to the signal's step, and stamps that jitter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.curves.reading_error import (
    KNOWN_NOISE_STEPS,
    log_prior_of_noise,
    log_prior_of_stamps,
    over_stamp_error,
)
from logscope.curves.rise_shapes import SHAPE_RANGES, Layout, Shape
from logscope.curves.timestamps import Timestamps
from logscope.statistics.batches import in_batches
from logscope.statistics.rounding import OUTLIER_SHARE, rounded_normal_log_likelihood

# Readings noisier than a tenth of the span, or stamps off by more than half a period, hold no curve.
_MOST_NOISE = 0.1
_MOST_RISE = 8.0  # times what the log shows of it: a curve cut off sooner is nearly straight and holds no constant
_MOST_JITTER = 0.6  # of a period: a reading a period old on a grid as coarse has a deviation of √(2/12) of one
_LEAST_JITTER = 1e-3  # of a period: what a loaded bus cannot undercut in practice
_BELOW_FLOOR = 2.0  # steps or deviations of a reading: an offset of the sensor of that size would go unseen
# A contactor charges the link in a millisecond or so, and stamps are late by as much: of the last samples before it,
# taken 5 to 20 ms apart, one in ten shows a voltage on its way from the curve to the pack.
CUT_OFF_SHARE = 0.1
_LEAST_NOISE_STEPS = 0.02  # noise below this share of the rounding step looks like none


@dataclass(frozen=True, slots=True)
class Rest:
    """What the log shows of its readings away from the curve.

    noise_v : standard deviation of a reading [V], rounding included; random_v : the same before rounding
    stamps : how far a stamp is from when its reading was taken
    floor_v : the least reading there is [V], which stands for all below; minus infinity where there is none
    scale_error : by which share, at most, the times may tell a wrong length
    """

    noise_v: float
    random_v: float
    stamps: Timestamps
    floor_v: float = -np.inf
    scale_error: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """One curve to fit and the ranges its parameters may take.

    highest_v : the highest voltage that the curve can lead to [V]
    """

    time_s: FloatArray
    volts: FloatArray
    step_v: float
    layout: Layout
    rest: Rest | None
    cut_off: bool
    highest_v: float = np.inf

    @property
    def span_v(self) -> float:
        return float(max(np.ptp(self.volts), 10 * self.step_v, 1e-6))

    @property
    def period_s(self) -> float:
        return float(np.median(np.diff(self.time_s)))

    @property
    def outlier_share(self) -> FloatArray:
        shares = np.full(self.volts.size, OUTLIER_SHARE)
        shares[-1] = CUT_OFF_SHARE if self.cut_off else OUTLIER_SHARE
        return shares

    @property
    def floor_v(self) -> float:
        return self.rest.floor_v if self.rest else -np.inf

    @property
    def least_start_v(self) -> float:
        """Readings at the floor do not tell how far below it they are: not far, for no link is charged in reverse."""
        if self.volts.min() > self.floor_v:
            return float(self.volts.min() - self.span_v)
        return float(self.floor_v - _BELOW_FLOOR * max(self.step_v, self.rest.noise_v if self.rest else 0.0))

    def ranges(self) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest value of each parameter."""
        span, period = self.span_v, self.period_s
        length = float(self.time_s[-1] - self.time_s[0])
        least_noise = max(self.step_v * _LEAST_NOISE_STEPS, span * 1e-5)
        slope = np.log(span) - np.log([10 * length, period / 30])
        low = [
            self.least_start_v,
            slope[0] - 2,
            np.log(period / 30),
            np.log(least_noise),
            np.log(period * _LEAST_JITTER),
        ]
        high = [
            self.volts.max() + span,
            slope[1] + 2,
            np.log(10 * length),
            np.log(span * _MOST_NOISE),
            np.log(_MOST_JITTER * period),
        ]
        if self.layout.fits_onset:
            low.append(self.time_s[0] - period)
            high.append(self.time_s[-1])
        for least, most in SHAPE_RANGES[self.layout.shape]:
            low.append(np.log(period / 20) if least is None else least)
            high.append(np.log(10 * length) if most is None else most)
        return np.array(low), np.array(high)

    def log_density(self, theta: FloatArray) -> FloatArray:
        """Log posterior: flat over the ranges in the parameters as laid out (logarithms where positive), but for noise
        and jitter, of which the rest of the log tells."""
        low, high = self.ranges()
        inside = np.all((theta >= low) & (theta <= high), axis=1)
        rise = self.layout.rise(theta)
        inside &= (rise >= 0.2 * self.span_v) & (rise <= _MOST_RISE * self.span_v)
        inside &= theta[:, 0] + rise <= self.highest_v
        if self.layout.shape is Shape.LAGGED:
            inside &= theta[:, -1] <= theta[:, 2]  # the two constants are symmetric: the slower one is named τ
        if self.layout.shape is Shape.TWICE_LAGGED:
            inside &= (theta[:, -1] <= theta[:, -2]) & (theta[:, -2] <= theta[:, 2])
        if self.layout.shape is Shape.CONSTANT_POWER:  # below the lower resting point the link would collapse
            end_v = theta[:, 0] + rise
            inside &= end_v > 0
            inside &= theta[:, 0] + theta[:, -1] * rise > 1.05 * np.exp(theta[:, -2]) * end_v
        result = np.full(len(theta), -np.inf)
        if inside.any():
            kept = theta[inside]
            result[inside] = in_batches(self._log_likelihood, kept, self.volts.size)
            result[inside] -= np.log(high - low).sum()  # the prior's volume: models are compared by evidence
            if self.rest is not None:
                usual = max(self.rest.random_v, KNOWN_NOISE_STEPS * self.step_v, np.exp(low[3]))
                result[inside] += log_prior_of_noise(kept[:, 3], usual, (low[3], high[3]))
                result[inside] += log_prior_of_stamps(kept[:, 4], self.rest.stamps, (low[4], high[4]))
        return result

    def _log_likelihood(self, theta: FloatArray) -> FloatArray:
        expected, noise = self.expected(theta)
        return rounded_normal_log_likelihood(
            self.volts, expected, noise, self.step_v, self.span_v, self.outlier_share, self.floor_v
        )

    def expected(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation of each reading [V], shape (k, n), over the times when it may have been taken."""
        noise_v, error_s = np.exp(theta[:, 3]), np.exp(theta[:, 4])
        return over_stamp_error(lambda at_s: self.layout.curve(theta, at_s), self.time_s, noise_v, error_s)
