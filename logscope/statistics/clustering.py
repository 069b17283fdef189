"""How much events cluster: judged by the gaps between them, against the rate at which they were to be expected.

Independent events leave as many close pairs as the rate makes probable. Pairs beyond that show clusters, and the
variance of a count over a time much longer than a cluster is that of independent events times 1 + twice the surplus of
pairs for each event (Cox and Isham, Point Processes, 1980, section 2.5: index of dispersion from the product density).
A rate that changes with load, or from one side of a comparison to the other, makes no pairs beyond the expected ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logscope.arrays import FloatArray
from logscope.statistics.distributions import (
    chi_squared_tail,
    negative_binomial_at_least,
    normal_quantile,
    student_quantile,
)

_BY_CHANCE = 0.05  # as many pairs or more, by chance alone: from there on the events do cluster


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """Events of one recording beside what was to be expected.

    events_s : times, ascending, shape (n,)
    edge_s, until : events expected from the start until each edge, both shape (m,), ascending
    """

    events_s: FloatArray
    edge_s: FloatArray
    until: FloatArray


@dataclass(frozen=True, slots=True)
class Clustering:
    """dispersion : variance of counts over that of independent events, at least 1
    clusters : how many independent ones the events amount to where they cluster; None where chance explains all
    """

    dispersion: float
    clusters: float | None


INDEPENDENT = Clustering(1.0, None)


def clustering(recordings: Sequence[Recorded], window_s: float) -> Clustering:
    """Clusters no longer than `window_s` [s]."""
    count = sum(each.events_s.size for each in recordings)
    if count < 2:
        return INDEPENDENT
    pairs = sum(_pairs(each.events_s, window_s) for each in recordings)
    followers = np.concatenate([_expected_followers(each, window_s) for each in recordings])
    dispersion = max(1.0, 1.0 + 2.0 * (pairs - float(followers.sum())) / count)
    return Clustering(dispersion, count / dispersion if _chance_of_as_many(pairs, followers) < _BY_CHANCE else None)


def _chance_of_as_many(pairs: int, followers: FloatArray) -> float:
    """Chance of as many pairs or more among independent events.

    Windows of neighbouring events overlap, so that the pairs scatter more than a Poisson count: with the variance
    E·(1 + E) of each event's E expected followers, taken as a negative binomial.
    """
    mean, extra = float(followers.sum()), float(np.sum(followers**2))
    if not pairs or not mean > 0:
        return 1.0 if not pairs else 0.0
    return negative_binomial_at_least(pairs, mean**2 / max(extra, 1e-12 * mean), mean / (mean + extra))


def _pairs(events_s: FloatArray, window_s: float) -> int:
    last = np.searchsorted(events_s, events_s + window_s, side="right")
    return int(np.sum(last - np.arange(events_s.size) - 1))


def _expected_followers(recorded: Recorded, window_s: float) -> FloatArray:
    """Events expected within the window after each event, by a rate that the event itself did not raise; shape (n,)."""
    n = recorded.events_s.size
    if not n:
        return recorded.events_s
    start, end = (np.interp(recorded.events_s + late, recorded.edge_s, recorded.until) for late in (0.0, window_s))
    return np.asarray((end - start) * (n - 1) / n)


# A spread of the units' counts that chance alone gives in more than one case of five is no sign that units differ
# (judgement: small enough to miss little, large enough that most sound sets of runs are not widened).
_UNREMARKABLE = 0.2


def student_widening(freedom: float, level: float) -> float:
    """What a variance known with few degrees of freedom is multiplied by, so that normal limits hold at a level."""
    tail = 1.0 - level / 2.0
    return (student_quantile(tail, max(freedom, 1.0)) / normal_quantile(tail)) ** 2


def spread_of_units(
    counts: Sequence[float], expected: Sequence[float], dispersion: float, fitted: int, level: float
) -> float:
    """Variance of counts over that of independent events, from whole units; 1 where the units do not differ.

    counts, expected : events of each unit; dispersion : that is known from within the units, at least 1
    fitted : parameters that were fitted to the units' totals; level : of the test that uses it

    Pearson's chi-squared over its degrees of freedom: McCullagh and Nelder, Generalized Linear Models (1989), 4.5.
    """
    mean = np.maximum(np.asarray(expected, dtype=np.float64), 1e-9)
    freedom = mean.size - fitted
    if freedom < 1:
        return 1.0
    chi_squared = float(np.sum((np.asarray(counts) - mean) ** 2 / mean))
    if chi_squared_tail(chi_squared / dispersion, freedom) > _UNREMARKABLE:
        return 1.0
    return max(1.0, chi_squared / freedom) * student_widening(float(freedom), level)
