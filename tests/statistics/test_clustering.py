"""Clusters among events, judged by the gaps between them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from logscope.statistics.clustering import INDEPENDENT, Recorded, clustering, spread_of_units, student_widening

_LENGTH_S, _WINDOW_S = 6000.0, 30.0


def _at_rate(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Events per second: it rises and falls tenfold every ten minutes."""
    return np.asarray(0.02 * 10.0 ** np.sin(2 * np.pi * times / 600.0) ** 2)


def _recorded(rng: np.random.Generator, burst: float) -> Recorded:
    """Bursts of a geometric number of events, `burst` on average, at a known rate that changes."""
    edges = np.arange(0.0, _LENGTH_S + 0.5, 0.5)
    until = np.append(0.0, np.cumsum(_at_rate(edges[:-1]) * 0.5))
    starts = np.interp(np.sort(rng.uniform(0.0, until[-1], rng.poisson(until[-1] / burst))), until, edges)
    every = [start + np.cumsum(rng.exponential(0.7, size)) for start in starts for size in [rng.geometric(1 / burst)]]
    return Recorded(np.sort(np.concatenate(every)), edges, until)


def test_events_that_only_follow_their_rate_are_independent() -> None:
    """A Poisson process, by its definition: pairs beyond the expected ones in one case of twenty."""
    rng = np.random.default_rng(1)
    found = [clustering([_recorded(rng, 1.0)], _WINDOW_S) for _ in range(200)]
    assert sum(each.clusters is not None for each in found) <= 20
    assert float(np.mean([each.dispersion for each in found])) < 1.25  # never below 1, so its scatter lifts it


@pytest.mark.parametrize("burst", [2.0, 4.0])
def test_bursts_show_the_dispersion_of_their_sizes(burst: float) -> None:
    """Cox and Isham, Point Processes (1980): the index of dispersion of clusters of size S is E S²/E S, here 2b − 1."""
    rng = np.random.default_rng(2)
    found = [clustering([_recorded(rng, burst)], _WINDOW_S) for _ in range(40)]
    assert float(np.median([each.dispersion for each in found])) == pytest.approx(2 * burst - 1, rel=0.2)
    assert sum(each.clusters is not None for each in found) >= 36


def test_one_event_shows_no_cluster() -> None:
    assert clustering([Recorded(np.array([3.0]), np.array([0.0, 9.0]), np.array([0.0, 1.0]))], 30.0) == INDEPENDENT


def test_few_degrees_of_freedom_widen_as_student_says() -> None:
    """scipy: quantiles of Student's t and of the normal distribution."""
    assert student_widening(6.0, 0.05) == pytest.approx((stats.t.ppf(0.975, 6) / stats.norm.ppf(0.975)) ** 2)
    assert student_widening(1e9, 0.01) == pytest.approx(1.0, rel=1e-6)


def test_runs_that_scatter_as_chance_does_widen_nothing() -> None:
    assert spread_of_units([8, 8, 7, 9, 0, 1, 0, 1], [8, 8, 8, 8, 0.5, 0.5, 0.5, 0.5], 1.0, 2, 0.05) == 1.0


def test_runs_that_differ_widen_by_their_scatter() -> None:
    counts, expected = [2.0, 30.0, 5.0, 23.0], [15.0] * 4
    pearson = sum((n - 15.0) ** 2 / 15.0 for n in counts) / 2
    assert spread_of_units(counts, expected, 1.0, 2, 0.05) == pytest.approx(pearson * student_widening(2.0, 0.05))
