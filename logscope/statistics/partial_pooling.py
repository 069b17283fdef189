"""Several units of one kind, each known as well as its data allow: a hierarchical estimate.

The true values of the units scatter normally about a common mean; each was measured with an error of its own. What is
known of a unit is its own measurement drawn towards the mean, the more the less it was measured (partial pooling: D. B.
Rubin, J. Educ. Stat. 6, 1981; Gelman et al., Bayesian Data Analysis, 3rd ed., section 5.4). The scatter among units is
not fixed at an estimate, which few units hardly allow, but averaged over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from logscope.arrays import FloatArray
from logscope.statistics.rates import Estimate
from logscope.statistics.robust import NORMAL_95

_POINTS = 400  # of the scatter among units
_WIDEST = 30.0  # scatter among units, as a multiple of the largest error and distance; beyond lies next to nothing


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """The units' true values, as a mixture of normal distributions over the scatter among units.

    weight : of each scatter, shape (k,); mean, deviation : of each unit for each, shape (k, n)
    against, against_deviation : of each unit less the mean of the others, likewise
    rest_deviation : of the mean of the others
    scatter : among units, with 95 % limits; average : of all units
    """

    weight: FloatArray
    mean: FloatArray
    deviation: FloatArray
    against: FloatArray
    against_deviation: FloatArray
    rest_deviation: FloatArray
    scatter: Estimate
    average: Estimate

    def unit(self, number: int) -> Estimate:
        """The true value of a unit with 95 % limits."""
        return _mixture(self.weight, self.mean[:, number], self.deviation[:, number])

    def others(self, number: int) -> Estimate:
        """The mean of the other units."""
        own, away = self.unit(number), self.difference(number)
        mean = own.value - away.value
        reach = float(np.sqrt(self.weight @ (self.rest_deviation[:, number] ** 2)))
        return Estimate(mean, mean - NORMAL_95 * reach, mean + NORMAL_95 * reach)

    def difference(self, number: int, margin: float = 0.0) -> Estimate:
        """A unit less the mean of the others; the p-value is the chance that they differ by less than `margin`."""
        mean, deviation = self.against[:, number], self.against_deviation[:, number]
        found = _mixture(self.weight, mean, deviation)
        within = ndtr((margin - mean) / deviation) - ndtr((-margin - mean) / deviation)
        other = ndtr((-margin - mean) / deviation) if found.value > 0 else ndtr((mean - margin) / deviation)
        return Estimate(found.value, found.low, found.high, min(1.0, float(self.weight @ (within + other))))


def partial_pooling(value: FloatArray, deviation: FloatArray, scale: float | None = None) -> Pooled:
    """The true values of units measured once each.

    value, deviation : of each unit, with its standard deviation; shape (n,) with n >= 2
    scale : of a half-Cauchy prior on the scatter among units (Gelman, Bayesian Anal. 1, 2006), for fewer units than
        show it; None takes a flat one, which needs three units
    """
    widest = _WIDEST * (float(np.max(deviation)) + float(np.ptp(value)))
    edges = widest * np.linspace(0.0, 1.0, _POINTS + 1) ** 3  # closer where it is small
    scatter = (edges[1:] + edges[:-1]) / 2.0
    total = scatter[:, np.newaxis] ** 2 + deviation**2
    mean, precision = np.sum(value / total, axis=1) / np.sum(1.0 / total, axis=1), np.sum(1.0 / total, axis=1)
    likelihood = -0.5 * (np.sum(np.log(total) + (value - mean[:, np.newaxis]) ** 2 / total, axis=1) + np.log(precision))
    likelihood -= 0.0 if scale is None else np.log1p((scatter / scale) ** 2)
    weight = np.exp(likelihood - likelihood.max()) * np.diff(edges)
    weight /= weight.sum()
    share = scatter[:, np.newaxis] ** 2 / total  # of a unit's own measurement
    unit = share * value + (1.0 - share) * mean[:, np.newaxis]
    # Given the scatter, the units vary by themselves and, together, with the mean that they are drawn towards.
    alone, joint = share * deviation**2, (1.0 - share) / np.sqrt(precision)[:, np.newaxis]
    others = value.size - 1
    against = unit - (unit.sum(axis=1, keepdims=True) - unit) / others
    shared = (joint.sum(axis=1, keepdims=True) - joint) / others
    rest = (alone.sum(axis=1, keepdims=True) - alone) / others**2
    return Pooled(
        weight,
        unit,
        np.sqrt(alone + joint**2),
        against,
        np.sqrt(np.maximum(alone + rest + (joint - shared) ** 2, 1e-300)),
        np.sqrt(rest + shared**2),
        _quantiles(weight, scatter),
        _mixture(weight, mean, precision**-0.5),
    )


def _quantiles(weight: FloatArray, at: FloatArray) -> Estimate:
    """Median and 95 % limits of a rising grid with weights."""
    below = np.cumsum(weight) - weight / 2.0
    low, median, high = np.interp([0.025, 0.5, 0.975], below, at)
    return Estimate(float(median), float(low), float(high))


def _mixture(weight: FloatArray, mean: FloatArray, deviation: FloatArray) -> Estimate:
    """Mean and 95 % limits of a mixture of normal distributions."""
    sides = []
    for share in (0.025, 0.975):
        low, high = float(np.min(mean - 9.0 * deviation)), float(np.max(mean + 9.0 * deviation))
        for _ in range(60):
            middle = (low + high) / 2.0
            below = float(weight @ ndtr((middle - mean) / deviation)) < share
            low, high = (middle, high) if below else (low, middle)
        sides.append((low + high) / 2.0)
    return Estimate(float(weight @ mean), sides[0], sides[1])
