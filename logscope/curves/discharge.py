"""Fit the falling voltage of a link: level at the start, rate, and which of the usual curves it follows.

The error model is that of the precharge (`reading_error`): noise, rounding to the signal's step and stamps
that are off, all of it estimated with the curve by sampling the posterior. Limits are wider where readings resemble
their neighbours, and where the stamps leave the length of the fall open. The rate may be zero or negative, so that a
link that does not fall at all is measured like any other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
from scipy.optimize import least_squares
from scipy.special import logsumexp

from logscope.arrays import FloatArray
from logscope.curves.estimate import Estimate, estimate
from logscope.curves.evidence import LAG_ODDS, MISFIT_CORRELATION
from logscope.curves.reading_error import (
    KNOWN_NOISE_STEPS,
    log_prior_of_noise,
    log_prior_of_stamps,
    over_stamp_error,
    wider_by_correlation,
)
from logscope.curves.timestamps import Timestamps
from logscope.physics.discharge import (
    SAFE_V,
    at_constant_current,
    at_constant_power,
    at_power_of_voltage,
    through_resistor,
    time_to_share_at_power,
)
from logscope.statistics.batches import in_batches
from logscope.statistics.forward_differences import forward_differences
from logscope.statistics.importance import Posterior, sample_posterior
from logscope.statistics.rounding import log_likelihood_of_each, rounded_normal_log_likelihood


class Shape(Enum):
    """The curves that are tried."""

    RESISTOR = "an exponential towards 0 V"
    RESTING = "an exponential towards a level of its own"
    CURRENT = "a straight line, as at a constant current"
    POWER = "a fall that quickens, as at a constant power"
    BENT = "nearly an exponential, whose rate changes with the voltage"


# A right curve leaves residuals of 1.0 to 1.4 times the noise at rest (rounding counts once or twice there); more,
# with the sign of one telling the next, is a shape that the curve does not have.
MISFIT_RATIO = 1.6
LEAST_SAMPLES = 5
_MOST_FIT_SAMPLES = 600  # bounds the work; a slow fall is known far better than needed long before
_LEAST_NOISE_STEPS = 0.02  # noise below this share of the rounding step looks like none
_MOST_NOISE = 0.1  # of the level: noisier readings hold no curve
_LEAST_JITTER = 1e-3  # of a period, as for the precharge
_MOST_JITTER = 0.6  # of a period, likewise
# How far links are from discharging through a resistor that stays the same: constants of 24 s, then 31 s, in one fall
# of a hand-built car (own measurement of a capture) are an exponent of the voltage that is off 1 by 0.16.
_BEND, _MOST_BEND = 0.16, 1.0
_HELD_UP_ODDS = 50.0  # to one, before the readings, against a second source that holds the link on its way (judgement)
_SCORE_OVER = 0.1  # of the deviation of a reading, over which its log-likelihood is differenced
_FASTEST_PER_PERIOD = 5.0  # a link that falls to 1 % from one sample to the next shows no rate


@dataclass(frozen=True, slots=True, eq=False)
class DischargeFit:
    """The fitted fall from begin_s on.

    start : level there [V]; rate : share of it that is lost per second at the start [1/s], of either sign
    time_constant : 1/rate of an exponential [s]; None for other curves, or where the rate may be zero
    rest : the level it comes to rest at [V], for that shape
    residual_v : root-mean-square deviation of the readings [V]; misfit : whether they still show another shape

    Where an exponential fits, so may one whose rate changes with the voltage, or one that comes to rest on its way: the
    time to a level is that of all, each by its evidence. In what is seen they hardly differ, beyond it they do.
    """

    begin_s: float
    shape: Shape
    start: Estimate
    rate: Estimate
    time_constant: Estimate | None
    rest: Estimate | None
    residual_v: float
    misfit: bool
    _theta: FloatArray
    _posterior: Posterior
    _onwards: tuple[tuple[Shape, Posterior], ...]

    @property
    def falls(self) -> bool:
        """Whether the link falls beyond doubt."""
        return self.rate.claim_low > 0

    def voltage(self, time_s: FloatArray) -> FloatArray:
        """The fitted voltage [V] at times [s], shape (n,)."""
        return np.asarray(_curve(self.shape, self._theta[None, :], (time_s - self.begin_s)[None, :])[0])

    def crossing(self, level_v: float = SAFE_V) -> Estimate:
        """When the fall passes a level, in s from begin_s. Infinite where it may never."""
        return self.crossing_from(self.begin_s, self.begin_s, 0.0, level_v)

    def crossing_from(self, low_s: float, high_s: float, late_s: float, level_v: float = SAFE_V) -> Estimate:
        """The same from an opening that happened between two times: nothing says when, so all are as likely.

        late_s : by how much the readings may be later than the link; that may be true or not, so it moves the lower
            limits alone
        """
        rng = np.random.default_rng(0)
        passed_s = np.concatenate([_crossing(shape, part.draws, level_v) for shape, part in self._onwards])
        weights = np.concatenate([part.weights for _, part in self._onwards])
        draws = Posterior(passed_s[:, None], weights, 0.0)
        passed_s = passed_s - (rng.uniform(low_s, high_s, passed_s.size) - self.begin_s)
        at = estimate(draws, passed_s)
        earlier = estimate(draws, passed_s - rng.uniform(0.0, late_s, passed_s.size))
        return replace(at, low=max(earlier.low, 0.0), claim_low=max(earlier.claim_low, 0.0))

    def opening(self, level_v: float, spread_v: float) -> Estimate:
        """When the curve, carried back, left a level [s], that is known to within ± spread [V]."""
        rng = np.random.default_rng(1)
        levels = level_v + rng.uniform(-spread_v, spread_v, len(self._posterior.draws))
        return estimate(self._posterior, self.begin_s + _crossing(self.shape, self._posterior.draws, levels))


@dataclass(frozen=True, slots=True)
class Readings:
    """What the log shows of the readings.

    step_v : rounding step [V], 0 if none
    noise_v : standard deviation of one at rest [V], rounding included; random_v : the same before rounding, None if
        not known
    stamps : how far a stamp is from when its reading was taken, None if not known
    scale_error : by which share the stamps may tell a wrong length
    """

    step_v: float
    noise_v: float
    random_v: float | None = None
    stamps: Timestamps | None = None
    scale_error: float = 0.0


def fit_discharge(time_s: FloatArray, volts: FloatArray, readings: Readings) -> DischargeFit | None:
    """Fit one fall; None with fewer than `LEAST_SAMPLES` samples, or where no curve is possible.

    time_s, volts : samples while the link is apart from the pack, shape (n,)
    """
    thin = slice(None, None, -(-time_s.size // _MOST_FIT_SAMPLES))
    if time_s.size < LEAST_SAMPLES or time_s[-1] <= time_s[0] or np.median(volts[thin][:3]) <= 0:
        return None
    problem = _Problem(time_s[thin] - time_s[0], volts[thin], readings)
    shape = Shape.RESISTOR
    posterior = plain = problem.solve(shape)
    if posterior is None or plain is None:
        return None
    if _misfits(problem, shape, posterior):
        for other in (Shape.RESTING, Shape.CURRENT, Shape.POWER):
            tried = problem.solve(other)
            if tried is None or tried.log_evidence <= posterior.log_evidence:
                continue
            if tried.log_evidence - plain.log_evidence >= np.log(LAG_ODDS):
                shape, posterior = other, tried
    onwards = [(shape, posterior)]
    if shape is Shape.RESISTOR:
        bent, resting = problem.solve(Shape.BENT), problem.solve(Shape.RESTING)
        if resting is not None:
            rare = replace(resting, log_evidence=resting.log_evidence - float(np.log(_HELD_UP_ODDS)))
            onwards.append((Shape.RESTING, rare))
        if bent is not None:
            onwards.append((Shape.BENT, bent))
            if bent.log_evidence - posterior.log_evidence >= np.log(LAG_ODDS):
                shape, posterior = Shape.BENT, bent
    return _as_fit(problem, shape, posterior, onwards, float(time_s[0]))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """One fall. Parameters: start [V], rate [1/s], log noise, log jitter, and for a level of its own that level as a
    share of the start; for a rate that changes with the voltage, the exponent of it."""

    elapsed_s: FloatArray
    volts: FloatArray
    readings: Readings

    @property
    def step_v(self) -> float:
        return self.readings.step_v

    @property
    def period_s(self) -> float:
        return float(self.elapsed_s[-1] / (self.elapsed_s.size - 1))

    @property
    def span_v(self) -> float:
        return float(max(np.ptp(self.volts), 10 * self.step_v, 1.0))

    def ranges(self, shape: Shape) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest value of each parameter."""
        top, length, period = float(max(self.volts.max(), 1.0)), float(self.elapsed_s[-1]), self.period_s
        least_noise = max(self.step_v * _LEAST_NOISE_STEPS, top * 1e-6)
        low = [0.5 * float(self.volts[0]), -1.0 / length, np.log(least_noise), np.log(period * _LEAST_JITTER)]
        high = [
            1.5 * top,
            _FASTEST_PER_PERIOD / period,
            np.log(top * _MOST_NOISE),
            np.log(period * _MOST_JITTER),
        ]
        if shape is Shape.RESTING:
            low.append(0.0)
            high.append(0.999)
        if shape is Shape.BENT:
            low.append(1.0 - _MOST_BEND)
            high.append(1.0 + _MOST_BEND)
        return np.array(low), np.array(high)

    def solve(self, shape: Shape) -> Posterior | None:
        """The posterior of one shape; None where no curve of it is possible."""
        low, high = self.ranges(shape)

        def log_likelihood(theta: FloatArray) -> FloatArray:
            expected, noise = self.expected(shape, theta)
            return rounded_normal_log_likelihood(self.volts, expected, noise, self.step_v, self.span_v)

        def log_density(theta: FloatArray) -> FloatArray:
            inside = np.all((theta >= low) & (theta <= high), axis=1)
            result = np.full(len(theta), -np.inf)
            if inside.any():
                kept = theta[inside]
                result[inside] = in_batches(log_likelihood, kept, self.volts.size)
                result[inside] -= np.log(high - low).sum()
                result[inside] += self._from_rest(kept, low, high)
                if shape is Shape.BENT:  # relative to one that is flat
                    result[inside] += _log_prior_of_bend(kept[:, 4])
            return result

        start, covariance = self._least_squares(shape)
        return sample_posterior(log_density, np.clip(start, low, high), covariance)

    def _from_rest(self, theta: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log prior of noise and stamps from what the rest of the log shows, relative to flat ones, shape (k,)."""
        prior = np.zeros(len(theta))
        if self.readings.random_v is not None:
            usual = max(self.readings.random_v, KNOWN_NOISE_STEPS * self.step_v, float(np.exp(low[2])))
            prior += log_prior_of_noise(theta[:, 2], usual, (low[2], high[2]))
        if self.readings.stamps is not None:
            prior += log_prior_of_stamps(theta[:, 3], self.readings.stamps, (low[3], high[3]))
        return prior

    def expected(self, shape: Shape, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and standard deviation of each reading [V], shape (k, n), over the times when it may have been taken."""
        noise_v, error_s = np.exp(theta[:, 2]), np.exp(theta[:, 3])
        return over_stamp_error(lambda at_s: _curve(shape, theta, at_s), self.elapsed_s, noise_v, error_s)

    def scores(self, shape: Shape, theta: FloatArray) -> FloatArray:
        """Slope of each reading's log-likelihood with the curve's value there [1/V], shape (n,)."""
        expected, noise = self.expected(shape, theta[None, :])
        away = _SCORE_OVER * noise
        above, below = (
            log_likelihood_of_each(self.volts, expected + off, noise, self.step_v, self.span_v) for off in (away, -away)
        )
        return np.asarray(((above - below) / (2 * away))[0])

    def _least_squares(self, shape: Shape) -> tuple[FloatArray, FloatArray]:
        """The least-squares curve and its rough covariance, to start the sampling from."""
        low, high = self.ranges(shape)
        free = [0, 1, *range(4, low.size)]
        rms_floor = max(0.29 * self.step_v, 1e-5 * float(self.volts.max()))

        def curves(values: FloatArray) -> FloatArray:
            theta = np.zeros((len(values), low.size))
            theta[:, free] = values
            return _curve(shape, theta, self.elapsed_s[None, :])

        def residual(values: FloatArray) -> FloatArray:
            return np.asarray(curves(values[None, :])[0] - self.volts)

        best = None
        for guess in self._guesses(shape):
            found = least_squares(
                residual,
                np.clip(guess, low[free] + 1e-12, high[free] - 1e-12),
                jac=lambda values: forward_differences(curves, values, low[free], high[free]),
                bounds=(low[free], high[free]),
                x_scale=np.maximum(np.abs(guess), 1e-3),
                loss="soft_l1",
                f_scale=max(self.step_v, 4 * rms_floor),
            )
            if best is None or found.cost < best.cost:
                best = found
        assert best is not None
        rms = max(float(np.sqrt(np.mean(residual(best.x) ** 2))), rms_floor)
        bounded = np.linalg.inv(best.jac.T @ best.jac / rms**2 + np.diag((4 / (high - low)[free]) ** 2))
        theta, covariance = np.zeros(low.size), np.diag([0.0, 0.0, 0.8**2, 1.2**2] + [0.0] * (low.size - 4))
        theta[free] = best.x
        theta[2], theta[3] = np.log(0.7 * rms), np.log(self.period_s * 0.02)
        covariance[np.ix_(free, free)] = bounded
        return theta, covariance

    def _guesses(self, shape: Shape) -> list[FloatArray]:
        start, length = float(np.median(self.volts[:3])), float(self.elapsed_s[-1])
        end = float(np.median(self.volts[-3:]))
        half = float(np.median(self.volts[self.volts.size // 2 - 1 : self.volts.size // 2 + 2]))
        share = max(end / start, 1e-3)
        if shape is Shape.RESISTOR:
            early = float(max(half / start, 1e-3))
            return [np.array([start, -np.log(share) / length]), np.array([start, -2 * np.log(early) / length])]
        if shape is Shape.BENT:
            return [np.array([*guess, 1.0]) for guess in self._guesses(Shape.RESISTOR)]
        if shape is Shape.RESTING:
            return [np.array([start, 3 * k * (1 - share) / length, 0.98 * share]) for k in (1.0, 4.0)]
        rate = (1 - share) / length if shape is Shape.CURRENT else (1 - share**2) / (2 * length)
        return [np.array([start, rate]), np.array([start, 2 * rate])]


def _log_prior_of_bend(power: FloatArray) -> FloatArray:
    """Normal about a plain resistor's, relative to one that is flat, shape (k,)."""
    normal = -0.5 * ((power - 1.0) / _BEND) ** 2 - np.log(_BEND * np.sqrt(2 * np.pi))
    return np.asarray(normal + np.log(2 * _MOST_BEND))


def _curve(shape: Shape, theta: FloatArray, elapsed_s: FloatArray) -> FloatArray:
    """Voltage [V], shape (k, n), for k parameter vectors at times of shape (1 or k, n)."""
    rate = theta[:, 1:2]
    match shape:
        case Shape.RESTING:
            share = through_resistor(elapsed_s, rate, theta[:, 4:5])
        case Shape.CURRENT:
            share = at_constant_current(elapsed_s, rate)
        case Shape.POWER:
            share = at_constant_power(elapsed_s, rate)
        case Shape.BENT:
            share = at_power_of_voltage(elapsed_s, rate, theta[:, 4:5])
        case _:
            share = through_resistor(elapsed_s, rate)
    return np.asarray(theta[:, :1] * share)


def _crossing(shape: Shape, theta: FloatArray, level_v: float | FloatArray) -> FloatArray:
    """When each curve passes a level [s from its start], shape (k,); negative where that was before the start."""
    share, rate = level_v / theta[:, 0], theta[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        match shape:
            case Shape.RESTING:
                rest = theta[:, 4]
                times = -np.log((share - rest) / (1 - rest)) * (1 - rest) / rate
                times = np.where(share > rest, times, np.inf)
            case Shape.CURRENT:
                times = (1 - share) / rate
            case Shape.POWER:
                times = (1 - share**2) / (2 * rate)
            case Shape.BENT:
                times = time_to_share_at_power(share, rate, theta[:, 4])
            case _:
                times = -np.log(share) / rate
    return np.asarray(np.where(rate > 0, times, np.inf))


def _misfits(problem: _Problem, shape: Shape, posterior: Posterior) -> bool:
    left = problem.volts - _curve(shape, _middle(posterior)[None, :], problem.elapsed_s[None, :])[0]
    if left.size < 8 or float(np.std(left)) < MISFIT_RATIO * problem.readings.noise_v:
        return False
    return float(np.corrcoef(left[:-1], left[1:])[0, 1]) > MISFIT_CORRELATION


def _middle(posterior: Posterior) -> FloatArray:
    return np.asarray(posterior.weights @ posterior.draws)


def _widened(problem: _Problem, shape: Shape, posterior: Posterior) -> Posterior:
    """The posterior, spread about its middle as far as correlated readings and the length of the fall ask for."""
    middle = _middle(posterior)
    low, high = problem.ranges(shape)
    wider = wider_by_correlation(problem.scores(shape, middle))
    draws = np.clip(middle + wider * (posterior.draws - middle), low, high)
    error = problem.readings.scale_error
    draws[:, 1] *= 1 + np.random.default_rng(2).uniform(-error, error, len(draws))
    return replace(posterior, draws=draws)


def _as_fit(
    problem: _Problem, shape: Shape, posterior: Posterior, onwards: list[tuple[Shape, Posterior]], begin_s: float
) -> DischargeFit:
    misfit, posterior = _misfits(problem, shape, posterior), _widened(problem, shape, posterior)
    total = float(logsumexp([part.log_evidence for _, part in onwards]))
    draws, middle = posterior.draws, _middle(posterior)
    rate = estimate(posterior, draws[:, 1])
    exponential = shape in (Shape.RESISTOR, Shape.RESTING)
    rest = draws[:, 4] if shape is Shape.RESTING else np.zeros(len(draws))
    constant = None
    if exponential and rate.claim_low > 0:
        constant = estimate(posterior, (1 - rest) / np.maximum(draws[:, 1], 1e-12))
    left = problem.volts - _curve(shape, middle[None, :], problem.elapsed_s[None, :])[0]
    return DischargeFit(
        begin_s=begin_s,
        shape=shape,
        start=estimate(posterior, draws[:, 0]),
        rate=rate,
        time_constant=constant,
        rest=estimate(posterior, rest * draws[:, 0]) if shape is Shape.RESTING else None,
        residual_v=float(np.sqrt(np.mean(left**2))),
        misfit=misfit,
        _theta=middle,
        _posterior=posterior,
        _onwards=tuple(
            (each, replace(wider, weights=part.weights * float(np.exp(part.log_evidence - total))))
            for each, part in onwards
            for wider in (_widened(problem, each, part),)
        ),
    )
