"""Fit the charging curve of a link: start, end, time constant and, where it shows, the sensing lag.

The error model is that of a logged voltage: noise of the measurement, rounding to the signal's step, and
stamps that jitter, which on a steep curve is worth far more than the rounding. All of it is estimated
together with the curve, so that the limits hold whatever dominates in the log at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logscope.checks.estimate import Estimate, estimate
from logscope.checks.precharge.curve_likelihood import Problem, Rest
from logscope.checks.precharge.curve_shapes import Layout, Shape
from logscope.checks.precharge.curve_start import guesses_of, least_squares_start
from logscope.findings import FloatArray
from logscope.physics.rc import settled_fraction
from logscope.statistics.importance import Posterior, sample_posterior

# An S-shape is told from a plain exponential when its odds are at least this: common usage calls 20:1 strong.
LAG_ODDS = 20.0
# A misfit is no noise when it is this many times the noise seen at rest, and one residual tells the sign of the next.
MISFIT_RATIO = 3.0
MISFIT_CORRELATION = 0.4
_MOST_FIT_SAMPLES = 1500  # bounds the work on a curve that was sampled far more finely than it moves


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
    _layout: Layout

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
        return estimate(self._posterior, (low + high) / 2)

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

    def solve(shape: Shape) -> tuple[Problem, Posterior] | None:
        return _solve(Problem(time_s, volts, step_v, Layout(begin_s, onset_seen, shape), rest, cut_off))

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


def _likelier(known: tuple[Problem, Posterior], other: tuple[Problem, Posterior] | None) -> tuple[Problem, Posterior]:
    """The other one only where it is favoured by strong odds."""
    return other if other is not None and other[1].log_evidence - known[1].log_evidence >= np.log(LAG_ODDS) else known


def _misfits(solved: tuple[Problem, Posterior], noise_v: float) -> bool:
    """Whether the residuals of the best curve are larger than the noise at rest and follow one another."""
    problem, posterior = solved
    left = _residuals(problem, _best(problem, posterior))
    if left.size < 8 or float(np.std(left)) < MISFIT_RATIO * noise_v:
        return False
    return float(np.corrcoef(left[:-1], left[1:])[0, 1]) > MISFIT_CORRELATION


def _best(problem: Problem, posterior: Posterior) -> FloatArray:
    return np.asarray(posterior.draws[int(np.argmax(problem.log_density(posterior.draws)))])


def _residuals(problem: Problem, theta: FloatArray) -> FloatArray:
    return np.asarray(problem.volts - problem.layout.curve(theta[None, :], problem.time_s)[0][0])


def _solve(problem: Problem) -> tuple[Problem, Posterior] | None:
    """The posterior of one shape; None where no curve of it rises through the samples."""
    guesses = guesses_of(problem)
    if not guesses:
        return None
    start, covariance = least_squares_start(problem, guesses)
    posterior = sample_posterior(problem.log_density, np.clip(start, *problem.ranges()), covariance)
    return None if posterior is None else (problem, posterior)


def _curve_fit(problem: Problem, posterior: Posterior, odds: float, misfit: bool) -> CurveFit:
    draws, layout = posterior.draws, problem.layout
    best = _best(problem, posterior)

    def own(shape: Shape, place: int) -> Estimate | None:
        return estimate(posterior, np.exp(draws[:, place])) if layout.shape is shape else None

    return CurveFit(
        time_constant=estimate(posterior, np.exp(draws[:, 2])),
        lag=own(Shape.LAGGED, -1),
        start=estimate(posterior, draws[:, 0]),
        end=estimate(posterior, draws[:, 0] + layout.rise(draws)),
        onset=estimate(posterior, draws[:, 5]) if layout.fits_onset else None,
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
