"""Fit the charging curve of a link: start, end, time constant and, where it shows, the sensing lag.

The error model is that of a logged voltage: noise of the measurement, rounding to the signal's step, and
stamps that are off, which on a steep curve is worth far more than the rounding. All of it is estimated
together with the curve, so that the limits hold whatever dominates in the log at hand. Behind a filter the limits are
those of all the filters that explain the curve, each by its evidence; what none of them explains widens them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from logscope.arrays import FloatArray
from logscope.curves.behind_lag import SoundLink, explained_behind_lag
from logscope.curves.estimate import Estimate, estimate
from logscope.curves.evidence import LAG_ODDS, MISFIT_CORRELATION, SURE_SHARE
from logscope.curves.initial_guess import guesses_behind, guesses_of, least_squares_start
from logscope.curves.reading_error import over_stamp_error
from logscope.curves.rise_likelihood import Problem, Rest
from logscope.curves.rise_shapes import FILTERED, Layout, Shape
from logscope.physics.rc import settled_fraction
from logscope.statistics.importance import Posterior, sample_posterior

MISFIT_RATIO = 3.0  # times the noise seen at rest and what stamps make of the slope: a larger misfit is neither
_MOST_FIT_SAMPLES = 500  # bounds the work on a curve that was sampled far more finely than it moves
_LEAST_ODDS = 1e-3  # of a filter beside the likeliest: less adds nothing to the limits
_BEYOND_NOISE = 1.15  # residuals this much larger than the noise at rest are not all noise
_SURE_CORRELATION = 2.0  # standard deviations of the correlation of white residuals
# Errors of stamps that come of two clocks running past one another resemble their neighbours: they are worth half as
# many; and this share of a period is where they begin to matter.
_DRIFTING_WIDER, _DRIFT_MATTERS = float(np.sqrt(2.0)), 0.1
# Of the probability, that must lie below the highest voltage there is: with less, that limit and the readings disagree.
_LEAST_POSSIBLE = 0.05
_NEARLY_ALL = 0.9  # of the probability below it: then the draws there stand for all
_POSSIBLE = 0.025  # of the probability: with more, 95 % limits do not leave a shape out
_MOST_WIDER = 5.0  # a curve that wants more than this is a misfit, and says so

Solved = tuple[Problem, Posterior]


@dataclass(frozen=True, slots=True, eq=False)
class CurveFit:
    """The fitted curve.

    time_constant : of the slower pole [s]; lag : of the faster pole [s], None where one pole explains the data
    hidden_lag : a lag that one exponential may hide, which the limits allow for [s]; None where none can be
    start, end : the level before and the level approached [V]
    onset : when the voltage began to rise [s]; None where the log begins inside the rise
    residual_v : root-mean-square deviation of the readings from the curve [V]
    shape : the curve that explains the data; odds : by how much over one exponential
    heating : by what fraction the resistor grew, for that shape; load : P·R/V∞² of a constant-power load, for that
    third : whether a third constant may be there, shorter than both, which may be the link's as well
    averaged : whether the filter is a moving average beyond doubt: the time constant is then the link's
    misfit : whether the residuals still show a shape that none of the curves has
    """

    time_constant: Estimate
    lag: Estimate | None
    hidden_lag: Estimate | None
    start: Estimate
    end: Estimate
    onset: Estimate | None
    residual_v: float
    shape: Shape
    odds: float
    heating: Estimate | None
    load: Estimate | None
    third: bool
    averaged: bool
    misfit: bool
    _problem: Problem
    _theta: FloatArray
    _mix: tuple[tuple[Layout, Posterior], ...]

    def crossing(self, level_v: float) -> Estimate | None:
        """Time from the onset until the curve passes a level [s]; None where it may never (1 of 40 draws)."""
        never = _over(self._mix, lambda layout, draws: (level_v - draws[:, 0]) / layout.rise(draws))
        if np.sum(never.weights[never.draws[:, 0] >= 1]) > 0.025:
            return None

        def passed_s(layout: Layout, draws: FloatArray) -> FloatArray:
            wanted = np.clip((level_v - draws[:, 0]) / layout.rise(draws), 0.0, 1 - 1e-9)
            tau = np.exp(draws[:, 2]) + (0.0 if layout.lag(draws) is None else np.asarray(layout.lag(draws)))
            low, high = np.zeros_like(tau), tau * 60
            for _ in range(40):  # bisection: the curve rises steadily
                middle = (low + high) / 2
                below = layout.fraction(draws, middle[:, None])[:, 0] < wanted
                low, high = np.where(below, middle, low), np.where(below, high, middle)
            return np.asarray((low + high) / 2)

        return _estimate(self._mix, passed_s)

    def link_voltage_limits(self, at_s: float, *, faster: bool) -> tuple[float, float]:
        """95 % limits of the link's own voltage [V] at a time [s], before any lag.

        faster : whether the faster of the two constants is the link's; of a curve without a lag there is one
        """

        def volts(layout: Layout, draws: FloatArray) -> FloatArray:
            lag = layout.lag(draws)
            tau = np.exp(draws[:, 2]) if lag is None or not faster else lag
            settled = settled_fraction(at_s - layout.onset(draws), tau)
            return np.asarray(draws[:, 0] + layout.rise(draws) * settled)

        link = _over(self._mix, volts)
        low, high = link.quantiles(link.draws[:, 0], 0.025, 0.975)
        return low, high

    def voltage(self, time_s: FloatArray) -> FloatArray:
        """The fitted voltage [V] at times [s], shape (n,)."""
        return np.asarray(self._problem.layout.curve(self._theta[None, :], time_s)[0])

    def voltage_limits(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """95 % limits of the curve's voltage [V] at each of some times [s], each of shape (n,)."""
        limits = np.array([self._limits(np.array([at_s])) for at_s in time_s])
        return limits[:, 0], limits[:, 1]

    def _limits(self, at_s: FloatArray) -> tuple[float, ...]:
        volts = _over(self._mix, lambda layout, draws: layout.curve(draws, at_s)[:, 0])
        return volts.quantiles(volts.draws[:, 0], 0.025, 0.975)

    @property
    def drift_s(self) -> float:
        """By how much stamps that drift may lengthen or shorten the time constant [s]."""
        return self._problem.rest.stamps.drift_s if self._problem.rest is not None else 0.0

    def explained_behind_lag(self, sound: SoundLink, *, few_do: bool = False) -> bool:
        """Whether a sound link behind one or two sensing lags would look the same.

        few_do : whether samples too few for every such curve count as explained
        """
        return explained_behind_lag(self._problem, self._theta, sound, few_do=few_do)


def fit_curve(
    time_s: FloatArray,
    volts: FloatArray,
    step_v: float,
    *,
    onset_seen: bool,
    rest: Rest | None = None,
    cut_off: bool = False,
    highest_v: float = np.inf,
) -> CurveFit | None:
    """Fit one charging curve; None with fewer than four samples or no rise in them.

    time_s, volts : the samples from just before the rise to where the curve ends, shape (n,)
    step_v : rounding step of the readings [V], 0 if none
    onset_seen : whether samples from before the rise are among them
    rest : the readings away from the curve, where known: residuals that are larger than their noise and keep their
        sign are no noise, and then the curves of a heating resistor and of a constant-power load are tried
    cut_off : whether the curve breaks off behind the last sample, which may then have been taken while it did
    highest_v : the highest voltage that the curve can lead to, where one is known [V]
    """
    if time_s.size < 4 or np.ptp(volts) <= 2 * step_v or np.median(np.diff(time_s)) <= 0:
        return None
    thin = slice(None, None, -(-time_s.size // _MOST_FIT_SAMPLES))
    time_s, volts = time_s[thin], volts[thin]
    begin_s = float(time_s[0])

    def problem(shape: Shape) -> Problem:
        return Problem(time_s, volts, step_v, Layout(begin_s, onset_seen, shape), rest, cut_off)

    plain = _solve(problem(Shape.EXPONENTIAL))
    if plain is None:
        return None
    best, mix, even = plain, [plain], False
    lagged = _solve(problem(Shape.LAGGED)) if onset_seen else None  # without the beginning an S cannot be seen
    filtered: list[Solved] = []
    # A moving average may be far from two poles: where one exponential does not fit, every filter is tried.
    if lagged is not None and (_likelier(plain, lagged) is lagged or (rest is not None and _misfits(plain, rest))):
        behind = lagged[1].likeliest
        others = [problem(shape) for shape in FILTERED if shape is not Shape.LAGGED]
        solved = [lagged, *(_solve(other, guesses_behind(other, behind)) for other in others)]
        filtered = _no_likelier([one for one in solved if one is not None])
    likeliest = max(filtered, key=lambda one: one[1].log_evidence, default=plain)
    if _likelier(plain, likeliest) is not plain:
        best, mix = likeliest, filtered
    elif lagged is not None and _likelier(lagged, plain) is not plain:
        mix, even = (
            [plain, lagged],
            True,
        )  # most links are read through a filter: one that would not show is not left out
    if rest is not None and _misfits(best, rest):
        for shape in (Shape.HEATING, Shape.CONSTANT_POWER):
            bent = _solve(problem(shape))
            if bent is not None and _likelier(best, bent) is bent:
                best, mix, even = bent, [bent], False
    odds = float(np.exp(np.clip(best[1].log_evidence - plain[1].log_evidence, -700, 700)))
    if possible := _below(mix, highest_v):
        best, mix, even = _chosen(_no_likelier(possible), even)
    return _curve_fit(best, mix, even=even, odds=odds)


def _no_likelier(solved: list[Solved]) -> list[Solved]:
    """The same, with no evidence that rests on a few draws above one that is known."""
    known = [posterior.log_evidence for _, posterior in solved if posterior.sure]
    most = max(known, default=np.inf)
    return [
        (problem, posterior if posterior.sure else replace(posterior, log_evidence=min(posterior.log_evidence, most)))
        for problem, posterior in solved
    ]


def _likelier(known: Solved, other: Solved) -> Solved:
    """The other one only where it is favoured by strong odds."""
    return other if other[1].log_evidence - known[1].log_evidence >= np.log(LAG_ODDS) else known


def _misfits(solved: Solved, rest: Rest) -> bool:
    """Whether the residuals of the best curve are larger than noise and stamps make them, and follow one another.

    Where a sensor's readings repeat, or stamps lie on a coarse grid, the error of a stamp changes slowly, and so do the
    residuals that it makes where the curve is steep: they say nothing of its shape.
    """
    problem, posterior = solved
    theta, noise_v, error_s = posterior.likeliest, np.array([rest.noise_v]), np.array([rest.stamps.error_s])
    curve = partial(problem.layout.curve, theta[None, :])
    _, deviation = over_stamp_error(curve, problem.time_s, noise_v, error_s)
    left = _residuals(problem, theta) / deviation[0]
    if left.size < 8 or float(np.std(left)) < MISFIT_RATIO:
        return False
    return _correlation(left) > MISFIT_CORRELATION


def _correlation(left: FloatArray) -> float:
    """Of each residual with the next."""
    return float(np.corrcoef(left[:-1], left[1:])[0, 1])


def _wider(left: FloatArray, noise_v: float | None) -> float:
    """By how much limits grow where residuals beyond the noise at rest keep their sign: √((1 + r) / (1 − r)).

    Neighbours that resemble one another are worth fewer readings by that factor squared (a first-order autoregressive
    error; Bayley and Hammersley, J. R. Stat. Soc. Suppl. 8, 1946).
    """
    if noise_v is None or left.size < 8 or float(np.std(left)) < _BEYOND_NOISE * noise_v:
        return 1.0
    r = _correlation(left)
    if not r > _SURE_CORRELATION / np.sqrt(left.size):
        return 1.0
    return float(min(np.sqrt((1 + r) / max(1 - r, 1e-3)), _MOST_WIDER))


def _wider_by_stamps(problem: Problem, posterior: Posterior) -> float:
    """By how much limits grow where the stamps are as uncertain as a coarse grid or repeated readings make them."""
    drifts = problem.rest is not None and problem.rest.stamps.drift_s > 0
    error_s = float(np.exp(posterior.quantiles(posterior.draws[:, 4], 0.5)[0]))
    return _DRIFTING_WIDER if drifts and error_s > _DRIFT_MATTERS * problem.period_s else 1.0


def _residuals(problem: Problem, theta: FloatArray) -> FloatArray:
    return np.asarray(problem.volts - problem.layout.curve(theta[None, :], problem.time_s)[0])


def _solve(problem: Problem, guesses: list[FloatArray] | None = None) -> Solved | None:
    """The posterior of one shape; None where no curve of it rises through the samples."""
    guesses = guesses_of(problem) if guesses is None else guesses
    if not guesses:
        return None
    start, covariance = least_squares_start(problem, guesses)
    posterior = sample_posterior(problem.log_density, np.clip(start, *problem.ranges()), covariance)
    return None if posterior is None else (problem, posterior)


def _below(solved: Sequence[Solved], highest_v: float) -> list[Solved]:
    """The same of curves that lead to no more than there is; none where readings and that limit disagree.

    Where much of a posterior lies above the limit, what is left of its draws would say little of the rest: it is drawn
    anew below it. Both evidences are over one prior, so their ratio is the probability below the limit.
    """
    known = np.logaddexp.reduce([posterior.log_evidence for _, posterior in solved])
    below = [each for one in solved if (each := _drawn_below(one, highest_v)) is not None]
    left = np.logaddexp.reduce([posterior.log_evidence for _, posterior in below]) if below else -np.inf
    return below if left - known >= np.log(_LEAST_POSSIBLE) else []


def _chosen(solved: list[Solved], even: bool) -> tuple[Solved, list[Solved], bool]:
    """The best of some shapes, those that its limits are made of, and whether evenly.

    A filter that need not be there stays beside one exponential, unless the odds between them have become strong.
    """
    evidence = [posterior.log_evidence for _, posterior in solved]
    if even and np.ptp(evidence) < np.log(LAG_ODDS):
        return solved[0], solved, even
    best = solved[int(np.argmax(evidence))]
    behind = best[0].layout.shape in FILTERED
    return best, [one for one in solved if not behind or one[0].layout.shape in FILTERED], False


def _drawn_below(solved: Solved, highest_v: float) -> Solved | None:
    problem, posterior = solved
    possible = posterior.draws[:, 0] + problem.layout.rise(posterior.draws) <= highest_v
    share = float(posterior.weights[possible].sum())
    limited = replace(problem, highest_v=highest_v)
    if share >= _NEARLY_ALL:
        weights = posterior.weights[possible] / share
        return limited, replace(
            posterior,
            draws=posterior.draws[possible],
            weights=weights,
            log_evidence=posterior.log_evidence + float(np.log(share)),
            sure=True,
            densities=posterior.densities[possible],
        )
    if not possible.any():
        return None
    start = posterior.draws[possible][int(np.argmax(posterior.densities[possible]))]
    drawn = sample_posterior(limited.log_density, start, np.cov(posterior.draws.T, aweights=posterior.weights))
    return None if drawn is None else (limited, drawn)


Mix = Sequence[tuple[Layout, Posterior]]


def _mixed(solved: Sequence[Solved], even: bool, wider: float) -> Mix:
    """The posteriors of several shapes, by their evidence or evenly, each spread about its middle by a factor."""
    most = max(posterior.log_evidence for _, posterior in solved)
    odds = [1.0 if even else float(np.exp(posterior.log_evidence - most)) for _, posterior in solved]
    kept = [(one, share) for one, share in zip(solved, odds, strict=True) if share >= _LEAST_ODDS]
    total = sum(share for _, share in kept)
    mix = []
    for (problem, posterior), share in kept:
        middle = posterior.weights @ posterior.draws
        draws = np.clip(middle + wider * (posterior.draws - middle), *problem.ranges())
        if problem.rest is not None and (error := problem.rest.scale_error) > 0:
            longer = np.random.default_rng(2).uniform(-error, error, len(draws))
            draws = problem.layout.stretched(draws, np.log1p(longer))
        mix.append((problem.layout, replace(posterior, draws=draws, weights=posterior.weights * share / total)))
    return tuple(mix)


def _share(mix: Mix, shape: Shape) -> float:
    """Of the probability, that one shape has [1]."""
    return float(sum(posterior.weights.sum() for layout, posterior in mix if layout.shape is shape))


def _over(mix: Mix, value: Callable[[Layout, FloatArray], FloatArray]) -> Posterior:
    """A function of the parameters, at each draw of all shapes, or of some, whose probability then counts as all."""
    values = np.concatenate([value(layout, posterior.draws) for layout, posterior in mix])
    weights = np.concatenate([posterior.weights for _, posterior in mix])
    return Posterior(values[:, None], weights / weights.sum(), 0.0)


def _estimate(mix: Mix, value: Callable[[Layout, FloatArray], FloatArray]) -> Estimate:
    of = _over(mix, value)
    return estimate(of, of.draws[:, 0])


def _curve_fit(best: Solved, solved: Sequence[Solved], *, even: bool, odds: float) -> CurveFit:
    problem, layout, rest = best[0], best[0].layout, best[0].rest
    theta = best[1].likeliest
    left = _residuals(problem, theta)
    mix = tuple(_mixed(solved, even, max(_wider(left, rest.noise_v if rest else None), _wider_by_stamps(*best))))
    filtered = layout.shape in FILTERED
    behind = [one for one in mix if one[0].shape in FILTERED]

    def own(shape: Shape, place: int) -> Estimate | None:
        return _estimate(mix, lambda _, draws: np.exp(draws[:, place])) if layout.shape is shape else None

    return CurveFit(
        time_constant=_estimate(mix, lambda _, draws: np.exp(draws[:, 2])),
        lag=_estimate(mix, lambda of, draws: np.asarray(of.lag(draws))) if filtered else None,
        hidden_lag=_estimate(behind, lambda of, draws: np.asarray(of.lag(draws))) if behind and not filtered else None,
        start=_estimate(mix, lambda _, draws: draws[:, 0]),
        end=_estimate(mix, lambda of, draws: draws[:, 0] + of.rise(draws)),
        onset=_estimate(mix, lambda _, draws: draws[:, 5]) if layout.fits_onset else None,
        residual_v=float(np.sqrt(np.mean(left**2))),
        shape=layout.shape,
        odds=odds,
        heating=own(Shape.HEATING, -1),
        load=own(Shape.CONSTANT_POWER, -2),
        third=_share(mix, Shape.TWICE_LAGGED) >= _POSSIBLE,
        averaged=_share(mix, Shape.AVERAGED) >= SURE_SHARE,
        misfit=rest is not None and _misfits(best, rest),
        _problem=problem,
        _theta=theta,
        _mix=mix,
    )
