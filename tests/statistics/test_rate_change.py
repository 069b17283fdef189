"""Rates that follow a law, compared: against published figures, statsmodels and simulation."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
import statsmodels.stats.rates as sm_rates
from numpy.typing import NDArray
from statsmodels.stats.multitest import multipletests

from logscope.statistics.holm import holm
from logscope.statistics.rate_change import Observed, rate_change
from logscope.statistics.rates import rate_ratio

_FREE = 100.0  # columns scaled so are hardly penalised


def _two(first: tuple[float, float], second: tuple[float, float]) -> Observed:
    """One cell a side: (events, exposure) each."""
    events, exposure = np.array([first, second], dtype=float).T
    return Observed(events, exposure, np.array([False, True]), np.zeros((2, 0)))


def _with_law(
    rng: np.random.Generator, rows: int, ratio: float, covariates: NDArray[np.float64], level: float = 1.0
) -> Observed:
    exposure = rng.uniform(0.5, 4.0, rows)
    second = np.arange(rows) % 2 == 1
    rate = level * np.exp(covariates @ np.array([2.0, -1.0])) * np.where(second, ratio, 1.0)
    return Observed(rng.poisson(exposure * rate).astype(float), exposure, second, covariates)


def test_the_ratio_of_the_british_doctors_is_the_published_one() -> None:
    """Coronary deaths of British doctors by age, Doll and Hill 1966. Poisson regression with age levels gives 1.425519
    (1.154984 to 1.759421): values from memory, of a statistics manual that uses these data."""
    deaths = [2, 12, 28, 28, 31, 32, 104, 206, 186, 102]
    years = [18790, 10673, 5710, 2585, 1462, 52407, 43248, 28612, 12663, 5317]
    ages = _FREE * np.tile(np.eye(5), (2, 1))[:, 1:]
    found = rate_change(Observed(np.array(deaths, float), np.array(years, float), np.arange(10) >= 5, ages))
    assert found.ratio.value == pytest.approx(1.425519, rel=1e-6)
    ours, theirs = np.log(found.ratio.high / found.ratio.low), np.log(1.759421 / 1.154984)
    assert theirs < ours < 1.05 * theirs  # exact tails of a discrete count, where theirs are those of a normal


def test_the_ratio_is_that_of_a_poisson_regression_on_the_same_covariates() -> None:
    """statsmodels: GLM, Poisson family, logarithm of the exposure as offset."""
    rng = np.random.default_rng(11)
    for _ in range(5):
        seen = _with_law(rng, 60, 1.7, rng.uniform(size=(60, 2)))
        design = np.column_stack([np.ones(60), seen.covariates, seen.second])
        fit = sm.GLM(seen.events, design, family=sm.families.Poisson(), exposure=seen.exposure).fit()
        found = rate_change(Observed(seen.events, seen.exposure, seen.second, _FREE * seen.covariates))
        assert found.ratio.value == pytest.approx(np.exp(fit.params[-1]), rel=1e-4)
        ours, theirs = np.log(found.ratio.high / found.ratio.low), 2 * 1.96 * fit.bse[-1]
        assert theirs < ours < 1.1 * theirs  # the exact tails of a discrete count are a little wider


@pytest.mark.parametrize(("first", "second"), [((11, 800), (21, 3011)), ((0, 5), (4, 5)), ((3, 10), (0, 10))])
def test_without_covariates_the_limits_are_the_exact_ones(first: tuple[int, float], second: tuple[int, float]) -> None:
    """Clopper–Pearson, as `rate_ratio`, whose published examples are in test_rates.py."""
    found, exact = rate_change(_two(first, second)), rate_ratio(*second, *first)
    assert (found.ratio.value, found.ratio.low, found.ratio.high) == pytest.approx(
        (exact.value, exact.low, exact.high), rel=1e-4
    )
    assert found.ratio.p_value == pytest.approx(exact.p_value, rel=1e-4)


def test_a_margin_tests_against_the_nearest_ratio_that_would_not_matter() -> None:
    """statsmodels: test_poisson_2indep, exact conditional, one-sided at the edge of the margin, doubled."""
    edge = sm_rates.test_poisson_2indep(
        30, 100, 60, 100, value=1 / 1.1, method="exact-cond", compare="ratio", alternative="smaller"
    )
    assert rate_change(_two((60, 100), (30, 100)), margin=0.1).ratio.p_value == pytest.approx(2 * edge.pvalue, rel=1e-5)


def test_clustered_counts_are_worth_as_many_fewer_as_their_dispersion_says() -> None:
    whole, third = rate_change(_two((60, 90), (30, 90)), 3.0), rate_change(_two((20, 30), (10, 30)))
    assert whole.ratio.p_value == pytest.approx(third.ratio.p_value, rel=1e-6)
    assert (whole.ratio.low, whole.ratio.high) == pytest.approx((third.ratio.low, third.ratio.high), rel=1e-4)


def test_no_event_leaves_every_ratio_open() -> None:
    found = rate_change(_two((0, 10), (0, 20)))
    assert (found.ratio.low, found.ratio.high, found.ratio.p_value) == (0.0, np.inf, 1.0)


def test_a_side_without_events_bounds_the_ratio_on_one_side() -> None:
    rng = np.random.default_rng(4)
    seen = _with_law(rng, 40, 1.0, rng.uniform(size=(40, 2)))
    none = Observed(np.where(seen.second, 0.0, seen.events), seen.exposure, seen.second, seen.covariates)
    found = rate_change(none)
    assert (found.ratio.value, found.ratio.low) == (0.0, 0.0)
    assert 0 < found.ratio.high < 0.2
    assert found.second.value == 0.0


def test_unlike_exposure_claims_no_more_than_its_level() -> None:
    """Simulation, no published source: the second side is driven at other covariates; 5 % within its own error."""
    rng = np.random.default_rng(77)
    wrong = 0
    for _ in range(60):
        covariates = rng.uniform(size=(60, 2))
        covariates[1::2, 0] **= 3  # gentler: low values are common
        wrong += rate_change(_with_law(rng, 60, 1.0, covariates, level=0.2)).ratio.p_value < 0.05
    assert wrong <= 6  # 5 % of 60, and two standard deviations of that


def test_holm_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(3)
    for size in (1, 2, 7):
        p = rng.uniform(0, 0.2, size)
        assert holm(list(p)) == pytest.approx(multipletests(p, method="holm")[1])
