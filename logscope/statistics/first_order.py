"""A first-order response to known inputs, fitted to means over equal steps, with limits.

The output error is fitted, not the change from step to step, which rounding to 1 °C would drown: for a time constant
the response is linear in all that remains (gains, offset, start of each stretch), so that the time constant alone is
sought. Residuals of rounded, slow readings are alike from step to step; they are whitened as a first-order process
(Cochrane and Orcutt, J. Am. Stat. Assoc. 44, 1949), and the limits of the time constant are those of the profile
likelihood (any text on non-linear regression, such as Bates and Watts, 1988). Where several inputs, or lags of the
sensor, explain the same values, the limits are those of one likelihood over all of them: each alternative counts as far
as it is no less likely than the limits allow, and no further.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, inf, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from logscope.arrays import BoolArray, FloatArray
from logscope.statistics.distributions import f_quantile
from logscope.statistics.information import covariance_of, variance_of

_COARSE = 24  # time constants tried over all…
_PRECISION = 3e-3  # …and how far the best one is sought, as a share
_LONGEST = 4.0  # of the length: what is slower looks like a ramp
_SHORTEST = 1.5  # steps
_MOST_ALIKE = 0.97  # correlation from one step to the next: above it nothing tells noise from drift
_LEAST_ROWS = 20
_FIRST_NOISE = 0.3  # in the unit of the value: until the residuals show their own
_TAKEN_UP = 2.5  # what the fit takes up of slow residuals, found with rounded readings and references of known truth
_LEAST_SLOW = 0.5  # of white noise: rounding of a value that moves steadily evens out, but not in a short log
# Times the least squares: what is left so nearly alike is not told apart, for no device is one body with one lag. Such
# a fit counts with one standard error about it.
_ALIKE = 1.1
_HOPELESS = 1.5  # times the least scatter, before residuals are whitened: nothing makes up for it
_SLOW_SHARE, _SLOWEST = 8, 60  # lags over which residuals are summed: a share of the rows, and at most so many


def follow(driven: FloatArray, step_s: float, time_constant_s: float) -> FloatArray:
    """What a first-order lag of gain 1 makes of means over equal steps, from rest: means over the same steps.

    Exact for an input that stays the same over each step. driven : shape (n,) or (n, k), step after step; step_s [s]
    """
    keep = exp(-step_s / time_constant_s)
    after = _settling(driven, keep)
    before = np.zeros_like(after)
    before[1:] = after[:-1]
    share = time_constant_s / step_s * (1.0 - keep)  # of the state before a step in the mean over it
    mean: FloatArray = driven + (before - driven) * share
    return mean


def _settling(driven: FloatArray, keep: float) -> FloatArray:
    """y[k] = keep · y[k − 1] + (1 − keep) · x[k] from rest, by sums over 2, 4, 8… steps.

    As scipy.signal's lfilter, whose import takes longer than a short log.
    """
    after, span = (1.0 - keep) * driven, 1
    while span < len(after) and keep > 0.0:
        after[span:] += keep * after[:-span]
        span, keep = 2 * span, keep * keep
    return after


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What is fitted, in rows of one step each.

    value : with NaN where there is none, shape (n,)
    reference : what it returns to without input, shape (n,); None for a constant that is sought
    inputs : shape (n, k); stretch : number of the unbroken stretch of each row, rising; step_s : of a row
    rounding : of the values; lag_s : of the sensor behind the response
    offset_sd : how far from the reference a value without input may be, a priori; infinite if nothing is known
    noise : standard deviation of a whitened row by which that is weighed
    """

    value: FloatArray
    reference: FloatArray | None
    inputs: FloatArray
    stretch: NDArray[np.int64]
    step_s: float
    rounding: float = 0.0
    lag_s: float = 0.0
    offset_sd: float = inf
    noise: float = _FIRST_NOISE

    def with_lag(self, lag_s: float) -> Problem:
        """The same behind a sensor of this time constant."""
        return replace(self, lag_s=lag_s)


@dataclass(frozen=True, slots=True, eq=False)
class Branch:
    """The fit of one problem behind one lag, that is no less likely than the limits allow.

    which : number of the problem; gains : of its inputs in the end, shape (k,); offset : added to the reference
    covariance : of gains and offset, shape (k + 1, k + 1), infinite where the log does not determine one
    reach : standard errors to its limits: fewer, the less likely it is
    """

    which: int
    time_constant_s: float
    low_s: float
    high_s: float
    gains: FloatArray
    offset: float
    covariance: FloatArray
    reach: float

    def sum(self, inputs: FloatArray, offset: float) -> tuple[float, float, float]:
        """The gains times inputs, shape (k,), and so many offsets, with limits."""
        value = float(self.gains @ inputs) + offset * self.offset
        reach = self.reach * sqrt(variance_of(np.append(inputs, offset), self.covariance))
        return value, value - reach, value + reach


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """A fitted response, limits 95 %.

    branches : the best fit, then those that the values do not exclude
    fitted : by the best one, shape (n,); scatter : standard deviation of its residuals
    """

    branches: tuple[Branch, ...]
    fitted: FloatArray
    scatter: float

    @property
    def time_constant_s(self) -> tuple[float, float, float]:
        """With limits: 0, or infinite, where the log sets none."""
        low_s, high_s = min(each.low_s for each in self.branches), max(each.high_s for each in self.branches)
        return self.branches[0].time_constant_s, low_s, high_s

    def at(self, *inputs: FloatArray) -> tuple[float, float, float]:
        """The response in the end to constant inputs, shape (k,), one array a problem, with its limits."""
        return _spanned([branch.sum(inputs[branch.which], 0.0) for branch in self.branches])

    def level(self, *inputs: FloatArray) -> tuple[float, float, float]:
        """The same with the offset: how far the value stands from the reference in the end, with its limits."""
        return _spanned([branch.sum(inputs[branch.which], 1.0) for branch in self.branches])


def _spanned(values: Sequence[tuple[float, float, float]]) -> tuple[float, float, float]:
    """The first value, with limits that span those of all."""
    return values[0][0], min(low for _, low, _ in values), max(high for _, _, high in values)


def fit_response(*problems: Problem, lags_s: Sequence[float] = (0.0,)) -> Response | None:
    """The fit; None where there are too few rows or a gain is not above zero.

    problems : the same values with other inputs; lags_s : of the sensor
    """
    rows = np.isfinite(problems[0].value)
    if np.count_nonzero(rows) < _LEAST_ROWS:
        return None
    abouts_s = [_coarse_s(problem, rows) for problem in problems]
    tried = [(which, problem.with_lag(lag_s)) for which, problem in enumerate(problems) for lag_s in lags_s]
    found = [_refined(problem, rows, abouts_s[which], 0.0) for which, problem in tried]
    misfits = [_solve(each, rows, best_s, 0.0).misfit for (_, each), best_s in zip(tried, found, strict=True)]
    hopeful = [each for each in np.argsort(misfits).tolist() if misfits[each] <= _HOPELESS**2 * min(misfits)]
    tried, found = [tried[each] for each in hopeful], [found[each] for each in hopeful]
    problem, best_s = tried[0][1], found[0]
    for _ in range(2):
        alike = _alike(_solve(problem, rows, best_s, 0.0).residual, rows, problem.stretch)
        best_s = _refined(problem, rows, best_s, alike)
        best = _solve(problem, rows, best_s, alike)
        if best.freedom < 3:
            return None
        slow = _slow_power(best.whitened, rows, problem.stretch)
        misfit = max(_TAKEN_UP * slow * best.misfit, best.freedom * _rounding_variance(problem, alike))
        problem = replace(problem, noise=sqrt(misfit / best.freedom))
    noisy = [(which, replace(each, noise=problem.noise)) for which, each in tried]
    found = [_refined(each, rows, about_s, alike) for (_, each), about_s in zip(noisy, found, strict=True)]
    solved = [_solve(each, rows, best_s, alike) for (_, each), best_s in zip(noisy, found, strict=True)]
    order = sorted(range(len(noisy)), key=lambda each: solved[each].misfit)
    best = solved[order[0]]
    if np.any(best.gains <= 0.0):
        return None
    variance = misfit / best.freedom
    allowed = best.misfit + variance * f_quantile(0.95, 1, best.freedom)
    near = max(allowed, _ALIKE * best.misfit)
    kept = [each for each in order if solved[each].misfit <= near and np.all(solved[each].gains > 0.0)]
    return Response(
        tuple(_branch(*noisy[each], rows, found[each], alike, allowed, max(variance, 1e-300)) for each in kept),
        fitted=best.fitted,
        scatter=float(np.sqrt(np.mean(best.residual[rows] ** 2))),
    )


def _branch(
    which: int, problem: Problem, rows: BoolArray, best_s: float, alike: float, allowed: float, variance: float
) -> Branch:
    solved = _solve(problem, rows, best_s, alike)
    allowed = max(allowed, solved.misfit + variance)
    shortest_s, longest_s = _range_s(problem)
    low_s = _where(problem, rows, alike, best_s, shortest_s, allowed)
    high_s = _where(problem, rows, alike, best_s, longest_s, allowed)
    return Branch(
        which,
        best_s,
        0.0 if low_s <= shortest_s else low_s,
        inf if high_s >= longest_s else high_s,
        solved.gains,
        solved.offset,
        _covariance(problem, rows, best_s, alike, variance),
        sqrt(max(allowed - solved.misfit, 0.0) / variance),
    )


def _range_s(problem: Problem) -> tuple[float, float]:
    return _SHORTEST * problem.step_s, _LONGEST * problem.value.size * problem.step_s


def _coarse_s(problem: Problem, rows: BoolArray) -> float:
    """About the best time constant of all [s]."""
    tried = np.geomspace(*_range_s(problem), _COARSE)
    misfits = [_solve(problem, rows, constant_s, 0.0).misfit for constant_s in tried.tolist()]
    return float(tried[int(np.argmin(misfits))])


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """The linear part of the fit for one time constant."""

    gains: FloatArray
    offset: float
    fitted: FloatArray
    residual: FloatArray
    whitened: FloatArray
    misfit: float
    freedom: int


def _columns(problem: Problem, constant_s: float) -> tuple[FloatArray, FloatArray]:
    """Response to the reference, shape (n,), and to all that is unknown, shape (n, k + 1 + stretches)."""
    numbers = np.unique(problem.stretch)
    size, inputs = problem.value.size, problem.inputs.shape[1]
    known = np.zeros(size)
    columns = np.zeros((size, inputs + 1 + numbers.size))
    columns[:, inputs] = 1.0
    for place, number in enumerate(numbers.tolist()):
        rows = problem.stretch == number
        columns[rows, :inputs] = follow(problem.inputs[rows], problem.step_s, constant_s)
        since_s = problem.step_s * np.arange(np.count_nonzero(rows))
        columns[rows, inputs + 1 + place] = np.exp(-since_s / constant_s)
        if problem.reference is not None:
            # from its first value on, so that a start at the reference needs no term of its own
            first = problem.reference[rows][0]
            known[rows] = first + follow(problem.reference[rows] - first, problem.step_s, constant_s)
        if problem.lag_s > 0.0:
            columns[rows, :inputs] = follow(columns[rows, :inputs], problem.step_s, problem.lag_s)
            if problem.reference is not None:
                known[rows] = first + follow(known[rows] - first, problem.step_s, problem.lag_s)
    return known, columns


def _solve(problem: Problem, rows: BoolArray, constant_s: float, alike: float) -> _Solved:
    known, columns = _columns(problem, constant_s)
    matrix, target = _whitened(columns, problem.value - known, rows, problem.stretch, alike)
    scale = np.sqrt(np.maximum((matrix**2).sum(axis=0), 1e-30))
    scaled = matrix / scale
    inputs = problem.inputs.shape[1]
    gram = scaled.T @ scaled
    prior = problem.noise / problem.offset_sd
    gram[inputs, inputs] += (prior / scale[inputs]) ** 2
    unknown = np.linalg.lstsq(gram, scaled.T @ target, rcond=1e-12)[0] / scale
    fitted = known + columns @ unknown
    left = target - matrix @ unknown
    return _Solved(
        gains=unknown[:inputs],
        offset=float(unknown[inputs]),
        fitted=fitted,
        residual=problem.value - fitted,
        whitened=left,
        misfit=float(left @ left) + (prior * float(unknown[inputs])) ** 2,
        freedom=target.size - columns.shape[1] - 1,
    )


def _whitened(
    columns: FloatArray, target: FloatArray, rows: BoolArray, stretch: NDArray[np.int64], alike: float
) -> tuple[FloatArray, FloatArray]:
    """Differences from what the row before foretells; a row that follows none keeps its own, in proportion."""
    follows = np.zeros(rows.size, np.bool_)
    follows[1:] = rows[1:] & rows[:-1] & (stretch[1:] == stretch[:-1])
    lone = float(np.sqrt(1.0 - alike**2))
    matrix, wanted = lone * columns, lone * target
    matrix[1:][follows[1:]] = (columns[1:] - alike * columns[:-1])[follows[1:]]
    wanted[1:][follows[1:]] = (target[1:] - alike * target[:-1])[follows[1:]]
    return matrix[rows], wanted[rows]


def _alike(residual: FloatArray, rows: BoolArray, stretch: NDArray[np.int64]) -> float:
    """Correlation of residuals one step apart."""
    pairs = rows[1:] & rows[:-1] & (stretch[1:] == stretch[:-1])
    first, second = residual[:-1][pairs], residual[1:][pairs]
    power = float(np.sqrt((first @ first) * (second @ second)))
    return float(np.clip(first @ second / power, 0.0, _MOST_ALIKE)) if power > 0.0 else 0.0


def _slow_power(whitened: FloatArray, rows: BoolArray, stretch: NDArray[np.int64]) -> float:
    """How much more of the whitened residuals is slow than of white noise (Newey and West, 1987).

    The parameters live on what is slow; the reference's own rounding and what no one body explains is slow.
    """
    of = stretch[rows]
    lags = min(whitened.size // _SLOW_SHARE, _SLOWEST)
    power = float(whitened @ whitened)
    total = 1.0
    for lag in range(1, lags + 1):
        same = of[lag:] == of[:-lag]
        total += (
            2.0 * (1.0 - lag / (lags + 1)) * float(whitened[lag:][same] @ whitened[:-lag][same]) / max(power, 1e-30)
        )
    return max(total, _LEAST_SLOW)


def _rounding_variance(problem: Problem, alike: float) -> float:
    """The least variance that rounding leaves in a whitened row; a fit that is better is luck."""
    return problem.rounding**2 / 12.0 * (1.0 - alike**2)


def _refined(problem: Problem, rows: BoolArray, about_s: float, alike: float) -> float:
    """The best time constant near one [s]."""
    shortest_s, longest_s = _range_s(problem)
    span = (longest_s / shortest_s) ** (1.0 / (_COARSE - 1))
    found = minimize_scalar(
        lambda constant: _solve(problem, rows, float(np.exp(constant)), alike).misfit,
        bounds=(log(max(about_s / span, shortest_s)), log(min(about_s * span, longest_s))),
        method="bounded",
        options={"xatol": _PRECISION},
    )
    return float(np.exp(found.x))


def _where(problem: Problem, rows: BoolArray, alike: float, best_s: float, end_s: float, allowed: float) -> float:
    """The time constant between the best one and the end at which the misfit passes what is allowed."""
    inside, outside = log(best_s), log(end_s)
    if _solve(problem, rows, end_s, alike).misfit <= allowed:
        return end_s
    step = 0.05 if outside > inside else -0.05  # the nearest crossing: farther out the misfit may come down again
    while (
        abs(step) < abs(outside - inside)
        and _solve(problem, rows, float(np.exp(inside + step)), alike).misfit <= allowed
    ):
        inside += step
        step *= 1.5
    outside = inside + step if abs(step) < abs(outside - inside) else outside
    for _ in range(8):
        middle = (inside + outside) / 2.0
        if _solve(problem, rows, float(np.exp(middle)), alike).misfit <= allowed:
            inside = middle
        else:
            outside = middle
    return float(np.exp((inside + outside) / 2.0))


def _covariance(problem: Problem, rows: BoolArray, best_s: float, alike: float, variance: float) -> FloatArray:
    """Of gains and offset, with what the time constant leaves open."""
    known, columns = _columns(problem, best_s)
    inputs = problem.inputs.shape[1]
    best = _solve(problem, rows, best_s, alike)
    beside_known, beside = _columns(problem, best_s * 1.01)
    unknown = np.linalg.lstsq(columns[rows], best.fitted[rows] - known[rows], rcond=1e-10)[0]
    slope = (beside_known + beside @ unknown - best.fitted) / 0.01
    matrix, _ = _whitened(np.column_stack((columns, slope)), problem.value, rows, problem.stretch, alike)
    gram = matrix.T @ matrix
    gram[inputs, inputs] += (problem.noise / problem.offset_sd) ** 2
    return variance * covariance_of(gram)[: inputs + 1, : inputs + 1]
