"""Whether a level changed: between two sets of repeated estimates, or between two sides within cells of alike state.

Both work on any additive scale; for ratios the caller hands in logarithms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.distributions import normal_quantile, normal_tail, student_quantile, student_tail
from logscope.statistics.rates import Estimate

_TWO_SIDED = 0.975


@dataclass(frozen=True, slots=True)
class Change:
    """Both levels with 95 % limits, and the second less the first.

    The p-value of `change` is that of a change no larger than the margin that was asked for.
    """

    first: Estimate
    second: Estimate
    change: Estimate


def change_of_repeats(
    first: FloatArray, first_deviation: FloatArray, second: FloatArray, second_deviation: FloatArray,
    *, repeatability: float, margin: float,
) -> Change:  # fmt: skip
    """Compare repeated estimates of one quantity, each with its own standard deviation.

    The estimates of a side scatter by their own deviations and by what differs from time to time. The latter is
    pooled over both sides by the method of moments (DerSimonian and Laird, Controlled Clinical Trials 7, 1986), and is
    never taken as less than `repeatability`, which few repeats cannot show.

    first, second : the estimates, shape (n,) with n >= 1; *_deviation : their standard deviations
    repeatability : standard deviation from time to time, at least; margin : change that would not matter
    """
    between = max(repeatability**2, _between((first, first_deviation), (second, second_deviation)))
    sides = [_pooled(first, first_deviation, between), _pooled(second, second_deviation, between)]
    difference = sides[1][0] - sides[0][0]
    error = float(np.hypot(sides[0][1], sides[1][1]))
    reach = normal_quantile(_TWO_SIDED)
    p_value = min(1.0, 2.0 * normal_tail((abs(difference) - margin) / error))
    levels = [Estimate(mean, mean - reach * own, mean + reach * own) for mean, own in sides]
    change = Estimate(difference, difference - reach * error, difference + reach * error, p_value)
    return Change(levels[0], levels[1], change)


def level_of_repeats(value: FloatArray, deviation: FloatArray, *, repeatability: float) -> Estimate:
    """The level of one set of repeated estimates, as `change_of_repeats` takes it."""
    between = max(repeatability**2, _between((value, deviation)))
    mean, own = _pooled(value, deviation, between)
    reach = normal_quantile(_TWO_SIDED) * own
    return Estimate(mean, mean - reach, mean + reach)


def levels_of_sets(
    sets: Sequence[tuple[FloatArray, FloatArray]], *, repeatability: float = 0.0
) -> list[tuple[float, float]]:
    """The level of each set of repeated estimates with its standard deviation.

    What differs from time to time is pooled over all sets, as in `change_of_repeats`: small ones do not show it.
    """
    between = max(repeatability**2, _between(*sets))
    return [_pooled(value, deviation, between) for value, deviation in sets]


def _pooled(value: FloatArray, deviation: FloatArray, between: float) -> tuple[float, float]:
    """Weighted mean and its standard deviation."""
    weight = 1.0 / (deviation**2 + between)
    return float(np.sum(weight * value) / weight.sum()), float(weight.sum() ** -0.5)


def _between(*sides: tuple[FloatArray, FloatArray]) -> float:
    """Variance from time to time beyond the estimates' own, pooled over all sides; 0 where none shows."""
    excess, freedom = 0.0, 0.0
    for value, deviation in sides:
        weight = 1.0 / np.maximum(deviation, 1e-12) ** 2
        mean = np.sum(weight * value) / weight.sum()
        excess += float(np.sum(weight * (value - mean) ** 2)) - (value.size - 1)
        freedom += float(weight.sum() - np.sum(weight**2) / weight.sum())
    return max(0.0, excess / freedom) if freedom > 0 else 0.0


def change_in_cells(
    first: FloatArray, first_weight: FloatArray, second: FloatArray, second_weight: FloatArray, *, margin: float
) -> Change | None:
    """Compare levels within cells, each level measured in several units (runs, or stretches of time).

    A regression with one level a cell and one change for all; its error comes from the scatter of the units, all
    cells of a unit together, so that units may differ (Liang and Zeger, Biometrika 73, 1986). A cell needs two
    units a side. Limits are Student's. None where no cell is shared, or its values do not scatter.

    first, second : shape (units, cells); *_weight : their weights, 0 where a unit did not see a cell
    margin : change that would not matter
    """
    enough = ((first_weight > 0).sum(axis=0) >= 2) & ((second_weight > 0).sum(axis=0) >= 2)
    if not enough.any():
        return None
    sides = [(v[:, enough], w[:, enough]) for v, w in ((first, first_weight), (second, second_weight))]
    weight = [w.sum(axis=0) for _, w in sides]
    mean = [(np.where(w > 0, v, 0.0) * w).sum(axis=0) / w.sum(axis=0) for v, w in sides]
    shared = weight[0] * weight[1] / (weight[0] + weight[1])
    shared = shared / shared.sum()
    difference = float(np.sum(shared * (mean[1] - mean[0])))
    spread = [_spread(v, w, m, shared) for (v, w), m in zip(sides, mean, strict=True)]
    units = sum(int(np.count_nonzero(w.sum(axis=1))) for _, w in sides)
    error = float(np.hypot(spread[0], spread[1]))
    if not error > 0:
        return None
    reach = student_quantile(_TWO_SIDED, units - 2)
    p_value = min(1.0, 2.0 * student_tail((abs(difference) - margin) / error, units - 2))
    levels = [
        Estimate(level, level - reach * own, level + reach * own)
        for level, own in ((float(np.sum(shared * m)), s) for m, s in zip(mean, spread, strict=True))
    ]
    change = Estimate(difference, difference - reach * error, difference + reach * error, p_value)
    return Change(levels[0], levels[1], change)


def _spread(value: FloatArray, weight: FloatArray, mean: FloatArray, shared: FloatArray) -> float:
    """Standard deviation of a side's level: sums over the cells of each unit, squared."""
    seen = weight > 0
    count = seen.sum(axis=0)
    away = np.where(seen, value - mean, 0.0) * np.sqrt(count / (count - 1.0))
    return float(np.sqrt(np.sum(((shared * weight / weight.sum(axis=0)) * away).sum(axis=1) ** 2)))
