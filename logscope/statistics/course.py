"""The course of a quantity over time: levels with steps between them, on one common slope.

Where the steps are is found by penalised likelihood (`partition`), with and without a slope, and Schwarz's criterion
decides between the two (Ann. Statist. 6, 1978; each step costs its size and its place: Yao, Stat. Probab. Lett. 6,
1988). Then each step must hold by itself: a t-test that allows for the search over places, for scatter beyond the
stated deviations and for what lasts from item to item; and it must explain its surroundings better than a ramp or a
bend does.

What an item was measured with may change its value, too. Items come in groups, such as those of one sampling period;
a step counts as sound where it shows among items of one group, and as confounded with the groups where it does not.
Groups that follow each other by turns are brought onto one level first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from logscope.arrays import FloatArray
from logscope.statistics.partition import FEWEST, OUTLYING, drawn_in, partition, scatter
from logscope.statistics.rates import Estimate

LEVEL = 0.01  # chance of a step or slope claimed where there is none
_ROUNDS = 8  # of slope and steps by turns; two or three are enough
# Where the likelihood falls by more than this, the place of a step is excluded at 95 %: −2·ln(1 − √0.95), B. E. Hansen,
# Econometrica 68 (2000); wider than need be for large steps.
_PLACE_FALL = 7.352
_LASTS_FROM = 1.645  # standard errors of the correlation between neighbours, one-sided 5 %
_LASTS_MOST = 0.95  # correlation; above it a series of this length has no level at all
_TURNS = 4  # changes between two groups: a step in the vehicle falls together with one of them, hardly with half
_ESTIMABLE = 1e-6  # share of a column that the others may leave

Groups = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class LevelStep:
    """The level changes before item `at`.

    earliest, latest : of the first item of the new level, at 95 %
    before, after : levels at the moment of that item, without the step and with it
    change : with the chance of such a step by chance alone, wherever it might have been
    confounded : numbers of the groupings that changed with it, so that they may be its reason; empty for a sound step
    """

    at: int
    earliest: int
    latest: int
    before: Estimate
    after: Estimate
    change: Estimate
    confounded: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Steps in order of time; slope per unit of x, or None; the fitted level of each item, shape (n,)."""

    steps: tuple[LevelStep, ...]
    slope: Estimate | None
    level: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """Items in order of time, outliers drawn in; `groupings` has the number of the group of each."""

    x: FloatArray
    y: FloatArray
    deviation: FloatArray
    groupings: tuple[Groups, ...]

    @property
    def size(self) -> int:
        return self.y.size


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """Weighted least squares of a design; `covariance` allows for the scatter, by which `excess` it is larger."""

    design: FloatArray
    value: FloatArray
    covariance: FloatArray
    residual: FloatArray
    misfit: float
    excess: float
    freedom: int

    def estimate(self, of: FloatArray, places: int = 1) -> Estimate | None:
        """A sum of the parameters, its chance for so many places; None where the design does not determine it."""
        kept = np.linalg.pinv(self.design) @ (self.design @ of)
        if np.linalg.norm(kept - of) > _ESTIMABLE * np.linalg.norm(of):
            return None
        value, error = float(of @ self.value), sqrt(max(float(of @ self.covariance @ of), 1e-300))
        p_value = min(1.0, places * 2.0 * float(stdtr(self.freedom, -abs(value) / error)))
        reach = float(stdtrit(self.freedom, 0.975)) * error
        return Estimate(value, value - reach, value + reach, p_value)


def course(x: FloatArray, y: FloatArray, deviation: FloatArray, groupings: Sequence[Groups] = ()) -> Course | None:
    """The course of estimates over time; None with fewer than three items or no spread in x.

    x : rising; y; deviation : standard deviation of each y; all of shape (n,)
    groupings : each the number of the group of every item, shape (n,)
    """
    if x.size < 3 or np.ptp(x) <= 0:
        return None
    deviation = np.maximum(deviation, 1e-12)
    numbered = tuple(np.unique(each, return_inverse=True)[1] for each in groupings)
    for grouping in numbered:
        y = _evened(y, grouping)
    scattering = deviation * scatter(y, deviation)
    series = _Series((x - x.mean()) / np.ptp(x), drawn_in(y, scattering), deviation, numbered)
    steps, sloped = _best(series, scattering)
    series = replace(series, y=_within_reach(y, _fit(series, steps, sloped, ()), deviation))
    steps, sloped = _held(series, steps, sloped)
    plain = _fit(series, steps, sloped, ())
    found = tuple(_step(series, steps, sloped, number) for number in range(len(steps)))
    slope = _slope(series, steps, sloped)
    if slope is not None:
        scale = float(np.ptp(x))
        slope = Estimate(slope.value / scale, slope.low / scale, slope.high / scale, slope.p_value)
    return Course(found, slope, np.asarray(plain.design @ plain.value))


def _evened(y: FloatArray, grouping: Groups) -> FloatArray:
    """The series with each group brought onto the level of the largest, where the two follow each other by turns.

    By the median of the changes from one to the other; a step that falls together with one of them does not move it.
    """
    largest = int(np.argmax(np.bincount(grouping)))
    evened = y.copy()
    for group in range(int(grouping.max()) + 1):
        to, back = (
            np.flatnonzero((grouping[:-1] == first) & (grouping[1:] == second))
            for first, second in ((largest, group), (group, largest))
        )
        if group != largest and to.size + back.size >= _TURNS:
            changes = np.concatenate([y[to + 1] - y[to], y[back] - y[back + 1]])
            evened[grouping == group] -= np.median(changes)
    return evened


def _within_reach(y: FloatArray, fit: _Fit, deviation: FloatArray) -> FloatArray:
    """The series as stated, but for what stands far from its course."""
    level = fit.design @ fit.value
    reach = OUTLYING * sqrt(fit.excess) * deviation
    return np.clip(y, level - reach, level + reach)


def _best(series: _Series, scattering: FloatArray) -> tuple[tuple[int, ...], bool]:
    """The steps, and whether on a slope, of the best of some models."""
    x, y, size = series.x, series.y, series.size
    penalty = 2.0 * log(size)
    level = partition(y, scattering, penalty) if size >= 2 * FEWEST else ()
    models = {(level, False), ((), True)}
    for steps in (level, ()):
        for _ in range(_ROUNDS):
            slope = float(_fit(series, steps, True, ()).value[-1])
            found = partition(y - slope * x, scattering, penalty) if size >= 2 * FEWEST else ()
            if found == steps:
                break
            steps = found
        models.add((steps, True))
    fits = {model: _fit(series, *model, ()) for model in models}
    spread = max(1.0, min(fit.misfit / max(fit.freedom, 1) for fit in fits.values()))

    def criterion(model: tuple[tuple[int, ...], bool]) -> float:
        steps, sloped = model
        return fits[model].misfit / spread + (2 * len(steps) + sloped) * log(size)

    return min(sorted(models), key=criterion)


def _held(series: _Series, steps: tuple[int, ...], sloped: bool) -> tuple[tuple[int, ...], bool]:
    """Those steps that hold by themselves, the weakest taken away first; and whether the slope does."""
    while True:
        fit = _fit(series, steps, sloped, ())
        chances = [_chance(series, fit, steps, number) for number in range(len(steps))]
        weak = [
            number
            for number, chance in enumerate(chances)
            if chance > LEVEL or not _is_sharp(series, fit, steps, number)
        ]
        if weak:
            gone = max(weak, key=lambda number: chances[number])
            steps = _replaced(series, steps[:gone] + steps[gone + 1 :], sloped)
            continue
        slope = fit.estimate(_column(fit, -1)) if sloped else None
        if sloped and (slope is None or slope.p_value > LEVEL):
            sloped = False
            continue
        return steps, sloped


def _chance(series: _Series, fit: _Fit, steps: tuple[int, ...], number: int) -> float:
    """Of a step by chance alone, wherever it might have been."""
    found = fit.estimate(_column(fit, 1 + number), _places(series, steps))
    return 1.0 if found is None else found.p_value


def _places(series: _Series, steps: tuple[int, ...]) -> int:
    """How many were tried (Bonferroni): one place for a single step, beginning and end for a level among several."""
    return series.size - 1 if len(steps) < 2 else series.size * (series.size - 1) // 2


def _column(fit: _Fit, number: int) -> FloatArray:
    of = np.zeros(fit.value.size)
    of[number] = 1.0
    return of


def _surroundings(steps: tuple[int, ...], number: int, size: int) -> slice:
    """From the step before to the step after."""
    bounds = (0, *steps, size)
    return slice(bounds[number], bounds[number + 2])


def _without(series: _Series, fit: _Fit, steps: tuple[int, ...], number: int) -> FloatArray:
    """The items around a step as if it were the only change."""
    around = _surroundings(steps, number, series.size)
    own = np.where(np.arange(series.size) >= steps[number], fit.value[1 + number], 0.0)
    return np.asarray(fit.residual + own)[around]


def _is_sharp(series: _Series, fit: _Fit, steps: tuple[int, ...], number: int) -> bool:
    """Whether a step explains its surroundings better than a ramp or a bend, by Schwarz's criterion.

    What follows the seasons bends; a cubic follows half a period of it. Each level must also be seen in `FEWEST` items
    by themselves: two that stand apart draw the mean of a short level along.
    """
    around = _surroundings(steps, number, series.size)
    y, deviation = _without(series, fit, steps, number), series.deviation[around]
    new = np.arange(y.size) >= steps[number] - around.start
    x = np.linspace(-1.0, 1.0, y.size) if np.ptp(series.x[around]) <= 0 else series.x[around]
    powers = np.polynomial.polynomial.polyvander((x - x.mean()) / np.ptp(x), 3)
    stepped, ramp, bend = (
        _misfit(design, y, deviation) for design in (np.column_stack([~new, new]), powers[:, :2], powers)
    )
    middle = np.average(y[~new]) / 2.0 + np.average(y[new]) / 2.0
    own = (y > middle) == (new == (np.average(y[new]) > middle))
    if min(np.count_nonzero(own[new]), np.count_nonzero(own[~new])) < FEWEST:
        return False
    excess, parameter = max(1.0, min(stepped, ramp, bend) / max(y.size - 4, 1)), log(y.size)
    return (ramp - stepped) / excess > parameter and (bend - stepped) / excess > -parameter


def _misfit(design: FloatArray, y: FloatArray, deviation: FloatArray) -> float:
    scaled = design / deviation[:, np.newaxis]
    value = np.linalg.lstsq(scaled, y / deviation)[0]
    return float(np.sum((y / deviation - scaled @ value) ** 2))


def _profile(series: _Series, fit: _Fit, steps: tuple[int, ...], number: int) -> tuple[int, FloatArray]:
    """The first place in question, and the misfit around the step for each place from there on."""
    around = _surroundings(steps, number, series.size)
    y, weight = _without(series, fit, steps, number), 1.0 / series.deviation[around] ** 2
    before = [np.cumsum(each)[:-1] for each in (weight, weight * y)]
    whole = float(weight.sum()), float(np.sum(weight * y))
    after = [total - each for total, each in zip(whole, before, strict=True)]
    explained = before[1] ** 2 / before[0] + after[1] ** 2 / after[0]
    return around.start + 1, np.asarray(np.sum(weight * y * y) - explained)


def _replaced(series: _Series, steps: tuple[int, ...], sloped: bool) -> tuple[int, ...]:
    """Each step moved to its best place between its neighbours."""
    for number in range(len(steps)):
        fit = _fit(series, steps, sloped, ())
        first, misfit = _profile(series, fit, steps, number)
        inner = misfit[FEWEST - 1 : misfit.size - FEWEST + 1]
        if inner.size:
            steps = (*steps[:number], first + FEWEST - 1 + int(np.argmin(inner)), *steps[number + 1 :])
    return steps


def _step(series: _Series, steps: tuple[int, ...], sloped: bool, number: int) -> LevelStep:
    every = tuple(range(len(series.groupings)))
    confounded = _confounded(series, steps, sloped, number, every)
    fit = _fit(series, steps, sloped, () if confounded else every)
    at = steps[number]
    first, misfit = _profile(series, fit, steps, number)
    near = np.flatnonzero((misfit - misfit.min()) / fit.excess <= _PLACE_FALL)
    after = fit.design[at]
    before = after.copy()
    before[1 + number] = 0.0
    levels = [fit.estimate(each) for each in (before, after)]
    change = fit.estimate(_column(fit, 1 + number), _places(series, steps))
    assert levels[0] is not None
    assert levels[1] is not None
    assert change is not None
    return LevelStep(at, first + int(near[0]), first + int(near[-1]), levels[0], levels[1], change, confounded)


def _confounded(
    series: _Series, steps: tuple[int, ...], sloped: bool, number: int, every: tuple[int, ...]
) -> tuple[int, ...]:
    """The groupings that a step does not hold against."""

    def holds(against: tuple[int, ...]) -> bool:
        return _chance(series, _fit(series, steps, sloped, against), steps, number) <= LEVEL

    if not every or holds(every):
        return ()
    return tuple(each for each in every if not holds((each,))) or every


def _slope(series: _Series, steps: tuple[int, ...], sloped: bool) -> Estimate | None:
    """The slope, where it holds among items of one group, too."""
    if not sloped:
        return None
    fit = _fit(series, steps, True, tuple(range(len(series.groupings))))
    found = fit.estimate(_column(fit, len(steps) + 1))
    return found if found is not None and found.p_value <= LEVEL else None


def _fit(series: _Series, steps: tuple[int, ...], sloped: bool, against: tuple[int, ...]) -> _Fit:
    """Columns: the first level, the change at each step, the slope, and each group but the first of some groupings."""
    where = np.arange(series.size)
    columns = [np.ones(series.size), *((where >= at).astype(np.float64) for at in steps)]
    columns += [series.x] if sloped else []
    for grouping in (series.groupings[number] for number in against):
        columns += [(grouping == group).astype(np.float64) for group in range(1, int(grouping.max()) + 1)]
    design = np.column_stack(columns)
    scaled = design / series.deviation[:, np.newaxis]
    inverse = np.linalg.pinv(scaled)
    value = inverse @ (series.y / series.deviation)
    residual = series.y - design @ value
    misfit = float(np.sum((residual / series.deviation) ** 2))
    freedom = max(series.size - int(np.linalg.matrix_rank(scaled)) - len(steps), 1)  # the places are fitted, too
    excess = max(1.0, misfit / freedom) * _lasting(residual / series.deviation)
    covariance = excess * inverse @ inverse.T
    return _Fit(design, value, covariance, residual, misfit, excess, freedom)


def _lasting(residual: FloatArray) -> float:
    """Factor on the variance of a mean where neighbours are alike: (1 + r) / (1 − r), first-order autoregression.

    Bayley and Hammersley, Suppl. J. R. Stat. Soc. 8 (1946). 1 where no likeness shows.
    """
    power = float(np.sum(residual**2))
    if power <= 0:
        return 1.0
    alike = float(np.sum(residual[1:] * residual[:-1])) / power
    if alike * sqrt(residual.size) <= _LASTS_FROM:
        return 1.0
    alike = min(alike, _LASTS_MOST)
    return (1.0 + alike) / (1.0 - alike)
