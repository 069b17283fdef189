"""Fit the charging curve of a link: start, end, time constant and, where it shows, the sensing lag.

The error model is that of a logged voltage: noise of the measurement, rounding to the signal's step, and
stamps that jitter, which on a steep curve is worth far more than the rounding. All of it is estimated
together with the curve, so that the limits hold whatever dominates in the log at hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import norm

from logscope.findings import FloatArray
from logscope.physics.rc import (
    settled_fraction,
    settled_fraction_constant_power,
    settled_fraction_heating,
    settled_fraction_two_pole,
    settling_rate,
    settling_rate_two_pole,
)
from logscope.statistics.importance import Posterior, sample_posterior
from logscope.statistics.rounding import OUTLIER_SHARE, rounded_normal_log_likelihood


class Shape(Enum):
    """The curves that are tried. Each adds its own parameters behind the common ones."""

    EXPONENTIAL = "one exponential"
    LAGGED = "an exponential behind a sensing lag"
    HEATING = "a resistor that heats while it charges"
    CONSTANT_POWER = "a constant-power load that starts on the way"


# An S-shape is told from a plain exponential when its odds are at least this: common usage calls 20:1 strong.
LAG_ODDS = 20.0
# A claim "too slow" or "too fast" wants more than 95 % limits: 1 in 1000 on each side.
CLAIM_LEVEL = 0.001
# Readings noisier than a tenth of the span, or stamps off by more than half a period, hold no curve.
_MOST_NOISE = 0.1
_MOST_RISE = 8.0  # times what the log shows of it: a curve cut off sooner is nearly straight and holds no constant
_LEAST_JITTER = 1e-3  # of a period: what a loaded bus cannot undercut in practice
_BELOW_FLOOR = 2.0  # steps or deviations of a reading: an offset of the sensor of that size would go unseen
# A misfit is no noise when it is this many times the noise seen at rest, and one residual tells the sign of the next.
MISFIT_RATIO = 3.0
MISFIT_CORRELATION = 0.4
_KNOWN_NOISE_STEPS = 0.2  # less noise than this leaves most readings on one level, and its size unknown
# A contactor charges the link in a millisecond or so, and stamps are late by as much: of the last samples before it,
# taken 5 to 20 ms apart, one in ten shows a voltage on its way from the curve to the pack.
CUT_OFF_SHARE = 0.1
_LEAST_NOISE_STEPS = 0.02  # noise below this share of the rounding step cannot be told from none
_MOST_FIT_SAMPLES = 1500  # bounds the work on a curve that was sampled far more finely than it moves


# Most logs keep their noise and the irregularity of their stamps through the precharge; one in five may not, for a
# controller can be busier there, or pass on values that were measured at times of its own.
REST_TRUST = 0.8
# To what factor (as a logarithm) they are then known: from a few hundred samples, part of them at the rounding step.
REST_NOISE_LOG, REST_JITTER_LOG = 0.3, 0.5


@dataclass(frozen=True, slots=True)
class Rest:
    """What the log shows of its readings away from the curve.

    noise_v : standard deviation of a reading [V], rounding included; random_v : the same before rounding
    jitter_s : standard deviation of a stamp about the grid of the period [s]
    floor_v : the least reading there is [V], which stands for all below; minus infinity where there is none
    """

    noise_v: float
    random_v: float
    jitter_s: float
    floor_v: float = -np.inf


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with 95 % limits, and the wider limits that a claim has to clear."""

    value: float
    low: float
    high: float
    claim_low: float
    claim_high: float


@dataclass(frozen=True, slots=True, eq=False)
class CurveFit:
    """The fitted curve.

    time_constant : of the slower pole [s]; lag : of the faster pole [s], None where one pole explains the data
    start, end : the level before and the level approached [V]
    onset : when the voltage began to rise [s]; None where the log begins inside the rise
    residual_v : root-mean-square deviation of the readings from the curve [V]
    shape : the curve that explains the data; odds : by how much over one exponential
    heating : by what fraction the resistor grew, for that shape; load : P·R/V∞² of a constant-power load, for that
    misfit : whether the residuals still show a shape that none of the curves has
    """

    time_constant: Estimate
    lag: Estimate | None
    start: Estimate
    end: Estimate
    onset: Estimate | None
    residual_v: float
    shape: Shape
    odds: float
    heating: Estimate | None
    load: Estimate | None
    misfit: bool
    _theta: FloatArray
    _posterior: Posterior
    _layout: _Layout

    def crossing(self, level_v: float) -> Estimate | None:
        """Time from the onset until the curve passes a level [s]; None where it may never (1 of 40 draws)."""
        draws = self._posterior.draws
        wanted = (level_v - draws[:, 0]) / self._layout.rise(draws)
        if np.sum(self._posterior.weights[wanted >= 1]) > 0.025:
            return None
        tau = np.exp(draws[:, 2])
        wanted = np.clip(wanted, 0.0, 1 - 1e-9)
        low, high = np.zeros_like(tau), tau * 60
        for _ in range(40):  # bisection: the curve rises steadily
            middle = (low + high) / 2
            below = self._layout.fraction(draws, middle[:, None])[:, 0] < wanted
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return _estimate(self._posterior, (low + high) / 2)

    def link_voltage(self, time_s: FloatArray, constant_s: float) -> FloatArray:
        """The link's own voltage [V] at times [s], before any lag, with one of the constants as its own."""
        if self.lag is None or self.onset is None:
            return self.voltage(time_s)
        rise = self.end.value - self.start.value
        return self.start.value + rise * settled_fraction(time_s - self.onset.value, constant_s)

    def voltage(self, time_s: FloatArray) -> FloatArray:
        """The fitted voltage [V] at times [s], shape (n,)."""
        return np.asarray(self._layout.curve(self._theta[None, :], time_s)[0][0])

    def voltage_limits(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """95 % limits of the curve's voltage [V] at each of some times [s], each of shape (n,)."""
        volts = self._layout.curve(self._posterior.draws, time_s)[0]
        limits = np.array([self._posterior.quantiles(column, 0.025, 0.975) for column in volts.T])
        return limits[:, 0], limits[:, 1]


# What each shape adds, with its lowest and highest value; None where the sampling sets it.
_SHAPE_RANGES: dict[Shape, tuple[tuple[float | None, float | None], ...]] = {
    Shape.EXPONENTIAL: (),
    Shape.LAGGED: ((None, None),),
    Shape.HEATING: ((float(np.log(0.02)), float(np.log(3.0))),),  # wire-wound parts a few percent, PTC parts manifold
    Shape.CONSTANT_POWER: ((float(np.log(0.005)), float(np.log(0.8))), (0.0, 0.98)),
}
# Where the search for them starts.
_SHAPE_STARTS: dict[Shape, tuple[tuple[float, ...], ...]] = {
    Shape.EXPONENTIAL: ((),),
    Shape.LAGGED: ((),),
    Shape.HEATING: ((float(np.log(0.1)),), (float(np.log(0.6)),)),
    Shape.CONSTANT_POWER: tuple((float(np.log(k)), c) for k in (0.05, 0.3) for c in (0.4, 0.75)),
}


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where each parameter stands in the vector.

    start, log of the initial slope (rise / τ), log τ, log noise, log jitter, [onset], then those of the shape: log lag;
    log growth of the resistor; log load and where it cuts in, as a fraction of the rise. A curve that is cut short
    fixes its slope well and its end and τ only together: in these terms the two part.
    """

    begin_s: float  # the onset where it is not fitted
    fits_onset: bool
    shape: Shape

    @property
    def size(self) -> int:
        return 5 + self.fits_onset + len(_SHAPE_RANGES[self.shape])

    def fraction(self, theta: FloatArray, elapsed_s: FloatArray) -> FloatArray:
        """How far the curve has risen, for k parameter vectors and times since the onset, shape (k, n)."""
        tau, last = np.exp(theta[:, 2])[:, None], theta[:, -1:]
        match self.shape:
            case Shape.LAGGED:
                return settled_fraction_two_pole(elapsed_s, tau, np.exp(last))
            case Shape.HEATING:
                return settled_fraction_heating(elapsed_s, tau, np.exp(last))
            case Shape.CONSTANT_POWER:
                start_v, rise = theta[:, :1], self.rise(theta)[:, None]
                no_load = start_v + rise <= 0  # the search may come there, where no load draws any power
                start_v = np.where(no_load, 0.0, start_v)
                cut_in_v, load = start_v + last * rise, np.exp(theta[:, -2:-1])
                loaded = settled_fraction_constant_power(elapsed_s, tau, start_v + rise, start_v, cut_in_v, load)
                return np.where(no_load, settled_fraction(elapsed_s, tau), loaded)
        return settled_fraction(elapsed_s, tau)

    def rate(self, theta: FloatArray, elapsed_s: FloatArray) -> FloatArray:
        """Its derivative [1/s]. For the shapes that only bend an exponential, that of the exponential does: it
        weighs the jitter of the stamps."""
        tau = np.exp(theta[:, 2])[:, None]
        if self.shape is Shape.LAGGED:
            return settling_rate_two_pole(elapsed_s, tau, np.exp(theta[:, -1:]))
        return settling_rate(elapsed_s, tau)

    def rise(self, theta: FloatArray) -> FloatArray:
        """From the start to the end [V], shape (k,)."""
        return np.asarray(np.exp(np.minimum(theta[:, 1] + theta[:, 2], 700.0)))

    def onset(self, theta: FloatArray) -> FloatArray:
        return np.asarray(theta[:, 5]) if self.fits_onset else np.full(len(theta), self.begin_s)

    def curve(self, theta: FloatArray, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Voltage [V] and its rate [V/s], shape (k, n), for k parameter vectors."""
        elapsed = time_s[None, :] - self.onset(theta)[:, None]
        rise = self.rise(theta)[:, None]
        volts = theta[:, 0][:, None] + rise * self.fraction(theta, elapsed)
        return np.asarray(volts), np.asarray(rise * self.rate(theta, elapsed))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """One curve to fit and the ranges its parameters may take."""

    time_s: FloatArray
    volts: FloatArray
    step_v: float
    layout: _Layout
    rest: Rest | None
    cut_off: bool

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
            np.log(period / 2),
        ]
        if self.layout.fits_onset:
            low.append(self.time_s[0] - period)
            high.append(self.time_s[-1])
        for least, most in _SHAPE_RANGES[self.layout.shape]:
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
        if self.layout.shape is Shape.LAGGED:
            inside &= theta[:, -1] <= theta[:, 2]  # the two constants are symmetric: the slower one is named τ
        if self.layout.shape is Shape.CONSTANT_POWER:  # below the lower resting point the link would collapse
            end_v = theta[:, 0] + rise
            inside &= end_v > 0
            inside &= theta[:, 0] + theta[:, -1] * rise > 1.05 * np.exp(theta[:, -2]) * end_v
        result = np.full(len(theta), -np.inf)
        if inside.any():
            kept = theta[inside]
            expected, rate = self.layout.curve(kept, self.time_s)
            noise = np.sqrt(np.exp(2 * kept[:, 3])[:, None] + (rate * np.exp(kept[:, 4])[:, None]) ** 2)
            result[inside] = rounded_normal_log_likelihood(
                self.volts, expected, noise, self.step_v, self.span_v, self.outlier_share, self.floor_v
            )
            result[inside] -= np.log(high - low).sum()  # the prior's volume: models are compared by evidence
            if self.rest is not None:
                jitter_s = max(self.rest.jitter_s, self.period_s * _LEAST_JITTER)
                for place, told, deviation in (
                    (3, max(self.rest.random_v, _KNOWN_NOISE_STEPS * self.step_v, np.exp(low[3])), REST_NOISE_LOG),
                    (4, jitter_s, REST_JITTER_LOG),
                ):
                    flat = 1.0 / (high[place] - low[place])
                    near = norm.pdf(kept[:, place], np.log(told), deviation)
                    result[inside] += np.log((REST_TRUST * near + (1 - REST_TRUST) * flat) / flat)
        return result


def fit_curve(
    time_s: FloatArray,
    volts: FloatArray,
    step_v: float,
    *,
    onset_seen: bool,
    rest: Rest | None = None,
    cut_off: bool = False,
) -> CurveFit | None:
    """Fit one charging curve; None with fewer than four samples or no rise in them.

    time_s, volts : the samples from just before the rise to where the curve ends, shape (n,)
    step_v : rounding step of the readings [V], 0 if none
    onset_seen : whether samples from before the rise are among them
    rest : the readings away from the curve, where known: residuals that are larger than their noise and keep their
        sign are no noise, and then the curves of a heating resistor and of a constant-power load are tried
    cut_off : whether the curve breaks off behind the last sample, which may then have been taken while it did
    """
    if time_s.size < 4 or np.ptp(volts) <= 2 * step_v or np.median(np.diff(time_s)) <= 0:
        return None
    thin = slice(None, None, -(-time_s.size // _MOST_FIT_SAMPLES))
    time_s, volts = time_s[thin], volts[thin]
    begin_s = float(time_s[0])

    def solve(shape: Shape) -> tuple[_Problem, Posterior] | None:
        return _solve(_Problem(time_s, volts, step_v, _Layout(begin_s, onset_seen, shape), rest, cut_off))

    plain = solve(Shape.EXPONENTIAL)
    if plain is None:
        return None
    best = plain
    if onset_seen:  # without the beginning an S-shape cannot be seen
        best = _likelier(best, solve(Shape.LAGGED))
    if rest is not None and _misfits(best, rest.noise_v):
        for shape in (Shape.HEATING, Shape.CONSTANT_POWER):
            best = _likelier(best, solve(shape))
    odds = float(np.exp(np.clip(best[1].log_evidence - plain[1].log_evidence, -700, 700)))
    return _curve_fit(*best, odds=odds, misfit=rest is not None and _misfits(best, rest.noise_v))


def _likelier(
    known: tuple[_Problem, Posterior], other: tuple[_Problem, Posterior] | None
) -> tuple[_Problem, Posterior]:
    """The other one only where it is favoured by strong odds."""
    return other if other is not None and other[1].log_evidence - known[1].log_evidence >= np.log(LAG_ODDS) else known


def _misfits(solved: tuple[_Problem, Posterior], noise_v: float) -> bool:
    """Whether the residuals of the best curve are larger than the noise at rest and follow one another."""
    problem, posterior = solved
    left = _residuals(problem, _best(problem, posterior))
    if left.size < 8 or float(np.std(left)) < MISFIT_RATIO * noise_v:
        return False
    return float(np.corrcoef(left[:-1], left[1:])[0, 1]) > MISFIT_CORRELATION


def _best(problem: _Problem, posterior: Posterior) -> FloatArray:
    return np.asarray(posterior.draws[int(np.argmax(problem.log_density(posterior.draws)))])


def _residuals(problem: _Problem, theta: FloatArray) -> FloatArray:
    return np.asarray(problem.volts - problem.layout.curve(theta[None, :], problem.time_s)[0][0])


def _solve(problem: _Problem) -> tuple[_Problem, Posterior] | None:
    """The posterior of one shape; None where no curve of it rises through the samples."""
    guesses = _guesses(problem)
    if not guesses:
        return None
    start, covariance = _least_squares(problem, guesses)
    posterior = sample_posterior(problem.log_density, np.clip(start, *problem.ranges()), covariance)
    return None if posterior is None else (problem, posterior)


# The sampling adapts to where the mass lies: its start need only be near. A curve that is none never settles.
_START_TOLERANCE, _START_TRIES = 1e-6, 40


def _least_squares(problem: _Problem, guesses: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """The least-squares curve and its rough covariance, to start the sampling from."""
    time_s, volts, layout = problem.time_s, problem.volts, problem.layout
    low, high = problem.ranges()
    curve_at = [k for k in range(layout.size) if k not in (3, 4)]

    def residual(free: FloatArray) -> FloatArray:
        theta = np.zeros((1, layout.size))
        theta[0, curve_at] = free
        return np.asarray(layout.curve(theta, time_s)[0][0] - volts)

    best = None
    for guess in guesses:
        found = least_squares(
            residual,
            np.clip(guess, low[curve_at] + 1e-9, high[curve_at] - 1e-9),
            bounds=(low[curve_at], high[curve_at]),
            x_scale=np.maximum(np.abs(guess) * 0.1, 1e-3),
            loss="soft_l1",
            f_scale=max(problem.step_v, 1e-3 * problem.span_v),
            ftol=_START_TOLERANCE,
            xtol=_START_TOLERANCE,
            max_nfev=_START_TRIES,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    rms = max(float(np.sqrt(np.mean(residual(best.x) ** 2))), 0.29 * problem.step_v, 1e-5 * problem.span_v)
    # What the data leave open is bounded by the range of the parameter.
    data = best.jac.T @ best.jac / rms**2
    bounded = np.linalg.inv(data + np.diag((4 / (high - low)[curve_at]) ** 2))
    theta, covariance = (
        np.zeros(layout.size),
        np.diag([0.0, 0.0, 0.0, 0.8**2, 1.2**2] + [0.0] * (layout.size - 5)),
    )
    theta[curve_at] = best.x
    covariance[np.ix_(curve_at, curve_at)] = bounded
    steepest = float(np.abs(layout.curve(theta[None, :], time_s)[1]).max())
    theta[3] = np.log(0.7 * rms)
    theta[4] = np.log(np.clip(rms / max(steepest, 1e-9), problem.period_s * 1e-3, problem.period_s / 3))
    return theta, covariance


_GRID_ONSETS = 24
_GRID_CONSTANTS = 24


def _guesses(problem: _Problem) -> list[FloatArray]:
    """Starting points: for the least-squares fit has more than one minimum where samples are few.

    For each onset and constant on a grid the levels follow by linear regression; the best points of the
    grid, one a branch of the onset, start the search. Points at which the line falls are none of a charge.
    """
    time_s, volts, layout = problem.time_s, problem.volts, problem.layout
    rising = np.flatnonzero(volts > volts[0] + 0.9 * (volts.max() - volts[0]))
    last = float(time_s[rising[0]]) if rising.size else float(time_s[-1])
    onsets = np.linspace(time_s[0], last, _GRID_ONSETS) if layout.fits_onset else np.array([layout.begin_s])
    length = float(time_s[-1] - time_s[0])
    constants = np.geomspace(problem.period_s / 10, 2 * length, _GRID_CONSTANTS)
    onset, tau = (grid.ravel() for grid in np.meshgrid(onsets, constants, indexing="ij"))
    lag = 0.5 * tau
    elapsed = time_s[None, :] - onset[:, None]
    if layout.shape is Shape.LAGGED:
        fraction = settled_fraction_two_pole(elapsed, tau[:, None], lag[:, None])
    else:
        fraction = settled_fraction(elapsed, tau[:, None])
    centred = fraction - fraction.mean(axis=1, keepdims=True)
    power = np.maximum((centred**2).sum(axis=1), 1e-12)
    rise = (centred @ (volts - volts.mean())) / power
    bottom = volts.mean() - rise * fraction.mean(axis=1)
    misfit = ((bottom[:, None] + rise[:, None] * fraction - volts) ** 2).sum(axis=1)
    order = np.argsort(misfit)
    guesses: list[tuple[float, float, int]] = []
    for k in order[rise[order] > 0][:40]:
        if all(abs(onset[k] - other[0]) > problem.period_s or abs(tau[k] / other[1] - 1) > 1 for other in guesses):
            guesses.append((onset[k], tau[k], k))
    return [
        np.array([*_common(layout, bottom[k], rise[k], onset[k], tau[k]), *(own or _lag_start(layout, lag[k]))])
        for _, _, k in guesses[:_STARTS]
        for own in _SHAPE_STARTS[layout.shape]
    ]


_STARTS = 3


def _common(layout: _Layout, bottom: float, rise: float, onset: float, tau: float) -> tuple[float, ...]:
    """The parameters of the curve that all shapes have, in the order of the layout."""
    return (bottom, float(np.log(rise / tau)), float(np.log(tau)), *([onset] * layout.fits_onset))


def _lag_start(layout: _Layout, lag: float) -> tuple[float, ...]:
    return (float(np.log(lag)),) if layout.shape is Shape.LAGGED else ()


def _curve_fit(problem: _Problem, posterior: Posterior, odds: float, misfit: bool) -> CurveFit:
    draws, layout = posterior.draws, problem.layout
    best = _best(problem, posterior)

    def own(shape: Shape, place: int) -> Estimate | None:
        return _estimate(posterior, np.exp(draws[:, place])) if layout.shape is shape else None

    return CurveFit(
        time_constant=_estimate(posterior, np.exp(draws[:, 2])),
        lag=own(Shape.LAGGED, -1),
        start=_estimate(posterior, draws[:, 0]),
        end=_estimate(posterior, draws[:, 0] + layout.rise(draws)),
        onset=_estimate(posterior, draws[:, 5]) if layout.fits_onset else None,
        residual_v=float(np.sqrt(np.mean(_residuals(problem, best) ** 2))),
        shape=layout.shape,
        odds=odds,
        heating=own(Shape.HEATING, -1),
        load=own(Shape.CONSTANT_POWER, -2),
        misfit=misfit,
        _theta=best,
        _posterior=posterior,
        _layout=layout,
    )


def _estimate(posterior: Posterior, values: FloatArray) -> Estimate:
    low, mid, high = posterior.quantiles(values, 0.025, 0.5, 0.975)
    return Estimate(mid, low, high, *posterior.quantiles(values, CLAIM_LEVEL, 1 - CLAIM_LEVEL))
